//! Whole recordings against each other, made so that the truth is known. What numpy and scipy make is held against in
//! `tests/outside/pair_scipy.py`.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod pair_sounds;

use base::{Hertz, Samples, Span};
use pair_sounds::{clicks, delay, drifting, f32s, music, noise, read_at, shelf, speech, with_noise};
use twinkeel_measure::pair::{NoMatch, PairConfig, PairReport, Polarity, Side, compare};

const RATE: f64 = 16_000.0;
const N: usize = 80_000;

fn look(a: &[f64], b: &[f64]) -> PairReport {
    compare(&f32s(a), Hertz(RATE), &f32s(b), Hertz(RATE), PairConfig::default())
}

fn materials() -> [(&'static str, Vec<f64>); 3] {
    [("noise", noise(N, 1)), ("music", music(N, RATE, 2)), ("speech", speech(N, RATE, 3))]
}

#[track_caller]
fn lies_at(report: &PairReport, truth: f64, within: f64, what: &str) {
    let (offset, sure) = report.offset.unwrap_or_else(|| panic!("{what}: {:?}", report.no_match));
    let error = (offset.0 - truth).abs();
    assert!(error <= within, "{what}: {} instead of {truth}", offset.0);
    assert!(error <= 1.5 * sure.0, "{what}: {} instead of {truth}, said to be within {}", offset.0, sure.0);
}

#[test]
fn offsets_are_found_to_a_fraction_of_a_sample_and_have_the_right_sign() {
    for (name, x) in materials() {
        for d in [0.0, 0.5, -17.3, 2_400.7, -31_000.25] {
            let r = look(&x, &delay(&x, d));
            lies_at(&r, d, 0.05, name);
            assert!(r.steps.is_empty() && r.dropouts.is_empty() && r.period.is_none(), "{name} {d}: {r:?}");
            assert!(r.gain.unwrap().0.abs() < 0.1 && r.polarity == Some(Polarity::Same), "{name} {d}: {r:?}");
            let windows = r.windows.iter().filter_map(|w| w.offset);
            assert!(windows.clone().count() > 4, "{name} {d}");
            for o in windows {
                assert!((o.0 - d).abs() < 0.5, "{name} {d}: a window says {}", o.0);
            }
        }
    }
}

#[test]
fn gain_polarity_equaliser_and_noise_do_not_move_it() {
    for (name, x) in materials() {
        let b: Vec<f64> = delay(&x, 40.25).iter().map(|v| -0.25 * v).collect();
        let r = look(&x, &b);
        lies_at(&r, 40.25, 0.05, name);
        assert!((r.gain.unwrap().0 + 12.04).abs() < 0.1 && r.polarity == Some(Polarity::Inverted), "{name}: {r:?}");
        lies_at(&look(&x, &shelf(&delay(&x, 40.25))), 40.25, 0.2, name);
        for (db, within) in [(10.0, 0.5), (0.0, 1.5)] {
            let r = look(&with_noise(&x, db, 7), &with_noise(&delay(&x, 40.25), db, 8));
            lies_at(&r, 40.25, within, name);
            assert!(r.steps.is_empty() && r.dropouts.is_empty(), "{name} {db}: {r:?}");
        }
    }
}

#[test]
fn a_fast_machine_b_makes_the_offset_fall() {
    for (name, x) in materials() {
        for ppm in [50.0, -50.0, 5.0] {
            let r = look(&x, &drifting(&x, ppm, 12.5));
            lies_at(&r, 12.5, 0.1, name);
            let (drift, sure) = r.drift.unwrap();
            let error = (drift.0 + ppm).abs();
            assert!(error < 1.0 && error < 1.5 * sure.0, "{name} {ppm}: {drift} within {sure}");
        }
    }
}

#[test]
fn steps_and_dropouts_are_dated_to_where_they_are() {
    for (name, x) in materials() {
        let at = 48_000;
        let b: Vec<f64> = x[..at].iter().chain(&x[at + 160..]).copied().collect();
        let r = look(&x, &b);
        assert_eq!(r.steps.len(), 1, "{name}: {:?}", r.steps);
        let s = r.steps[0];
        assert!((s.at.secs_f64() - 3.0).abs() < 0.05, "{name}: {s:?}");
        assert!(s.from.0.abs() < 0.3 && (s.to.0 + 160.0).abs() < 0.3, "{name}: {s:?}");

        let mut b = delay(&x, 30.0);
        b[50_000..50_800].fill(0.0);
        let mut a = x.clone();
        a[20_000..20_400].fill(0.0);
        let r = look(&a, &b);
        lies_at(&r, 30.0, 0.05, name);
        let found: Vec<_> = r.dropouts.iter().map(|d| (d.side, d.from, d.to)).collect();
        let near = |x: Samples, n: f64| (x.0 - n).abs() <= 2.0;
        assert!(
            matches!(found[..], [(Side::A, a, b), (Side::B, c, d)]
                if near(a, 20_000.0) && near(b, 20_400.0) && near(c, 50_000.0) && near(d, 50_800.0)),
            "{name}: {found:?}"
        );
    }
}

#[test]
fn unrelated_material_does_not_match() {
    let make = [|s| noise(N, s), |s| music(N, RATE, s), |s| speech(N, RATE, s)];
    for (i, one) in make.iter().enumerate() {
        for (j, other) in make.iter().enumerate() {
            let r = look(&one(20 + i as u64), &other(40 + j as u64));
            assert!(matches!(r.no_match, Some(NoMatch::Unlike | NoMatch::TooLittle(_))), "{i} {j}: {r:?}");
            assert!(r.offset.is_none() && r.windows.iter().all(|w| w.confidence < 0.5), "{i} {j}: {r:?}");
        }
    }
}

#[test]
fn repeating_material_says_so() {
    let x = clicks(N, RATE, 8_000);
    let r = look(&x, &delay(&x, 25.5));
    lies_at(&r, 25.5, 0.1, "click");
    assert!((r.period.unwrap().0 - 8_000.0).abs() < 1.0, "{:?}", r.period);
}

#[test]
fn at_another_sample_rate_samples_are_those_of_a() {
    for (name, x) in materials() {
        let b = read_at(&delay(&x, 30.5), (0..N * 3 / 4).map(|n| n as f64 * 4.0 / 3.0));
        // What the lower rate cannot hold has to be taken out by whoever makes it; these materials have little there.
        let r = compare(&f32s(&x), Hertz(RATE), &f32s(&b), Hertz(12_000.0), PairConfig::default());
        lies_at(&r, 30.5, 0.15, name);
        assert!(r.drift.unwrap().0.0.abs() < 1.0, "{name}: {r:?}");
    }
}

#[test]
fn windows_are_as_long_as_wanted() {
    let x = music(N, RATE, 5);
    let config = PairConfig { window: Some(Span::from_millis(500)) };
    let r = compare(&f32s(&x), Hertz(RATE), &f32s(&x), Hertz(RATE), config);
    assert_eq!(r.windows.len(), 10);
    assert!((r.windows[3].at.secs_f64() - 1.75).abs() < 1e-6);
}

#[test]
fn hostile_input_is_answered() {
    let x = f32s(&music(N, RATE, 6));
    let run = |a: &[f32], b: &[f32]| compare(a, Hertz(RATE), b, Hertz(RATE), PairConfig::default());
    assert_eq!(run(&[], &x).no_match, Some(NoMatch::TooShort));
    assert_eq!(run(&x, &[0.5]).no_match, Some(NoMatch::TooShort));
    assert_eq!(run(&[0.0; 4_000], &x).no_match, Some(NoMatch::Silent(Side::A)));
    assert_eq!(run(&x, &[0.7; 4_000]).no_match, Some(NoMatch::Silent(Side::B)));
    assert_eq!(run(&[f32::NAN; 4_000], &[f32::INFINITY; 4_000]).no_match, Some(NoMatch::BothSilent));
    for n in [16, 17, 40, 100, 1_000] {
        assert!(run(&x[..n], &x[..n]).offset.is_none_or(|o| o.0.0.is_finite()), "{n}");
    }
    let mut holes = x.clone();
    holes.iter_mut().step_by(5_000).for_each(|v| *v = f32::NAN);
    holes[70_000] = f32::INFINITY;
    lies_at(&run(&x, &holes), 0.0, 0.05, "not all numbers");
    let huge: Vec<f32> = x.iter().map(|v| v * 1e30).collect();
    assert!(run(&x, &huge).offset.is_none_or(|o| o.0.0.is_finite()));
    let biased: Vec<f32> = x.iter().map(|v| v + 0.5).collect();
    lies_at(&run(&x, &biased), 0.0, 0.05, "a constant added");
}
