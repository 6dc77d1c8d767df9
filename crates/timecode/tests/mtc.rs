//! MIDI timecode, held against RP-004: what a stream built by its letter says, through every mishap of the way.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use base::{Direction, FrameRate, MonoTime, Span};
use proptest::prelude::*;
use twinkeel_timecode::Timecode;
use twinkeel_timecode::midi::{
    MidiEvent, MidiReader, MidiReaderConfig, MtcEncoder, MtcFrom, MtcPosition, Place, RefusedWhy, TransportEvent,
    encode,
};

const RATES: [FrameRate; 4] = [FrameRate::F24, FrameRate::F25, FrameRate::F29_97Df, FrameRate::F30];

fn at(seconds: f64) -> MonoTime {
    MonoTime::from_nanos(((100.0 + seconds) * 1e9).round() as u64)
}
fn seconds(t: MonoTime) -> f64 {
    t.nanos() as f64 / 1e9 - 100.0
}

/// One message: when it comes in, its bytes, and where the code truly is then (frames since midnight).
#[derive(Clone, Debug)]
struct Sent {
    t: f64,
    bytes: Vec<u8>,
    truth: f64,
}

/// Code from a label on, at a constant speed.
fn code(start: Timecode, direction: Direction, speed: f64, count: usize) -> Vec<Sent> {
    let mut encoder = MtcEncoder::new(start, direction);
    let quarter = 0.25 / start.rate().per_second() / speed;
    (0..count)
        .map(|i| {
            let truth = encoder.quarters() as f64 / 4.0;
            Sent { t: i as f64 * quarter, bytes: encoder.next_message().to_vec(), truth }
        })
        .collect()
}

/// Later by this much.
fn shifted(mut code: Vec<Sent>, by: f64) -> Vec<Sent> {
    code.iter_mut().for_each(|s| s.t += by);
    code
}

fn read(stream: &[Sent]) -> Vec<MidiEvent> {
    let mut reader = MidiReader::new(MidiReaderConfig::default());
    let mut events = Vec::new();
    for s in stream {
        reader.on_bytes(&s.bytes, at(s.t), &mut |e| events.push(e));
    }
    events
}

fn positions(events: &[MidiEvent]) -> Vec<MtcPosition> {
    events.iter().filter_map(|e| if let MidiEvent::Mtc(p) = e { Some(*p) } else { None }).collect()
}
fn transports(events: &[MidiEvent]) -> Vec<(f64, TransportEvent)> {
    events
        .iter()
        .filter_map(
            |e| if let MidiEvent::Transport { at, event, .. } = e { Some((seconds(*at), *event)) } else { None },
        )
        .collect()
}

/// Every position told at a message's arrival is the true one at that message.
fn assert_true(stream: &[Sent], events: &[MidiEvent]) {
    for p in positions(events) {
        let fits = stream.iter().filter(|s| at(s.t) == p.at).any(|s| (s.truth - p.frames).abs() < 1e-9);
        assert!(fits, "{p:?} is not where the code was");
        let whole = Timecode::from_frames(p.timecode.rate(), p.frames.floor() as i64);
        assert_eq!(p.timecode, whole);
        let exact = p.frames / p.timecode.rate().per_second();
        assert!((p.position.secs_f64() - exact).abs() < 1e-8);
    }
}

#[test]
fn a_position_at_every_quarter_frame_once_eight_are_in() {
    for rate in RATES {
        for direction in [Direction::Forward, Direction::Reverse] {
            for speed in [0.5, 0.9, 1.0, 1.5, 2.0] {
                let start = Timecode::new(rate, 0, 0, 59, 20).unwrap();
                let stream = code(start, direction, speed, 400);
                let events = read(&stream);
                assert_true(&stream, &events);
                let got = positions(&events);
                assert!(got.iter().all(|p| p.direction == direction && p.from == MtcFrom::QuarterFrame));
                assert!(got.len() >= 400 - 7 - 3, "{rate:?} {direction:?} {speed}: {}", got.len());
                assert!(transports(&events).is_empty(), "{rate:?} {direction:?} {speed} {:?}", transports(&events));
            }
        }
    }
}

#[test]
fn round_midnight_both_ways() {
    for rate in RATES {
        for (direction, ahead) in [(Direction::Forward, -6), (Direction::Reverse, 6), (Direction::Forward, -5)] {
            let start = Timecode::midnight(rate).plus(ahead);
            let stream = code(start, direction, 1.0, 100);
            let events = read(&stream);
            assert_true(&stream, &events);
            assert!(positions(&events).len() > 85);
            assert!(transports(&events).is_empty());
        }
    }
}

#[test]
fn one_may_join_at_any_piece() {
    for rate in RATES {
        for from in 0..16 {
            let start = Timecode::new(rate, 10, 9, 59, 22).unwrap();
            let stream = code(start, Direction::Forward, 1.0, 60)[from..].to_vec();
            let events = read(&stream);
            assert_true(&stream, &events);
            let first = positions(&events)[0].at;
            // Eight in a row, or one or two more where the pieces do not tell a drop-frame minute apart.
            assert!(first <= at(stream[7 + if rate.is_drop() { 3 } else { 0 }].t), "{rate:?} from {from}");
        }
    }
}

#[test]
fn a_byte_of_real_time_anywhere_changes_nothing() {
    let start = Timecode::new(FrameRate::F25, 1, 0, 0, 0).unwrap();
    let plain = code(start, Direction::Forward, 1.0, 60);
    let mut mixed = plain.clone();
    for (i, s) in mixed.iter_mut().enumerate() {
        s.bytes.insert(i % 3, [0xF8, 0xFE][i % 2]);
    }
    assert_eq!(read(&mixed), read(&plain));
}

#[test]
fn lost_pieces_are_bridged_by_time_and_doubled_ones_ignored() {
    let start = Timecode::new(FrameRate::F30, 1, 0, 0, 0).unwrap();
    let whole = code(start, Direction::Forward, 1.0, 200);
    for lost in 1..8usize {
        let mut stream = whole.clone();
        stream.drain(50..50 + lost);
        let events = read(&stream);
        assert_true(&stream, &events);
        assert_eq!(positions(&events).len(), 200 - 7 - lost, "{lost} lost");
    }
    let mut stream = whole.clone();
    for i in [20, 40, 41, 60, 79] {
        let twice = stream[i].clone();
        stream.insert(i, twice);
    }
    let events = read(&stream);
    assert_true(&stream, &events);
    assert_eq!(positions(&events).len(), 193);
}

/// Eight pieces lost in a row leave the order intact; only the gap tells. No position may then be two frames wrong.
#[test]
fn eight_lost_in_a_row_are_exposed_by_time() {
    for rate in RATES {
        for speed in [0.5, 1.0, 2.0] {
            for lost in [8, 16, 24] {
                for from in [3, 20, 21, 50] {
                    let start = Timecode::new(rate, 1, 2, 3, 4).unwrap();
                    let mut stream = code(start, Direction::Forward, speed, 150);
                    stream.drain(from..from + lost);
                    let events = read(&stream);
                    assert_true(&stream, &events);
                    assert!(positions(&events).len() >= 150 - lost - 18);
                }
            }
        }
    }
}

#[test]
fn code_that_stops_has_stalled_within_three_quarter_frames() {
    for speed in [0.5, 1.0, 2.0] {
        let start = Timecode::new(FrameRate::F30, 1, 0, 0, 0).unwrap();
        let stream = code(start, Direction::Forward, speed, 100);
        let last = stream[99].t;
        let mut reader = MidiReader::new(MidiReaderConfig::default());
        for s in &stream {
            reader.on_bytes(&s.bytes, at(s.t), &mut |e| assert!(!matches!(e, MidiEvent::Transport { .. })));
        }
        let due = reader.next_deadline().unwrap();
        let quarter = 1.0 / 120.0 / speed;
        assert!(seconds(due) - last <= 3.0 * quarter + 1e-6 && seconds(due) - last > 2.5 * quarter);
        let mut got = Vec::new();
        reader.on_time(due + Span::from_millis(5), &mut |e| got.push(e));
        let place = Some(Place::Timecode(Timecode::from_frames(FrameRate::F30, stream[99].truth as i64)));
        assert_eq!(got, [MidiEvent::Transport { at: due, event: TransportEvent::Stall, place }]);
        assert_eq!(reader.next_deadline(), None);
    }
}

/// From double to half speed at once a gap of four quarter frames is a stall at first sight; the next piece says that it was none.
#[test]
fn a_step_of_speed_keeps_the_lock() {
    for (before, after) in [(1.0, 2.0), (2.0, 1.0), (1.0, 0.5), (0.5, 1.0), (0.5, 2.0), (2.0, 0.5)] {
        let start = Timecode::new(FrameRate::F30, 1, 0, 0, 0).unwrap();
        let mut stream = code(start, Direction::Forward, before, 100);
        let tail = code(start.plus(25), Direction::Forward, after, 100);
        let end = stream[99].t + 1.0 / 120.0 / after;
        // The same sequence of pieces goes on.
        let mut encoder = MtcEncoder::new(start, Direction::Forward);
        for _ in 0..100 {
            encoder.next_message();
        }
        for s in tail {
            stream.push(Sent { t: s.t + end, bytes: encoder.next_message().to_vec(), truth: s.truth });
        }
        let events = read(&stream);
        assert_true(&stream, &events);
        assert_eq!(positions(&events).len(), 193, "{before} to {after}");
        let stalls = transports(&events).len();
        assert!(stalls <= usize::from(before / after > 3.0), "{before} to {after}: {stalls}");
    }
}

#[test]
fn a_pause_is_a_stall_and_going_on_no_jump() {
    let start = Timecode::new(FrameRate::F25, 1, 0, 0, 0).unwrap();
    let mut stream = code(start, Direction::Forward, 1.0, 200);
    for s in &mut stream[100..] {
        s.t += 0.7321;
    }
    let events = read(&stream);
    assert_true(&stream, &events);
    let told: Vec<_> = transports(&events).into_iter().map(|(_, e)| e).collect();
    assert_eq!(told, [TransportEvent::Stall]);
    assert_eq!(positions(&events).len(), 200 - 14);
}

#[test]
fn a_locate_while_running_is_told_and_no_old_position_after_it() {
    let rate = FrameRate::F30;
    let a = code(Timecode::new(rate, 1, 0, 0, 0).unwrap(), Direction::Forward, 1.0, 80);
    let b = code(Timecode::new(rate, 2, 10, 20, 6).unwrap(), Direction::Forward, 1.0, 80);
    let stream: Vec<Sent> = a.into_iter().chain(shifted(b, 80.0 / 120.0)).collect();
    let events = read(&stream);
    assert_true(&stream, &events);
    let told = transports(&events);
    assert_eq!(told.len(), 1);
    assert_eq!(told[0].1, TransportEvent::Locate);
    // With the eighth piece of the new place.
    assert!((told[0].0 - 87.0 / 120.0).abs() < 1e-6, "{told:?}");
}

/// A full frame in the middle of running code is a locate; code goes on from there.
#[test]
fn full_frames_wind_and_locate() {
    let rate = FrameRate::F29_97Df;
    let start = Timecode::new(rate, 1, 0, 0, 0).unwrap();
    let mut stream = code(start, Direction::Forward, 1.0, 40);
    let mut t = stream[39].t + 0.008;
    let mut labels = Vec::new();
    for i in 1..=20 {
        let label = start.plus(300 * i);
        labels.push(label);
        stream.push(Sent { t, bytes: encode::full_frame(label).to_vec(), truth: f64::from(label.frames()) });
        t += 0.1;
    }
    let last = *labels.last().unwrap();
    stream.extend(shifted(code(last, Direction::Forward, 1.0, 40), t));
    let events = read(&stream);
    assert_true(&stream, &events);
    let full: Vec<_> = positions(&events).into_iter().filter(|p| p.from == MtcFrom::FullFrame).collect();
    assert_eq!(full.iter().map(|p| p.timecode).collect::<Vec<_>>(), labels);
    assert!(full.iter().all(|p| p.direction == Direction::None));
    // Twenty locates, no stall, and no further locate when code runs on from the last.
    assert!(transports(&events).iter().all(|&(_, e)| e == TransportEvent::Locate));
    assert_eq!(transports(&events).len(), 20);
    assert_eq!(positions(&events).len(), 33 + 20 + 33);
}

#[test]
fn full_frames_sent_while_running_move_nothing() {
    let start = Timecode::new(FrameRate::F25, 1, 0, 0, 0).unwrap();
    let mut stream = code(start, Direction::Forward, 1.0, 200);
    for i in [160, 120, 80, 40] {
        let label = Timecode::from_frames(FrameRate::F25, stream[i].truth.floor() as i64);
        let t = stream[i].t;
        let full = Sent { t, bytes: encode::full_frame(label).to_vec(), truth: f64::from(label.frames()) };
        stream.insert(i, full);
    }
    let events = read(&stream);
    assert_true(&stream, &events);
    assert!(transports(&events).is_empty());
    assert_eq!(positions(&events).len(), 193 + 4);
}

#[test]
fn turning_round() {
    let rate = FrameRate::F24;
    for n in 40..48 {
        let forth = code(Timecode::new(rate, 1, 0, 0, 0).unwrap(), Direction::Forward, 1.0, n);
        let mut stream = forth.clone();
        // Time turned round between two pieces: the last one is passed again, then those before it.
        let turn = forth[n - 1].t;
        for (i, s) in forth.iter().rev().enumerate() {
            let t = turn + (i + 1) as f64 / 96.0;
            stream.push(Sent { t, bytes: s.bytes.clone(), truth: s.truth });
        }
        let events = read(&stream);
        assert_true(&stream, &events);
        assert!(transports(&events).is_empty(), "{:?}", transports(&events));
        let got = positions(&events);
        assert_eq!(got.last().unwrap().direction, Direction::Reverse);
        assert!(got.len() >= 2 * n - 7 - 11, "{n}: {}", got.len());
    }
}

#[test]
fn clumped_code_is_no_stall() {
    // 2048 samples at 48 kHz: quarter frames come five or so at a time, 43 ms apart.
    for rate in RATES {
        for buffer in [512.0 / 48e3, 2048.0 / 48e3, 4096.0 / 44.1e3] {
            let start = Timecode::new(rate, 1, 0, 0, 0).unwrap();
            let mut stream = code(start, Direction::Forward, 1.0, 600);
            for s in &mut stream {
                s.t = ((s.t / buffer).floor() + 1.0) * buffer;
            }
            let events = read(&stream);
            assert_true(&stream, &events);
            assert!(transports(&events).is_empty(), "{rate:?} {buffer}: {:?}", transports(&events));
            assert_eq!(positions(&events).len(), 593);
        }
    }
}

#[test]
fn what_cannot_be_is_refused() {
    let full = |h: u8, m: u8, s: u8, f: u8| vec![0xF0, 0x7F, 0x7F, 0x01, 0x01, h, m, s, f, 0xF7];
    for (bytes, why) in [
        (full(0x60 | 24, 0, 0, 0), RefusedWhy::Impossible),
        (full(0x60, 60, 0, 0), RefusedWhy::Impossible),
        (full(0x60, 0, 60, 0), RefusedWhy::Impossible),
        (full(0x60, 0, 0, 30), RefusedWhy::Impossible),
        (full(0x20, 0, 0, 25), RefusedWhy::Impossible),
        (full(0x00, 0, 0, 24), RefusedWhy::Impossible),
        (full(0x40, 1, 0, 0), RefusedWhy::Impossible),
        (vec![0xF0, 0x7F, 0x7F, 0x01, 0x01, 0x60, 1, 2, 0xF7], RefusedWhy::Truncated),
        (vec![0xF0, 0x7F, 0x7F, 0x01, 0x01, 0x60, 1, 2, 3, 4, 0xF7], RefusedWhy::Overlong),
        (vec![0xF0, 0x7F, 0x7F, 0x01, 0x01, 0x60, 1, 2, 3, 0xF1], RefusedWhy::Truncated),
    ] {
        let mut reader = MidiReader::new(MidiReaderConfig::default());
        let mut got = Vec::new();
        reader.on_bytes(&bytes, at(0.0), &mut |e| got.push(e));
        assert_eq!(got, [MidiEvent::Refused { at: at(0.0), why }], "{bytes:02x?}");
        assert_eq!((reader.counts().refused, reader.counts().messages), (1, 0));
    }
    // Quarter frames that spell minute 63.
    let mut reader = MidiReader::new(MidiReaderConfig::default());
    let mut got = Vec::new();
    for (i, d) in [0x00u8, 0x10, 0x20, 0x30, 0x4F, 0x53, 0x61, 0x76].into_iter().enumerate() {
        reader.on_bytes(&[0xF1, d], at(i as f64 / 120.0), &mut |e| got.push(e));
    }
    assert_eq!(got, [MidiEvent::Refused { at: at(7.0 / 120.0), why: RefusedWhy::Impossible }]);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    /// 1 ms of arrival jitter, any speed, either way, pieces lost now and then: never a wrong position.
    #[test]
    fn never_a_wrong_position(
        rate in 0usize..4, start in 0i64..2_000_000, reverse: bool, speed in 0.5f64..2.0,
        jitter in proptest::collection::vec(-1.0e-3f64..1.0e-3, 300),
        lost in proptest::collection::vec(0u8..100, 300),
    ) {
        let rate = RATES[rate];
        let direction = if reverse { Direction::Reverse } else { Direction::Forward };
        let start = Timecode::from_frames(rate, start);
        let mut stream = code(start, direction, speed, 300);
        for (s, j) in stream.iter_mut().zip(&jitter) {
            s.t += 0.01 + j;
        }
        let mut i = 0;
        stream.retain(|_| { i += 1; lost[i - 1] > 2 });
        let events = read(&stream);
        assert_true(&stream, &events);
        prop_assert!(positions(&events).len() > 200);
    }

    /// However the bytes are cut into chunks, the same comes out.
    #[test]
    fn chunks_may_be_cut_anywhere(bytes in proptest::collection::vec(any::<u8>(), 0..300), cuts in proptest::collection::vec(1usize..9, 300)) {
        let mut whole = MidiReader::new(MidiReaderConfig::default());
        let mut cut = whole.clone();
        let (mut a, mut b) = (Vec::new(), Vec::new());
        whole.on_bytes(&bytes, at(1.0), &mut |e| a.push(e));
        let mut rest = &bytes[..];
        for n in cuts {
            let (chunk, r) = rest.split_at(n.min(rest.len()));
            cut.on_bytes(chunk, at(1.0), &mut |e| b.push(e));
            rest = r;
        }
        prop_assert_eq!(a, b);
        prop_assert_eq!(whole.counts(), cut.counts());
    }

    /// Any bytes at any times: no panic, time that runs back included.
    #[test]
    fn anything_at_all(chunks in proptest::collection::vec((proptest::collection::vec(any::<u8>(), 0..12), 0u64..u64::MAX), 0..100)) {
        let mut reader = MidiReader::new(MidiReaderConfig::default());
        for (bytes, t) in chunks {
            reader.on_bytes(&bytes, MonoTime::from_nanos(t), &mut |_| {});
            if let Some(due) = reader.next_deadline() {
                reader.on_time(due, &mut |_| {});
            }
        }
        reader.finish(&mut |_| {});
    }
}
