//! Drift and offset as the live path knows them after 60 s, from two machines' position code, beside a plain
//! least-squares line through the raw differences of last ticks.
//!
//! `cargo bench -p twinkeel-measure --bench offset`. Asserts nothing.

#![allow(clippy::disallowed_methods, clippy::expect_used)] // A bench, example or test may read clocks and start threads.
#[path = "../tests/models/mod.rs"]
mod models;

use std::hint::black_box;
use std::time::Instant;

use base::Span;
use models::{CODES, Code, Noise, mono, span};
use twinkeel_measure::{LineConfig, OffsetConfig, OffsetTracker, PositionLine};

const SECONDS: f64 = 60.0;
const SKEW: f64 = 0.0037;
const A_PPM: f64 = 12.0;
const B_PPM: f64 = -23.0;

fn main() {
    println!(
        "after {SECONDS} s at 50 Hz, 20 runs; drift {} ppm; one run in two has a step of 3 ms at 30 s",
        A_PPM - B_PPM
    );
    println!(
        "{:24}{:>12}{:>12}{:>12}{:>12}{:>12}{:>12}{:>8}",
        "code", "drift rms", "worst", "said sigma", "LS rms", "offset rms", "said, ms", "steps"
    );
    for code in CODES {
        let mut sums = [0.0; 5];
        let (mut worst, mut steps): (f64, u32) = (0.0, 0);
        for seed in 0..20 {
            let r = run(code, seed, seed % 2 == 1);
            for (s, x) in
                sums.iter_mut().zip([r.drift.powi(2), r.drift_sigma, r.plain.powi(2), r.offset.powi(2), r.sigma])
            {
                *s += x;
            }
            worst = worst.max(r.drift.abs());
            steps += u32::from(r.steps);
        }
        println!(
            "{:24}{:>12.3}{:>12.3}{:>12.3}{:>12.3}{:>12.3}{:>12.3}{:>8}",
            code.name,
            (sums[0] / 20.0).sqrt(),
            worst,
            sums[1] / 20.0,
            (sums[2] / 20.0).sqrt(),
            (sums[3] / 20.0).sqrt() * 1e3,
            sums[4] / 20.0 * 1e3,
            steps
        );
    }
    cost();
}

struct Result {
    drift: f64,
    drift_sigma: f64,
    plain: f64,
    offset: f64,
    sigma: f64,
    steps: u16,
}

fn run(code: Code, seed: u64, step: bool) -> Result {
    let mut noise = Noise::new(seed);
    let (a, b) = (Code { speed: 1.0 + A_PPM * 1e-6, ..code }, Code { speed: 1.0 + B_PPM * 1e-6, phase: 0.02, ..code });
    let a = a.run(100.0, 100.0 + SECONDS + 1.0, 10.0, &mut noise);
    let mut b = b.run(100.0 + SKEW, 100.0 + SECONDS + 1.0, 10.0, &mut noise);
    if step {
        // B's audio engine hiccups: from then on its code comes 3 ms later.
        b.iter_mut().filter(|t| t.0 > 130.0).for_each(|t| t.0 += 3e-3);
    }
    let truth =
        |t: f64| SKEW + (t - 100.0) * (A_PPM - B_PPM) * 1e-6 + SKEW * B_PPM * 1e-6 + if step { 3e-3 } else { 0.0 };
    let mut lines = [(); 2].map(|()| PositionLine::of_arrivals(LineConfig::default()));
    let mut tracker = OffsetTracker::new(OffsetConfig::default());
    let (mut i, mut j) = (0, 0);
    let mut raw = Vec::new();
    for k in 0..(SECONDS * 50.0) as u32 {
        let now = 100.0 + f64::from(k) / 50.0;
        while a.get(i).is_some_and(|x| x.0 <= now) {
            lines[0].on_tick(mono(a[i].0), span(a[i].1));
            i += 1;
        }
        while b.get(j).is_some_and(|x| x.0 <= now) {
            lines[1].on_tick(mono(b[j].0), span(b[j].1));
            j += 1;
        }
        let (Some(p), Some(q)) = (lines[0].point(mono(now)), lines[1].point(mono(now))) else { continue };
        if i > 0 && j > 0 {
            raw.push((now, a[i - 1].1 - b[j - 1].1 - (a[i - 1].0 - b[j - 1].0)));
        }
        let sigma = Span::from_secs_f64(p.sigma.secs_f64().hypot(q.sigma.secs_f64()));
        tracker.on_offset(mono(now), p.position - q.position, sigma);
    }
    let end = 100.0 + SECONDS;
    let n = raw.len() as f64;
    let (t, y) = raw.iter().fold((0.0, 0.0), |s, r| (s.0 + r.0 / n, s.1 + r.1 / n));
    let (tt, ty) = raw.iter().fold((0.0, 0.0), |s, r| (s.0 + (r.0 - t).powi(2), s.1 + (r.0 - t) * (r.1 - y)));
    let view = tracker.now(mono(end)).expect("a minute of offsets");
    let (drift, sigma) = view.drift.expect("a minute of offsets");
    Result {
        drift: drift.0 - (A_PPM - B_PPM),
        drift_sigma: sigma.0,
        plain: ty / tt * 1e6 - (A_PPM - B_PPM),
        offset: view.offset.secs_f64() - truth(end),
        sigma: view.sigma.secs_f64(),
        steps: view.steps,
    }
}

fn cost() {
    let mut tracker = OffsetTracker::new(OffsetConfig::default());
    let mut noise = Noise::new(1);
    let begun = Instant::now();
    let n = 50 * 600;
    for k in 0..n {
        let at = mono(100.0 + f64::from(k) / 50.0);
        tracker.on_offset(at, span(1e-3 + 1e-4 * noise.normal()), Span::from_micros(100));
        black_box(tracker.now(at));
    }
    println!("cost an offset and a view: {:.2} us", begun.elapsed().as_secs_f64() / f64::from(n) * 1e6);
}
