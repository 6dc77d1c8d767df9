//! The offset tracker and the drift of a whole record over seeded offsets whose truth is known.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod models;

use base::{MonoTime, Span};
use models::{Code, Jitter, Noise, PLAIN, mono, span};
use proptest::prelude::*;
use twinkeel_measure::drift::{OffsetPoint, analyse};
use twinkeel_measure::{LineConfig, OffsetConfig, OffsetTracker, PositionLine};

/// Offsets at 50 Hz with noise of `sigma` that hangs together over about `memory` samples (a first-order
/// autoregression), around `truth`.
fn offsets(seconds: f64, sigma: f64, memory: f64, seed: u64, truth: impl Fn(f64) -> f64) -> Vec<(f64, f64)> {
    let mut noise = Noise::new(seed);
    let keep = if memory > 0.0 { (-1.0 / memory).exp() } else { 0.0 };
    let mut x = sigma * noise.normal();
    (0..(seconds * 50.0) as u32)
        .map(|k| {
            let t = f64::from(k) / 50.0;
            x = keep * x + sigma * (1.0 - keep * keep).sqrt() * noise.normal();
            (t, truth(t) + x)
        })
        .collect()
}

fn tracked(all: &[(f64, f64)], sigma: f64) -> OffsetTracker {
    let mut tracker = OffsetTracker::new(OffsetConfig::default());
    all.iter().for_each(|(t, y)| tracker.on_offset(mono(1_000.0 + t), span(*y), span(sigma)));
    tracker
}

fn record(all: &[(f64, f64)]) -> Vec<OffsetPoint> {
    all.iter().map(|(t, y)| OffsetPoint { at: span(*t), offset: span(*y) }).collect()
}

#[test]
fn drift_lies_within_its_uncertainty_noise_correlated_or_not() {
    for memory in [0.0, 25.0, 100.0] {
        let (mut live, mut whole) = (0, 0);
        let runs = 60;
        for seed in 0..runs {
            let all = offsets(120.0, 100e-6, memory, seed, |t| 4e-3 + 22e-6 * t);
            let view = tracked(&all, 100e-6).now(mono(1_120.0)).unwrap();
            let (drift, sigma) = view.drift.unwrap();
            live += u32::from((drift.0 - 22.0).abs() <= 2.0 * sigma.0);
            let report = analyse(&record(&all)).unwrap();
            whole += u32::from((report.drift.unwrap().0 - 22.0).abs() <= report.uncertainty.unwrap().0);
        }
        // 95 % of 60 are 57; 51 is beyond three standard deviations of chance.
        assert!(live >= 51 && whole >= 51, "memory {memory}: {live} and {whole} of {runs}");
    }
}

/// Errors of drift and said sigma, in ppm, after a minute of quarter frames with this jitter on both machines.
fn drift_from_code(jitter: Jitter, seed: u64) -> (f64, f64) {
    let mut noise = Noise::new(seed);
    let (a, b) = (Code { speed: 1.0 + 12e-6, jitter, ..PLAIN }, Code { speed: 1.0 - 23e-6, jitter, ..PLAIN });
    let codes = [a.run(100.0, 161.0, 10.0, &mut noise), b.run(100.0037, 161.0, 10.0, &mut noise)];
    let mut lines = [(); 2].map(|()| PositionLine::of_arrivals(LineConfig::default()));
    let mut tracker = OffsetTracker::new(OffsetConfig::default());
    let mut heard = [0; 2];
    for k in 0..60 * 50 {
        let now = 100.0 + f64::from(k) / 50.0;
        let mut points = [None; 2];
        for m in 0..2 {
            while let Some((at, position)) = codes[m].get(heard[m]).filter(|t| t.0 <= now) {
                lines[m].on_tick(mono(*at), span(*position));
                heard[m] += 1;
            }
            points[m] = lines[m].point(mono(now));
        }
        let [Some(p), Some(q)] = points else { continue };
        let sigma = span(p.sigma.secs_f64().hypot(q.sigma.secs_f64()));
        tracker.on_offset(mono(now), p.position - q.position, sigma);
    }
    let (drift, sigma) = tracker.now(mono(160.0)).unwrap().drift.unwrap();
    (drift.0 - 35.0, sigma.0)
}

/// The Cramer-Rao bound for normal jitter of scatter s, on two machines, f ticks a second each, over T:
/// sqrt(2) s sqrt(12 / (f T^3)), the variance of least squares (the information on a slope is the sum of (t - mean)^2 / s^2,
/// which is f T^3 / 12 / s^2). Jitter that has an edge is not bound by it.
#[test]
fn drift_from_jittery_code_is_better_known_than_least_squares_could_know_it() {
    // Scatter of 1 ms of each kind: even 1/sqrt(12), the size of a normal deviate sqrt(1 - 2/pi), exponential 1.
    let kinds = [
        (Jitter::Even(1e-3), 1.0 / 12f64.sqrt(), 0.9),
        (Jitter::Normal(1e-3), (1.0 - 2.0 / core::f64::consts::PI).sqrt(), 0.65),
        (Jitter::Exponential(1e-3), 1.0, 0.45),
    ];
    for (jitter, scatter, part) in kinds {
        let limit = 2f64.sqrt() * scatter * 1e-3 * (12.0 / (120.0 * 60f64.powi(3))).sqrt() * 1e6;
        let runs = 8;
        let all: Vec<(f64, f64)> = (0..runs).map(|seed| drift_from_code(jitter, seed)).collect();
        let rms = (all.iter().map(|d| d.0 * d.0).sum::<f64>() / runs as f64).sqrt();
        assert!(rms <= part * limit, "{jitter:?}: {rms} ppm, least squares {limit}");
        let inside = all.iter().filter(|d| d.0.abs() <= 2.0 * d.1).count();
        assert!(inside >= 7, "{jitter:?}: {inside} of {runs} within what is said");
    }
}

#[test]
fn a_step_is_found_and_does_not_bend_the_drift() {
    for size in [5e-3, -5e-3, 1e-3, 30e-3] {
        let truth = |t: f64| 2e-3 + 10e-6 * t + if t < 60.0 { 0.0 } else { size };
        let all = offsets(120.0, 100e-6, 25.0, 3, truth);
        let tracker = tracked(&all, 100e-6);
        let view = tracker.now(mono(1_120.0)).unwrap();
        let (drift, sigma) = view.drift.unwrap();
        assert!((drift.0 - 10.0).abs() < 3.0 * sigma.0 && sigma.0 < 2.0, "{size}: {drift} +- {sigma}");
        assert!((view.offset.secs_f64() - truth(120.0)).abs() < 100e-6);
        let mut steps = Vec::new();
        tracker.steps(|s| steps.push(s));
        assert_eq!(view.steps, 1, "{steps:?}");
        let step = view.last_step.unwrap();
        assert!((step.size.secs_f64() - size).abs() < 4.0 * step.sigma.secs_f64(), "{step:?}");
        assert!((step.at - mono(1_060.0)).abs() < Span::from_millis(800));
        let report = analyse(&record(&all)).unwrap();
        assert_eq!(report.steps.len(), 1, "{report:?}");
        assert!((report.steps[0].at.secs_f64() - 60.0).abs() < 0.1 + 25e-6 / size.abs());
        assert!((report.steps[0].size.secs_f64() - size).abs() < 150e-6);
        assert!((report.start_skew.secs_f64() - 2e-3).abs() < 100e-6);
    }
}

#[test]
fn a_step_shows_in_the_offset_within_a_second() {
    let truth = |t: f64| if t < 60.0 { 0.0 } else { 8e-3 };
    let all = offsets(61.0, 100e-6, 25.0, 5, truth);
    let view = tracked(&all, 100e-6).now(mono(1_061.0)).unwrap();
    assert!((view.offset.secs_f64() - 8e-3).abs() < 0.5e-3, "{view:?}");
}

#[test]
fn the_forecast_says_when_and_within_what() {
    let all = offsets(60.0, 50e-6, 25.0, 6, |t| 1e-3 + 20e-6 * t);
    let view = tracked(&all, 50e-6).now(mono(1_060.0)).unwrap();
    // 5 ms is reached at 200 s, 140 s from now.
    let f = view.forecast(Span::from_millis(5)).unwrap();
    assert!((f.reached_in.secs_f64() - 140.0).abs() < 10.0, "{f:?}");
    assert!(f.earliest <= f.reached_in && f.latest.unwrap() >= f.reached_in);
    assert!(f.earliest.secs_f64() < 140.0 && f.latest.unwrap().secs_f64() > 139.0);
    assert_eq!(view.forecast(Span::from_millis(2)).unwrap().reached_in, Span::ZERO);
}

#[test]
fn a_long_song_is_thinned_and_stays_right() {
    let truth = |t: f64| 1e-3 - 7e-6 * t + if t < 400.0 { 0.0 } else { 3e-3 };
    let all = offsets(1_200.0, 100e-6, 25.0, 7, truth);
    let view = tracked(&all, 100e-6).now(mono(2_200.0)).unwrap();
    let (drift, sigma) = view.drift.unwrap();
    assert!((drift.0 + 7.0).abs() < 4.0 * sigma.0 && sigma.0 < 0.1, "{drift} +- {sigma}");
    assert_eq!(view.steps, 1);
    assert!((view.start_skew.unwrap().secs_f64() - 1e-3).abs() < 100e-6);
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]
    #[test]
    fn no_offset_is_too_wild(all in prop::collection::vec((any::<u64>(), any::<i64>(), any::<i64>(), any::<bool>()), 0..600)) {
        let mut tracker = OffsetTracker::new(OffsetConfig::default());
        let mut at = MonoTime::ZERO;
        for (t, y, sigma, small) in all {
            at = if small { at + Span::from_nanos((t % 400_000_000) as i64) } else { MonoTime::from_nanos(t) };
            tracker.on_offset(at, Span::from_nanos(if small { y % 50_000_000 } else { y }), Span::from_nanos(sigma));
            for now in [at, MonoTime::ZERO, MonoTime::FAR] {
                if let Some(view) = tracker.now(now) {
                    prop_assert!(view.sigma >= Span::ZERO);
                    let _ = view.forecast(Span::from_millis(5));
                }
            }
        }
    }

    #[test]
    fn no_record_is_too_wild(all in prop::collection::vec((any::<i64>(), any::<i64>(), any::<bool>()), 0..300)) {
        let mut points: Vec<OffsetPoint> = all
            .iter()
            .map(|(t, y, small)| match small {
                true => OffsetPoint { at: Span::from_nanos(t % 100_000_000_000), offset: Span::from_nanos(y % 50_000_000) },
                false => OffsetPoint { at: Span::from_nanos(*t), offset: Span::from_nanos(*y) },
            })
            .collect();
        points.sort_by_key(|p| p.at);
        let report = analyse(&points);
        prop_assert_eq!(report.is_some(), !points.is_empty());
    }
}
