//! What metering costs a core, beside a plain sum of squares; and an hour of programme without a dropout.
//!
//! `cargo bench -p twinkeel-measure --bench levels`. Asserts nothing.

#![allow(clippy::disallowed_methods)] // A bench, example or test may read clocks and start threads.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]
#[path = "../tests/models/mod.rs"]
mod models;
#[path = "../tests/programme/mod.rs"]
mod programme;

use std::hint::black_box;
use std::time::Instant;

use base::Hertz;
use ebur128::{EbuR128, Mode};
use programme::{ALL, Material, Programme, RATE};
use twinkeel_measure::dropout::DropoutDetector;
use twinkeel_measure::loudness::{Layout, LoudnessMeter};
use twinkeel_measure::{ChannelMeter, Pilot, TruePeak};

const CHANNELS: usize = 8;
const BLOCK: usize = 128;
const SECONDS: usize = 20;

fn main() {
    cost();
    hour();
}

fn cost() {
    let mut samples = vec![0f32; SECONDS * RATE as usize * CHANNELS];
    for c in 0..CHANNELS {
        let mut mono = vec![0f32; SECONDS * RATE as usize];
        Programme::new(Material::Music, c as u64, Some(24)).fill(&mut mono);
        samples.iter_mut().skip(c).step_by(CHANNELS).zip(mono).for_each(|(to, s)| *to = s);
    }
    println!("8 channels at 48 kHz in blocks of {BLOCK}: part of a core");
    let share = |name: &str, run: &mut dyn FnMut(&[f32])| {
        let began = Instant::now();
        samples.chunks(BLOCK * CHANNELS).for_each(&mut *run);
        let part = began.elapsed().as_secs_f64() / SECONDS as f64 * 100.0;
        println!("{name:44}{part:>8.3} %");
        part
    };
    let mut sums = [0f32; CHANNELS];
    share("sum of squares (the floor)", &mut |b| {
        b.chunks_exact(CHANNELS).for_each(|f| sums.iter_mut().zip(f).for_each(|(a, s)| *a += s * s));
    });
    black_box(sums);
    let mut meters: [ChannelMeter; CHANNELS] = core::array::from_fn(|_| ChannelMeter::new());
    share("peak, RMS, DC, full scale, garbage", &mut |b| {
        meters.iter_mut().enumerate().for_each(|(c, m)| m.on_interleaved(b, c, CHANNELS));
    });
    black_box(meters.each_mut().map(|m| m.read()));
    let mut detectors: [DropoutDetector; CHANNELS] = core::array::from_fn(|_| DropoutDetector::new(Hertz(RATE)));
    let mut found = 0;
    share("dropouts", &mut |b| {
        detectors.iter_mut().enumerate().for_each(|(c, d)| d.on_interleaved(b, c, CHANNELS, &mut |_| found += 1));
    });
    let mut pilot = Pilot::new(Hertz(19_000.0), Hertz(RATE));
    share("a pilot tone on one channel", &mut |b| b.iter().step_by(CHANNELS).for_each(|s| pilot.on_sample(*s)));
    let mut peaks: [TruePeak; CHANNELS] = core::array::from_fn(|_| TruePeak::new(Hertz(RATE)));
    let mut mono = [0f32; BLOCK];
    let mut heard = 0;
    let mut of_channel = |b: &[f32], c: usize| {
        mono.iter_mut().zip(b.iter().skip(c).step_by(CHANNELS)).for_each(|(to, s)| *to = *s);
        mono
    };
    let ours = share("true peak, read each second", &mut |b| {
        for (c, p) in peaks.iter_mut().enumerate() {
            p.on_samples(&of_channel(b, c));
        }
        heard += BLOCK;
        if heard >= RATE as usize {
            heard = 0;
            black_box(peaks.each_mut().map(TruePeak::read));
        }
    });
    let computed: u64 = peaks.iter().map(TruePeak::runs_computed).sum();
    println!("    computed: {:.1} % of the sums", computed as f64 * 1_600.0 / samples.len() as f64);
    let mut theirs = EbuR128::new(CHANNELS as u32, RATE as u32, Mode::TRUE_PEAK).unwrap();
    let reference = share("true peak by ebur128 (the reference)", &mut |b| theirs.add_frames_f32(b).unwrap());
    println!("    ours / ebur128: {:.3}", ours / reference);
    let mut worst: [TruePeak; CHANNELS] = core::array::from_fn(|_| TruePeak::new(Hertz(RATE)));
    share("true peak at its dearest (never read higher)", &mut |b| {
        for (c, p) in worst.iter_mut().enumerate() {
            p.on_samples(&of_channel(b, c));
            p.read();
        }
    });
    let mut all: [(ChannelMeter, DropoutDetector, TruePeak); CHANNELS] =
        core::array::from_fn(|_| (ChannelMeter::new(), DropoutDetector::new(Hertz(RATE)), TruePeak::new(Hertz(RATE))));
    share("all of these together, as the agent does it", &mut |b| {
        for (c, (m, d, p)) in all.iter_mut().enumerate() {
            let own = of_channel(b, c);
            m.on_samples(&own);
            d.on_samples(&own, &mut |_| found += 1);
            p.on_samples(&own);
            if c == 0 {
                own.iter().for_each(|s| pilot.on_sample(*s));
            }
        }
        heard += BLOCK;
        if heard >= RATE as usize {
            heard = 0;
            all.iter_mut().for_each(|(_, _, p)| _ = p.read());
        }
    });
    let mut loudness = LoudnessMeter::new(&Layout::of(CHANNELS, None), Hertz(RATE)).unwrap();
    share("loudness and true peak (not on the live path)", &mut |b| loudness.on_interleaved(b));
    println!("dropouts found in that: {found}");
}

fn hour() {
    println!("\n60 minutes of each kind of programme, a tenth each in another seed, every other one in 16 bits");
    for material in ALL {
        let mut found = 0;
        for seed in 0..10 {
            let mut source = Programme::new(material, 1_000 + seed, (seed % 2 == 0).then_some(16));
            let mut detector = DropoutDetector::new(Hertz(RATE));
            let mut block = [0f32; 480];
            for _ in 0..6 * 60 * 100 {
                source.fill(&mut block);
                detector.on_samples(&block, &mut |d| {
                    found += 1;
                    println!("{material:?}, seed {seed}: {d:?}");
                });
            }
        }
        println!("{:8} dropouts found: {found}", format!("{material:?}"));
    }
}
