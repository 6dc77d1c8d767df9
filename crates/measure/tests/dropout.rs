//! Dropouts put into seeded programme are found to the sample; programme alone has none.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

#[path = "models/mod.rs"]
mod models;
mod programme;

use base::Hertz;
use models::Noise;
use programme::{ALL, Material, Programme, RATE};
use twinkeel_measure::dropout::{Dropout, DropoutDetector, DropoutKind};

fn found(samples: &[f32]) -> Vec<Dropout> {
    let mut detector = DropoutDetector::new(Hertz(RATE));
    let mut out = Vec::new();
    detector.on_samples(samples, &mut |d| out.push(d));
    out
}

/// Some minutes of each kind of programme, at full depth and in 16 bits. The whole hour: `cargo bench -p twinkeel-measure --bench levels`.
#[test]
fn programme_has_no_dropouts() {
    for material in ALL {
        for (seed, bits) in [(1, None), (2, Some(16)), (3, Some(24)), (4, Some(16))] {
            let mut source = Programme::new(material, seed, bits);
            let mut detector = DropoutDetector::new(Hertz(RATE));
            let mut block = [0f32; 480];
            let mut heard = 0.0f32;
            for _ in 0..100 * 40 {
                source.fill(&mut block);
                heard = block.iter().fold(heard, |h, s| h.max(s.abs()));
                detector.on_samples(&block, &mut |d| panic!("{material:?} {seed} {bits:?}: {d:?}"));
            }
            assert!(heard > 0.1, "{material:?} sounded");
        }
    }
}

/// Music with all bars sounding: where it happens to be soft or resting no dropout can be told.
fn music(seed: u64, seconds: f64, bits: Option<u32>) -> Vec<f32> {
    let mut source = Programme::new(Material::Music, seed, bits);
    let mut out = vec![0f32; (RATE * seconds) as usize];
    source.fill(&mut out);
    out
}

/// Places that sound on both sides of a block of so many samples.
fn places(samples: &[f32], length: usize, noise: &mut Noise) -> Option<usize> {
    let peak = |a: usize, b: usize| samples[a..b].iter().fold(0f32, |p, s| p.max(s.abs()));
    (0..1_000).find_map(|_| {
        let at = (1.2 * RATE) as usize + (noise.even() * (samples.len() as f64 - 2.0 * RATE)) as usize;
        let (before, inside) = (peak(at - 400, at), peak(at, at + length));
        let after = peak(at + length, at + length + 140);
        let edges = samples[at] != 0.0 && samples[at - 1] != 0.0 && samples[at + length] != 0.0;
        let even = |a: f32, b: f32| a > 0.4 * b && b > 0.4 * a;
        (edges && before > 0.02 && even(before, inside) && even(before, after)).then_some(at)
    })
}

#[test]
fn zeroed_blocks_are_found_to_the_sample() {
    let mut noise = Noise::new(5);
    let (mut tried, mut hit) = (0, 0);
    for seed in 0..60 {
        let length = [64, 128, 256, 480, 512, 1_024, 2_048, 4_096][seed % 8];
        let mut samples = music(seed as u64, 6.0, [None, Some(16), Some(24)][seed % 3]);
        let Some(at) = places(&samples, length, &mut noise) else { continue };
        samples[at..at + length].fill(0.0);
        tried += 1;
        let expected = Dropout { kind: DropoutKind::Zeros, from: at as u64, to: (at + length) as u64 };
        let got = found(&samples);
        assert!(got.iter().all(|d| *d == expected), "{seed}: {got:?}, not {expected:?}");
        if got.is_empty() {
            println!("missed: {length} samples at {at}, seed {seed}");
        }
        hit += got.len();
    }
    println!("zeroed blocks: {hit} of {tried}");
    assert!(tried > 40 && hit * 100 >= 95 * tried, "{hit} of {tried}");
}

#[test]
fn repeated_blocks_are_found_to_the_sample() {
    let mut noise = Noise::new(6);
    let (mut tried, mut hit) = (0, 0);
    for seed in 0..60 {
        let length = [64, 128, 256, 480, 512, 1_024, 2_048, 4_096][seed % 8];
        let mut samples = music(100 + seed as u64, 6.0, [None, Some(16), Some(24)][seed % 3]);
        let Some(at) = places(&samples, length, &mut noise) else { continue };
        samples.copy_within(at - length..at, at);
        tried += 1;
        let got = found(&samples);
        let expected = Dropout { kind: DropoutKind::Repeat, from: at as u64, to: (at + length) as u64 };
        hit += usize::from(got.contains(&expected));
        assert!(got.len() <= 1, "{seed}: {got:?}, not {expected:?}");
    }
    println!("repeated blocks: {hit} of {tried}");
    assert!(tried > 40 && hit * 100 >= 80 * tried, "{hit} of {tried}");
}

/// A block left out of smooth sound: between which samples it is missing.
#[test]
fn a_missing_block_is_found_in_smooth_sound() {
    let mut noise = Noise::new(7);
    let mut hit = 0;
    for i in 0..40 {
        let (f, cut) = (110.0 * 2f64.powf(f64::from(i % 20) / 6.0), 96_000 + i as usize * 17);
        let lost = 64 + (noise.even() * 900.0) as usize;
        let sound = |n: usize| {
            let t = n as f64 / RATE;
            let hum = 0.1 * (core::f64::consts::TAU * 1.498 * f * t).sin();
            (0.4 * (core::f64::consts::TAU * f * t).sin() + hum) as f32
        };
        let samples: Vec<f32> = (0..144_000).map(|n| if n < cut { sound(n) } else { sound(n + lost) }).collect();
        let step = (sound(cut - 1) - sound(cut + lost)).abs();
        let got = found(&samples);
        assert!(got.iter().all(|d| d.from == cut as u64 && d.to == cut as u64), "{f} {got:?}");
        assert!(got.len() == 1 || step < 0.15, "{f} Hz, a step of {step}: {got:?}");
        hit += got.len();
    }
    assert!(hit >= 25, "{hit} of 40");
}

/// Fades, rests and gates by which music is silent.
#[test]
fn rests_and_fades_are_no_dropouts() {
    let tone = |n: usize| (0.5 * (core::f64::consts::TAU * 440.0 * n as f64 / RATE).sin()) as f32;
    let gated = |gate: &dyn Fn(usize) -> f64| -> Vec<f32> { (0..240_000).map(|n| tone(n) * gate(n) as f32).collect() };
    let second = RATE as usize;
    let fade = |fall: usize, rest: usize, rise: usize| {
        move |n: usize| match n.checked_sub(2 * second) {
            None => 1.0,
            Some(i) if i < fall => 1.0 - i as f64 / fall as f64,
            Some(i) if i < fall + rest => 0.0,
            Some(i) if i < fall + rest + rise => (i - fall - rest) as f64 / rise as f64,
            Some(_) => 1.0,
        }
    };
    for (fall, rest, rise) in
        [(240, 4_800, 240), (4_800, 480, 4_800), (480, 2_400, 1), (2_400, 9_600, 48), (1, 24_000, 1)]
    {
        assert_eq!(found(&gated(&fade(fall, rest, rise))), [], "{fall} {rest} {rise}");
    }
    // Bursts of a third of each period, as a click or a bleep has them.
    assert_eq!(found(&gated(&|n| f64::from(u8::from(n % 6_000 < 2_000)))), []);
    // A pulse wave rests at zero for most of each period.
    let pulse: Vec<f32> = (0..240_000).map(|n| if n % 480 < 120 { 0.5 } else { 0.0 }).collect();
    assert_eq!(found(&pulse), []);
    // A soft note in eight bits has plateaus of zeros.
    let soft: Vec<f32> = (0..240_000)
        .map(|n| ((0.05 * (core::f64::consts::TAU * 60.0 * n as f64 / RATE).sin() * 128.0).round() / 128.0) as f32)
        .collect();
    assert_eq!(found(&soft), []);
}

/// Each is told within 5 ms of its end.
#[test]
fn a_lost_block_is_told_within_5_ms_of_its_end() {
    for (seed, length) in [(0u64, 128usize), (1, 512), (3, 2_048)] {
        let mut noise = Noise::new(seed);
        let mut samples = music(200 + seed, 6.0, None);
        let Some(at) = places(&samples, length, &mut noise) else { panic!("{seed}: nowhere") };
        samples[at..at + length].fill(0.0);
        let mut detector = DropoutDetector::new(Hertz(RATE));
        let mut told = None;
        for (n, s) in samples.iter().enumerate() {
            detector.on_sample(*s, &mut |d| told = told.or(Some((n, d.to))));
        }
        let (when, to) = told.expect("found");
        assert!((when as u64 - to) as f64 / RATE <= 0.005, "{}", when as u64 - to);
    }
}

/// Rates, garbage and gaps are survived.
#[test]
fn anything_may_come() {
    let mut noise = Noise::new(9);
    for rate in [8_000.0, 44_100.0, 192_000.0, f64::NAN, 0.0, 1e12] {
        let mut detector = DropoutDetector::new(Hertz(rate));
        for _ in 0..100_000 {
            let s = match noise.bits() % 8 {
                0 => f32::NAN,
                1 => f32::INFINITY,
                2 | 3 => 0.0,
                _ => f32::from_bits(noise.bits() as u32),
            };
            detector.on_sample(s, &mut |_| {});
            if noise.chance(0.001) {
                detector.on_gap();
            }
        }
        assert_eq!(detector.heard(), 100_000);
    }
}
