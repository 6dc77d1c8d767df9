//! Levels of one channel: peak, RMS, DC, full-scale samples, the last sample that was not zero, true peak, and a pilot tone.

mod pilot;
mod true_peak;

use base::Dbfs;

pub use pilot::Pilot;
pub use true_peak::TruePeak;

/// The greatest positive sample of 16 bits. Wider ones reach closer to 1, and all that they have beyond this is clipped as well.
pub const FULL_SCALE: f32 = 32_767.0 / 32_768.0;

/// Meters one channel between two readings.
#[derive(Clone, Debug, Default)]
pub struct ChannelMeter {
    peak: f32,
    sum_squares: f64,
    sum: f64,
    counted: u64,
    not_numbers: u64,
    clipped: u64,
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
    /// Samples at full scale or beyond.
    pub clipped: u64,
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
        let magnitude = s.abs();
        self.peak = self.peak.max(magnitude);
        self.clipped += u64::from(magnitude >= FULL_SCALE);
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
            clipped: self.clipped,
            samples: self.counted + self.not_numbers,
        };
        *self = ChannelMeter { seen: self.seen, last_nonzero: self.last_nonzero, ..ChannelMeter::default() };
        reading
    }

    /// Index of the newest sample that was neither zero nor garbage, counted from the first one ever seen.
    pub fn last_nonzero(&self) -> Option<u64> {
        self.last_nonzero
    }
    /// Samples since the last reading that were infinite or not numbers.
    pub fn not_numbers(&self) -> u64 {
        self.not_numbers
    }
    /// Samples seen since the meter was made.
    pub fn samples_seen(&self) -> u64 {
        self.seen
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
}
