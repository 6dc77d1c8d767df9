//! The second look: all of the recording at once, along the course that the windows have shown.
//!
//! Short frames (Hann's window, half overlapping) of A and B are taken where the course says that they hold the same, and turned by
//! what is left of a sample, so that drift smears nothing. Their mean spectra give, bin by bin, the coherence and the transfer
//! function from A to B:
//!
//! ```text
//! g2(w) = |Sab|^2 / (Saa Sbb)      H(w) = Sab / Saa
//! ```
//!
//! **Windows.** With weights from the coherence of the whole recording, noise that stands in some bands only is left out of
//! every window. `H`'s own phase (smoothed) is taken out first, so that an equaliser does not cost sharpness.
//!
//! **What an equaliser delays.** The phase of `H` is that of the delay and of whatever filtered B. Analogue filters and nearly all
//! digital equalisers are of minimum phase: their phase follows from their size alone, `arg H = -Hilbert(ln |H|)` (Bode 1945), for
//! sampled sound by folding the cepstrum (Oppenheim and Schafer, *Discrete-Time Signal Processing*, "Hilbert transform
//! relations"). Two readings are tried: no phase of its own (linear-phase filters), and minimum phase. The one that leaves the
//! phases lying straighter is believed, minimum phase only when it leaves less than half as much; the part of their difference
//! that is not settled goes into the uncertainty.

use super::comparator::SILENCE;
use super::course::{Course, Point};
use super::delay::{self, Band, Delay};
use super::transform::{Bin, Transform, smooth};

/// Mean spectra along a course.
pub(crate) struct Fine<'a> {
    a: &'a [f32],
    b: &'a [f32],
    transform: Transform,
    hann: Vec<f32>,
    frame_a: Vec<Bin>,
    frame_b: Vec<Bin>,
}

/// Sums over frames.
#[derive(Clone)]
pub(crate) struct Sums {
    cross: Vec<(f64, f64)>,
    a: Vec<f64>,
    b: Vec<f64>,
    frames: f64,
}

/// What the whole recording says.
pub(crate) struct Whole {
    /// Per bin: weight over the mean cross-spectrum's size, and its smoothed direction.
    weights: Vec<f64>,
    direction: Vec<(f64, f64)>,
    coherence: Vec<f64>,
    /// What to add to a course along which the frames were taken.
    pub correction: Delay,
    /// How far minimum phase and none differ, where neither is certain, in samples.
    pub unsettled: f64,
    /// B over A.
    pub gain: f64,
    /// Share of their amplitude (RMS) that is not common to both.
    pub alien: f64,
}

/// Independent looks wanted before a coherence is believed.
const LOOKS: f64 = 48.0;

impl<'a> Fine<'a> {
    /// With frames of at most `longest` samples.
    pub(crate) fn new(a: &'a [f32], b: &'a [f32], longest: usize) -> Fine<'a> {
        let size = (longest / 2 + 1).next_power_of_two().max(64);
        let transform = Transform::new(size);
        let bins = transform.bins();
        let turn = std::f32::consts::TAU / size as f32;
        let hann = (0..size).map(|i| 0.5 - 0.5 * (turn * (i as f32 + 0.5)).cos()).collect();
        Fine { a, b, transform, hann, frame_a: vec![Bin::default(); bins], frame_b: vec![Bin::default(); bins] }
    }

    /// Samples from one frame to the next.
    pub(crate) fn hop(&self) -> usize {
        self.transform.size() / 2
    }

    pub(crate) fn sums(&self) -> Sums {
        let bins = self.transform.bins();
        Sums { cross: vec![(0.0, 0.0); bins], a: vec![0.0; bins], b: vec![0.0; bins], frames: 0.0 }
    }

    /// Adds the frames that lie within `from..to` of B, on one piece of the course.
    pub(crate) fn add(&mut self, from: usize, to: usize, course: &Course, sums: &mut Sums) {
        let size = self.transform.size();
        let mut start = from;
        while start + size <= to.min(self.b.len()) {
            let middle = (start + size / 2) as f64;
            let piece = course.piece(middle);
            if course.piece(start as f64) == piece && course.piece((start + size) as f64) == piece {
                let offset = course.on(piece, middle);
                self.frame(start, offset, sums);
            }
            start += size / 2;
        }
    }

    fn frame(&mut self, start: usize, offset: f64, sums: &mut Sums) {
        let size = self.transform.size();
        let whole = offset.round();
        let Ok(start_a) = usize::try_from(start as i64 - whole as i64) else { return };
        let Some(a) = self.a.get(start_a..start_a + size) else { return };
        let b = &self.b[start..start + size];
        // A frame in which one of them is zeroed says nothing about either.
        if loud(a).min(loud(b)) < SILENCE {
            return;
        }
        for (block, out) in [(a, &mut self.frame_a), (b, &mut self.frame_b)] {
            for ((t, v), w) in self.transform.time.iter_mut().zip(block).zip(&self.hann) {
                *t = v * w;
            }
            self.transform.forward(out);
        }
        // Each bin is turned by one step more than the one before.
        let (sin, cos) = (self.transform.step() * (offset - whole)).sin_cos();
        let mut turn = (1.0, 0.0);
        for k in 0..self.frame_a.len() {
            let (x, y) = (self.frame_a[k], self.frame_b[k]);
            let c = y * x.conj();
            let (re, im) = (f64::from(c.re), f64::from(c.im));
            sums.cross[k].0 += re * turn.0 - im * turn.1;
            sums.cross[k].1 += re * turn.1 + im * turn.0;
            sums.a[k] += f64::from(x.norm_sqr());
            sums.b[k] += f64::from(y.norm_sqr());
            turn = (turn.0 * cos - turn.1 * sin, turn.0 * sin + turn.1 * cos);
        }
        sums.frames += 1.0;
    }

    /// Coherence, transfer function and the delay that all agree on.
    pub(crate) fn whole(&mut self, sums: &Sums) -> Option<Whole> {
        let bins = sums.a.len();
        if sums.frames < 1.0 {
            return None;
        }
        // Half-overlapping Hann frames are 0.7 of an independent look each (Carter, Knapp and Nuttall 1973: from memory).
        let looks = 0.7 * sums.frames.max(1.0 / 0.7);
        let half = ((LOOKS / looks).ceil() as usize).min(bins / 8) / 2;
        let looks = looks * (2 * half + 1) as f64 / if half > 0 { 1.5 } else { 1.0 };
        let smoothed = |pick: &dyn Fn(usize) -> f64, half: usize| running(bins, pick, half);
        let (re, im) = (smoothed(&|k| sums.cross[k].0, half), smoothed(&|k| sums.cross[k].1, half));
        let (pa, pb) = (smoothed(&|k| sums.a[k], half), smoothed(&|k| sums.b[k], half));
        // Below 20 Hz at 48 kHz lies nothing, near half the rate are the filters of converters.
        let (first, last) = ((bins / 1_000).max(1), bins * 9 / 10);
        let step = self.transform.step();
        let used = |k: usize| (first..last).contains(&k);
        let band = |k: usize| Band::new(k as f64 * step, (re[k], im[k]), pa[k], pb[k], looks);
        let passed = |k: usize| pb[k] / pa[k].max(f64::MIN_POSITIVE);
        let most = (first..last).filter(|k| band(*k).squared() > 0.5).map(passed).fold(0.0, f64::max);
        // Where a filter lets less than a thousandth through, its ripples turn the sign from bin to bin.
        let through = |k: usize| passed(k) / (passed(k) + 1e-3 * most).max(f64::MIN_POSITIVE);
        let weighed = |k: usize| Band { v: band(k).v * through(k), ..band(k) };
        let bands: Vec<Band> = (0..bins).map(|k| if used(k) { weighed(k) } else { Band::default() }).collect();

        // Direction of the transfer function: over many bins, as filters are smooth, so that no window finds itself in it.
        let wide = (bins / 256).max(2);
        let (dir_re, dir_im) =
            (smoothed(&|k| bands[k].v * bands[k].re, wide), smoothed(&|k| bands[k].v * bands[k].im, wide));
        let flat = delay::fit(&bands, 3.0, None)?;
        let minimum = self.minimum_phase(&bands, &pa, &pb, looks);
        let turned: Vec<Band> = bands
            .iter()
            .zip(&minimum)
            .map(|(b, phase)| {
                let (sin, cos) = phase.sin_cos();
                Band { re: b.re * cos + b.im * sin, im: b.im * cos - b.re * sin, ..*b }
            })
            .collect();
        let bent = delay::fit(&turned, 3.0, None)?;
        let (left_flat, left_bent) = (1.0 - flat.agreement, 1.0 - bent.agreement);
        let correction = if left_bent < 0.5 * left_flat { bent } else { flat };
        let (better, worse) = (left_flat.min(left_bent), left_flat.max(left_bent).max(1e-9));
        let of_filter = if correction == bent { 0.05 } else { 0.0 };
        let unsettled = (flat.samples - bent.samples).abs() * ((better / worse).powi(2) + of_filter).min(0.5);

        let coherence: Vec<f64> = bands.iter().map(|b| delay::unbiased(b.squared(), looks)).collect();
        let common: f64 = (first..last).map(|k| coherence[k] * pb[k]).sum();
        // All that is not common taken as noise of one machine.
        let alien = (1.0 - common / (first..last).map(|k| pb[k]).sum::<f64>()).clamp(0.0, 1.0).sqrt();
        let gain = (common / (first..last).map(|k| pa[k]).sum::<f64>()).sqrt();
        let weights = (0..bins)
            .map(|k| {
                let size = (re[k] * re[k] + im[k] * im[k]).sqrt();
                // Per look and frame: windows have looks of their own.
                if size > 0.0 && used(k) { bands[k].v / looks / size } else { 0.0 }
            })
            .collect();
        // Relative to the slope that all bins agree on: windows tell what they are off that.
        let direction = (0..bins)
            .map(|k| {
                let size = (dir_re[k] * dir_re[k] + dir_im[k] * dir_im[k]).sqrt();
                if size > 0.0 { (dir_re[k] / size, dir_im[k] / size) } else { (1.0, 0.0) }
            })
            .collect();
        Some(Whole { weights, direction, coherence, correction, unsettled, gain, alien })
    }

    /// The phase that a minimum-phase filter of this size would have.
    fn minimum_phase(&mut self, bands: &[Band], pa: &[f64], pb: &[f64], looks: f64) -> Vec<f64> {
        let bins = bands.len();
        // Where nothing is common the size says nothing: the nearest bin below that does stands in, or else the first above.
        let size = |k: usize| {
            let g2 = delay::unbiased(bands[k].squared(), looks);
            (g2 > 0.3).then(|| 0.5 * (g2 * pb[k] / pa[k]).max(1e-12).ln())
        };
        let known: Vec<Option<f64>> = (0..bins).map(size).collect();
        let mut held = known.iter().flatten().next().copied().unwrap_or(0.0);
        let mut filled: Vec<f64> = known
            .iter()
            .map(|s| {
                held = s.unwrap_or(held);
                held
            })
            .collect();
        extrapolate(&mut filled, known.iter().rposition(Option::is_some).unwrap_or(0));
        let log = running(bins, &|k| filled[k], (bins / 1_000).max(1));
        for (out, v) in self.frame_a.iter_mut().zip(&log) {
            *out = Bin::new(*v as f32, 0.0);
        }
        let n = self.transform.size();
        self.transform.inverse(&mut self.frame_a);
        // The cepstrum folded: what lies in negative time comes to positive time.
        for (i, t) in self.transform.time.iter_mut().enumerate() {
            let fold = if i == 0 || i == n / 2 {
                1.0
            } else if i < n / 2 {
                2.0
            } else {
                0.0
            };
            *t *= fold / n as f32;
        }
        self.transform.forward(&mut self.frame_a);
        self.frame_a.iter().map(|c| f64::from(c.im)).collect()
    }

    /// What one window says beside the course: its offset, and how alike its sounds are.
    pub(crate) fn window(&mut self, from: usize, to: usize, course: &Course, whole: &Whole) -> Option<(Point, f64)> {
        let mut sums = self.sums();
        self.add(from, to, course, &mut sums);
        if sums.frames < 1.0 {
            return None;
        }
        let bins = sums.a.len();
        let step = self.transform.step();
        let wide = (LOOKS / (0.7 * sums.frames.max(2.0)) * 1.5).ceil().max(1.0) as usize;
        let (mut alike, mut all) = (0.0, 0.0);
        let mut bands = Vec::with_capacity(bins / wide + 1);
        for low in (1..bins).step_by(wide) {
            let high = (low + wide).min(bins);
            let (mut re, mut im, mut w, mut v, mut pa, mut pb, mut g) = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0);
            for k in low..high {
                let ((x, y), (c, s)) = (sums.cross[k], whole.direction[k]);
                let (x, y) = (x * c + y * s, y * c - x * s);
                re += whole.weights[k] * x;
                im += whole.weights[k] * y;
                let size = whole.weights[k] * (x * x + y * y).sqrt();
                (w, v) = (w + size * k as f64, v + size);
                (pa, pb, g) =
                    (pa + whole.weights[k] * sums.a[k], pb + whole.weights[k] * sums.b[k], g + whole.coherence[k]);
            }
            if v <= 0.0 || pa * pb <= 0.0 {
                continue;
            }
            let looks = 0.7 * sums.frames * (high - low) as f64 / 1.5;
            let band = Band::new(w / v * step, (re, im), pa, pb, looks.max(1.5));
            all += g;
            alike += g * band.re;
            // The size of the weighted sum is what the band says in this window, however loud the window is.
            bands.push(band);
        }
        let d = delay::fit(&bands, 2.0, Some(1.0).filter(|_| alike >= 0.0).or(Some(-1.0)))?;
        let t = (from + to) as f64 / 2.0;
        let sure: f64 = if all > 0.0 { alike.abs() / all } else { 0.0 };
        Some((Point { t, y: course.at(t) + d.samples, variance: d.sigma * d.sigma }, sure.clamp(0.0, 1.0)))
    }
}

/// Goes on beyond the last bin known as digital low-passes do. Made from analogue ones by the bilinear transform they have `n` zeros
/// at half the sample rate, where `ln |1 + e^-jw|^n = n ln(2 cos(w / 2))`; `n` follows from the slope at the end of what is known,
/// `-n/2 tan(w / 2)`.
fn extrapolate(log: &mut [f64], last: usize) {
    let bins = log.len();
    let back = last.saturating_sub(bins / 16);
    if last + 1 >= bins || back == 0 {
        return;
    }
    let half_angle = |k: usize| std::f64::consts::FRAC_PI_2 * (k as f64 / (bins - 1) as f64).min(0.9995);
    let shape = |k: usize| half_angle(k).cos().ln();
    // The mean of the upper half of the stretch against that of the lower: less noisy than its ends.
    let middle = (back + last) / 2;
    let mean =
        |from: usize, to: usize, of: &dyn Fn(usize) -> f64| (from..to).map(of).sum::<f64>() / (to - from).max(1) as f64;
    let rise = |of: &dyn Fn(usize) -> f64| mean(middle, last, of) - mean(back, middle, of);
    let zeros = (rise(&|k| log[k]) / rise(&shape)).clamp(0.0, 8.0);
    let zeros = if zeros.is_finite() { zeros } else { 0.0 };
    let start = log[last] - zeros * shape(last);
    for (k, v) in log.iter_mut().enumerate().skip(last + 1) {
        *v = start + zeros * shape(k);
    }
}

/// Means over `2 half + 1` neighbours.
fn running(bins: usize, pick: &dyn Fn(usize) -> f64, half: usize) -> Vec<f64> {
    let mut values: Vec<f32> = Vec::new();
    if half == 0 {
        return (0..bins).map(pick).collect();
    }
    // Scaled to its largest, so that single precision is enough for what is smoothed.
    let top = (0..bins).map(pick).map(f64::abs).fold(0.0, f64::max);
    if top <= 0.0 {
        return vec![0.0; bins];
    }
    values.extend((0..bins).map(|k| (pick(k) / top) as f32));
    let mut sums = vec![0.0; bins + 1];
    smooth(&mut values, half, &mut sums);
    values.iter().map(|v| f64::from(*v) * top).collect()
}

/// Root of mean square.
pub(crate) fn loud(block: &[f32]) -> f64 {
    (block.iter().map(|v| f64::from(*v).powi(2)).sum::<f64>() / block.len().max(1) as f64).sqrt()
}
