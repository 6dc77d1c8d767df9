//! The alarm's tone against an independent analysis: Goertzel's algorithm (G. Goertzel, "An algorithm for the evaluation of finite trigonometric
//! series", American Mathematical Monthly 65, 1958), which knows nothing of how the tone is made.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, missing_docs)]

use assert_no_alloc::assert_no_alloc;
use base::Hertz;
use twinkeel_rig::alarm_codes::Priority;
use twinkeel_rig::alarm_tone::{Pattern, Ring, Ringing};

#[global_allocator]
static ALLOCATOR: assert_no_alloc::AllocDisabler = assert_no_alloc::AllocDisabler;

const RATES: [f64; 3] = [44_100.0, 48_000.0, 96_000.0];

fn burst(p: Pattern, rate: f64) -> Vec<f32> {
    (0..((p.length() + 0.5) * rate) as u64).map(|n| p.sample(n, Hertz(rate))).collect()
}

/// The amplitude at a frequency.
fn goertzel(x: &[f32], f: f64, rate: f64) -> f64 {
    let turn = 2.0 * (std::f64::consts::TAU * f / rate).cos();
    let (mut a, mut b) = (0.0, 0.0);
    for x in x {
        (b, a) = (a, f64::from(*x) + turn * a - b);
    }
    2.0 * (a * a + b * b - turn * a * b).max(0.0).sqrt() / x.len() as f64
}

/// Where sound begins and ends, in seconds; pauses under 10 ms are part of it.
fn pulses(x: &[f32], rate: f64) -> Vec<(f64, f64)> {
    let mut all: Vec<(f64, f64)> = Vec::new();
    for t in x.iter().enumerate().filter(|(_, v)| v.abs() > 1e-3).map(|(i, _)| i as f64 / rate) {
        match all.last_mut() {
            Some(last) if t - last.1 < 0.01 => last.1 = t,
            _ => all.push((t, t)),
        }
    }
    all
}

#[test]
fn pitch_and_harmonics_are_those_that_are_stated() {
    for (p, rate) in [Priority::High, Priority::Medium].into_iter().flat_map(|p| RATES.map(|r| (p, r))) {
        let p = Pattern::of(p).unwrap();
        let x = burst(p, rate);
        // A whole number of periods in the middle of the first pulse, where its edges are not: partials do not leak into each other.
        let periods = ((p.pulse - 0.05) * p.pitch.0).floor();
        let from = (0.025 * rate) as usize;
        let middle = &x[from..from + (periods / p.pitch.0 * rate).round() as usize];
        let of = |k: f64| goertzel(middle, k * p.pitch.0, rate);
        let first = of(1.0);
        assert!((150.0..=1000.0).contains(&p.pitch.0) && first > 0.2, "{first}");
        let strong = (2..=13).map(f64::from).filter(|k| (300.0..=4000.0).contains(&(k * p.pitch.0)));
        let strong = strong.filter(|k| (20.0 * (of(*k) / first).log10()).abs() <= 15.0).count();
        assert_eq!(strong, 4, "harmonics within 15 dB at {rate} Hz");
        for between in [0.5, 1.5, 2.5, 6.0, 7.0] {
            assert!(of(between) < first / 30.0, "{between} times the pitch: {} beside {first}", of(between));
        }
    }
}

#[test]
fn pulses_begin_and_last_as_stated_and_never_pass_full_level() {
    for (priority, groups) in [(Priority::High, 5), (Priority::Medium, 3)] {
        for rate in RATES {
            let p = Pattern::of(priority).unwrap();
            let x = burst(p, rate);
            let seen = pulses(&x, rate);
            assert_eq!(seen.len(), groups);
            for ((from, to), begins) in seen.iter().zip(p.begins) {
                assert!((from - begins).abs() < 0.004 && (to - begins - p.pulse).abs() < 0.004, "{from} to {to}");
            }
            let peak = x.iter().fold(0.0f32, |m, v| m.max(v.abs()));
            assert!((0.5..=1.0).contains(&peak), "{peak}");
            // No step that would click: the steepest is that of the highest partial at full level.
            let steepest = x.windows(2).map(|w| (w[1] - w[0]).abs()).fold(0.0, f32::max);
            assert!(f64::from(steepest) < std::f64::consts::TAU * 5.0 * p.pitch.0 / rate, "{steepest}");
        }
    }
    let high = Pattern::of(Priority::High).unwrap();
    let gaps: Vec<f64> = high.begins.windows(2).map(|w| w[1] - w[0]).collect();
    assert!(gaps[2] > 1.5 * gaps[0], "three and two: {gaps:?}");
    assert_eq!(Pattern::of(Priority::Low), None);
}

#[test]
fn a_sample_allocates_nothing() {
    let p = Pattern::of(Priority::High).unwrap();
    let sum = assert_no_alloc(|| (0..48_000).map(|n| p.sample(n, Hertz(48_000.0)).abs()).sum::<f32>());
    assert!(sum > 0.0);
}

#[test]
fn the_highest_sounds_and_silence_is_at_once() {
    use Priority::{High, Low, Medium};
    let mut r = Ringing::default();
    let told = [None, Some(Low), Some(Medium), Some(Medium), Some(High), Some(High), Some(Medium), None, None]
        .map(|l| r.look(l));
    let begin = |p| Some(Ring::Begin(p));
    assert_eq!(told, [None, None, begin(Medium), None, begin(High), None, begin(Medium), Some(Ring::Cease), None]);
}
