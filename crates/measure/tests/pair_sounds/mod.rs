//! Seeded sounds, and what machines do to them, with the truth known. Delays of a fraction are read off by a sinc of 64 samples
//! under Hann's window; no code of the estimator takes part.

#![allow(dead_code)]

use std::f64::consts::{PI, TAU};

/// SplitMix64 (Steele, Lea, Flood 2014).
pub struct Dice(u64);

impl Dice {
    pub fn new(seed: u64) -> Dice {
        Dice(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ 0x1234_5678_9abc_def0)
    }
    /// Even over 0..1.
    pub fn even(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    }
    /// Normal with variance 1 (Box and Muller 1958).
    pub fn normal(&mut self) -> f64 {
        (-2.0 * (1.0 - self.even()).ln()).sqrt() * (TAU * self.even()).cos()
    }
}

/// White, but nothing at half the sample rate, where no delay can be told.
pub fn noise(n: usize, seed: u64) -> Vec<f64> {
    let mut dice = Dice::new(seed);
    let white: Vec<f64> = (0..n + 2).map(|_| 0.2 * dice.normal()).collect();
    white.windows(3).map(|w| 0.25 * w[0] + 0.5 * w[1] + 0.25 * w[2]).collect()
}

/// Notes of decaying harmonics, and strokes of noise.
pub fn music(n: usize, rate: f64, seed: u64) -> Vec<f64> {
    let mut dice = Dice::new(seed);
    let mut x = vec![0.0; n];
    let mut at = 0usize;
    while at < n {
        let f = 55.0 * ((dice.even() * 36.0).floor() / 12.0).exp2();
        let phases: Vec<f64> = (0..8).map(|_| TAU * dice.even()).collect();
        for (i, out) in x[at..].iter_mut().take(rate as usize).enumerate() {
            let s = i as f64 / rate;
            let tone = |(h, p): (usize, &f64)| {
                let f = f * (h + 1) as f64;
                if f < 0.4 * rate { (TAU * f * s + p).sin() / (h + 1) as f64 } else { 0.0 }
            };
            *out += 0.1 * (-4.0 * s).exp() * (s / 0.004).min(1.0) * phases.iter().enumerate().map(tone).sum::<f64>();
        }
        let stroke = noise((0.08 * rate) as usize, (dice.even() * 1e9) as u64);
        for (i, (out, v)) in x[at..].iter_mut().zip(stroke).enumerate() {
            *out += 0.5 * v * (-40.0 * i as f64 / rate).exp();
        }
        at += ((0.1 + 0.3 * dice.even()) * rate) as usize;
    }
    x
}

/// Voiced and voiceless syllables with pauses.
pub fn speech(n: usize, rate: f64, seed: u64) -> Vec<f64> {
    let mut dice = Dice::new(seed);
    let mut x = vec![0.0; n];
    let mut at = 0usize;
    while at < n {
        let length = ((0.08 + 0.25 * dice.even()) * rate) as usize;
        let (pause, voiced, pitch) = (dice.even() < 0.25, dice.even() < 0.7, 90.0 + 120.0 * dice.even());
        let mut phase = 0.0;
        let (mut y1, mut y2) = (0.0, 0.0);
        let (r, turn) = (0.97, (TAU * (400.0 + 900.0 * dice.even()) / rate).cos());
        for (i, out) in x[at..].iter_mut().take(length).enumerate() {
            let part = i as f64 / length as f64;
            phase += pitch * (1.0 + 0.2 * part) / rate;
            let pulse = if phase >= 1.0 { 1.0 } else { 0.0 };
            phase -= pulse;
            let source = if voiced { pulse + 0.02 * dice.normal() } else { 0.2 * dice.normal() };
            let y = source + 2.0 * r * turn * y1 - r * r * y2;
            (y2, y1) = (y1, y);
            *out = if pause { 0.0 } else { 0.1 * y * (PI * part).sin() };
        }
        at += length;
    }
    x.windows(3).map(|w| 0.25 * w[0] + 0.5 * w[1] + 0.25 * w[2]).chain([0.0; 2]).take(n).collect()
}

/// A bare click, each the same, every `period` samples.
pub fn clicks(n: usize, rate: f64, period: usize) -> Vec<f64> {
    let one = |i: usize| {
        let s = (i % period) as f64 / rate;
        0.5 * (TAU * 1_500.0 * s).sin() * (-200.0 * s).exp()
    };
    (0..n).map(one).collect()
}

/// `x` at any places; nothing beyond its ends.
pub fn read_at(x: &[f64], places: impl Iterator<Item = f64>) -> Vec<f64> {
    let read = |place: f64| {
        let (whole, part) = (place.floor(), place.fract().rem_euclid(1.0));
        (-31i64..=32)
            .filter_map(|k| {
                let d = part - k as f64;
                let sinc = if d.abs() < 1e-12 { 1.0 } else { (PI * d).sin() / (PI * d) };
                let v = usize::try_from(whole as i64 + k).ok().and_then(|i| x.get(i))?;
                Some(v * sinc * (0.5 + 0.5 * (PI * d / 33.0).cos()))
            })
            .sum()
    };
    places.map(read).collect()
}

/// Later by `samples`.
pub fn delay(x: &[f64], samples: f64) -> Vec<f64> {
    read_at(x, (0..x.len()).map(|n| n as f64 - samples))
}

/// As a machine that runs `ppm` fast and lies `middle` samples late in the middle plays it.
pub fn drifting(x: &[f64], ppm: f64, middle: f64) -> Vec<f64> {
    let half = x.len() as f64 / 2.0;
    read_at(x, (0..x.len()).map(|n| n as f64 - (middle - ppm * 1e-6 * (n as f64 - half))))
}

/// With noise this far below it.
pub fn with_noise(x: &[f64], db: f64, seed: u64) -> Vec<f64> {
    let mut dice = Dice::new(seed);
    let rms = (x.iter().map(|v| v * v).sum::<f64>() / x.len() as f64).sqrt();
    x.iter().map(|v| v + rms * 10f64.powf(-db / 20.0) * dice.normal()).collect()
}

/// A low shelf's kin: one pole and one zero, minimum phase.
pub fn shelf(x: &[f64]) -> Vec<f64> {
    let (mut before, mut y) = (0.0, 0.0);
    x.iter()
        .map(|v| {
            y = 0.7 * y + v - 0.2 * before;
            before = *v;
            y
        })
        .collect()
}

pub fn f32s(x: &[f64]) -> Vec<f32> {
    x.iter().map(|v| *v as f32).collect()
}
