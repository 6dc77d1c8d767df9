//! Nothing on the live LTC path allocates: the allocator itself says so.
#![allow(clippy::unwrap_used)]

use assert_no_alloc::{AllocDisabler, assert_no_alloc};
use base::{FrameRate, Hertz};
use twinkeel_timecode::Timecode;
use twinkeel_timecode::ltc::{LtcDecoder, LtcEncoder, LtcEvent};

#[global_allocator]
static ALLOCATOR: AllocDisabler = AllocDisabler;

#[test]
fn the_ltc_path_allocates_nothing() {
    let start = Timecode::new(FrameRate::F29_97Df, 1, 0, 0, 0).unwrap();
    for hz in [8_000.0, 48_000.0] {
        let (frames, others) = assert_no_alloc(|| {
            let mut encoder = LtcEncoder::new(Hertz(hz), start);
            let mut decoder = LtcDecoder::new(Hertz(hz), None);
            let (mut frames, mut others) = (0, 0);
            let mut sink = |e| if matches!(e, LtcEvent::Frame(_)) { frames += 1 } else { others += 1 };
            let mut block = [0f32; 256];
            // Forwards, a step of speed, a dropout, backwards, a jump.
            for i in 0..2_000 {
                let speed = if i < 500 {
                    1.0
                } else if i < 1_000 {
                    1.4
                } else {
                    -0.8
                };
                encoder.fill(&mut block, speed);
                match i {
                    1_200..1_300 => block.fill(0.0),
                    1_500 => encoder.locate(start),
                    _ => {}
                }
                decoder.on_samples(&block, &mut sink);
            }
            decoder.finish(&mut sink);
            (frames, others)
        });
        assert!(frames > 200 && others > 0, "{frames} {others}");
    }
}
