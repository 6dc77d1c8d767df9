//! MIDI clock by MIDI 1.0, through the whole reader.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use super::*;
use crate::midi::encode::{CLOCK, CONTINUE, START, STOP, song_position};
use crate::midi::{MidiReader, MidiReaderConfig};
use proptest::prelude::*;

struct Rig {
    reader: MidiReader,
    t: f64,
    events: Vec<MidiEvent>,
}

/// Seconds a clock at this tempo.
fn period(bpm: f64) -> f64 {
    60.0 / (24.0 * bpm)
}

impl Rig {
    fn new() -> Rig {
        Rig { reader: MidiReader::new(MidiReaderConfig::default()), t: 10.0, events: Vec::new() }
    }
    fn send(&mut self, bytes: &[u8]) {
        let at = MonoTime::from_nanos((self.t * 1e9).round() as u64);
        let events = &mut self.events;
        self.reader.on_bytes(bytes, at, &mut |e| events.push(e));
    }
    /// `count` clocks at this tempo, each a period after what came before.
    fn clocks(&mut self, count: usize, bpm: f64) {
        for _ in 0..count {
            self.t += period(bpm);
            self.send(&[CLOCK]);
        }
    }
    fn numbers(&self) -> Vec<u32> {
        self.events.iter().filter_map(|e| if let MidiEvent::Clock(c) = e { Some(c.clocks) } else { None }).collect()
    }
    fn tempi(&self) -> Vec<(f64, Option<f64>)> {
        let clock = |e: &MidiEvent| match e {
            MidiEvent::Clock(c) => Some((c.at.nanos() as f64 / 1e9, c.tempo.map(|b| b.0))),
            _ => None,
        };
        self.events.iter().filter_map(clock).collect()
    }
    fn told(&self) -> Vec<(TransportEvent, u32)> {
        let told = |e: &MidiEvent| match e {
            MidiEvent::Transport { event, place: Some(Place::Clocks(c)), .. } => Some((*event, *c)),
            _ => None,
        };
        self.events.iter().filter_map(told).collect()
    }
}

use TransportEvent::{Continue, Locate, Stall, Start, Stop};

#[test]
fn the_first_clock_after_start_is_number_0() {
    let mut r = Rig::new();
    r.clocks(5, 120.0); // before start: no position
    r.send(&[START]);
    r.clocks(3, 120.0);
    r.send(&[STOP]);
    r.clocks(4, 120.0); // clocks that run while stopped
    r.send(&[CONTINUE]);
    r.clocks(2, 120.0);
    r.send(&[START]);
    r.clocks(1, 120.0);
    assert_eq!(r.numbers(), [0, 1, 2, 3, 4, 0]);
    assert_eq!(r.told(), [(Start, 0), (Stop, 2), (Continue, 3), (Start, 0)]);
}

#[test]
fn pointer_and_continue_in_either_order() {
    for order in [[&song_position(4)[..], &[CONTINUE]], [&[CONTINUE], &song_position(4)[..]]] {
        let mut r = Rig::new();
        order.iter().for_each(|m| r.send(m));
        r.clocks(3, 120.0);
        assert_eq!(r.numbers(), [24, 25, 26]);
    }
    // While it rolls, the pointer counts from the next clock on.
    let mut r = Rig::new();
    r.send(&[START]);
    r.clocks(3, 120.0);
    r.send(&song_position(100));
    r.clocks(2, 120.0);
    assert_eq!(r.numbers(), [0, 1, 2, 600, 601]);
    assert_eq!(r.told(), [(Start, 0), (Locate, 600)]);
    // The highest pointer there is: 16 383 sixteenths.
    r.send(&song_position(u16::MAX));
    r.clocks(1, 120.0);
    assert_eq!(r.numbers()[5], 6 * 16_383);
}

#[test]
fn tempo_is_known_from_the_second_clock_and_from_clocks_before_the_start() {
    let mut r = Rig::new();
    r.send(&[START]);
    r.clocks(2, 90.0);
    assert_eq!(r.tempi()[0].1, None);
    assert!((r.tempi()[1].1.unwrap() - 90.0).abs() < 1e-3);
    let mut r = Rig::new();
    r.clocks(48, 140.0);
    r.send(&[START]);
    r.clocks(1, 140.0);
    assert!((r.tempi()[0].1.unwrap() - 140.0).abs() < 1e-3);
}

#[test]
fn clock_that_ceases_while_playing_has_stalled() {
    let mut r = Rig::new();
    r.send(&[START]);
    r.clocks(30, 120.0);
    let last = r.t;
    let due = r.reader.next_deadline().unwrap().nanos() as f64 / 1e9;
    assert!((due - last - 3.0 * period(120.0)).abs() < 1e-6);
    r.t += 1.0;
    r.clocks(2, 120.0);
    assert_eq!(r.told(), [(Start, 0), (Stall, 29)]);
    assert_eq!(r.numbers()[29..], [29, 30, 31]);
    r.send(&[STOP]);
    r.t += 100.0;
    r.send(&[0xFE]);
    assert_eq!(r.told().len(), 3, "stopped is not stalled");
    // Told to go on after a stall: the time starts to run again with that.
    let mut r = Rig::new();
    r.send(&[START]);
    r.clocks(30, 120.0);
    r.t += 1.0;
    r.send(&[CONTINUE]);
    r.send(&[0xFE]);
    assert_eq!(r.told(), [(Start, 0), (Stall, 29), (Continue, 30)]);
    r.t += 1.0;
    r.send(&[0xFE]);
    assert_eq!(r.told()[3], (Stall, 29));
    // Started, and no clock comes at all.
    let mut r = Rig::new();
    r.send(&[START]);
    r.t += 1.0;
    r.send(&[0xFE]);
    assert_eq!(r.told(), [(Start, 0), (Stall, 0)]);
}

#[test]
fn a_lost_clock_is_made_up_for() {
    let mut r = Rig::new();
    r.send(&[START]);
    r.clocks(40, 120.0);
    r.t += period(120.0);
    r.clocks(10, 120.0);
    assert_eq!(r.numbers()[38..44], [38, 39, 41, 42, 43, 44]);
    assert!(r.tempi().iter().skip(1).all(|t| (t.1.unwrap() - 120.0).abs() < 0.01));
}

#[test]
fn half_the_tempo_is_not_a_stream_of_lost_clocks() {
    let mut r = Rig::new();
    r.send(&[START]);
    r.clocks(40, 120.0);
    r.clocks(20, 60.0);
    // One is made up for, and taken back with the next.
    assert_eq!(r.numbers()[38..44], [38, 39, 41, 41, 42, 43]);
    assert!((r.tempi().last().unwrap().1.unwrap() - 60.0).abs() < 0.01);
}

#[test]
fn system_reset_stops_and_goes_to_the_start() {
    let mut r = Rig::new();
    r.send(&[START]);
    r.clocks(5, 120.0);
    r.send(&[0xFF]);
    r.send(&[CONTINUE]);
    r.clocks(1, 120.0);
    assert_eq!(r.told(), [(Start, 0), (Stop, 4), (Continue, 0)]);
    assert_eq!(r.numbers().last(), Some(&0));
}

/// Clocks of a tempo that changes with the beat, by midpoints of each clock: when clock `n` comes.
fn ramp(from: f64, to: f64, beats: f64) -> Vec<(f64, f64)> {
    let (mut t, mut out) = (10.0, Vec::new());
    for n in 0..(beats * 24.0) as usize {
        let tempo = |n: f64| from + (to - from) * n / (beats * 24.0);
        out.push((t, tempo(n as f64)));
        t += period(tempo(n as f64 + 0.5));
    }
    out
}

#[test]
fn tempo_through_a_ramp_and_a_step_with_jitter() {
    // 100 to 160 in 16 beats: some 9 beats a minute each second, with +-1 ms at the arrival.
    let jitter = |n: usize| ((n as f64 * 12.9898).sin() * 43_758.547).fract() * 1e-3;
    let mut r = Rig::new();
    r.send(&[START]);
    let clocks = ramp(100.0, 160.0, 16.0);
    for (n, &(t, _)) in clocks.iter().enumerate() {
        r.t = t + jitter(n);
        r.send(&[CLOCK]);
    }
    for ((_, got), (_, truth)) in r.tempi().iter().zip(&clocks).skip(48) {
        let error = (got.unwrap() / truth - 1.0).abs();
        assert!(error < 0.02, "{got:?} {truth}");
    }
    // 120 to 130 at once: within half a percent after a beat.
    let mut r = Rig::new();
    r.send(&[START]);
    let mut t = 10.0;
    for n in 0..240 {
        t += period(if n < 120 { 120.0 } else { 130.0 });
        r.t = t + jitter(n);
        r.send(&[CLOCK]);
        if !(5..120).contains(&n) && n < 150 {
            continue;
        }
        let (got, truth) = (r.tempi().last().unwrap().1.unwrap(), if n < 120 { 120.0 } else { 130.0 });
        let limit = if n < 48 { 0.06 } else { 0.01 };
        assert!((got / truth - 1.0).abs() < limit, "{n}: {got}");
    }
    assert_eq!(r.numbers(), (0..240).collect::<Vec<_>>());
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    /// Any tempo, 1 ms of jitter, clocks lost now and then: every number is the true one.
    #[test]
    fn numbers_are_true(
        bpm in 50.0f64..220.0,
        jitter in proptest::collection::vec(-1.0e-3f64..1.0e-3, 400),
        lost in proptest::collection::vec(0u8..100, 400),
    ) {
        let mut r = Rig::new();
        r.send(&[START]);
        let mut sent = Vec::new();
        for (n, j) in jitter.iter().enumerate() {
            let gone = n > 30 && lost[n] < 2;
            if !gone {
                r.t = 11.0 + n as f64 * period(bpm) + j;
                r.send(&[CLOCK]);
                sent.push(n as u32);
            }
        }
        // Two or more lost in a row look like a stall, and every second one lost like half the tempo: what follows such a
        // place need not be true any more.
        let doubtful = |w: &[u32]| w[1] > w[0] + 2 || w[2] == w[0] + 4;
        let honest = sent.windows(3).position(doubtful).map_or(sent.len() - 1, |i| i + 1);
        let got = r.numbers();
        if let Some(i) = (0..honest).find(|&i| got[i] != sent[i]) {
            prop_assert!(false, "clock {} was told as {}", sent[i], got[i]);
        }
    }
}
