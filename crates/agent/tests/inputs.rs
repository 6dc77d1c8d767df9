//! Several MIDI inputs of one machine.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use base::{Direction, FrameRate, MonoTime, PositionReport, ShowPosition, SourceKind, Span, TransportState};
use timecode::Timecode;
use timecode::midi::encode::MtcEncoder;
use twinkeel_agent::core::AgentCore;
use wire::message::{Exclusive, ExclusivePart};
use wire::{SourceFlags, Up};

/// Quarter frames of an hour for each input, byte by byte in turn: each input is a stream of its own (MIDI 1.0: a message belongs to
/// one cable).
fn roll(core: &mut AgentCore, hours: &[(usize, u8)], from: MonoTime, pieces: u32) -> MonoTime {
    let quarter = Span::from_nanos(FrameRate::F30.frames(1).nanos() / 4);
    let label = |h| Timecode::new(FrameRate::F30, h, 0, 0, 0).unwrap();
    let mut encoders: Vec<_> =
        hours.iter().map(|(input, h)| (*input, MtcEncoder::new(label(*h), Direction::Forward))).collect();
    let mut at = from;
    for _ in 0..pieces {
        let messages: Vec<_> = encoders.iter_mut().map(|(input, e)| (*input, e.next_message())).collect();
        for byte in 0..2 {
            for (input, m) in &messages {
                core.on_midi(*input, &m[byte..=byte], at);
            }
        }
        at += quarter;
    }
    at
}

fn mtc(core: &mut AgentCore, now: MonoTime) -> (PositionReport, bool) {
    let beat = core.beat(now, Span::ZERO);
    let report = beat.positions.iter().find(|p| p.source == SourceKind::Mtc).copied().unwrap();
    (report, beat.sources.has(SourceFlags::DISAGREE))
}

fn hour(p: &PositionReport) -> i64 {
    let ShowPosition::Timecode { at, .. } = p.position else { panic!("{p:?}") };
    at.nanos() / 3_600_000_000_000
}

const BEGIN: MonoTime = MonoTime::from_nanos(1_000_000_000);

#[test]
fn inputs_do_not_disturb_each_other_and_contradict_when_they_differ() {
    let mut core = AgentCore::new(Vec::new());
    let now = roll(&mut core, &[(0, 1), (1, 2)], BEGIN, 240);
    let (report, disagree) = mtc(&mut core, now);
    assert_eq!((report.state, hour(&report)), (TransportState::Rolling, 1));
    assert!(disagree, "hour 1 by the first input, hour 2 by the second");

    let mut core = AgentCore::new(Vec::new());
    let now = roll(&mut core, &[(0, 1), (1, 1)], BEGIN, 240);
    assert!(!mtc(&mut core, now).1);
}

#[test]
fn the_first_input_that_rolls_is_believed() {
    let mut core = AgentCore::new(Vec::new());
    let now = roll(&mut core, &[(0, 1), (1, 1)], BEGIN, 240);
    // The first goes quiet and its port vanishes; the second rolls on elsewhere.
    let now = roll(&mut core, &[(1, 3)], now, 240);
    core.on_midi_input(0, false, now);
    let (report, disagree) = mtc(&mut core, now);
    assert_eq!((report.state, hour(&report)), (TransportState::Rolling, 3));
    assert!(!disagree, "what does not roll says nothing");
    let open = |core: &mut AgentCore| core.beat(now, Span::ZERO).sources.has(SourceFlags::MIDI_OPEN);
    assert!(!open(&mut core));
    core.on_midi_input(0, true, now);
    assert!(open(&mut core));
    // An input that no settings can have is nobody's.
    core.on_midi(99, &[0xf8], now);
    core.on_midi_input(99, false, now);
    assert!(open(&mut core));
}

/// MIDI 1.0: 24 clocks a quarter note. At 90 a minute 36 of them come a second.
#[test]
fn a_clock_is_carried_at_its_own_tempo() {
    let mut core = AgentCore::new(Vec::new());
    core.on_midi(0, &[0xfa], BEGIN);
    let clock = Span::from_nanos(1_000_000_000 / 36);
    let mut at = BEGIN;
    for _ in 0..=72 {
        core.on_midi(0, &[0xf8], at);
        at += clock;
    }
    let now = at - clock;
    let beat = core.beat(now, Span::ZERO);
    let report = beat.positions.iter().find(|p| p.source == SourceKind::MidiClock).unwrap();
    assert_eq!(report.position, ShowPosition::Clocks { millis: 72_000 });
    let ShowPosition::Clocks { millis } = report.carried_to(base::RemoteTime::of_sender(now + Span::from_secs(1)))
    else {
        panic!("{report:?}")
    };
    assert!((millis - 108_000).abs() < 360, "36 clocks on, to a hundredth: {millis}");
}

/// Timecode rolls; then a program, a system exclusive message in pieces and another program.
#[test]
fn system_exclusive_messages_are_told_in_their_order_with_their_place() {
    let mut core = AgentCore::new(Vec::new());
    let at = roll(&mut core, &[(0, 1)], BEGIN, 240);
    core.on_midi(0, &[0xC0, 5, 0xF0, 0x7D], at);
    core.on_midi(0, &[1, 2, 0xF7, 0xC0, 6], at);
    let all = core.take_patches();
    let [Up::Patches(first), Up::Exclusive(Exclusive { input: 0, place: Some(_), part, .. }), Up::Patches(second)] =
        &all[..]
    else {
        panic!("{all:?}")
    };
    assert_eq!(part, &ExclusivePart::Whole(vec![0xF0, 0x7D, 1, 2, 0xF7]));
    assert_eq!((first.messages[0].bytes, second.messages[0].bytes, second.first), ([0xC0, 5, 0], [0xC0, 6, 0], 1));
    core.on_midi(0, &[0xF0, 0x7D, 1, 2], at);
    let under_way = core.take_patches();
    assert!(matches!(&under_way[..], [Up::Exclusive(Exclusive { part: ExclusivePart::Begun, .. })]), "{under_way:?}");
}
