//! Seeded programme: music, speech and click as a show has them, made from noise and sines alone.

#![allow(dead_code)]

use core::f64::consts::TAU;

use crate::models::Noise;

pub const RATE: f64 = 48_000.0;

/// What is played.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Material {
    /// Chords, bass, drums and hats; some bars rest in digital silence.
    Music,
    /// Bursts of filtered pulses and noise with pauses, cut to digital silence between sentences.
    Speech,
    /// A metronome: two kinds of hard burst over digital silence.
    Click,
}

pub const ALL: [Material; 3] = [Material::Music, Material::Speech, Material::Click];

/// A stream of it, one sample at a time.
pub struct Programme {
    material: Material,
    noise: Noise,
    n: u64,
    voices: Vec<Voice>,
    next_event: u64,
    beat: u64,
    resting: bool,
    lowpass: [f64; 2],
    bits: Option<f64>,
}

#[derive(Clone)]
struct Voice {
    phase: f64,
    step: f64,
    level: f64,
    attack: f64,
    decay: f64,
    age: f64,
    left: u64,
    noisy: f64,
    rich: f64,
}

impl Programme {
    /// With `bits`, quantised as a file of that width is, without dither.
    pub fn new(material: Material, seed: u64, bits: Option<u32>) -> Programme {
        let mut noise = Noise::new(seed);
        let next_event = (noise.even() * 4_800.0) as u64;
        let bits = bits.map(|b| f64::from(1u32 << (b - 1)));
        Programme {
            material,
            noise,
            n: 0,
            voices: Vec::new(),
            next_event,
            beat: 0,
            resting: false,
            lowpass: [0.0; 2],
            bits,
        }
    }

    fn voice(&mut self, hertz: f64, level: f64, attack: f64, decay: f64, length: f64) -> &mut Voice {
        let phase = self.noise.even();
        self.voices.push(Voice {
            phase,
            step: hertz / RATE,
            level,
            attack: attack * RATE,
            decay: decay * RATE,
            age: 0.0,
            left: (length * RATE) as u64,
            noisy: 0.0,
            rich: 0.0,
        });
        self.voices.last_mut().unwrap()
    }

    fn event(&mut self) {
        self.beat += 1;
        match self.material {
            Material::Music => self.music(),
            Material::Speech => self.speech(),
            Material::Click => {
                let accent = self.beat % 4 == 1;
                let v = self.voice(if accent { 1_760.0 } else { 1_320.0 }, 0.6, 0.0, 0.02, 0.03);
                v.phase = 0.25;
                self.next_event = self.n + 22_153;
            }
        }
    }

    /// An eighth of 132 to the minute.
    fn music(&mut self) {
        self.next_event = self.n + 10_909;
        if self.beat % 16 == 1 {
            self.resting = self.noise.chance(0.1);
            if !self.resting {
                let root = 98.0 * 2f64.powf((self.noise.even() * 12.0).floor() / 12.0);
                for ratio in [1.0, 1.26, 1.498, 2.0] {
                    self.voice(root * 2.0 * ratio, 0.06, 0.02, 3.0, 1.9).rich = 0.5;
                }
            }
        }
        if self.resting {
            return;
        }
        if self.beat % 4 == 1 {
            let f = 55.0 * 2f64.powf((self.noise.even() * 7.0).floor() / 12.0);
            self.voice(f, 0.25, 0.003, 0.3, 0.9).rich = 0.7;
            self.voice(52.0, 0.5, 0.0, 0.07, 0.4).phase = 0.0;
        }
        if self.beat % 8 == 5 {
            self.voice(190.0, 0.3, 0.0, 0.08, 0.3).noisy = 0.7;
        }
        self.voice(0.0, 0.06, 0.0, 0.03, 0.15).noisy = 1.0;
        if self.noise.chance(0.3) {
            let f = 440.0 * 2f64.powf((self.noise.even() * 24.0).floor() / 12.0);
            // A lead with a hard start, as sample players make it.
            self.voice(f, 0.15, 0.0, 0.25, 0.6).rich = 0.4;
        }
    }

    fn speech(&mut self) {
        let pause = self.noise.chance(0.12);
        let length = 0.08 + 0.2 * self.noise.even();
        self.next_event = self.n + ((length + if pause { 0.2 + self.noise.even() } else { 0.0 }) * RATE) as u64;
        let hiss = self.noise.chance(0.3);
        let f = 95.0 + 60.0 * self.noise.even();
        let v = self.voice(f, 0.3, 0.01, 0.12, length);
        (v.noisy, v.rich) = if hiss { (0.9, 0.0) } else { (0.02, 0.85) };
    }

    pub fn fill(&mut self, out: &mut [f32]) {
        for o in out {
            if self.n >= self.next_event {
                self.event();
            }
            *o = self.sample() as f32;
            self.n += 1;
        }
    }

    fn sample(&mut self) -> f64 {
        let mut sum = 0.0;
        for v in &mut self.voices {
            let envelope =
                (v.age / v.attack.max(1e-9)).min(1.0) * (-v.age / v.decay).exp() * (v.left as f64 / 96.0).min(1.0);
            let p = TAU * v.phase;
            let tone = if v.rich > 0.0 {
                // Harmonics of a geometric row, summed in closed form: r sin p / (1 - 2 r cos p + r^2).
                v.rich.mul_add(-v.rich, 1.0) * p.sin() / v.rich.mul_add(v.rich, 1.0 - 2.0 * v.rich * p.cos())
            } else {
                p.sin()
            };
            let hiss = if v.noisy > 0.0 { 2.0 * self.noise.even() - 1.0 } else { 0.0 };
            sum += v.level * envelope * ((1.0 - v.noisy) * tone + v.noisy * hiss);
            v.phase = (v.phase + v.step).fract();
            v.age += 1.0;
            v.left -= 1;
        }
        self.voices.retain(|v| v.left > 0);
        if self.voices.is_empty() {
            return 0.0;
        }
        match self.bits {
            Some(full) => (sum * full).round() / full,
            None => sum,
        }
    }
}
