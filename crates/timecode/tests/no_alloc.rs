//! Nothing on the live MIDI path allocates: the allocator itself says so.
#![allow(clippy::unwrap_used)]

use assert_no_alloc::{AllocDisabler, assert_no_alloc};
use base::{Direction, FrameRate, MonoTime, Span};
use twinkeel_timecode::Timecode;
use twinkeel_timecode::chase::Chase;
use twinkeel_timecode::midi::encode::{CLOCK, CONTINUE, full_frame, patch, song_position};
use twinkeel_timecode::midi::{MidiReader, MidiReaderConfig, MtcEncoder};

#[global_allocator]
static ALLOCATOR: AllocDisabler = AllocDisabler;

#[test]
fn the_midi_path_allocates_nothing() {
    let start = Timecode::new(FrameRate::F25, 1, 0, 0, 0).unwrap();
    let events = assert_no_alloc(|| {
        let mut reader = MidiReader::new(MidiReaderConfig::default());
        let mut encoder = MtcEncoder::new(start, Direction::Forward);
        let mut chase = Chase::new();
        let mut events = 0u32;
        let mut sink = |e| {
            chase.on_event(&e);
            events += 1;
        };
        let mut now = MonoTime::from_nanos(1_000_000_000);
        reader.on_bytes(&song_position(7), now, &mut sink);
        reader.on_bytes(&[CONTINUE], now, &mut sink);
        for i in 0..2_000u32 {
            now += Span::from_millis(10);
            reader.on_bytes(&encoder.next_message(), now, &mut sink);
            reader.on_bytes(&[CLOCK, 0xF0, 1, 2], now, &mut sink);
            if i % 100 == 0 {
                reader.on_bytes(&full_frame(start), now, &mut sink);
                reader.on_bytes(&patch(3, Some(1), None, 5), now, &mut sink);
                now += Span::from_millis(500);
                reader.on_time(now, &mut sink);
            }
        }
        chase.resend(&mut |_| {});
        events
    });
    assert!(events > 3_000, "{events}");
}
