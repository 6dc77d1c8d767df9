//! Makes slow recordings finer before they are sliced.
//!
//! At 8 kHz a half cell of 30-frame code is 1.7 samples: samples fall on edges as often as on flat tops, and a straight
//! line between two of them says little of the curve. What a converter recorded is the band-limited curve through its
//! samples, and that is restored by a windowed sinc (16 samples long, Hann window) at a whole multiple of the rate.

/// Input samples under the kernel; half of it is the delay.
const TAPS: usize = 16;
/// The longest [delay](Upsampler::delay).
pub(super) const DELAY_MAX: usize = TAPS / 2;
/// The finest multiple.
const FINEST: usize = 8;
/// Recordings slower than this are made finer until they are not.
const ENOUGH: f64 = 30_000.0;

/// One sample in, [`factor`](Upsampler::factor) out.
#[derive(Clone, Debug)]
pub(super) struct Upsampler {
    factor: usize,
    /// For each sample under the kernel its weight in every output.
    kernel: [[f32; FINEST]; TAPS],
    /// The newest samples twice over, so that any `TAPS` in a row lie together.
    past: [f32; 2 * TAPS],
    place: usize,
}

impl Upsampler {
    pub(super) fn new(sample_rate: f64) -> Upsampler {
        let factor = ((ENOUGH / sample_rate).ceil() as usize).clamp(1, FINEST);
        let mut kernel = [[0.0; FINEST]; TAPS];
        for phase in 0..factor {
            let mut taps = [0.0; TAPS];
            for (i, tap) in taps.iter_mut().enumerate() {
                // Oldest first; the output lies `phase / factor` after the sample in the middle.
                let t = phase as f64 / factor as f64 - (i as f64 - (TAPS / 2 - 1) as f64);
                let x = core::f64::consts::PI * t;
                let sinc = if t.abs() < 1e-9 { 1.0 } else { x.sin() / x };
                *tap = sinc * (0.5 + 0.5 * (x * 2.0 / TAPS as f64).cos());
            }
            let sum: f64 = taps.iter().sum();
            for (row, tap) in kernel.iter_mut().zip(taps) {
                row[phase] = (tap / sum) as f32;
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
        if self.factor == 1 { 0 } else { DELAY_MAX }
    }

    /// Makes the first of these samples finer, as many as there is room for in `out`: [`factor`](Upsampler::factor) for
    /// each, those between the sample half a kernel ago and the next. Returns how many samples were taken.
    pub(super) fn fill(&mut self, samples: &[f32], out: &mut [f32]) -> usize {
        // The outputs for one sample are summed side by side, which takes no longer than one of them would.
        if self.factor <= 4 { self.fill_lanes::<4>(samples, out) } else { self.fill_lanes::<FINEST>(samples, out) }
    }

    fn fill_lanes<const LANES: usize>(&mut self, samples: &[f32], out: &mut [f32]) -> usize {
        for (x, out) in samples.iter().zip(out.chunks_exact_mut(self.factor)) {
            self.past[self.place] = *x;
            self.past[self.place + TAPS] = *x;
            self.place = (self.place + 1) % TAPS;
            let mut sums = [0f32; LANES];
            for (row, v) in self.kernel.iter().zip(&self.past[self.place..self.place + TAPS]) {
                for (sum, k) in sums.iter_mut().zip(row) {
                    *sum += k * v;
                }
            }
            for (y, sum) in out.iter_mut().zip(sums) {
                *y = sum;
            }
        }
        samples.len().min(out.len() / self.factor)
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
        let coarse: Vec<f32> = (0..200).map(|n| tone(f64::from(n)) as f32).collect();
        let (mut out, mut worst) = ([0f32; 800], 0f64);
        assert_eq!(up.fill(&coarse, &mut out), 200);
        for (i, y) in out.iter().enumerate().skip(100) {
            let t = i as f64 / 4.0 - up.delay() as f64;
            worst = worst.max((f64::from(*y) - tone(t)).abs());
        }
        assert!(worst < 2e-3, "{worst}");
    }
}
