//! What one comparison of a second costs, at 48 kHz and as an excerpt of 8 kHz, beside `realfft` alone: the six transforms that
//! any such comparison needs. And a recording of a minute.
//!
//! `cargo bench -p twinkeel-measure --bench pair`. Asserts nothing.

#![allow(clippy::disallowed_methods)] // A bench, example or test may read clocks and start threads.
#[path = "../tests/pair_sounds/mod.rs"]
mod pair_sounds;

use std::hint::black_box;
use std::time::Instant;

use base::Hertz;
use pair_sounds::{delay, f32s, music};
use realfft::RealFftPlanner;
use twinkeel_measure::pair::{Comparator, PairConfig, compare};

fn main() {
    println!("{:32}{:>12}{:>16}{:>8}", "one comparison of 1 s", "ms", "realfft x 6, ms", "ratio");
    for (name, rate) in [("48 kHz", 48_000.0), ("excerpt at 8 kHz", 8_000.0)] {
        let x = music(rate as usize, rate, 1);
        let (a, b) = (f32s(&x), f32s(&delay(&x, 0.01 * rate + 0.3)));
        let mut c = Comparator::new(a.len() + b.len());
        let ours = quickest(|| {
            black_box(c.compare(black_box(&a), black_box(&b)));
        });
        let mut planner = RealFftPlanner::<f32>::new();
        let size = (a.len() + b.len()).next_power_of_two();
        let (forward, inverse) = (planner.plan_fft_forward(size), planner.plan_fft_inverse(size));
        let (mut time, mut spectrum) = (forward.make_input_vec(), forward.make_output_vec());
        let mut scratch = forward.make_scratch_vec();
        scratch.resize(scratch.len().max(inverse.get_scratch_len()), Default::default());
        let floor = quickest(|| {
            for _ in 0..3 {
                time.fill(0.0);
                time[..a.len()].copy_from_slice(&a);
                let _ = black_box(forward.process_with_scratch(&mut time, &mut spectrum, &mut scratch));
                let _ = black_box(inverse.process_with_scratch(&mut spectrum, &mut time, &mut scratch));
            }
        });
        println!("{name:32}{:>12.3}{:>16.3}{:>8.2}", ours * 1e3, floor * 1e3, ours / floor);
    }
    let rate = 48_000.0;
    let x = music(60 * rate as usize, rate, 1);
    let (a, b) = (f32s(&x), f32s(&delay(&x, 480.3)));
    let begun = Instant::now();
    black_box(compare(&a, Hertz(rate), &b, Hertz(rate), PairConfig::default()));
    let took = begun.elapsed().as_secs_f64();
    println!("a recording of 60 s at 48 kHz: {took:.2} s, {:.0} times as fast as it plays", 60.0 / took);
}

/// Seconds of the quickest of many runs: what others do on this computer only adds.
fn quickest(mut run: impl FnMut()) -> f64 {
    let once = |run: &mut dyn FnMut()| {
        let begun = Instant::now();
        run();
        begun.elapsed().as_secs_f64()
    };
    (0..100).map(|_| once(&mut run)).fold(f64::INFINITY, f64::min)
}
