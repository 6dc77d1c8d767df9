//! The pilot tone: a steady sine on a spare channel, which proves that the player's audio engine runs.
//!
//! One bin of a Fourier transform over a sliding window, as that of Goertzel (1958) is, but by demodulation: the samples
//! times e^(-jwt), under a Hann window of 8 ms (three periods of a deep tone), read every millisecond. What music leaks into
//! a bin comes with any phase, whereas a steady tone's phase stands still. So the reading is held against its own mean of
//! the last milliseconds, P: with the tone there, Re(Y P*) / |P|^2 is 1; without it, music alone makes it wander about 0.
//! It falls through 1/2 when half the window's weight, 4 ms, has lost the tone, and three readings in a row must agree.
//!
//! A cymbal on the same channel may be stronger in the bin than the tone itself. Two bins beside it, outside the reach of the
//! window, tell of that: while they are loud nothing can be said, and the tone counts as there for another tenth of a second.

use core::f64::consts::TAU;

use base::{Dbfs, Hertz, Span};

/// Readings that make up the window at most.
const MOST_HOPS: usize = 64;
/// The mean's memory, in readings.
const MEMORY: f64 = 50.0;
/// Readings in a row that make the tone present (longer than a vowel, which is steady too), or absent.
const APPEARS: u32 = 300;
const VANISHES: u32 = 3;
/// ... and absent if all the while something drowned it.
const DROWNED: u32 = 100;
/// How steady a reading must be: magnitude of the mean against the mean magnitude.
const STEADY: f64 = 0.9;
/// A neighbour this strong, against the tone, drowns it.
const LOUD: f64 = 0.35;
/// Softer is no tone: rounding and dither have lines of their own.
const FAINT: f64 = 1e-4;

/// Looks for a tone of known frequency on one channel.
#[derive(Clone, Debug)]
pub struct Pilot {
    bin: Bin,
    beside: [Bin; 2],
    window: Window,
    in_hop: u32,
    newest: usize,
    filled: usize,
    mean: (f64, f64),
    mean_magnitude: f64,
    streak: u32,
    drowned: u32,
    present: bool,
    level: f64,
}

impl Pilot {
    /// From this tone on upwards a vanished pilot is known within 10 ms. Three periods of a deeper one take longer.
    pub const LOWEST: Hertz = Hertz(375.0);
    /// How long after it vanished a tone above [`LOWEST`](Self::LOWEST) is absent at the latest, if nothing drowns it.
    pub const WITHIN: Span = Span::from_millis(10);

    /// A detector for a tone of `tone` in material at `rate`. It hears nothing if the tone is not between 0 and half the rate.
    pub fn new(tone: Hertz, rate: Hertz) -> Pilot {
        let usable = tone.0 > 0.0 && tone.0 < rate.0 / 2.0 && rate.0.is_finite();
        let (tone, rate) = if usable { (tone.0, rate.0) } else { (1.0, 1e3) };
        let length = (3.0 / tone).max(0.008);
        // A hop of a millisecond; longer if a deep tone's window would not hold them.
        let hop = (rate * (length / MOST_HOPS as f64).max(0.001)).round().max(1.0);
        let used = ((length * rate / hop).round() as usize).clamp(4, MOST_HOPS);
        let mut weights = [0.0; MOST_HOPS];
        for (i, w) in weights.iter_mut().take(used).enumerate() {
            *w = 1.0 - (TAU * (i as f64 + 0.5) / used as f64).cos();
        }
        // The window's mean weight is 1; a sine of amplitude A has A/2 in the bin.
        let scale = if usable { 2.0 / (used as f64 * hop) } else { 0.0 };
        weights.iter_mut().for_each(|w| *w *= scale);
        // A Hann window reaches 2/T to each side; the neighbours stand at 3/T.
        let aside = 3.0 / length;
        Pilot {
            bin: Bin::new(tone / rate),
            beside: [Bin::new((tone - aside) / rate), Bin::new((tone + aside) / rate)],
            window: Window { hop: hop as u32, used, weights },
            in_hop: 0,
            newest: 0,
            filled: 0,
            mean: (0.0, 0.0),
            mean_magnitude: 0.0,
            streak: 0,
            drowned: 0,
            present: false,
            level: 0.0,
        }
    }

    /// Takes in one sample; what is not a number counts as zero.
    #[inline]
    pub fn on_sample(&mut self, s: f32) {
        let x = if s.is_finite() { f64::from(s) } else { 0.0 };
        self.bin.on_sample(x);
        self.beside.iter_mut().for_each(|b| b.on_sample(x));
        self.in_hop += 1;
        if self.in_hop == self.window.hop {
            self.in_hop = 0;
            self.on_hop();
        }
    }

    fn on_hop(&mut self) {
        self.newest = (self.newest + 1) % self.window.used;
        self.bin.on_hop(self.newest);
        self.beside.iter_mut().for_each(|b| b.on_hop(self.newest));
        self.filled = (self.filled + 1).min(self.window.used);
        if self.filled == self.window.used {
            self.on_reading();
        }
    }

    fn on_reading(&mut self) {
        let y = self.window.read(&self.bin, self.newest);
        self.level = y.0.hypot(y.1);
        let size = self.mean.0.hypot(self.mean.1);
        let along = if size > 0.0 { (y.0 * self.mean.0 + y.1 * self.mean.1) / (size * size) } else { 0.0 };
        let is_there = size > FAINT && along > 0.5;
        if self.present {
            self.look_for_its_end(is_there, size);
        } else {
            let steady = size >= STEADY * self.mean_magnitude;
            self.streak = if is_there && steady { self.streak + 1 } else { 0 };
            if self.streak >= APPEARS {
                (self.present, self.streak, self.drowned) = (true, 0, 0);
            }
        }
        if is_there || !self.present {
            let k = 1.0 / MEMORY;
            self.mean = (self.mean.0 + k * (y.0 - self.mean.0), self.mean.1 + k * (y.1 - self.mean.1));
            self.mean_magnitude += k * (self.level - self.mean_magnitude);
        }
    }

    fn look_for_its_end(&mut self, is_there: bool, size: f64) {
        let loud = |b: &Bin| {
            let y = self.window.read(b, self.newest);
            y.0.hypot(y.1) > LOUD * size
        };
        match (is_there, self.beside.iter().any(loud)) {
            (_, true) => self.drowned += 1,
            (true, false) => (self.streak, self.drowned) = (0, 0),
            (false, false) => self.streak += 1,
        }
        if is_there {
            self.drowned = 0;
        }
        if self.streak >= VANISHES || self.drowned >= DROWNED {
            (self.present, self.streak, self.drowned) = (false, 0, 0);
            (self.mean, self.mean_magnitude) = ((0.0, 0.0), 0.0);
        }
    }

    /// Whether the tone is there.
    pub fn is_present(&self) -> bool {
        self.present
    }

    /// The bin's level now, the tone's or not (a full-scale sine reads 0 dBFS).
    pub fn level(&self) -> Dbfs {
        Dbfs::from_amplitude(self.level)
    }
}

/// One bin: its oscillator e^(-jwt), and the sums of the newest hops.
#[derive(Clone, Debug)]
struct Bin {
    step: (f64, f64),
    oscillator: (f64, f64),
    sum: (f64, f64),
    hops: [(f64, f64); MOST_HOPS],
}

impl Bin {
    /// At a frequency in cycles a sample.
    fn new(cycles: f64) -> Bin {
        let angle = -TAU * cycles;
        Bin { step: (angle.cos(), angle.sin()), oscillator: (1.0, 0.0), sum: (0.0, 0.0), hops: [(0.0, 0.0); MOST_HOPS] }
    }
    #[inline]
    fn on_sample(&mut self, x: f64) {
        let (c, d) = self.oscillator;
        self.sum.0 += x * c;
        self.sum.1 += x * d;
        self.oscillator = (c * self.step.0 - d * self.step.1, c * self.step.1 + d * self.step.0);
    }
    fn on_hop(&mut self, place: usize) {
        // Rounding must not let the oscillator grow or fade.
        let (c, d) = self.oscillator;
        let r = 1.0 / (c * c + d * d).sqrt();
        self.oscillator = (c * r, d * r);
        self.hops[place] = core::mem::take(&mut self.sum);
    }
}

#[derive(Clone, Debug)]
struct Window {
    /// Samples a hop.
    hop: u32,
    /// Hops a window.
    used: usize,
    weights: [f64; MOST_HOPS],
}

impl Window {
    /// The bin's phasor, as long as the sine's amplitude.
    fn read(&self, bin: &Bin, newest: usize) -> (f64, f64) {
        let hop = |i: usize| bin.hops[(newest + 1 + i) % self.used];
        let add = |y: (f64, f64), i: usize| (y.0 + self.weights[i] * hop(i).0, y.1 + self.weights[i] * hop(i).1);
        (0..self.used).fold((0.0, 0.0), add)
    }
}
