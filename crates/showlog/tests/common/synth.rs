//! A made-up show of any length, with known skews, drifts, steps and faults, written through the recorder itself.
#![allow(dead_code, missing_docs, clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::path::{Path, PathBuf};
use std::time::Duration;

use base::{AudioState, Db, Heard, Machine, MonoTime, Ppm, Span, SwitchView, TransportState};
use twinkeel_showlog::detail::{self, Alarm, Changeover, Priority, Seen, Stage, Transition};
use twinkeel_showlog::{
    Event, EventKind, Fitness, MachineSample, Recorder, RecorderConfig, Sample, ShowMeta, SongMeta, Takeover,
};

use super::{START, WALL, at, meta, sample};

/// What one song is made of.
#[derive(Clone, Copy)]
pub struct Plan {
    pub name: &'static str,
    pub seconds: i64,
    pub skew_us: i64,
    pub drift_ppm: f64,
    /// At this second the offset moves by so many microseconds.
    pub step: Option<(i64, i64)>,
    /// B is unfit between these seconds.
    pub unfit: Option<(i64, i64)>,
    /// A falls silent at this second and B takes over.
    pub changeover: Option<i64>,
}

const fn plan(name: &'static str, seconds: i64, skew_us: i64, drift_ppm: f64) -> Plan {
    Plan { name, seconds, skew_us, drift_ppm, step: None, unfit: None, changeover: None }
}

pub fn set_list() -> Vec<Plan> {
    vec![
        plan("Tide Table", 214, 3_100, 23.0),
        Plan { unfit: Some((72, 79)), ..plan("Paper Sails", 252, -1_800, 23.2) },
        Plan { step: Some((95, 2_600)), ..plan("Low Water", 187, 2_200, 22.7) },
        plan("A Lamp for the Ferryman", 305, 6_400, 23.1),
        Plan { changeover: Some(132), ..plan("Salt & Rope", 241, 1_200, 22.9) },
        plan("Gulls <reprise>", 158, -400, 23.0),
    ]
}

/// Songs of seven minutes with half a minute between them, as many as fill so many hours.
pub fn long(hours: i64) -> Vec<Plan> {
    let n = hours * 3_600 / 450;
    (0..n).map(|i| plan("Watch of the Night", 420, 1_000 + 37 * (i % 20), 23.0)).collect()
}

/// Even noise within plus or minus one, by the sample's number.
pub fn noise(i: u64) -> f64 {
    let mut x = i.wrapping_mul(0x9E37_79B9_7F4A_7C15) ^ 0x5851_F42D_4C95_7F2D;
    x ^= x >> 31;
    x = x.wrapping_mul(0xD6E8_FEB8_6659_FD93);
    x ^= x >> 32;
    (x >> 11) as f64 / (1u64 << 52) as f64 - 1.0
}

/// The show's state at an instant; `song` is the index in the plan.
pub fn state(p: Option<(usize, &Plan)>, since: Span, in_song: Span, latched: bool, n: u64) -> Sample {
    let mut s: Sample = sample(since);
    let seconds = in_song.secs_f64();
    let Some((index, p)) = p else {
        s.song = None;
        s.song_at = None;
        s.takeover = Takeover::default();
        for m in &mut s.machines {
            m.transport = TransportState::Stopped;
            m.audio = AudioState::Quiet;
            (m.song, m.offset, m.drift) = (None, None, None);
        }
        s.latched = latched;
        s.on_air = SwitchView::On(if latched { Machine::B } else { Machine::A });
        return s;
    };
    let number = index as u16 + 1;
    let stepped = p.step.filter(|(t, _)| in_song >= Span::from_secs(*t)).map_or(0, |s| s.1);
    let us = (p.skew_us + stepped) as f64 + p.drift_ppm * seconds + 120.0 * noise(n) + 80.0 * noise(n / 7);
    let offset = Span::from_nanos((us * 1e3) as i64);
    let dead = p.changeover.is_some_and(|t| in_song >= Span::from_secs(t));
    let unfit = p.unfit.is_some_and(|(a, b)| in_song >= Span::from_secs(a) && in_song < Span::from_secs(b));
    s.song = Some(number);
    s.song_at = Some(in_song);
    s.latched = latched || dead;
    s.on_air = SwitchView::On(if s.latched { Machine::B } else { Machine::A });
    for m in &mut s.machines {
        m.song = Some(number);
        m.bound = Some(Span::from_micros(350 + (60.0 * noise(n / 50)) as i64));
        m.peak = Some(base::Dbfs((-7.0 + 2.0 * noise(n / 3)).mul_add(100.0, 0.0).round() / 100.0));
        m.rms = Some(base::Dbfs((-19.0 + noise(n / 3)).mul_add(100.0, 0.0).round() / 100.0));
        m.lateness = Some(Span::from_micros(60 + (20.0 * noise(n)) as i64 * 10));
        m.beats_lost = Some((n / 40_000) as u32);
    }
    s.machines[1].offset = Some(offset);
    s.machines[1].drift = Some(Ppm(p.drift_ppm));
    s.takeover = Takeover { to: Some(Machine::B), jump: Some(-offset), level: Some(Db(-0.5)) };
    if unfit {
        s.machines[1].fitness = Fitness::Unfit;
        s.machines[1].transport = TransportState::Stalled;
        s.machines[1].offset = None;
        s.takeover = Takeover::default();
    }
    if s.latched {
        s.takeover = Takeover { to: Some(Machine::A), ..Takeover::default() };
    }
    if dead {
        s.machines[0] = MachineSample {
            fitness: Fitness::Unfit,
            heard: Heard::Silent,
            beats_lost: s.machines[0].beats_lost,
            ..MachineSample::default()
        };
        s.machines[1].offset = None;
    }
    s
}

/// Writes the show; `every` is how far samples are apart (5 ms as in life, 100 ms to be quick).
pub fn write(dir: &Path, plans: &[Plan], every: Span) -> PathBuf {
    let songs = plans.iter().enumerate().map(|(i, p)| SongMeta {
        number: i as u16 + 1,
        name: p.name.to_owned(),
        starts_at: Some(Span::from_secs(3_600 + 600 * i as i64)),
        length: Some(Span::from_secs(p.seconds)),
    });
    let meta = ShowMeta { songs: songs.collect(), ..meta() };
    let config = RecorderConfig { sample_queue: 20_000, ..RecorderConfig::default() };
    let recorder = Recorder::open_with(dir, &meta, START, WALL, config).unwrap();
    let sender = recorder.handle();
    let (mut since, mut n, mut latched) = (Span::ZERO, 0u64, false);
    let mut put = |p: Option<(usize, &Plan)>, since: Span, in_song: Span, latched: bool, recorder: &Recorder| {
        sender.sample(state(p, since, in_song, latched, n));
        n += 1;
        if n % 10_000 == 0 {
            recorder.flush(Duration::from_secs(60)).unwrap();
        }
    };
    for (i, p) in plans.iter().enumerate() {
        for k in 0..Span::from_secs(15).nanos() / every.nanos() {
            put(None, since + every.times(k), Span::ZERO, latched, &recorder);
        }
        since += Span::from_secs(15);
        let song = since;
        let length = Span::from_secs(p.seconds);
        let mut told = false;
        for k in 0..length.nanos() / every.nanos() {
            let in_song = every.times(k);
            if !told && p.changeover.is_some_and(|t| in_song >= Span::from_secs(t)) {
                recorder.flush(Duration::from_secs(60)).unwrap();
                changeover(&recorder, song + Span::from_secs(p.changeover.unwrap()));
                told = true;
            }
            put(Some((i, p)), song + in_song, in_song, latched, &recorder);
        }
        latched |= p.changeover.is_some();
        if let Some((a, b)) = p.unfit {
            unfit(&recorder, song + Span::from_secs(a), song + Span::from_secs(b));
        }
        since += length + Span::from_secs(15);
    }
    let path = recorder.path().to_owned();
    recorder.close();
    path
}

fn event(since: Span, kind: EventKind, code: &str, text: &str) -> Event {
    let (when, wall) = at(since);
    Event::new(when, wall, kind, code, text)
}

fn unfit(recorder: &Recorder, from: Span, to: Span) {
    let sender = recorder.handle();
    let fitness = |fitness, reasons: &[&str]| detail::Fitness {
        fitness,
        reasons: reasons.iter().map(|r| (*r).to_owned()).collect(),
    };
    sender.event(
        event(from, EventKind::Fitness, "unfit", "B is unfit: its timecode stalled.")
            .about(Machine::B)
            .with(&fitness(Fitness::Unfit, &["its timecode stalled"])),
    );
    for (after, clipped, highest) in [(1, 37, 0.4), (3, 5, 0.8)] {
        let d = detail::Clipped { channel: 3, name: Some("keys".to_owned()), clipped, highest: base::Dbfs(highest) };
        sender.event(
            event(from + Span::from_secs(after), EventKind::Health, "clipped", "B clipped.").about(Machine::B).with(&d),
        );
    }
    let alarm = |transition| Alarm {
        priority: Priority::Medium,
        transition,
        cause: Some("the MIDI cable or port of B".to_owned()),
        mend: Some("Change B's MIDI cable and check the port's power saving".to_owned()),
        by: None,
        device: None,
    };
    sender.event(
        event(from, EventKind::Alarm, "standby-stalled", "The standby's timecode stalled.")
            .about(Machine::B)
            .with(&alarm(Transition::Raised)),
    );
    let (when, wall) = at(from + Span::from_millis(200));
    let refusal = detail::Refusal { rule: "standby-not-fit".to_owned(), to: Some(Machine::B), evidence: Vec::new() };
    sender.event(
        Event::new(when, wall, EventKind::Refusal, "standby-not-fit", "B is not fit: its timecode stalled.")
            .with(&refusal),
    );
    sender.event(event(to, EventKind::Fitness, "fit", "B is fit.").about(Machine::B).with(&fitness(Fitness::Fit, &[])));
    sender.event(
        event(to, EventKind::Alarm, "standby-stalled", "The standby's timecode runs again.")
            .about(Machine::B)
            .with(&alarm(Transition::Cleared)),
    );
}

fn changeover(recorder: &Recorder, fault: Span) {
    let sender = recorder.handle();
    let verdict = fault + Span::from_micros(13_400);
    let sent = verdict + Span::from_micros(180);
    let confirmed = sent + Span::from_micros(3_900);
    let seen = |after: i64, text: &str| Seen { at: START + fault + Span::from_micros(after), text: text.to_owned() };
    let detail = |stage| Changeover {
        number: 1,
        stage,
        to: Machine::B,
        from: Some(Machine::A),
        rule: "on-air-dead".to_owned(),
        forced: false,
        by: None,
        fault_at: Some(START + fault),
        jump: Some(Span::from_micros(-4_200)),
        level: Some(Db(-0.5)),
        gap: None,
        code: None,
        evidence: if stage == Stage::Intent {
            vec![
                seen(0, "first beat of A missing on path 1"),
                seen(2_300, "last sound of A heard at the tap"),
                seen(5_000, "first beat of A missing on path 2"),
                seen(13_400, "A is silent on every path, B is heard"),
            ]
        } else {
            Vec::new()
        },
    };
    let alarm = |transition| Alarm {
        priority: Priority::High,
        transition,
        cause: Some("power or network of A".to_owned()),
        mend: Some("See why A vanished: its power supply and its log of that minute".to_owned()),
        by: None,
        device: None,
    };
    let text = "A fell silent on every path while B was heard; B was fit and 4.2 ms away.";
    sender.event(event(verdict, EventKind::Changeover, "intent", text).about(Machine::B).with(&detail(Stage::Intent)));
    sender.event(
        event(sent, EventKind::Changeover, "sent", "Go to B: sent on osc.")
            .about(Machine::B)
            .with(&detail(Stage::Sent)),
    );
    sender.event(
        event(confirmed, EventKind::Changeover, "confirmed", "The switch says B.")
            .about(Machine::B)
            .with(&detail(Stage::Confirmed)),
    );
    sender.event(
        event(verdict, EventKind::Alarm, "on-air-lost", "The machine on air vanished.")
            .about(Machine::A)
            .with(&alarm(Transition::Raised)),
    );
    let who = detail::Operator { who: "Ida".to_owned(), through: "page".to_owned() };
    sender.event(
        event(
            verdict + Span::from_secs(21),
            EventKind::Operator,
            "acknowledge",
            "Acknowledged: the machine on air vanished.",
        )
        .with(&who),
    );
}

pub fn since_start(at: MonoTime) -> Span {
    at.since(START)
}
