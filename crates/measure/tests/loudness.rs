//! Loudness, range and true peak against the values that EBU Tech 3341 (2023, table 1) and Tech 3342 (table 1) publish for
//! their own test signals, which are made here from their descriptions.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use core::f64::consts::TAU;

use base::Hertz;
use twinkeel_measure::loudness::{Layout, Loudness, LoudnessMeter};

const RATE: u32 = 48_000;

/// A sine of 1000 Hz in some channels: (level in dBFS of its peak, seconds), one after the other.
fn tones(parts: &[(f64, f64)], gains: &[f64], rate: u32) -> Vec<f32> {
    let mut out = Vec::new();
    let mut n = 0u64;
    for (level, seconds) in parts {
        let amplitude = 10f64.powf(level / 20.0);
        for _ in 0..(seconds * f64::from(rate)).round() as usize {
            let s = amplitude * (TAU * 1_000.0 * n as f64 / f64::from(rate)).sin();
            out.extend(gains.iter().map(|g| (s * g) as f32));
            n += 1;
        }
    }
    out
}

fn measure(samples: &[f32], channels: usize, mask: Option<u32>, rate: u32) -> LoudnessMeter {
    let mut meter = LoudnessMeter::new(&Layout::of(channels, mask), Hertz(f64::from(rate))).unwrap();
    // Cut at odd places: what is read must not hang on that.
    samples.chunks(channels * 1_237).for_each(|c| meter.on_interleaved(c));
    meter
}

fn stereo(parts: &[(f64, f64)]) -> Loudness {
    measure(&tones(parts, &[1.0, 1.0], RATE), 2, None, RATE).read()
}

#[track_caller]
fn near(got: Option<f64>, expected: f64, tolerance: f64) {
    let got = got.expect("known");
    assert!((got - expected).abs() <= tolerance, "{got}, expected {expected} +-{tolerance}");
}

/// No minus infinity in files: digital silence.
const SILENCE: f64 = -400.0;

#[test]
fn tech_3341_tests_1_to_5_integrated() {
    near(stereo(&[(-23.0, 20.0)]).integrated, -23.0, 0.1);
    near(stereo(&[(-33.0, 20.0)]).integrated, -33.0, 0.1);
    near(stereo(&[(-36.0, 10.0), (-23.0, 60.0), (-36.0, 10.0)]).integrated, -23.0, 0.1);
    let five = [(-72.0, 10.0), (-36.0, 10.0), (-23.0, 60.0), (-36.0, 10.0), (-72.0, 10.0)];
    near(stereo(&five).integrated, -23.0, 0.1);
    near(stereo(&[(-26.0, 20.0), (-20.0, 20.1), (-26.0, 20.0)]).integrated, -23.0, 0.1);
    let one = stereo(&[(-23.0, 20.0)]);
    near(one.momentary_max, -23.0, 0.1);
    near(one.short_term_max, -23.0, 0.1);
}

/// Test 6: -28 dBFS left and right, -24 centre, -30 in both surrounds.
#[test]
fn tech_3341_test_6_surround() {
    let g = |db: f64| 10f64.powf(db / 20.0);
    let five = tones(&[(0.0, 20.0)], &[g(-28.0), g(-28.0), g(-24.0), g(-30.0), g(-30.0)], RATE);
    near(measure(&five, 5, None, RATE).read().integrated, -23.0, 0.1);
    let six = tones(&[(0.0, 20.0)], &[g(-28.0), g(-28.0), g(-24.0), 1.0, g(-30.0), g(-30.0)], RATE);
    for mask in [None, Some(0x3f), Some(0x60f)] {
        near(measure(&six, 6, mask, RATE).read().integrated, -23.0, 0.1);
    }
    // BS.1770-4 table 4: what stands behind (135 degrees) is not weighed. 7.1: L R C LFE, back pair, side pair.
    let eight = tones(&[(0.0, 20.0)], &[g(-28.0), g(-28.0), g(-24.0), 1.0, 0.0, 0.0, g(-30.0), g(-30.0)], RATE);
    near(measure(&eight, 8, Some(0x63f), RATE).read().integrated, -23.0, 0.1);
}

/// BS.1770-4, Annex 1: a full-scale sine of 997 Hz in one front channel reads -3.01 LKFS.
#[test]
fn one_channel_of_full_scale_reads_minus_3_01_at_every_rate() {
    for rate in [8_000, 11_025, 16_000, 22_050, 32_000, 44_100, 48_000, 88_200, 96_000, 176_400, 192_000] {
        let sine: Vec<f32> =
            (0..rate * 5).map(|n| (TAU * 997.0 * f64::from(n) / f64::from(rate)).sin() as f32).collect();
        let meter = measure(&sine, 1, None, rate);
        near(meter.read().integrated, -3.01, 0.1);
        near(meter.read().short_term_max, -3.01, 0.1);
        assert!(meter.true_peak(0).0.abs() < 0.2, "{rate}: {}", meter.true_peak(0));
    }
}

#[test]
fn tech_3341_tests_9_to_14_windows() {
    // 9 and 12: constant, since every window holds the same.
    let nine: Vec<_> = core::iter::repeat_n([(-20.0, 1.34), (-30.0, 1.66)], 5).flatten().collect();
    near(stereo(&nine).short_term_max, -23.0, 0.1);
    let twelve: Vec<_> = core::iter::repeat_n([(-20.0, 0.18), (-30.0, 0.22)], 25).flatten().collect();
    near(stereo(&twelve).momentary_max, -23.0, 0.1);
    // 10 and 13: bursts as long as the window, anywhere between silence.
    for i in 0..20 {
        let at = f64::from(i);
        near(stereo(&[(SILENCE, at * 0.15), (-23.0, 3.0), (SILENCE, 1.0)]).short_term_max, -23.0, 0.1);
        near(stereo(&[(SILENCE, at * 0.02), (-23.0, 0.4), (SILENCE, 1.0)]).momentary_max, -23.0, 0.1);
    }
    // 11 and 14, their loudest segment.
    let eleven: Vec<_> = (0..20)
        .flat_map(|i| {
            [(SILENCE, f64::from(i) * 0.15), (-38.0 + f64::from(i), 3.0), (SILENCE, 3.0 - f64::from(i) * 0.15)]
        })
        .collect();
    near(stereo(&eleven).short_term_max, -19.0, 0.1);
    let fourteen: Vec<_> = (0..20)
        .flat_map(|i| {
            [(SILENCE, f64::from(i) * 0.02), (-38.0 + f64::from(i), 0.4), (SILENCE, 0.4 - f64::from(i) * 0.02)]
        })
        .collect();
    near(stereo(&fourteen).momentary_max, -19.0, 0.1);
}

/// Tests 15 to 19: sines of a part of the sample rate, at phases where no sample meets the crest; +0.2/-0.4 dB.
#[test]
fn tech_3341_tests_15_to_19_true_peak() {
    for (part, phase, amplitude, expected) in [
        (4.0, 0.0, 0.5, -6.0),
        (4.0, 45.0, 0.5, -6.0),
        (6.0, 60.0, 0.5, -6.0),
        (8.0, 67.5, 0.5, -6.0),
        (4.0, 45.0, 1.41, 3.0),
    ] {
        let sine: Vec<f32> = (0..RATE)
            .map(|n| (amplitude * (TAU * f64::from(n) / part + TAU * phase / 360.0).sin()) as f32)
            .flat_map(|s| [s, s])
            .collect();
        let meter = measure(&sine, 2, None, RATE);
        for c in 0..2 {
            let off = meter.true_peak(c).0 - expected;
            assert!((-0.4..=0.2).contains(&off), "fs/{part} at {phase}: {}", meter.true_peak(c));
        }
    }
}

/// Tech 3342, tests 1 to 4: tones of 20 s each; +-1 LU.
#[test]
fn tech_3342_loudness_range() {
    let range = |levels: &[f64]| {
        let parts: Vec<_> = levels.iter().map(|l| (*l, 20.0)).collect();
        stereo(&parts).range
    };
    near(range(&[-20.0, -30.0]), 10.0, 1.0);
    near(range(&[-20.0, -15.0]), 5.0, 1.0);
    near(range(&[-40.0, -20.0]), 20.0, 1.0);
    near(range(&[-50.0, -35.0, -20.0, -35.0, -50.0]), 15.0, 1.0);
}

#[test]
fn what_never_filled_a_window_is_unknown() {
    let short = stereo(&[(-20.0, 0.399)]);
    assert_eq!(short, Loudness::default());
    let less = stereo(&[(-20.0, 0.4)]);
    near(less.integrated, -20.0, 0.2);
    near(less.momentary_max, -20.0, 0.2);
    assert_eq!((less.short_term_max, less.range), (None, None));
    let silent = stereo(&[(SILENCE, 5.0)]);
    assert_eq!((silent.integrated, silent.range), (None, None));
    // The last block is one only if it is whole: a loud end shorter than a step changes nothing.
    let quiet = [(-30.0, 4.0)];
    let end = [(-30.0, 4.0), (0.0, 0.09)];
    assert_eq!(stereo(&quiet).integrated, stereo(&end).integrated);
}

#[test]
fn garbage_counts_as_zero() {
    let mut samples = tones(&[(-20.0, 5.0)], &[1.0, 1.0], RATE);
    samples[1_000] = f32::NAN;
    samples[2_001] = f32::INFINITY;
    let meter = measure(&samples, 2, None, RATE);
    near(meter.read().integrated, -20.0, 0.1);
    assert!(meter.true_peak(1).0.is_finite());
    assert!(LoudnessMeter::new(&Layout::of(0, None), Hertz(48_000.0)).is_err());
    assert!(LoudnessMeter::new(&Layout::of(2, None), Hertz(f64::NAN)).is_err());
}
