//! RMS error of the clock estimator beside known ones, on seeded models, and its cost for each exchange.
//!
//! `cargo bench -p twinkeel-measure --bench clock`. Asserts nothing.

#![allow(clippy::disallowed_methods)] // A bench, example or test may read clocks and start threads.
#[path = "../tests/models/mod.rs"]
mod models;

use std::hint::black_box;
use std::time::Instant;

use base::Span;
use models::{NETWORKS, Truth};
use twinkeel_measure::{ClockConfig, ClockEstimator};

/// Errors are counted from here on, and not within this after a step.
const SETTLED: f64 = 3.0;

fn main() {
    println!("clock offset, RMS error in us over 5 seeds (from {SETTLED} s on, and from {SETTLED} s after each step)");
    println!(
        "{:22}{:>10}{:>12}{:>10}{:>10}{:>10}{:>10}{:>11}{:>10}{:>9}",
        "model", "here", "skew ppm", "raw", "8-sample", "LS 8 s", "Th-Sen 8s", "/8-sample", "inside %", "bound us"
    );
    for network in NETWORKS {
        let mut all = [Sum::default(); 6];
        let (mut inside, mut bounds, mut counted) = (0u64, 0.0, 0u64);
        for seed in 0..5 {
            let truth = network.run(seed);
            let settled =
                |t: &Truth| t.at > SETTLED && network.steps.iter().all(|s| t.at < s.0 || t.at > s.0 + SETTLED);
            let mut estimator = ClockEstimator::new(ClockConfig::default());
            let mut line = Recent::default();
            for t in &truth {
                estimator.on_exchange(t.exchange);
                line.push(t);
                let e = estimator.estimate(t.exchange.t4);
                if !settled(t) {
                    continue;
                }
                let error = e.offset.secs_f64() - t.offset;
                all[0].add(error);
                all[1].add((e.skew.0 - network.skew_ppm) * 1e-6);
                all[2].add(t.exchange.offset().secs_f64() - t.offset);
                all[3].add(line.clock_filter() - t.offset);
                all[4].add(line.least_squares() - t.offset);
                all[5].add(line.theil_sen() - t.offset);
                counted += 1;
                bounds += e.bound.secs_f64();
                inside += u64::from(error.abs() <= e.bound.secs_f64());
            }
        }
        let r: Vec<f64> = all.iter().map(|s| s.rms() * 1e6).collect();
        println!(
            "{:22}{:>10.2}{:>12.3}{:>10.1}{:>10.1}{:>10.1}{:>10.1}{:>11.3}{:>10.2}{:>9.0}",
            network.name,
            r[0],
            r[1],
            r[2],
            r[3],
            r[4],
            r[5],
            r[0] / r[3],
            100.0 * inside as f64 / counted as f64,
            bounds / counted as f64 * 1e6
        );
    }
    cost();
}

fn cost() {
    for network in [NETWORKS[2], NETWORKS[3]] {
        let truth = network.run(1);
        let mut estimator = ClockEstimator::new(ClockConfig::default());
        let begun = Instant::now();
        let mut sum = Span::ZERO;
        for t in &truth {
            black_box(estimator.on_exchange(t.exchange));
            sum += estimator.estimate(t.exchange.t4).offset;
        }
        black_box(sum);
        let each = begun.elapsed().as_secs_f64() / truth.len() as f64;
        println!("cost an exchange and an estimate, {}: {:.3} us (budget 2)", network.name, each * 1e6);
    }
}

#[derive(Clone, Copy, Default)]
struct Sum(f64, u64);
impl Sum {
    fn add(&mut self, e: f64) {
        self.0 += e * e;
        self.1 += 1;
    }
    fn rms(&self) -> f64 {
        (self.0 / self.1 as f64).sqrt()
    }
}

/// The references: what was seen in the last 8 samples and the last 8 seconds, as (t4, offset, delay).
#[derive(Default)]
struct Recent(Vec<(f64, f64, f64)>);

impl Recent {
    fn push(&mut self, t: &Truth) {
        let x = (t.exchange.t4.nanos() as f64 / 1e9, t.exchange.offset().secs_f64(), t.delay);
        self.0.push(x);
        self.0.retain(|s| (s.0 - x.0).abs() <= 8.0);
    }
    /// RFC 5905 section 10: of the last eight samples, the one with the least delay.
    fn clock_filter(&self) -> f64 {
        let from = self.0.len().saturating_sub(8);
        self.0[from..].iter().min_by(|a, b| a.2.total_cmp(&b.2)).map_or(0.0, |s| s.1)
    }
    fn line(&self, slope: f64, at: f64) -> f64 {
        let n = self.0.len() as f64;
        let (t, y) = self.0.iter().fold((0.0, 0.0), |(t, y), s| (t + s.0, y + s.1));
        y / n + slope * (at - t / n)
    }
    fn least_squares(&self) -> f64 {
        let n = self.0.len() as f64;
        let t0 = self.0.iter().map(|s| s.0).sum::<f64>() / n;
        let tt: f64 = self.0.iter().map(|s| (s.0 - t0).powi(2)).sum();
        let ty: f64 = self.0.iter().map(|s| (s.0 - t0) * s.1).sum();
        self.line(if tt > 0.0 { ty / tt } else { 0.0 }, self.0.last().map_or(0.0, |s| s.0))
    }
    /// Theil 1950, Sen 1968, thinned to 40 points: the median of all slopes, then the median of what is left.
    fn theil_sen(&self) -> f64 {
        let thin: Vec<_> = self.0.iter().rev().step_by(self.0.len().div_ceil(40)).collect();
        let mut slopes: Vec<f64> = Vec::new();
        for (i, a) in thin.iter().enumerate() {
            slopes.extend(thin[..i].iter().filter(|b| b.0 != a.0).map(|b| (a.1 - b.1) / (a.0 - b.0)));
        }
        let slope = median(&mut slopes);
        let now = self.0.last().map_or(0.0, |s| s.0);
        median(&mut self.0.iter().map(|s| s.1 + slope * (now - s.0)).collect::<Vec<_>>())
    }
}

fn median(x: &mut [f64]) -> f64 {
    x.sort_unstable_by(f64::total_cmp);
    x.get(x.len() / 2).copied().unwrap_or(0.0)
}
