//! True peak of one channel as it plays: the greatest value that the curve through the samples reaches (ITU-R BS.1770-5 Annex 2).
//!
//! *The curve.* Between two samples the annex interpolates: four times below 96 kHz, twice below 192 kHz, and not at all from there on,
//! where the samples lie close enough. A band-limited curve is the sum of its samples `x_n`, each times `sinc(t - n)` (Shannon 1949);
//! cut off by a Hann window of 49 taps at the finer rate it becomes, for each of the finer places but the samples themselves (where the
//! sinc is 1 on its own sample and 0 on all others), a sum of 12 samples at four times and of 24 at twice. The annex leaves the filter
//! to the meter; this one is within the tolerance of the signals of EBU Tech 3341.
//!
//! *What need not be computed.* By the triangle inequality `|sum h_k x_k| <= max |x_k| * sum |h_k|`, and of the phases one has the
//! greatest `S = sum |h_k|`, which is `reach` below. Where no sample of the stretch that reaches into sixteen sums is greater than the
//! peak so far over `S`, none of these sums can raise the peak: leaving them out loses nothing. Rounding is covered by a thousandth
//! more of reach, since sums of 24 terms of single precision err by no more than 24 halves of 2^-23 of `S` times the greatest sample
//! (Higham, Accuracy and Stability of Numerical Algorithms, section 3.1).
//!
//! A sum whose samples are not all known (at the beginning, after a hole) is no part of the curve: taking zeros for them would make a peak
//! of the cut itself. Samples count everywhere.

use arrayvec::ArrayVec;
use base::{Dbfs, Hertz};

/// Sums computed at a time.
const RUN: usize = 16;
/// Taps of the longest phase.
const MOST_TAPS: usize = 24;
/// Taps of the filter at the finer rate, of which the last is zero.
const WINDOW: usize = 48;

/// Meters one channel. Allocates nothing.
#[derive(Clone, Debug)]
pub struct TruePeak {
    /// The sums' weights, one row for each place between two samples.
    phases: ArrayVec<[f32; MOST_TAPS], 3>,
    taps: usize,
    /// The most that a sum can be over its greatest sample.
    reach: f32,
    /// The newest samples that still reach into sums to come, and then those of this run.
    samples: [f32; MOST_TAPS - 1 + RUN],
    /// How many of the former are known.
    known: usize,
    peak: f32,
    computed: u64,
}

impl TruePeak {
    /// A meter at this sample rate that has heard nothing.
    pub fn new(rate: Hertz) -> TruePeak {
        let factor = match rate.0 {
            r if r < 96_000.0 => 4,
            r if r < 192_000.0 => 2,
            _ => 1,
        };
        let taps = if factor == 1 { 1 } else { WINDOW / factor };
        let phases: ArrayVec<_, 3> = (1..factor).map(|p| weights(factor, p)).collect();
        let sum = |h: &[f32; MOST_TAPS]| h.iter().map(|h| h.abs()).sum::<f32>();
        let reach = phases.iter().map(sum).fold(1.0, f32::max) * 1.001;
        TruePeak { phases, taps, reach, samples: [0.0; MOST_TAPS - 1 + RUN], known: 0, peak: 0.0, computed: 0 }
    }

    /// Takes in samples of this channel. What is infinite or not a number counts as zero.
    pub fn on_samples(&mut self, samples: &[f32]) {
        let before = self.taps - 1;
        for run in samples.chunks(RUN) {
            let (mut own, mut all) = (0.0f32, 0.0f32);
            for (to, s) in self.samples[before..].iter_mut().zip(run) {
                *to = if s.is_finite() { *s } else { 0.0 };
                own = larger(own, to.abs());
            }
            for s in &self.samples[..before] {
                all = larger(all, s.abs());
            }
            all = larger(all, own);
            self.peak = larger(self.peak, own);
            if all * self.reach > self.peak {
                self.sum(run.len());
            }
            self.known = (self.known + run.len()).min(before);
            self.samples.copy_within(run.len()..run.len() + before, 0);
        }
    }

    /// The sums that end with each of the first `n` samples of the run.
    fn sum(&mut self, n: usize) {
        // The first whose samples are all known.
        let first = (self.taps - 1 - self.known).min(n);
        for weights in &self.phases {
            let mut sums = [0f32; RUN];
            for (h, reached) in weights[..self.taps].iter().zip(self.samples.windows(RUN)) {
                for (sum, x) in sums.iter_mut().zip(reached) {
                    *sum += h * x;
                }
            }
            self.peak = sums[first..n].iter().fold(self.peak, |p, s| larger(p, s.abs()));
        }
        self.computed += 1;
    }

    /// Samples are missing here.
    pub fn on_gap(&mut self) {
        self.known = 0;
    }

    /// The peak since the last reading; begins a new one.
    pub fn read(&mut self) -> Dbfs {
        Dbfs::from_amplitude(f64::from(core::mem::take(&mut self.peak)))
    }

    /// How many runs of sixteen samples were computed, of all that were heard: what the bound saves shows here.
    pub fn runs_computed(&self) -> u64 {
        self.computed
    }
}

/// Two finite magnitudes, the larger of them: in a form that vectorises.
#[inline]
fn larger(a: f32, b: f32) -> f32 {
    if b > a { b } else { a }
}

/// Weights of the sums at place `phase` of `factor` between two samples. Tap `j` of the whole filter, `j = phase + k factor`, weighs the
/// sample `k` before the newest; here the oldest comes first.
fn weights(factor: usize, phase: usize) -> [f32; MOST_TAPS] {
    let taps = WINDOW / factor;
    let mut row = [0f32; MOST_TAPS];
    for (k, w) in row[..taps].iter_mut().rev().enumerate() {
        let j = (phase + k * factor) as f64;
        let hann = 0.5 * (1.0 - (core::f64::consts::TAU * j / WINDOW as f64).cos());
        let x = (j - WINDOW as f64 / 2.0) * core::f64::consts::PI / factor as f64;
        *w = (hann * x.sin() / x) as f32;
    }
    row
}
