//! True peak as it plays, held against three things: signals whose true peak EBU Tech 3341 (2023, table 1, tests 15 to 19) publishes,
//! crate `ebur128`, and every sum computed plainly.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod models;
mod programme;

use std::f64::consts::{PI, TAU};

use base::Hertz;
use models::Noise;
use programme::{ALL, Programme};
use twinkeel_measure::TruePeak;
use twinkeel_measure::loudness::{Layout, LoudnessMeter};

const RATE: Hertz = Hertz(48_000.0);

fn read(rate: Hertz, samples: &[f32]) -> f64 {
    let mut meter = TruePeak::new(rate);
    meter.on_samples(samples);
    meter.read().0
}

/// Programme from where it sounds.
fn sounding(material: programme::Material, seed: u64, n: usize) -> Vec<f32> {
    let mut source = Programme::new(material, seed, Some(16));
    let mut one = [0f32];
    for _ in 0..3_000_000 {
        source.fill(&mut one);
        if one[0].abs() > 0.01 {
            break;
        }
    }
    let mut samples = vec![0f32; n];
    source.fill(&mut samples);
    samples
}

/// Tests 15 to 19: sines of a part of the sample rate, at phases where no sample meets the crest; +0.2/-0.4 dB.
#[test]
fn tech_3341_tests_15_to_19() {
    for (test, part, phase, amplitude, expected) in [
        (15, 4.0, 0.0, 0.5, -6.0),
        (16, 4.0, 45.0, 0.5, -6.0),
        (17, 6.0, 60.0, 0.5, -6.0),
        (18, 8.0, 67.5, 0.5, -6.0),
        (19, 4.0, 45.0, 1.41, 3.0),
    ] {
        let sine: Vec<f32> =
            (0..48_000).map(|n| (amplitude * (TAU * f64::from(n) / part + TAU * phase / 360.0).sin()) as f32).collect();
        let got = read(RATE, &sine);
        assert!((-0.4..=0.2).contains(&(got - expected)), "test {test}: {got} where {expected} is published");
    }
}

/// The published reference implementation of BS.1770 (libebur128, here as the crate): the same filter, so the same figure.
#[test]
fn it_agrees_with_ebur128_at_every_rate() {
    for rate in [44_100.0, 48_000.0, 88_200.0, 96_000.0, 176_400.0, 192_000.0] {
        for (seed, material) in ALL.into_iter().enumerate() {
            let samples = sounding(material, seed as u64, 480_000);
            let mut theirs = LoudnessMeter::new(&Layout::of(1, None), Hertz(rate)).unwrap();
            theirs.on_interleaved(&samples);
            let (ours, theirs) = (read(Hertz(rate), &samples), theirs.true_peak(0).0);
            assert!(theirs > -60.0 && (ours - theirs).abs() < 1e-4, "{material:?} at {rate}: {ours}, ebur128 {theirs}");
        }
    }
}

/// Every sum of every place, none left out, in the same order of addition.
fn plainly(samples: &[f32], factor: usize) -> f32 {
    let taps = 48 / factor;
    let mut peak = samples.iter().fold(0f32, |p, s| p.max(s.abs()));
    for phase in 1..factor {
        let h: Vec<f32> = (0..taps)
            .rev()
            .map(|k| {
                let j = (phase + k * factor) as f64;
                let x = (j - 24.0) * PI / factor as f64;
                (0.5 * (1.0 - (TAU * j / 48.0).cos()) * x.sin() / x) as f32
            })
            .collect();
        for w in samples.windows(taps) {
            peak = peak.max(w.iter().zip(&h).fold(0f32, |sum, (x, h)| sum + h * x).abs());
        }
    }
    peak
}

/// What the bound leaves out changes no figure by a single bit: random programme, noise, single pulses and steps of level, in pieces of
/// every size.
#[test]
fn what_is_left_out_changes_nothing() {
    let mut noise = Noise::new(7);
    let (mut computed, mut runs) = (0u64, 0u64);
    for round in 0..600 {
        let (rate, factor) = [(48_000.0, 4), (96_000.0, 2)][round % 2];
        let n = 200 + (noise.even() * 2_000.0) as usize;
        let mut samples = vec![0f32; n];
        match round % 6 {
            0 => samples = sounding(ALL[round / 6 % 3], round as u64, n),
            1 => samples.iter_mut().for_each(|s| *s = noise.normal() as f32 * 0.2),
            2 => samples.iter_mut().for_each(|s| *s = if noise.chance(0.01) { 1.0 } else { 0.0 }),
            // Signs that make a sum as great as it can be, after something nearly as loud.
            3 => samples.iter_mut().for_each(|s| *s = if noise.chance(0.5) { 0.5 } else { -0.5 }),
            4 => {
                let step = noise.even();
                let level = |i: usize| if i > n / 2 { step } else { 1.0 };
                (0..n).for_each(|i| samples[i] = (level(i) * (i as f64 * 0.9).sin()) as f32);
            }
            _ => {
                let f = noise.even() * PI;
                (0..n).for_each(|i| samples[i] = ((f * i as f64).sin() * 0.8) as f32);
            }
        }
        let mut meter = TruePeak::new(Hertz(rate));
        let mut rest = &samples[..];
        while !rest.is_empty() {
            let (now, later) = rest.split_at((1 + (noise.even() * 60.0) as usize).min(rest.len()));
            meter.on_samples(now);
            runs += now.len().div_ceil(16) as u64;
            rest = later;
        }
        computed += meter.runs_computed();
        let expected = base::Dbfs::from_amplitude(f64::from(plainly(&samples, factor)));
        assert_eq!(meter.read(), expected, "round {round}");
    }
    assert!(computed * 4 < runs * 3, "{computed} of {runs} runs: the bound saves something");
}

#[test]
fn a_cut_is_no_peak_and_garbage_is_silence() {
    // A tone that begins and ends at its crest: the curve through what is known stays at 0.5.
    let half = vec![0.5f32; 400];
    let mut meter = TruePeak::new(RATE);
    meter.on_samples(&half);
    meter.on_gap();
    meter.on_samples(&half);
    let got = meter.read().0;
    assert!((got - 20.0 * 0.5f64.log10()).abs() < 0.06, "{got}");
    // The same with zeros in the hole has the overshoot of a step.
    let mut stepped = half.clone();
    stepped.extend([0.0; 100]);
    assert!(read(RATE, &stepped) > got + 0.3);
    assert_eq!(read(RATE, &[f32::NAN, f32::INFINITY, 0.0]), f64::NEG_INFINITY);
    assert_eq!(meter.read(), base::Dbfs::SILENCE, "a reading begins anew");
}
