//! A show to record: what the tests of the record share.
#![allow(dead_code, clippy::unwrap_used, clippy::expect_used, clippy::panic, missing_docs)]

pub mod synth;

use base::{
    AudioState, ClockState, Db, Dbfs, Heard, Machine, MachineId, MonoTime, PlayerState, Ppm, RigId, ShowId, Span,
    SwitchView, TransportState, WallTime,
};
use twinkeel_showlog::{
    Event, EventKind, Fitness, Limits, MachineMeta, MachineSample, Mode, Sample, ShowMeta, SongMeta, Takeover,
};

pub const START: MonoTime = MonoTime::from_nanos(1_000_000_000_000);
/// 2026-06-05T18:30:00Z.
pub const WALL: WallTime = WallTime(1_780_684_200_000_000_000);

pub fn meta() -> ShowMeta {
    ShowMeta {
        show: ShowId([7; 16]),
        rig: RigId([9; 16]),
        title: "Lanterns at the Quay".to_owned(),
        rig_name: "Blue rig".to_owned(),
        machines: vec![
            MachineMeta { id: MachineId([1; 16]), name: "Heron".to_owned() },
            MachineMeta { id: MachineId([2; 16]), name: "Plover".to_owned() },
        ],
        earlier: Vec::new(),
        songs: vec![
            SongMeta {
                number: 1,
                name: "Tide Table".to_owned(),
                starts_at: Some(Span::from_secs(3_600)),
                length: Some(Span::from_secs(200)),
            },
            SongMeta {
                number: 2,
                name: "Paper Sails".to_owned(),
                starts_at: Some(Span::from_secs(7_200)),
                length: Some(Span::from_secs(240)),
            },
            SongMeta { number: 3, name: "Low Water".to_owned(), starts_at: None, length: None },
        ],
        limits: Limits::default(),
        written_by: "0.1.0".to_owned(),
    }
}

pub fn at(span: Span) -> (MonoTime, WallTime) {
    (START + span, WallTime(WALL.0 + span.nanos()))
}

pub fn note(n: u64) -> Event {
    let (at, wall) = at(Span::from_millis(n as i64));
    Event::new(at, wall, EventKind::Note, "test", format!("note {n}")).with(&serde_json::json!({ "n": n }))
}

/// Two machines in step, B a little late, in song 1.
pub fn sample(since: Span) -> Sample {
    let machine = MachineSample {
        fitness: Fitness::Fit,
        heard: Heard::Well,
        player: PlayerState::Running,
        transport: TransportState::Rolling,
        audio: AudioState::Sounding,
        clock: ClockState::Tracking,
        paths_alive: 1,
        song: Some(1),
        bound: Some(Span::from_micros(300)),
        peak: Some(Dbfs(-6.5)),
        rms: Some(Dbfs(-18.25)),
        beats_lost: Some(0),
        lateness: Some(Span::from_micros(60)),
        ..MachineSample::default()
    };
    let offset = Span::from_micros(3_000) + since.scaled(23e-6);
    let b = MachineSample { offset: Some(offset), drift: Some(Ppm(23.0)), ..machine };
    Sample {
        at: START + since,
        on_air: SwitchView::On(Machine::A),
        mode: Mode::Act,
        latched: false,
        song: Some(1),
        song_at: Some(since),
        takeover: Takeover { to: Some(Machine::B), jump: Some(-offset), level: Some(Db(0.0)) },
        machines: [machine, b].into_iter().collect(),
    }
}
