//! Two blocks of sound against each other: the same, and how far apart?
//!
//! **Search.** Generalized cross-correlation (Knapp and Carter 1976): the cross-spectrum is weighted before it is turned back into
//! a correlation. Weighted by `1 / sqrt(smoothed power of A * smoothed power of B)` (their SCOT) the colour of the material and of
//! any equaliser goes, and a tone remains a tone; by `1 / |cross-spectrum|` (PHAT) tones go as well, and with them the ripples
//! that they lay over the correlation, but bins that hold nothing get a full vote. The geometric mean of both is used: the peaks
//! are nearly as sharp as PHAT's, and music in a band survives noise beside it.
//!
//! Two blocks alone fade in and out first: a beep that their common instant cuts off would else be one sharp edge in both, at a lag of
//! nothing, and sharper than the beep itself. Within whole recordings blocks follow each other, and every end of a block is another's
//! middle.
//!
//! **Belief.** Of unrelated sounds the correlation is near enough normal round zero; of `n` such values the largest size is
//! about `sqrt(2 ln n)` standard deviations. A peak is believed by how far it stands above that.
//!
//! **Fine.** The overlap at the peak's whole lag is looked at again, band by band of the complex coherence, and [`delay::fit`] finds
//! the rest of the lag, which sign fits, and how well it is known.
//!
//! **Gain.** `sum of g2 Sbb / sum of Saa`: what of B's power is A's, over A's. Noise that B adds is left out thereby.
//!
//! **Shared.** `sum of g2 Sbb / sum of Sbb`, and the same of A: belief gives each band a vote, this gives each watt one.
//!
//! **Ambiguity.** Material that repeats fits alike at other lags. `c(L + T) / c(L)`, both over the root of the energies that
//! overlap there, with `c` the SCOT correlation, is the autocorrelation of what the two have in common: noise of either lowers
//! both alike. If it rises again to [`ALIKE`] after having fallen below a half, the first such rise is the period.
//!
//! Cost: six transforms of twice the block; `cargo bench -p twinkeel-measure --bench pair` prints it beside the transforms alone.

use base::{Db, Samples};

use super::delay::{self, Band, unbiased};
use super::period::Energies;
use super::transform::{Bin, Transform, smooth};

/// Whether one is the other upside down.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Polarity {
    /// It is not.
    Same,
    /// It is.
    Inverted,
}

/// How two blocks lie.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Comparison {
    /// How much later B has it than A; above zero: A is ahead.
    pub lag: Samples,
    /// Two standard deviations of the lag, as far as this block can tell.
    pub uncertainty: Samples,
    /// B relative to A.
    pub gain: Db,
    /// Whether B is A upside down.
    pub polarity: Polarity,
    /// 0 (as unrelated sounds) to 1 (the same, whatever the gain and equalising).
    pub confidence: f64,
    /// How often the material repeats, so that lags this much off fit alike; `None` when it does not, or not within half the
    /// block.
    pub period: Option<Samples>,
    /// How much of either's power is the other's, 0 to 1: of the one that has less in common. Beeps of two pitches at the same instants
    /// are sure of their lag, since every onset tells it, and share little.
    pub shared: f64,
}

/// Quieter than this (root of mean square) is silence: -120 dB.
pub(crate) const SILENCE: f64 = 1e-6;
/// From here on another lag fits alike.
pub(crate) const ALIKE: f64 = 0.9;
/// Of peaks that differ less than this the one nearest to what was expected is taken.
const TIE: f32 = 0.95;
/// What the best of many lags gives the bands of unrelated sounds.
const BY_CHANCE: f64 = 0.15;
/// Independent looks wanted in a band.
const LOOKS: usize = 40;
/// One in so many samples of a block fades in at its beginning, and out at its end, while it is searched.
const FADE: usize = 16;

/// Compares blocks; all memory is taken by [`Comparator::new`]. A block of 1 s at 48 kHz costs a few milliseconds, an excerpt of
/// 1 s at 8 kHz well under one.
pub struct Comparator {
    capacity: usize,
    transform: Transform,
    a: Vec<Bin>,
    b: Vec<Bin>,
    cross: Vec<Bin>,
    power_a: Vec<f32>,
    power_b: Vec<f32>,
    sums: Vec<f64>,
    sizes: Vec<f32>,
    bands: Vec<Band>,
    energies: Energies,
}

/// A peak of the weighted correlation.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Peak {
    pub lag: i64,
    /// Its height in standard deviations above what chance gives.
    pub above_chance: f64,
}

/// A whole comparison, and what the search said.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Found {
    pub lag: f64,
    pub sigma: f64,
    pub sign: f64,
    pub confidence: f64,
    pub gain: f64,
    pub shared: f64,
}

impl Comparator {
    /// For pairs of blocks that have at most `capacity` samples together.
    pub fn new(capacity: usize) -> Comparator {
        let transform = Transform::new(capacity.max(8));
        let bins = transform.bins();
        Comparator {
            capacity: transform.size(),
            a: vec![Bin::default(); bins],
            b: vec![Bin::default(); bins],
            cross: vec![Bin::default(); bins],
            power_a: vec![0.0; bins],
            power_b: vec![0.0; bins],
            sums: vec![0.0; bins + 1],
            sizes: Vec::with_capacity(transform.size() / 4 + 2),
            bands: Vec::with_capacity(bins),
            energies: Energies::new(capacity),
            transform,
        }
    }

    /// Compares two blocks that start at the same instant. What is no number counts as zero. `None` when one of them is silent, has
    /// fewer than 16 samples, or both together are longer than promised, or when they overlap in silence at their best lag or have
    /// nothing at all in common there.
    pub fn compare(&mut self, a: &[f32], b: &[f32]) -> Option<Comparison> {
        // Less than a sixteenth in common says nothing.
        let least = (a.len().min(b.len()) / 16).max(16) as i64;
        let peak = self.look(a, b, [least - a.len() as i64, b.len() as i64 - least], 0, FADE)?;
        let found = self.refine(a, b, peak)?;
        Some(Comparison {
            lag: Samples(found.lag),
            uncertainty: Samples(2.0 * found.sigma),
            gain: Db(20.0 * found.gain.log10()),
            polarity: if found.sign < 0.0 { Polarity::Inverted } else { Polarity::Same },
            confidence: found.confidence,
            period: self.period(a, b, peak.lag).map(Samples),
            shared: found.shared,
        })
    }

    /// The highest peak with lags of `from..=to`, of those alike the one nearest `near`.
    pub(crate) fn search(&mut self, a: &[f32], b: &[f32], from: i64, to: i64, near: i64) -> Option<Peak> {
        self.look(a, b, [from, to], near, usize::MAX)
    }

    /// The same; one in `fade` of a block's samples fades at either end.
    fn look(&mut self, a: &[f32], b: &[f32], [from, to]: [i64; 2], near: i64, fade: usize) -> Option<Peak> {
        let shorter = a.len().min(b.len());
        if shorter < 16 || a.len() + b.len() > self.capacity {
            return None;
        }
        self.spectrum_of(a, false, a.len() / fade)?;
        self.spectrum_of(b, true, b.len() / fade)?;
        self.weigh(shorter, true);
        self.transform.inverse(&mut self.cross);
        let (size, time) = (self.transform.size() as i64, &self.transform.time);
        let (from, to) = (from.max(1 - a.len() as i64), to.min(b.len() as i64 - 1));
        let at = |lag: i64| time[(lag.rem_euclid(size)) as usize].abs();
        let top = (from..=to).map(at).reduce(f32::max).filter(|t| *t > 0.0)?;
        let lag = (from..=to).filter(|l| at(*l) >= TIE * top).min_by_key(|l| ((l - near).abs(), *l))?;
        // Up the hill whose flank was met first.
        let mut lag = lag;
        while let Some(up) = [lag - 1, lag + 1].into_iter().find(|l| (from..=to).contains(l) && at(*l) > at(lag)) {
            lag = up;
        }
        // Every few lags are enough to tell how large they are by chance. The median size of a normal deviate is 0.6745 sigma.
        let every = (size as usize / 16_384).clamp(1, 64);
        self.sizes.clear();
        self.sizes.extend(time.iter().step_by(every).take(self.sizes.capacity()).map(|v| v.abs()));
        let middle = self.sizes.len() / 2;
        let (_, median, _) = self.sizes.select_nth_unstable_by(middle, f32::total_cmp);
        let sigma = f64::from(*median) / 0.6745;
        let chance = (2.0 * ((to - from + 1).max(2) as f64).ln()).sqrt();
        let height = if sigma > 0.0 { f64::from(at(lag)) / sigma } else { 1e6 };
        Some(Peak { lag, above_chance: height - chance })
    }

    /// A block's spectrum, its mean taken out, scaled to an RMS of one; `fade` samples at either end come and go softly.
    fn spectrum_of(&mut self, block: &[f32], is_b: bool, fade: usize) -> Option<()> {
        let (mean, scale) = measure(block)?;
        self.transform.time.fill(0.0);
        for (i, (out, v)) in self.transform.time.iter_mut().zip(block).enumerate() {
            let shown = faded(i.min(block.len() - 1 - i), fade);
            *out = if v.is_finite() { ((f64::from(*v) - mean) * scale * shown) as f32 } else { 0.0 };
        }
        self.transform.forward(if is_b { &mut self.b } else { &mut self.a });
        Some(())
    }

    /// The weighted cross-spectrum into `cross`: SCOT alone, or with the root of PHAT.
    fn weigh(&mut self, shorter: usize, sharp: bool) {
        let size = self.transform.size();
        // Wide enough to pass over single tones, and over what the block's ends do to them.
        let half = (16 * size / shorter).max(size / 4096).min(self.power_a.len() / 4);
        for (power, spectrum) in [(&mut self.power_a, &self.a), (&mut self.power_b, &self.b)] {
            for (p, s) in power.iter_mut().zip(spectrum.iter()) {
                *p = s.norm_sqr();
            }
            smooth(power, half, &mut self.sums);
            // What lies this far below is what single precision leaves over.
            let floor = 1e-11 * power.iter().copied().fold(0.0, f32::max) + f32::MIN_POSITIVE;
            power.iter_mut().for_each(|p| *p += floor);
        }
        for (k, out) in self.cross.iter_mut().enumerate() {
            let c = self.b[k] * self.a[k].conj();
            let size = c.norm();
            let scot = (self.power_a[k].sqrt() * self.power_b[k].sqrt()).max(f32::MIN_POSITIVE);
            let weight = if sharp { (scot * size).sqrt().max(f32::MIN_POSITIVE) } else { scot };
            *out = c / weight;
        }
        self.cross[0] = Bin::default();
    }

    /// The lag to a fraction of a sample, from the overlap at a peak.
    pub(crate) fn refine(&mut self, a: &[f32], b: &[f32], peak: Peak) -> Option<Found> {
        let (a, b) = overlap(a, b, peak.lag)?;
        let n = a.len();
        let turn = std::f64::consts::TAU / n as f64;
        let ((mean_a, scale_a), (mean_b, scale_b)) = (measure(a)?, measure(b)?);
        for (block, mean, scale, is_b) in [(a, mean_a, scale_a, false), (b, mean_b, scale_b, true)] {
            self.transform.time.fill(0.0);
            // Hann's window: what the ends of a block do to its tones stays near them.
            for (i, (out, v)) in self.transform.time.iter_mut().zip(block).enumerate() {
                let hann = 0.5 - 0.5 * (turn * (i as f64 + 0.5)).cos();
                *out = if v.is_finite() { ((f64::from(*v) - mean) * scale * hann) as f32 } else { 0.0 };
            }
            self.transform.forward(if is_b { &mut self.b } else { &mut self.a });
        }
        let size = self.transform.size();
        // Independent looks in a bin: the padding adds none, and Hann's window costs a third.
        let per_bin = (n as f64 / size as f64 / 1.5).min(1.0);
        let wide = ((LOOKS as f64 / per_bin) as usize).clamp(1, self.a.len() / 2);
        self.bands.clear();
        let (mut b_is_a, mut all_b, mut a_is_b, mut all_a) = (0.0, 0.0, 0.0, 0.0);
        let (mut strong, mut strong_sum) = (0.0, 0.0);
        let step = self.transform.step();
        let last = self.a.len() * 9 / 10;
        for from in (1..last).step_by(wide) {
            let to = (from + wide).min(last);
            let (mut cross, mut pa, mut pb, mut w) = ((0.0, 0.0), 0.0f64, 0.0f64, 0.0);
            for k in from..to {
                let c = self.b[k] * self.a[k].conj();
                cross = (cross.0 + f64::from(c.re), cross.1 + f64::from(c.im));
                pa += f64::from(self.a[k].norm_sqr());
                pb += f64::from(self.b[k].norm_sqr());
                w += f64::from(c.norm()) * k as f64;
            }
            let sizes: f64 = (from..to).map(|k| f64::from((self.b[k] * self.a[k].conj()).norm())).sum();
            let middle = if sizes > 0.0 { w / sizes } else { (from + to) as f64 / 2.0 };
            let band = Band::new(middle * step, cross, pa, pb, per_bin * (to - from) as f64);
            let common = unbiased(band.squared(), per_bin * (to - from) as f64);
            (b_is_a, all_b) = (b_is_a + common * pb, all_b + pb);
            (a_is_b, all_a) = (a_is_b + common * pa, all_a + pa);
            self.bands.push(band);
        }
        let fitted = delay::fit(&self.bands, 1.5, None)?;
        // Bands where the two have something in common count; of unrelated sounds that is chance, of either sign.
        for band in &self.bands {
            let g2 = unbiased(band.squared(), LOOKS as f64);
            strong += g2;
            strong_sum += g2 * fitted.sign * band.real_at(fitted.samples);
        }
        let share = if strong > 0.0 { strong_sum / strong } else { 0.0 };
        let confidence = ((share - BY_CHANCE) / (1.0 - BY_CHANCE) * believed(peak.above_chance)).clamp(0.0, 1.0);
        let gain = (b_is_a / all_a).sqrt() * scale_a / scale_b;
        let gain = if gain > 0.0 && gain.is_finite() { gain } else { scale_a / scale_b };
        let lag = peak.lag as f64 + fitted.samples;
        let part = |of: f64, all: f64| if all > 0.0 { (of / all).clamp(0.0, 1.0) } else { 0.0 };
        let shared = part(b_is_a, all_b).min(part(a_is_b, all_a));
        Some(Found { lag, sigma: fitted.sigma, sign: fitted.sign, confidence, gain, shared })
    }

    /// How often what both have in common repeats, when B has it `lag` later.
    pub(crate) fn period(&mut self, a: &[f32], b: &[f32], lag: i64) -> Option<f64> {
        self.spectrum_of(a, false, 0)?;
        self.spectrum_of(b, true, 0)?;
        self.weigh(a.len().min(b.len()), false);
        // Down to nothing at half the sample rate, so that peaks are wider than samples, and read alike between them.
        let bins = self.cross.len() as f64;
        for (k, c) in self.cross.iter_mut().enumerate() {
            *c *= (k as f64 / bins * std::f64::consts::FRAC_PI_2).cos().powi(2) as f32;
        }
        self.transform.inverse(&mut self.cross);
        self.energies.period(&self.transform.time, a, b, lag)
    }
}

/// How much of a sample is left that lies so far from its block's end, in a fade of so many.
fn faded(from_end: usize, fade: usize) -> f64 {
    if from_end >= fade {
        return 1.0;
    }
    0.5 - 0.5 * (std::f64::consts::PI * (from_end as f64 + 0.5) / fade as f64).cos()
}

/// 0 for a peak that chance gives, 1 for one that stands five standard deviations above.
fn believed(above_chance: f64) -> f64 {
    ((above_chance - 1.0) / 4.0).clamp(0.0, 1.0)
}

/// The stretches of both that hold the same at this lag.
pub(crate) fn overlap<'a>(a: &'a [f32], b: &'a [f32], lag: i64) -> Option<(&'a [f32], &'a [f32])> {
    let a = a.get(usize::try_from(-lag).unwrap_or(0)..)?;
    let b = b.get(usize::try_from(lag).unwrap_or(0)..)?;
    let n = a.len().min(b.len());
    (n >= 16).then(|| (&a[..n], &b[..n]))
}

/// Mean, and what brings the rest to an RMS of one. `None` for silence.
fn measure(block: &[f32]) -> Option<(f64, f64)> {
    let finite = || block.iter().filter(|v| v.is_finite()).map(|v| f64::from(*v));
    let n = finite().count().max(1) as f64;
    let mean = finite().sum::<f64>() / n;
    let rms = (finite().map(|v| (v - mean).powi(2)).sum::<f64>() / n).sqrt();
    // A constant far from zero leaves rounding over.
    (rms > SILENCE && rms > 1e-7 * mean.abs() && rms.is_finite()).then(|| (mean, 1.0 / rms))
}
