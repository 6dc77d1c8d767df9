//! RMS error of the offset between two machines' position lines, beside the raw difference of their last ticks.
//!
//! `cargo bench -p twinkeel-measure --bench line`. Asserts nothing.

#![allow(clippy::disallowed_methods)] // A bench, example or test may read clocks and start threads.
#[path = "../tests/models/mod.rs"]
mod models;

use std::hint::black_box;
use std::time::Instant;

use models::{CODES, Code, Noise, PLAIN, mono, span};
use twinkeel_measure::{LineConfig, PositionLine};

/// Machine B starts this much later than A.
const SKEW: f64 = 0.0037;
const SECONDS: f64 = 12.0;

fn main() {
    println!("offset of two machines from their code, ms, 10 runs of {SECONDS} s at 50 Hz from 1 s after the start");
    println!(
        "{:24}{:>10}{:>10}{:>10}{:>10}{:>12}{:>14}{:>14}",
        "code", "rms here", "mean", "rms raw", "sigma", "one: mean", "stalls called", "speed rms ppm"
    );
    for code in CODES {
        pair(code);
    }
    cost();
}

fn pair(code: Code) {
    let (mut ours, mut raw, mut mean, mut sigma, mut alone, mut n) = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0);
    let (mut stalls, mut speed) = (0, 0.0);
    for seed in 0..10 {
        let mut noise = Noise::new(seed);
        let phase = 0.04 * noise.even();
        let a = code.run(100.0, 100.0 + SECONDS, 10.0, &mut noise);
        let b = Code { phase, ..code }.run(100.0 + SKEW, 100.0 + SECONDS, 10.0, &mut noise);
        let mut lines =
            [PositionLine::of_arrivals(LineConfig::default()), PositionLine::of_arrivals(LineConfig::default())];
        let (mut i, mut j) = (0, 0);
        for step in 0..(SECONDS * 50.0) as u32 {
            let now = 100.0 + f64::from(step) / 50.0;
            while a.get(i).is_some_and(|x| x.0 <= now) {
                lines[0].on_tick(mono(a[i].0), span(a[i].1));
                i += 1;
            }
            while b.get(j).is_some_and(|x| x.0 <= now) {
                lines[1].on_tick(mono(b[j].0), span(b[j].1));
                j += 1;
            }
            if now < 101.0 {
                continue;
            }
            let (Some(pa), Some(pb)) = (lines[0].point(mono(now)), lines[1].point(mono(now))) else { continue };
            stalls += u32::from(pa.state != base::TransportState::Rolling);
            let error = (pa.position - pb.position).secs_f64() - SKEW;
            let (la, lb) = (a[i - 1], b[j - 1]);
            let raw_error = (la.1 - lb.1) - (la.0 - lb.0) - SKEW;
            ours += error * error;
            raw += raw_error * raw_error;
            mean += error;
            sigma += pa.sigma.secs_f64().hypot(pb.sigma.secs_f64());
            alone += pa.position.secs_f64() - (10.0 + now - 100.0);
            speed += (f64::from(pa.speed_ppb) * 1e-3).powi(2);
            n += 1.0;
        }
    }
    let rms = |sum: f64| (sum / n).sqrt() * 1e3;
    println!(
        "{:24}{:>10.3}{:>10.3}{:>10.3}{:>10.3}{:>12.3}{:>14}{:>14.0}",
        code.name,
        rms(ours),
        mean / n * 1e3,
        rms(raw),
        sigma / n * 1e3,
        alone / n * 1e3,
        stalls,
        (speed / n).sqrt()
    );
}

fn cost() {
    for code in [PLAIN, CODES[6]] {
        let ticks = code.run(100.0, 200.0, 10.0, &mut Noise::new(1));
        let mut line = PositionLine::of_arrivals(LineConfig::default());
        let begun = Instant::now();
        for (at, p) in &ticks {
            line.on_tick(mono(*at), span(*p));
            black_box(line.point(mono(*at)));
        }
        let each = begun.elapsed().as_secs_f64() / ticks.len() as f64;
        println!("cost a tick and a point, {}: {:.2} us", code.name, each * 1e6);
    }
}
