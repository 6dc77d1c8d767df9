//! Any bytes as an OSC packet: no panic, and only positions that can be.
#![no_main]

use base::Span;
use libfuzzer_sys::fuzz_target;
use timecode::osc::{OscEvent, read};

fuzz_target!(|data: &[u8]| {
    let _ = read(data, &mut |event| {
        if let OscEvent::Position { at, song } = event {
            assert!(song > 0 && at >= Span::ZERO && at <= Span::from_secs(86_400));
        }
    });
});
