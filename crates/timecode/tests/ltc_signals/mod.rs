//! Signals for the LTC tests, made without the crate's own encoder: words are put together here from the standard's table
//! (SMPTE ST 12-1, from memory), edges lie at exact instants, and what a tape, a cable or a room does to them comes after.
#![allow(clippy::disallowed_methods)] // A bench, example or test may read clocks and start threads.
#![allow(dead_code)]

use base::{Direction, FrameRate, Hertz};
use twinkeel_timecode::Timecode;
use twinkeel_timecode::ltc::{LtcDecoder, LtcEvent, LtcFrame};

/// A frame as it was put on the tape.
#[derive(Clone, Copy, Debug)]
pub struct Expected {
    pub label: Timecode,
    pub start: f64,
    pub end: f64,
    pub reverse: bool,
    pub user: u32,
}

/// A tape: where the level changes sides, and the frames on it. Times in samples.
#[derive(Clone, Debug)]
pub struct Tape {
    pub hz: f64,
    pub now: f64,
    pub edges: Vec<f64>,
    pub frames: Vec<Expected>,
    /// User bits, group 1 in the highest four bits.
    pub user: u32,
    pub colour: bool,
    pub polarity_correction: bool,
    pub extra_flags: u64,
}

impl Tape {
    pub fn new(hz: f64) -> Tape {
        Tape {
            hz,
            now: 0.0,
            edges: vec![],
            frames: vec![],
            user: 0,
            colour: false,
            polarity_correction: true,
            extra_flags: 0,
        }
    }

    pub fn bits(&self, t: Timecode) -> [bool; 80] {
        let mut b = [false; 80];
        let mut put = |at: usize, n: usize, v: u32| (0..n).for_each(|i| b[at + i] = v >> i & 1 == 1);
        let (h, m, s, f) = (t.hours(), t.minutes(), t.seconds(), t.frame());
        for (at, v, tens) in [(0, f, 2), (16, s, 3), (32, m, 3), (48, h, 2)] {
            put(at, 4, u32::from(v % 10));
            put(at + 8, tens, u32::from(v / 10));
        }
        (0..8).for_each(|g| put(4 + 8 * g, 4, self.user >> (28 - 4 * g) & 15));
        put(64, 16, 0b1011_1111_1111_1100);
        b[10] = t.rate().is_drop();
        b[11] = self.colour;
        (0..64).for_each(|i| b[i] |= self.extra_flags >> i & 1 == 1);
        if self.polarity_correction && b.iter().filter(|x| !**x).count() % 2 == 1 {
            b[if t.rate() == FrameRate::F25 { 59 } else { 27 }] = true;
        }
        b
    }

    /// Any 80 bits, in the direction of play; `speed` by seconds since the tape's start.
    pub fn raw(&mut self, bits: impl Iterator<Item = bool>, rate: FrameRate, speed: &dyn Fn(f64) -> f64) {
        for one in bits {
            self.edges.push(self.now);
            for half in 0..2 {
                let cell = self.hz / (rate.per_second() * 160.0);
                let mid = cell / speed(self.now / self.hz) / 2.0;
                self.now += cell / speed((self.now + mid) / self.hz);
                if half == 0 && one {
                    self.edges.push(self.now);
                }
            }
        }
    }

    /// Frames from `first` on (backwards when `reverse`), with speed by seconds since the tape's start.
    pub fn play(&mut self, first: Timecode, count: i64, reverse: bool, speed: &dyn Fn(f64) -> f64) {
        for i in 0..count {
            let label = first.plus(if reverse { -i } else { i });
            let bits = self.bits(label);
            let start = self.now;
            if reverse {
                self.raw(bits.into_iter().rev(), label.rate(), speed);
            } else {
                self.raw(bits.into_iter(), label.rate(), speed);
            }
            self.frames.push(Expected { label, start, end: self.now, reverse, user: self.user });
        }
    }

    /// The edge that closes the last frame, and silence for so many samples.
    pub fn close(&mut self, silence: f64) {
        self.edges.push(self.now);
        self.now += silence;
    }

    /// The tape goes on elsewhere in the middle of a frame: what was recorded after `keep` frames and this part is cut.
    pub fn cut(&mut self, at: f64) {
        self.edges.retain(|e| *e < at);
        self.frames.retain(|f| f.end <= at + 1e-6);
        self.now = at;
    }

    /// Renders with edges of this width (whole width of a raised cosine, samples; 0 is a hard step), +-1. Before the
    /// first edge and after a last one that closes the last frame there is silence.
    pub fn render(&self, width: f64) -> Vec<f32> {
        let n = self.now.ceil() as usize;
        let first = self.edges.first().copied().unwrap_or(f64::INFINITY);
        let closed = self.edges.last().is_some_and(|e| self.frames.last().is_some_and(|f| *e >= f.end));
        let end = if closed { self.edges.last().copied().unwrap_or(0.0) } else { f64::INFINITY };
        let mut out = Vec::with_capacity(n);
        let (mut next, mut side) = (0usize, -1.0f64);
        for i in 0..n {
            let t = i as f64;
            while next < self.edges.len() && self.edges[next] <= t {
                side = -side;
                next += 1;
            }
            let to = self.edges.get(next).map_or(f64::INFINITY, |e| e - t);
            let from = if next == 0 { f64::INFINITY } else { t - self.edges[next - 1] };
            let d = to.min(from);
            let v = if width > 0.0 && d < width / 2.0 { (d / width * std::f64::consts::PI).sin() } else { 1.0 };
            out.push(if t < first || t >= end { 0.0 } else { (side * v) as f32 });
        }
        out
    }

    /// Renders as an ideal band-limited converter would: hard edges through a windowed-sinc low-pass at half the rate.
    pub fn render_band_limited(&self) -> Vec<f32> {
        let over = 16;
        let mut fine = self.clone();
        fine.edges.iter_mut().for_each(|e| *e *= over as f64);
        fine.now = self.now * over as f64;
        let x = fine.render(0.0);
        let reach = 16 * over as i64;
        let kernel: Vec<f64> = (-reach..=reach)
            .map(|i| {
                let t = i as f64 / over as f64 * 0.9;
                let w = 0.5 + 0.5 * (std::f64::consts::PI * i as f64 / (reach + 1) as f64).cos();
                w * if i == 0 { 1.0 } else { (std::f64::consts::PI * t).sin() / (std::f64::consts::PI * t) }
            })
            .collect();
        let sum: f64 = kernel.iter().sum();
        (0..self.now.ceil() as i64)
            .map(|n| {
                let c = n * over as i64;
                let v: f64 = kernel
                    .iter()
                    .zip(c - reach..)
                    .map(|(k, i)| k * f64::from(x[i.clamp(0, x.len() as i64 - 1) as usize]))
                    .sum();
                (v / sum) as f32
            })
            .collect()
    }
}

/// A small generator of even and Gaussian numbers (xorshift64*), so that every run is the same.
pub struct Chance(pub u64);
impl Chance {
    pub fn next(&mut self) -> f64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        (self.0.wrapping_mul(0x2545_F491_4F6C_DD1D) >> 11) as f64 / (1u64 << 53) as f64
    }
    pub fn gauss(&mut self) -> f64 {
        let r = (-2.0 * (1.0 - self.next()).ln()).sqrt();
        r * (std::f64::consts::TAU * self.next()).cos()
    }
}

pub fn rms(x: &[f32]) -> f64 {
    (x.iter().map(|v| f64::from(*v) * f64::from(*v)).sum::<f64>() / x.len() as f64).sqrt()
}

/// Adds white noise at this signal-to-noise ratio (dB, RMS against RMS, over the whole band).
pub fn noise(mut x: Vec<f32>, snr: f64, seed: u64) -> Vec<f32> {
    let sigma = rms(&x) * 10f64.powf(-snr / 20.0);
    let mut c = Chance(seed.wrapping_mul(7_919).wrapping_add(1) | 1);
    x.iter_mut().for_each(|v| *v += (sigma * c.gauss()) as f32);
    x
}

pub fn gain(mut x: Vec<f32>, db: f64) -> Vec<f32> {
    let g = 10f64.powf(db / 20.0) as f32;
    x.iter_mut().for_each(|v| *v *= g);
    x
}

pub fn hum(mut x: Vec<f32>, hz: f64, tone: f64, amplitude: f64, dc: f64) -> Vec<f32> {
    for (i, v) in x.iter_mut().enumerate() {
        let p = std::f64::consts::TAU * tone * i as f64 / hz;
        *v += (amplitude * (p.sin() + 0.3 * (3.0 * p).sin()) + dc) as f32;
    }
    x
}

/// One-pole low-pass, `order` times.
pub fn low_pass(mut x: Vec<f32>, hz: f64, corner: f64, order: usize) -> Vec<f32> {
    let a = 1.0 - (-std::f64::consts::TAU * corner / hz).exp();
    for _ in 0..order {
        let mut y = 0.0;
        for v in x.iter_mut() {
            y += a * (f64::from(*v) - y);
            *v = y as f32;
        }
    }
    x
}

/// The same run both ways: no delay.
pub fn low_pass_both_ways(x: Vec<f32>, hz: f64, corner: f64) -> Vec<f32> {
    let mut y = low_pass(x, hz, corner, 1);
    y.reverse();
    let mut y = low_pass(y, hz, corner, 1);
    y.reverse();
    y
}

/// One-pole high-pass (a coupling capacitor).
pub fn high_pass(mut x: Vec<f32>, hz: f64, corner: f64) -> Vec<f32> {
    let a = (-std::f64::consts::TAU * corner / hz).exp();
    let (mut y, mut before) = (0.0, 0.0);
    for v in x.iter_mut() {
        let now = f64::from(*v);
        y = a * (y + now - before);
        before = now;
        *v = y as f32;
    }
    x
}

pub fn quantise(mut x: Vec<f32>, bits: u32) -> Vec<f32> {
    let q = f64::from(1u32 << (bits - 1));
    x.iter_mut().for_each(|v| *v = ((f64::from(*v) * q).round().clamp(-q, q - 1.0) / q) as f32);
    x
}

pub fn decode(audio: &[f32], hz: f64, chunk: usize) -> Vec<LtcEvent> {
    let mut events = Vec::new();
    let mut d = LtcDecoder::new(Hertz(hz), None);
    for c in audio.chunks(chunk) {
        d.on_samples(c, &mut |e| events.push(e));
    }
    d.finish(&mut |e| events.push(e));
    events
}

pub fn frames(events: &[LtcEvent]) -> Vec<LtcFrame> {
    events.iter().filter_map(|e| if let LtcEvent::Frame(f) = e { Some(*f) } else { None }).collect()
}

/// How a decoding compares with what is on the tape.
#[derive(Clone, Copy, Debug, Default)]
pub struct Score {
    pub expected: usize,
    pub right: usize,
    pub wrong: usize,
    pub missed: usize,
    /// Of the right ones, the worst and the RMS error of an edge, samples.
    pub worst: f64,
    pub rms: f64,
}

pub fn score(tape: &Tape, got: &[LtcFrame]) -> Score {
    let mut s = Score { expected: tape.frames.len(), ..Score::default() };
    let mut used = vec![false; tape.frames.len()];
    let mut sum = 0.0;
    for g in got {
        let near = tape
            .frames
            .iter()
            .enumerate()
            .min_by(|a, b| (a.1.start - g.start_sample).abs().total_cmp(&(b.1.start - g.start_sample).abs()));
        let Some((i, e)) = near else {
            s.wrong += 1;
            continue;
        };
        let length = e.end - e.start;
        let same = g.timecode.to_string() == e.label.to_string()
            && u32::from_be_bytes(g.user_bits) == e.user
            && (g.direction == Direction::Reverse) == e.reverse
            && (g.start_sample - e.start).abs() < 0.02 * length
            && (g.end_sample - e.end).abs() < 0.02 * length;
        if !same || used[i] {
            s.wrong += 1;
            continue;
        }
        used[i] = true;
        s.right += 1;
        let (a, b) = ((g.start_sample - e.start).abs(), (g.end_sample - e.end).abs());
        s.worst = s.worst.max(a).max(b);
        sum += a * a + b * b;
    }
    s.rms = (sum / (2 * s.right.max(1)) as f64).sqrt();
    s.missed = used.iter().filter(|u| !**u).count();
    s
}
