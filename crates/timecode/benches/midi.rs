//! MIDI decoding: messages a second on one core, for timecode and clock, beside `midly`'s live stream over the same bytes in the
//! same run. `midly` only parses; ours also keeps positions, time and tempo. Asserts nothing.
//!
//! `cargo bench -p twinkeel-timecode --bench midi`
// A bench reads the clock: that is what it is for.
#![allow(clippy::unwrap_used, clippy::disallowed_methods)]

use std::hint::black_box;
use std::time::Instant;

use base::{Direction, FrameRate, MonoTime, Span};
use twinkeel_timecode::Timecode;
use twinkeel_timecode::midi::encode::{CLOCK, START};
use twinkeel_timecode::midi::{MidiReader, MidiReaderConfig, MtcEncoder};

const MESSAGES: usize = 2_000_000;
const ROUNDS: usize = 7;

/// A stream as it arrives: each message with its time.
type Arrivals = Vec<(MonoTime, [u8; 2], usize)>;

fn main() {
    println!("{MESSAGES} messages, best of {ROUNDS}: million messages a second on one core (positions told)");
    println!("{:34} {:>22} {:>26}", "", "ours", "midly live, parsing only");
    for (what, stream) in [("MTC, 30 fps", mtc()), ("MIDI clock, 120 bpm", clock())] {
        let (ours, positions) = best(|| ours(&stream));
        let (theirs, _) = best(|| midly(&stream));
        println!("{what:34} {:>22} {:>26}", format!("{ours:.1} ({positions})"), format!("{theirs:.1}"));
    }
}

fn mtc() -> Arrivals {
    let start = Timecode::new(FrameRate::F30, 1, 0, 0, 0).unwrap();
    let mut encoder = MtcEncoder::new(start, Direction::Forward);
    let quarter = Span::from_nanos(8_333_333);
    (0..MESSAGES).map(|i| (at(quarter, i), encoder.next_message(), 2)).collect()
}

fn clock() -> Arrivals {
    let period = Span::from_nanos(20_833_333);
    (0..MESSAGES).map(|i| (at(period, i), [if i == 0 { START } else { CLOCK }, 0], 1)).collect()
}

/// The `i`-th message of a steady stream, a little early or late.
fn at(period: Span, i: usize) -> MonoTime {
    let jitter = (i as i64).wrapping_mul(2_654_435_761) % 500_000;
    MonoTime::from_nanos(1_000_000_000) + period.times(i as i64) + Span::from_nanos(jitter)
}

/// Millions of messages a second, and what the last run counted.
fn best(mut run: impl FnMut() -> u64) -> (f64, u64) {
    let (mut shortest, mut count) = (f64::INFINITY, 0);
    for _ in 0..ROUNDS {
        let t = Instant::now();
        count = black_box(run());
        shortest = shortest.min(t.elapsed().as_secs_f64());
    }
    (MESSAGES as f64 / shortest / 1e6, count)
}

fn ours(stream: &Arrivals) -> u64 {
    let mut reader = MidiReader::new(MidiReaderConfig::default());
    for (at, bytes, length) in stream {
        reader.on_bytes(&bytes[..*length], *at, &mut |e| {
            black_box(e);
        });
    }
    reader.counts().mtc_positions + reader.counts().clocks
}

fn midly(stream: &Arrivals) -> u64 {
    let mut parser = midly::stream::MidiStream::new();
    let mut events = 0;
    for (_, bytes, length) in stream {
        parser.feed(&bytes[..*length], |e| {
            black_box(e);
            events += 1;
        });
    }
    events
}
