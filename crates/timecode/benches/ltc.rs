//! LTC decoding: how many times faster than real time on one core, beside libltc on the same samples in the same run.
//!
//! `cargo bench -p twinkeel-timecode --bench ltc --features bench-libltc` (the feature needs libltc, Debian: libltc-dev;
//! without it our own figure is printed alone). Asserts nothing.
#![allow(clippy::disallowed_methods)]
// A bench, example or test may read clocks and start threads.
// The only way to call a C library; nothing of it is in the crate itself.
#![allow(unsafe_code, clippy::unwrap_used)]

use std::time::Instant;

use base::{Dbfs, FrameRate, Hertz};
use twinkeel_timecode::Timecode;
use twinkeel_timecode::ltc::{LtcDecoder, LtcEncoder, LtcEvent};

const SECONDS: f64 = 60.0;
const ROUNDS: usize = 5;

fn main() {
    println!("LTC, {SECONDS} s of code, best of {ROUNDS}: frames read, and times real time on one core");
    println!("{:34} {:>16} {:>18} {:>22}", "", "ours", "libltc, floats", "libltc, its own bytes");
    for hz in [8_000.0, 48_000.0, 96_000.0, 192_000.0] {
        for (what, noise) in [("clean", 0.0), ("at 10 dB SNR", 0.158)] {
            let start = Timecode::new(FrameRate::F30, 1, 0, 0, 0).unwrap();
            let mut audio = vec![0f32; (SECONDS * hz) as usize];
            LtcEncoder::new(Hertz(hz), start).with_level(Dbfs(-6.0)).fill(&mut audio, 1.0);
            add_noise(&mut audio, noise);
            let ours = best(|| ours(&audio, hz));
            let floats = best(|| theirs::floats(&audio, hz));
            let bytes: Vec<u8> = audio.iter().map(|v| (128.0 + 127.0 * v.clamp(-1.0, 1.0)) as u8).collect();
            let own = best(|| theirs::bytes(&bytes, hz));
            println!("{:34} {:>16} {:>18} {:>22}", format!("{hz} Hz, {what}"), ours, floats, own);
        }
    }
    for (what, signal) in [("48000 Hz, silence", 0.0), ("48000 Hz, noise alone", 0.3)] {
        let mut audio = vec![0f32; (SECONDS * 48_000.0) as usize];
        add_noise(&mut audio, signal);
        let bytes: Vec<u8> = audio.iter().map(|v| (128.0 + 127.0 * v.clamp(-1.0, 1.0)) as u8).collect();
        let (a, b, c) = (
            best(|| ours(&audio, 48_000.0)),
            best(|| theirs::floats(&audio, 48_000.0)),
            best(|| theirs::bytes(&bytes, 48_000.0)),
        );
        println!("{what:34} {a:>16} {b:>18} {c:>22}");
    }
}

/// The best of several runs, as "frames, times real time".
fn best(mut run: impl FnMut() -> Option<usize>) -> String {
    let mut shortest = f64::INFINITY;
    let mut frames = None;
    for _ in 0..ROUNDS {
        let t = Instant::now();
        frames = run();
        shortest = shortest.min(t.elapsed().as_secs_f64());
    }
    frames.map_or("-".into(), |n| format!("{n}, {:.0} x", SECONDS / shortest))
}

fn ours(audio: &[f32], hz: f64) -> Option<usize> {
    let mut frames = 0;
    let mut decoder = LtcDecoder::new(Hertz(hz), None);
    let mut sink = |e| frames += usize::from(matches!(e, LtcEvent::Frame(_)));
    for part in audio.chunks(1_024) {
        decoder.on_samples(part, &mut sink);
    }
    decoder.finish(&mut sink);
    Some(frames)
}

fn add_noise(audio: &mut [f32], sigma: f64) {
    let mut x = 0x9E37_79B9_7F4A_7C15u64;
    let mut even = || {
        x ^= x >> 12;
        x ^= x << 25;
        x ^= x >> 27;
        (x.wrapping_mul(0x2545_F491_4F6C_DD1D) >> 11) as f64 / (1u64 << 53) as f64
    };
    for v in audio {
        let r = (-2.0 * (1.0 - even()).ln()).sqrt() * (std::f64::consts::TAU * even()).cos();
        *v += (sigma * r) as f32;
    }
}

#[cfg(feature = "bench-libltc")]
mod theirs {
    use std::ffi::{c_int, c_longlong, c_void};

    #[link(name = "ltc")]
    unsafe extern "C" {
        fn ltc_decoder_create(apv: c_int, queue: c_int) -> *mut c_void;
        fn ltc_decoder_free(d: *mut c_void) -> c_int;
        fn ltc_decoder_write(d: *mut c_void, buf: *const u8, size: usize, at: c_longlong);
        fn ltc_decoder_write_float(d: *mut c_void, buf: *const f32, size: usize, at: c_longlong);
        fn ltc_decoder_read(d: *mut c_void, frame: *mut c_void) -> c_int;
    }

    pub fn bytes(audio: &[u8], hz: f64) -> Option<usize> {
        run(audio, hz, |d, part, at| unsafe { ltc_decoder_write(d, part.as_ptr(), part.len(), at) })
    }

    pub fn floats(audio: &[f32], hz: f64) -> Option<usize> {
        run(audio, hz, |d, part, at| unsafe { ltc_decoder_write_float(d, part.as_ptr(), part.len(), at) })
    }

    fn run<T>(audio: &[T], hz: f64, write: impl Fn(*mut c_void, &[T], c_longlong)) -> Option<usize> {
        // LTCFrameExt is 376 bytes here; room to spare, and aligned.
        let mut frame = [0u64; 128];
        let mut frames = 0;
        unsafe {
            let d = ltc_decoder_create((hz / 30.0) as c_int, 32);
            for (i, part) in audio.chunks(1_024).enumerate() {
                write(d, part, (i * 1_024) as c_longlong);
                while ltc_decoder_read(d, frame.as_mut_ptr().cast()) == 1 {
                    frames += 1;
                }
            }
            ltc_decoder_free(d);
        }
        Some(frames)
    }
}

#[cfg(not(feature = "bench-libltc"))]
mod theirs {
    pub fn bytes(_: &[u8], _: f64) -> Option<usize> {
        None
    }
    pub fn floats(_: &[f32], _: f64) -> Option<usize> {
        None
    }
}
