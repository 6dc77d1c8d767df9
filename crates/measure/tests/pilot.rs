//! A pilot tone of any frequency and level is known to be there, and to have vanished within 10 ms, whatever else sounds
//! on its channel.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

#[path = "models/mod.rs"]
mod models;
mod programme;

use core::f64::consts::TAU;

use base::{Dbfs, Hertz};
use models::Noise;
use programme::{Material, Programme, RATE};
use twinkeel_measure::Pilot;

/// (frequency, dBFS, programme on the same channel in dB below its own level)
const CASES: &[(f64, f64, Option<f64>)] = &[
    (19_000.0, -40.0, Some(-20.0)),
    (19_000.0, -40.0, Some(-40.0)),
    (18_500.0, -20.0, Some(-6.0)),
    (17_000.0, -50.0, None),
    (1_000.0, -40.0, None),
    (1_000.0, -20.0, Some(-40.0)),
    (440.0, -40.0, None),
    (400.0, -6.0, Some(-30.0)),
    (22_000.0, -40.0, Some(-20.0)),
];

#[test]
fn a_vanished_pilot_is_known_within_10_ms() {
    for (i, (hertz, dbfs, music)) in CASES.iter().enumerate() {
        let mut noise = Noise::new(i as u64);
        let mut source = Programme::new(Material::Music, 40 + i as u64, None);
        let mut pilot = Pilot::new(Hertz(*hertz), Hertz(RATE));
        let amplitude = Dbfs(*dbfs).amplitude();
        let music = music.map_or(0.0, |m| Dbfs(m).amplitude()) as f32;
        // The player's crystal and ours differ by 50 ppm, and the tone ends anywhere.
        let tone = |n: usize| amplitude * (TAU * hertz * 1.000_05 * n as f64 / RATE).sin();
        for _ in 0..4 {
            let (on, off) = ((RATE * (4.0 + noise.even())) as usize, (RATE * 2.0) as usize);
            let mut block = vec![0f32; on + off];
            source.fill(&mut block);
            let (mut appeared, mut vanished) = (None, None);
            for (n, m) in block.iter().enumerate() {
                let s = if n < on { tone(n) } else { 0.0 };
                pilot.on_sample(s as f32 + m * music);
                if pilot.is_present() {
                    appeared = appeared.or(Some(n));
                } else if let Some(a) = appeared {
                    assert!(n >= on, "{hertz} Hz {dbfs} dBFS: lost at {n} while it sounded from {a} to {on}");
                    vanished = vanished.or(Some(n - on));
                }
                assert!(
                    vanished.is_none() || !pilot.is_present(),
                    "{hertz} Hz: heard {} samples after its end",
                    n - on
                );
            }
            let (appeared, vanished) = (appeared.expect("heard"), vanished.expect("gone"));
            assert!(appeared as f64 <= 0.5 * RATE, "{hertz} Hz: after {} ms", appeared as f64 / RATE * 1e3);
            assert!(vanished as f64 <= 0.010 * RATE, "{hertz} Hz: {} ms", vanished as f64 / RATE * 1e3);
        }
    }
}

/// Programme alone, on the bin's own frequency too, is no pilot.
#[test]
fn programme_is_no_pilot() {
    for material in programme::ALL {
        for hertz in [1_000.0, 8_000.0, 19_000.0] {
            let mut source = Programme::new(material, 77, Some(24));
            let mut pilot = Pilot::new(Hertz(hertz), Hertz(RATE));
            let mut block = [0f32; 480];
            let mut present = 0;
            for _ in 0..3_000 {
                source.fill(&mut block);
                block.iter().for_each(|s| pilot.on_sample(*s));
                present += u32::from(pilot.is_present());
            }
            assert_eq!(present, 0, "{material:?} at {hertz} Hz");
        }
    }
}

#[test]
fn its_level_is_that_of_the_sine() {
    for (rate, hertz) in
        [(48_000.0, 19_000.0), (44_100.0, 1_000.0), (96_000.0, 100.0), (8_000.0, 3_000.0), (192_000.0, 40.0)]
    {
        let mut pilot = Pilot::new(Hertz(hertz), Hertz(rate));
        for n in 0..(2.0 * rate) as usize {
            pilot.on_sample((0.1 * (TAU * hertz * n as f64 / rate).sin()) as f32);
        }
        assert!(pilot.is_present(), "{hertz} at {rate}");
        assert!((pilot.level().0 + 20.0).abs() < 0.1, "{hertz} at {rate}: {}", pilot.level());
    }
    for (tone, rate) in [(0.0, 48_000.0), (30_000.0, 48_000.0), (f64::NAN, 48_000.0), (1_000.0, f64::NAN)] {
        let mut pilot = Pilot::new(Hertz(tone), Hertz(rate));
        (0..50_000).for_each(|n| pilot.on_sample(if n % 2 == 0 { 1.0 } else { f32::NAN }));
        assert!(!pilot.is_present());
    }
}
