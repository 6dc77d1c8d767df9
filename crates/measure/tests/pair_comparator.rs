//! The comparator of the live path: blocks of a second or less, and no allocation.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod pair_sounds;

use assert_no_alloc::{AllocDisabler, assert_no_alloc};
use pair_sounds::{clicks, delay, f32s, music, noise, speech, with_noise};
use proptest::prelude::*;
use twinkeel_measure::pair::{Comparator, Polarity};

#[global_allocator]
static DISABLER: AllocDisabler = AllocDisabler;

const RATE: f64 = 8_000.0;
const N: usize = 8_000;

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    /// Which way the lag, the gain and the polarity point.
    #[test]
    fn lag_gain_and_polarity_have_the_right_signs(seed in 0u64..10_000, lag in -1_500.0..1_500.0f64, gain in -30.0..10.0f64, up in any::<bool>(), kind in 0..3) {
        let x = match kind {
            0 => noise(N, seed),
            1 => music(N, RATE, seed),
            _ => speech(N, RATE, seed),
        };
        let factor = 10f64.powf(gain / 20.0) * if up { 1.0 } else { -1.0 };
        let b: Vec<f64> = delay(&x, lag).iter().map(|v| v * factor).collect();
        // Speech has pauses: what both blocks hold of the same words must be a good part of what either holds.
        let power = |s: &[f64]| s.iter().map(|v| v * v).sum::<f64>();
        let cut = lag.abs().ceil() as usize;
        let both = if lag > 0.0 { &x[..N - cut] } else { &x[cut..] };
        prop_assume!(power(both) > 0.5 * power(&x));
        let c = Comparator::new(2 * N).compare(&f32s(&x), &f32s(&b)).unwrap();
        prop_assert!((c.lag.0 - lag).abs() < 0.1, "{} instead of {lag}", c.lag.0);
        prop_assert!((c.gain.0 - gain).abs() < 0.5, "{} instead of {gain}", c.gain.0);
        prop_assert_eq!(c.polarity, if up { Polarity::Same } else { Polarity::Inverted });
        prop_assert!(c.confidence > 0.8, "{}", c.confidence);
        // The other way round everything turns.
        let r = Comparator::new(2 * N).compare(&f32s(&b), &f32s(&x)).unwrap();
        prop_assert!((r.lag.0 + lag).abs() < 0.1 && (r.gain.0 + gain).abs() < 0.5, "{r:?}");
    }

    /// Whatever comes, the answer is a number or none.
    #[test]
    fn any_samples_are_answered(a in prop::collection::vec(any::<f32>(), 0..200), b in prop::collection::vec(any::<f32>(), 0..200)) {
        if let Some(c) = Comparator::new(400).compare(&a, &b) {
            prop_assert!(c.lag.0.is_finite() && (0.0..=1.0).contains(&c.confidence), "{c:?}");
        }
    }
}

#[test]
fn unrelated_blocks_have_no_confidence_and_noise_leaves_some() {
    let mut c = Comparator::new(2 * N);
    let mut chance = Vec::new();
    for seed in 0..12 {
        let makes = [noise(N, seed), music(N, RATE, seed), speech(N, RATE, seed)];
        let others = [noise(N, 50 + seed), music(N, RATE, 60 + seed), speech(N, RATE, 70 + seed)];
        for (i, a) in makes.iter().enumerate() {
            for (j, b) in others.iter().enumerate() {
                let r = c.compare(&f32s(a), &f32s(b));
                let sure = r.map_or(0.0, |r| r.confidence);
                assert!(sure < 0.6, "{seed} {i} {j}: {r:?}");
                chance.push(sure);
            }
        }
        let noisy = c.compare(&f32s(&with_noise(&makes[0], 0.0, 3)), &f32s(&with_noise(&makes[0], 0.0, 4))).unwrap();
        assert!(noisy.confidence > 0.3 && noisy.lag.0.abs() < 1.0, "{noisy:?}");
        // Half of either's power is the other's: a coherence of a half, and that squared.
        assert!((0.15..0.55).contains(&noisy.shared), "{noisy:?}");
    }
    let mean = chance.iter().sum::<f64>() / chance.len() as f64;
    assert!(mean < 0.12, "{mean}");
}

#[test]
fn a_click_says_its_period() {
    let x = clicks(N, RATE, 2_000);
    let r = Comparator::new(2 * N).compare(&f32s(&x), &f32s(&delay(&x, 10.0))).unwrap();
    assert!((r.lag.0 - 10.0).abs() < 0.1, "{r:?}");
    assert!((r.period.unwrap().0 - 2_000.0).abs() < 1.0, "{r:?}");
}

/// Beeps of 80 ms, twice a second, as a cue gives them: the blocks' common beginning or end cuts one of them off at each of its places.
#[test]
fn a_beep_that_the_block_cuts_off_is_the_same_beep() {
    let beep = |tone: f64, n: i64| {
        let t = n.rem_euclid(4_000) as f64 / RATE;
        let loud = (0.8 - 10.0 * t).clamp(0.0, 0.1) * 4.0;
        loud * (std::f64::consts::TAU * tone * t).sin()
    };
    let block = |tone: f64, from: i64| f32s(&(from..from + 7_680).map(|n| beep(tone, n)).collect::<Vec<_>>());
    let mut c = Comparator::new(2 * N);
    for from in (0..4_000).step_by(16) {
        // The other machine is 3.5 ms behind.
        let same = c.compare(&block(660.0, from), &block(660.0, from - 28)).unwrap();
        assert!(same.confidence > 0.5 && same.shared > 0.9, "from {from}: {same:?}");
        // Another part's cue at the same instants: the onsets fit, the beeps are others.
        let other = c.compare(&block(660.0, from), &block(740.0, from - 28)).unwrap();
        assert!(other.shared < 0.25, "from {from}: {other:?}");
    }
}

#[test]
fn silence_and_too_much_have_no_answer() {
    let x = f32s(&noise(N, 1));
    let mut c = Comparator::new(2 * N);
    assert_eq!(c.compare(&x, &[0.0; N]), None);
    assert_eq!(c.compare(&[0.3; N], &x), None);
    assert_eq!(c.compare(&x[..10], &x), None);
    assert_eq!(Comparator::new(N).compare(&x, &x), None);
}

#[test]
fn comparing_allocates_nothing() {
    let mut c = Comparator::new(2 * N);
    let pairs = [
        (f32s(&music(N, RATE, 1)), f32s(&delay(&music(N, RATE, 1), 33.0))),
        (f32s(&noise(N, 1)), f32s(&noise(N, 2))),
        (f32s(&clicks(N, RATE, 2_000)), f32s(&clicks(N, RATE, 2_000))),
        (vec![f32::NAN; N], vec![1e38; N]),
        (f32s(&speech(4_000, RATE, 1)), f32s(&speech(N, RATE, 1))),
    ];
    let mut answers = [false; 5];
    assert_no_alloc(|| {
        for ((a, b), answer) in pairs.iter().zip(&mut answers) {
            *answer = c.compare(a, b).is_some();
        }
    });
    assert_eq!(answers, [true, true, true, false, true]);
}
