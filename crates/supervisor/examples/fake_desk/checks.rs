//! Invented checks: one that never was, one that waits for a person, one that passed, one that failed.

use base::{Machine, Span, WallTime};
use rig::check::{
    CAUTION, ClockSeen, Depth, HostSeen, KitSeen, Level, Limits, MachineSeen, Outcome, OutputSeen, RecordSeen, Seen,
    Sheet, SourceSeen, SwitchSeen, Word, facts, judge, outcome, sentence,
};
use twinkeel_supervisor::check::{CheckView, Progress};

/// The check of this name; an unknown one never was.
pub fn view(name: &str) -> CheckView {
    let never = CheckView { text: "No check of this rig has been passed.".into(), ..CheckView::default() };
    match name {
        "waiting" => CheckView {
            running: Some(Progress {
                depth: Depth::Full,
                stage: "Waiting for the start".into(),
                ask: Some("Load a song of the show, and press start once. Every machine must start by that.".into()),
                done: 0.25,
                by: "Mara".into(),
            }),
            ..never
        },
        "passed" => CheckView {
            last: Some(sheet(Depth::Quick, 128)),
            valid: true,
            text: "The last check stands.".into(),
            ..never
        },
        "failed" => CheckView { last: Some(sheet(Depth::Quick, 512)), ..never },
        _ => never,
    }
}

fn machine(m: Machine, buffer: u32) -> MachineSeen {
    let kit =
        KitSeen { player_runs: Some(true), buffer: Some(buffer), sample_rate: Some(48_000), ..KitSeen::default() };
    MachineSeen {
        heard: true,
        agent: Some("0.1.0".into()),
        clock: Some(ClockSeen { state: base::ClockState::Tracking, bound: Span::from_micros(40) }),
        paths: vec![true, true],
        host: HostSeen { cpu_permille: Some(if m == Machine::B { 910 } else { 220 }), ..HostSeen::default() },
        kit,
        sources: vec![SourceSeen { name: "MIDI port show".into(), open: true }],
        ..MachineSeen::new(m)
    }
}

fn sheet(depth: Depth, buffer_of_b: u32) -> Sheet {
    let seen = Seen {
        depth,
        machines: vec![machine(Machine::A, 128), machine(Machine::B, buffer_of_b)],
        switch: SwitchSeen {
            on_air: Some(Machine::A),
            outputs: vec![OutputSeen { name: "OSC 10.0.0.2:9000".into(), open: true, answers: Some(true) }],
            tap: Some(true),
            ..SwitchSeen::default()
        },
        record: RecordSeen { written: Some(true), why: String::new() },
        ..Seen::default()
    };
    let rows = judge(&seen, &Limits::default());
    let outcome = outcome(&rows, depth);
    let new = if outcome == Outcome::Failed { vec!["B's buffer is 512, was 128".into()] } else { Vec::new() };
    Sheet {
        depth,
        at: WallTime(1_780_000_000_000_000_000),
        took: Span::from_secs(6),
        title: "Tides".into(),
        rig: "touring twins".into(),
        machines: vec!["left".into(), "right".into()],
        by: "Mara".into(),
        word: Word { level: Some(Level::Lowered), ..Word::default() },
        outcome,
        text: sentence(outcome, &rows, depth),
        facts: facts(&seen),
        rows,
        new,
        good: None,
        caution: CAUTION.into(),
    }
}
