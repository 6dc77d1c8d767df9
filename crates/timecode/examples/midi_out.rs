//! Prints what our encoders send, a message a line in hexadecimal, for other people's parsers to read: timecode from each of
//! some labels forwards and backwards, full frames, pointers, patches, controllers and bends. Each line begins with what it means.
#![allow(clippy::unwrap_used)]

use base::{Direction, FrameRate};
use twinkeel_timecode::Timecode;
use twinkeel_timecode::midi::{MtcEncoder, encode};

fn main() {
    for rate in [FrameRate::F24, FrameRate::F25, FrameRate::F29_97Df, FrameRate::F30] {
        for start in [(0, 0, 0, 0), (0, 0, 59, 20), (12, 9, 59, 18), (23, 59, 59, 22)] {
            let start = Timecode::new(rate, start.0, start.1, start.2, start.3).unwrap();
            for (word, direction) in [("forward", Direction::Forward), ("reverse", Direction::Reverse)] {
                let mut encoder = MtcEncoder::new(start, direction);
                let bytes: Vec<u8> = (0..64).flat_map(|_| encoder.next_message()).collect();
                line(&format!("mtc {} {start} {word}", rate.name()), &bytes);
            }
            line(&format!("full {} {start}", rate.name()), &encode::full_frame(start));
        }
    }
    for n in [0u16, 1, 127, 128, 5_000, 16_383] {
        line(&format!("spp {n}"), &encode::song_position(n));
    }
    line("patch 3 1 2 40", &encode::patch(3, Some(1), Some(2), 40));
    line("patch 16 - - 127", &encode::patch(16, None, None, 127));
    line("control 1 7 100", &encode::control(1, 7, 100));
    for n in [-8192i16, -1, 0, 1, 8191] {
        line(&format!("bend 2 {n}"), &encode::bend(2, n));
    }
}

fn line(what: &str, bytes: &[u8]) {
    let hex: String = bytes.iter().map(|b| format!("{b:02x}")).collect();
    println!("{what} | {hex}");
}
