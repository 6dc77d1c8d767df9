//! Fourier transforms of one size, their memory taken once.

use std::sync::Arc;

use realfft::num_complex::Complex;
use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};

/// One bin of a spectrum.
pub(crate) type Bin = Complex<f32>;

/// A real transform and its inverse. Nothing is allocated after [`Transform::new`].
pub(crate) struct Transform {
    size: usize,
    forward: Arc<dyn RealToComplex<f32>>,
    inverse: Arc<dyn ComplexToReal<f32>>,
    scratch: Vec<Bin>,
    /// What goes in, and what comes out of the inverse.
    pub time: Vec<f32>,
}

impl Transform {
    /// For at least this many samples: the next size that is a power of two times 1, 3 or 9, which are quick.
    pub(crate) fn new(at_least: usize) -> Transform {
        let power = |least: usize| least.max(8).next_power_of_two();
        let size = [1, 3, 9].map(|odd| odd * power(at_least.div_ceil(odd))).into_iter().min().unwrap_or(8);
        let mut planner = RealFftPlanner::new();
        let (forward, inverse) = (planner.plan_fft_forward(size), planner.plan_fft_inverse(size));
        let scratch = vec![Bin::default(); forward.get_scratch_len().max(inverse.get_scratch_len())];
        Transform { size, forward, inverse, scratch, time: vec![0.0; size] }
    }

    pub(crate) fn size(&self) -> usize {
        self.size
    }
    /// Bins of the spectrum: 0 to half the sample rate.
    pub(crate) fn bins(&self) -> usize {
        self.size / 2 + 1
    }
    /// Of a spectrum's bin, in radians a sample.
    pub(crate) fn step(&self) -> f64 {
        std::f64::consts::TAU / self.size as f64
    }

    /// Spectrum of `time`, which is spoilt.
    pub(crate) fn forward(&mut self, out: &mut [Bin]) {
        // Lengths are those of the plan, and nothing else can go wrong.
        let done = self.forward.process_with_scratch(&mut self.time, out, &mut self.scratch);
        debug_assert!(done.is_ok());
    }
    /// Samples of a spectrum (which is spoilt) into `time`, `size` times too large.
    pub(crate) fn inverse(&mut self, spectrum: &mut [Bin]) {
        for end in [0, spectrum.len().saturating_sub(1)] {
            if let Some(bin) = spectrum.get_mut(end) {
                bin.im = 0.0;
            }
        }
        let done = self.inverse.process_with_scratch(spectrum, &mut self.time, &mut self.scratch);
        debug_assert!(done.is_ok());
    }
}

/// Each value becomes the mean of those within `half` of it; `sums` is room for one more than there are values.
pub(crate) fn smooth(values: &mut [f32], half: usize, sums: &mut [f64]) {
    let n = values.len();
    let mut sum = 0.0;
    for (s, v) in sums.iter_mut().zip(values.iter()) {
        *s = sum;
        sum += f64::from(*v);
    }
    sums[n] = sum;
    for (i, v) in values.iter_mut().enumerate() {
        let (from, to) = (i.saturating_sub(half), (i + half + 1).min(n));
        *v = ((sums[to] - sums[from]) / (to - from) as f64) as f32;
    }
}
