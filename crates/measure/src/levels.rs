//! Levels of one channel: peak, RMS, DC, the last sample that was not zero, and a pilot tone.

use base::{Dbfs, Hertz};

/// Meters one channel between two readings.
#[derive(Clone, Debug, Default)]
pub struct ChannelMeter {
    peak: f32,
    sum_squares: f64,
    sum: f64,
    counted: u64,
    not_numbers: u64,
    /// Samples seen since the meter was made, and how many of them when the newest non-zero one had come.
    seen: u64,
    last_nonzero: Option<u64>,
}

/// What a meter read.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct ChannelReading {
    /// The greatest sample.
    pub peak: Dbfs,
    /// Plain RMS: a full-scale sine reads -3.01.
    pub rms: Dbfs,
    /// Mean of the samples, where full scale is 1.
    pub dc: f64,
    /// Samples that were infinite or not numbers.
    pub not_numbers: u64,
    /// Samples read.
    pub samples: u64,
}

impl ChannelMeter {
    /// A meter that has seen nothing.
    pub fn new() -> ChannelMeter {
        ChannelMeter::default()
    }

    /// Takes in samples of this channel alone.
    pub fn on_samples(&mut self, samples: &[f32]) {
        samples.iter().for_each(|s| self.on_sample(*s));
    }

    /// Takes in one channel of interleaved samples. Nothing happens when there is no such channel.
    pub fn on_interleaved(&mut self, samples: &[f32], channel: usize, channels: usize) {
        if channel < channels {
            samples.iter().skip(channel).step_by(channels).for_each(|s| self.on_sample(*s));
        }
    }

    /// Takes in one sample.
    #[inline]
    pub fn on_sample(&mut self, s: f32) {
        self.seen += 1;
        if !s.is_finite() {
            self.not_numbers += 1;
            return;
        }
        if s != 0.0 {
            self.last_nonzero = Some(self.seen - 1);
        }
        self.peak = self.peak.max(s.abs());
        let s = f64::from(s);
        self.sum_squares += s * s;
        self.sum += s;
        self.counted += 1;
    }

    /// The reading since the last one; begins a new one.
    pub fn read(&mut self) -> ChannelReading {
        let n = self.counted.max(1) as f64;
        let reading = ChannelReading {
            peak: Dbfs::from_amplitude(f64::from(self.peak)),
            rms: Dbfs(10.0 * (self.sum_squares / n).log10()),
            dc: self.sum / n,
            not_numbers: self.not_numbers,
            samples: self.counted + self.not_numbers,
        };
        *self = ChannelMeter { seen: self.seen, last_nonzero: self.last_nonzero, ..ChannelMeter::default() };
        reading
    }

    /// Index of the newest sample that was neither zero nor garbage, counted from the first one ever seen.
    pub fn last_nonzero(&self) -> Option<u64> {
        self.last_nonzero
    }
    /// Samples seen since the meter was made.
    pub fn samples_seen(&self) -> u64 {
        self.seen
    }
}

/// Looks for a pilot tone by the algorithm of Goertzel (1958): one bin of a discrete Fourier transform,
/// `s[n] = x[n] + 2 cos(w) s[n-1] - s[n-2]`, whose power after N samples is `s1^2 + s2^2 - 2 cos(w) s1 s2`; a sine of
/// amplitude A at w gives (A N / 2)^2.
#[derive(Clone, Debug)]
pub struct Pilot {
    coefficient: f64,
    s1: f64,
    s2: f64,
    n: u64,
}

impl Pilot {
    /// A detector for a tone of `tone` in material at `rate`.
    pub fn new(tone: Hertz, rate: Hertz) -> Pilot {
        let w = if rate.0 > 0.0 { core::f64::consts::TAU * tone.0 / rate.0 } else { 0.0 };
        Pilot { coefficient: 2.0 * w.cos(), s1: 0.0, s2: 0.0, n: 0 }
    }

    /// Takes in one sample; what is not a number counts as zero.
    #[inline]
    pub fn on_sample(&mut self, s: f32) {
        let x = if s.is_finite() { f64::from(s) } else { 0.0 };
        let s0 = x + self.coefficient * self.s1 - self.s2;
        (self.s1, self.s2) = (s0, self.s1);
        self.n += 1;
    }

    /// The tone's amplitude since the last reading (a full-scale sine reads 0 dBFS); begins a new one.
    pub fn read(&mut self) -> Dbfs {
        let power = self.s1 * self.s1 + self.s2 * self.s2 - self.coefficient * self.s1 * self.s2;
        let amplitude = 2.0 * power.max(0.0).sqrt() / (self.n.max(1) as f64);
        (self.s1, self.s2, self.n) = (0.0, 0.0, 0);
        Dbfs::from_amplitude(amplitude)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sine(amplitude: f32, hertz: f64, n: usize) -> Vec<f32> {
        (0..n).map(|i| amplitude * (core::f64::consts::TAU * hertz * i as f64 / 48_000.0).sin() as f32).collect()
    }

    #[test]
    fn a_full_scale_sine_reads_minus_3_01_rms() {
        // By definition: rms of a sine is A / sqrt(2), 20 log10(1/sqrt 2) = -3.0103.
        let mut m = ChannelMeter::new();
        m.on_samples(&sine(1.0, 997.0, 48_000));
        let r = m.read();
        assert!((r.rms.0 + 3.0103).abs() < 1e-3 && r.peak.0.abs() < 1e-3 && r.dc.abs() < 1e-6);
        assert_eq!(m.read().peak, Dbfs::SILENCE);
    }

    #[test]
    fn zeros_and_garbage_are_told_apart() {
        let mut m = ChannelMeter::new();
        m.on_interleaved(&[0.5, 0.0, f32::NAN, 0.0, 0.0, 0.0], 0, 2);
        assert_eq!(m.last_nonzero(), Some(0));
        let r = m.read();
        assert_eq!((r.not_numbers, r.samples, m.samples_seen()), (1, 3, 3));
        m.on_interleaved(&[1.0], 2, 2);
        m.on_interleaved(&[1.0], 0, 0);
        assert_eq!(m.samples_seen(), 3);
    }

    #[test]
    fn the_pilot_is_heard_and_its_neighbour_is_not() {
        let mut p = Pilot::new(Hertz(19_000.0), Hertz(48_000.0));
        sine(0.1, 19_000.0, 4_800).iter().for_each(|s| p.on_sample(*s));
        assert!((p.read().0 + 20.0).abs() < 0.05);
        sine(1.0, 1_000.0, 4_800).iter().for_each(|s| p.on_sample(*s));
        assert!(p.read().0 < -60.0);
    }
}
