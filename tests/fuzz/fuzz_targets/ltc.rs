//! Any samples as LTC, in chunks cut anywhere: no panic, no frame before its time, and labels that exist. The first bytes
//! choose a signal under the bytes (none, or real code), so that the frames' judge is reached too.
#![no_main]

use base::{FrameRate, Hertz};
use libfuzzer_sys::fuzz_target;
use timecode::Timecode;
use timecode::ltc::{LtcDecoder, LtcEncoder, LtcEvent};

fuzz_target!(|data: &[u8]| {
    let [how, chunk, speed, rest @ ..] = data else { return };
    let hz = [8_000.0, 22_050.0, 48_000.0, 192_000.0][usize::from(how & 3)];
    let mut audio = vec![0f32; rest.len().min(4_096) * 8];
    if how & 4 != 0 {
        let rate = FrameRate::ALL[usize::from(how >> 4) % 6];
        let speed = f64::from(*speed as i8) / 50.0;
        LtcEncoder::new(Hertz(hz), Timecode::from_frames(rate, 107_890)).fill(&mut audio, speed);
    }
    // Each byte spoils eight samples: added, or put in their place.
    for (part, byte) in audio.chunks_mut(8).zip(rest) {
        let v = f32::from(*byte as i8) / 100.0;
        let replace = how & 8 != 0 && byte & 1 == 1;
        part.iter_mut().for_each(|x| *x = if replace { v } else { *x + v * f32::from(u8::from(how & 4 == 0)) });
        if *byte == 0x80 {
            part[0] = f32::NAN;
        }
    }
    let mut decoder = LtcDecoder::new(Hertz(hz), None);
    let mut last = 0.0f64;
    let mut heard = 0usize;
    let mut sink = |event, heard: usize| {
        if let LtcEvent::Frame(f) = event {
            assert!(f.end_sample > f.start_sample && f.start_sample > last - 2.0);
            // Where the signal ends within the last half cell of a frame, that frame's end is known from its bits.
            let half_cell = (f.end_sample - f.start_sample) / 160.0;
            assert!(f.end_sample < heard as f64 + 2.0 + half_cell);
            assert!(f.frames_per_second.is_finite());
            last = f.start_sample;
        }
    };
    for part in audio.chunks(usize::from(*chunk) + 1) {
        heard += part.len();
        decoder.on_samples(part, &mut |e| sink(e, heard));
    }
    decoder.finish(&mut |e| sink(e, heard));
});
