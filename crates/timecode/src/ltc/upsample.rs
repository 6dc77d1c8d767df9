//! Makes slow recordings finer before they are sliced.
//!
//! At 8 kHz a half cell of 30-frame code is 1.7 samples: samples fall on edges as often as on flat tops, and a straight
//! line between two of them says little of the curve. What a converter recorded is the band-limited curve through its
//! samples, and that is restored by a windowed sinc (16 samples long, Hann window) at a whole multiple of the rate.

/// Input samples under the kernel; half of it is the delay.
const TAPS: usize = 16;
/// The finest multiple.
pub(super) const FINEST: usize = 8;
/// Recordings slower than this are made finer until they are not.
const ENOUGH: f64 = 30_000.0;

/// One sample in, [`factor`](Upsampler::factor) out.
#[derive(Clone, Debug)]
pub(super) struct Upsampler {
    factor: usize,
    kernel: [[f32; TAPS]; FINEST],
    /// The newest samples twice over, so that any `TAPS` in a row lie together.
    past: [f32; 2 * TAPS],
    place: usize,
}

impl Upsampler {
    pub(super) fn new(sample_rate: f64) -> Upsampler {
        let factor = ((ENOUGH / sample_rate).ceil() as usize).clamp(1, FINEST);
        let mut kernel = [[0.0; TAPS]; FINEST];
        for (phase, row) in kernel.iter_mut().enumerate().take(factor) {
            let mut taps = [0.0; TAPS];
            for (i, tap) in taps.iter_mut().enumerate() {
                // Oldest first; the output lies `phase / factor` after the sample in the middle.
                let t = phase as f64 / factor as f64 - (i as f64 - (TAPS / 2 - 1) as f64);
                let x = core::f64::consts::PI * t;
                let sinc = if t.abs() < 1e-9 { 1.0 } else { x.sin() / x };
                *tap = sinc * (0.5 + 0.5 * (x * 2.0 / TAPS as f64).cos());
            }
            let sum: f64 = taps.iter().sum();
            for (out, tap) in row.iter_mut().zip(taps) {
                *out = (tap / sum) as f32;
            }
        }
        Upsampler { factor, kernel, past: [0.0; 2 * TAPS], place: 0 }
    }

    /// How many samples come out for one.
    pub(super) fn factor(&self) -> usize {
        self.factor
    }

    /// How many input samples the output lags behind.
    pub(super) fn delay(&self) -> usize {
        if self.factor == 1 { 0 } else { TAPS / 2 }
    }

    /// Hands on what lies between the sample half a kernel ago and the next.
    pub(super) fn on_sample(&mut self, x: f32, mut out: impl FnMut(f32)) {
        self.past[self.place] = x;
        self.past[self.place + TAPS] = x;
        self.place = (self.place + 1) % TAPS;
        let past = &self.past[self.place..self.place + TAPS];
        for row in &self.kernel[..self.factor] {
            out(row.iter().zip(past).map(|(k, v)| k * v).sum());
        }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]
    use super::*;

    #[test]
    fn a_tone_is_restored_between_its_samples() {
        let mut up = Upsampler::new(8_000.0);
        assert_eq!(up.factor(), 4);
        let tone = |t: f64| (core::f64::consts::TAU * 1_000.0 / 8_000.0 * t).sin();
        let (mut out, mut worst) = (Vec::new(), 0f64);
        (0..200).for_each(|n| up.on_sample(tone(f64::from(n)) as f32, |y| out.push(f64::from(y))));
        for (i, y) in out.iter().enumerate().skip(100) {
            let t = i as f64 / 4.0 - up.delay() as f64;
            worst = worst.max((y - tone(t)).abs());
        }
        assert!(worst < 2e-3, "{worst}");
    }
}
