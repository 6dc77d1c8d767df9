//! An invented tour on the shelf: five shows whose drift grows, and a file that is none.

use std::path::Path;
use std::time::Duration;

use base::{
    AudioState, ClockState, Db, Dbfs, Heard, Machine, MachineId, MonoTime, PlayerState, Ppm, RigId, ShowId, Span,
    SwitchView, TransportState, WallTime,
};
use showlog::detail::{Alarm, Priority, Transition};
use showlog::{
    Event, EventKind, Fitness, Limits, MachineMeta, MachineSample, Mode, Recorder, Sample, ShowMeta, SongMeta, Takeover,
};

const START: MonoTime = MonoTime::from_nanos(1_000_000_000_000);
/// 2026-05-20T18:30:00Z.
const FIRST: i64 = 1_779_301_800;
const DAY: i64 = 24 * 3600;
const SONG: i64 = 60;
const PLACES: [(&str, f64, bool); 5] = [
    ("Harrow Quay", 21.0, false),
    ("Ferry House", 21.4, false),
    ("Salt Barn", 21.2, true),
    ("Low Water Hall", 23.9, false),
    ("Lantern Dock", 27.5, true),
];

/// Records it.
pub fn fill(dir: &Path) -> Result<(), Box<dyn std::error::Error>> {
    for (n, (place, drift, alarm)) in (0..).zip(PLACES) {
        show(dir, n, place, drift, alarm)?;
    }
    Ok(std::fs::write(dir.join("damaged.showlog"), b"no record")?)
}

fn show(dir: &Path, n: u8, place: &str, drift: f64, alarm: bool) -> Result<(), Box<dyn std::error::Error>> {
    let song = |number, name: &str| SongMeta {
        number,
        name: name.into(),
        starts_at: Some(Span::from_secs(3600 * i64::from(number))),
        length: Some(Span::from_secs(SONG)),
    };
    let meta = ShowMeta {
        show: ShowId([n + 1; 16]),
        rig: RigId([9; 16]),
        title: format!("Salt and Lanterns, {place}"),
        rig_name: "touring twins".into(),
        machines: vec![
            MachineMeta { id: MachineId([1; 16]), name: "left of the riser".into() },
            MachineMeta { id: MachineId([2; 16]), name: "right of the riser".into() },
        ],
        earlier: Vec::new(),
        songs: vec![song(1, "Low Water"), song(2, "Nine Bells, No Wind")],
        limits: Limits::default(),
        written_by: "0.1.0".into(),
    };
    let wall = |at: Span| WallTime((FIRST + DAY * i64::from(n)) * 1_000_000_000 + at.nanos());
    let recorder = Recorder::open(dir, &meta, START, wall(Span::ZERO))?;
    let sender = recorder.handle();
    let turn = Span::from_secs(SONG + 20);
    for tenth in 0..20 * (SONG + 20) {
        let at = Span::from_millis(100 * tenth);
        let (number, in_song) = (at.nanos() / turn.nanos(), at.nanos() % turn.nanos());
        let song = (in_song < Span::from_secs(SONG).nanos()).then_some((number as u16 + 1, Span::from_nanos(in_song)));
        sender.sample(sample(at, song, drift, alarm));
    }
    if alarm {
        for (at, transition, over) in [(30, Transition::Raised, ""), (33, Transition::Cleared, "Over: ")] {
            let at = Span::from_secs(at);
            let detail =
                Alarm { priority: Priority::Medium, transition, cause: None, mend: None, by: None, device: None };
            let text = format!("{over}B is heard on one path only.");
            let event = Event::new(START + at, wall(at), EventKind::Alarm, "one-path", text);
            sender.event(Event { machine: Some(Machine::B), ..event.with(&detail) });
        }
    }
    recorder.flush(Duration::from_secs(10))?;
    recorder.close();
    Ok(())
}

fn sample(at: Span, song: Option<(u16, Span)>, drift: f64, alarm: bool) -> Sample {
    let offset = song.map(|(_, s)| Span::from_micros(2_000) + s.scaled(drift * 1e-6));
    let machine = MachineSample {
        fitness: Fitness::Fit,
        heard: Heard::Well,
        player: PlayerState::Running,
        transport: if song.is_some() { TransportState::Rolling } else { TransportState::Stopped },
        audio: if song.is_some() { AudioState::Sounding } else { AudioState::Quiet },
        clock: ClockState::Tracking,
        paths_alive: 2,
        song: song.map(|(n, _)| n),
        bound: Some(Span::from_micros(40)),
        peak: Some(Dbfs(-6.0)),
        rms: Some(Dbfs(-18.0)),
        beats_lost: Some(0),
        lateness: Some(Span::from_micros(60)),
        ..MachineSample::default()
    };
    let unfit = alarm && song.is_some_and(|(n, s)| n == 1 && (Span::from_secs(30)..Span::from_secs(33)).contains(&s));
    let b = MachineSample {
        offset: offset.filter(|_| !unfit),
        drift: song.map(|_| Ppm(drift)),
        fitness: if unfit { Fitness::Unfit } else { Fitness::Fit },
        ..machine
    };
    Sample {
        at: START + at,
        on_air: SwitchView::On(Machine::A),
        mode: Mode::Act,
        latched: false,
        song: song.map(|(n, _)| n),
        song_at: song.map(|(_, s)| s),
        takeover: Takeover { to: Some(Machine::B), jump: offset.map(|o| -o), level: Some(Db(0.0)) },
        machines: [machine, b].into_iter().collect(),
    }
}
