//! A whole record of offsets looked at afterwards: pieces, steps, one drift with its uncertainty.
//!
//! The cut is the live tracker's (`segment.rs`), over block means of the record; then each boundary is set to the very
//! sample, and the lines are fitted to the samples themselves. A boundary at which the two lines meet and agree is
//! taken out again, and one at which they meet and part is a bend: new piece, no step.
//!
//! The uncertainty of the drift is two standard deviations (coverage factor 2, about 95 %), from the long-run variance
//! of the noise: residuals that hang together for k samples tell only as much as one in k. It is taken as the greatest
//! of the robust multi-length estimate of `segment.rs` and `variance (1 + r) / (1 - r)`, with r the correlation of
//! neighbouring blocks' residuals (a first-order autoregression).

use base::{Ppm, Span};

use crate::offset::penalty_factor;
use crate::segment::{Bin, Segmenter};

/// One offset of a record.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct OffsetPoint {
    /// When, from any zero.
    pub at: Span,
    /// The offset.
    pub offset: Span,
}

/// A straight piece.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct DriftSegment {
    /// Its first sample.
    pub from: Span,
    /// Its last sample.
    pub to: Span,
    /// Its own drift.
    pub drift: Ppm,
}

/// A step between two pieces.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct DriftStep {
    /// The first sample after it.
    pub at: Span,
    /// Offset after, minus before.
    pub size: Span,
}

/// What a record says.
#[derive(Clone, PartialEq, Debug)]
pub struct DriftReport {
    /// The slope common to the pieces, each weighted by how well it ties the slope down.
    pub drift: Option<Ppm>,
    /// Twice its standard deviation.
    pub uncertainty: Option<Ppm>,
    /// The offset in the first second, on the first piece's line.
    pub start_skew: Span,
    /// The steps, in order.
    pub steps: Vec<DriftStep>,
    /// The pieces, in order.
    pub segments: Vec<DriftSegment>,
    /// The offset farthest from zero.
    pub worst: Span,
}

/// Blocks that a long record is averaged into.
const BLOCKS: usize = 512;
/// No smaller change is a step, in seconds.
const SMALLEST_STEP: f64 = 50e-6;
/// Standard deviations that make a step or a bend.
const CERTAIN: f64 = 5.0;
/// Noise of a sample below this is not believed, in seconds: rounding of the record.
const SAMPLE_FLOOR: f64 = 20e-9;

/// Looks at a record in order of time. `None` when it is empty.
pub fn analyse(points: &[OffsetPoint]) -> Option<DriftReport> {
    let first = points.first()?;
    let (zero_t, zero_y) = (first.at, first.offset);
    let raw: Vec<(f64, f64)> =
        points.iter().map(|p| ((p.at - zero_t).secs_f64(), (p.offset - zero_y).secs_f64())).collect();
    let clean = without_spikes(&raw);
    let (ends, noise) = cut(&clean);
    let sums = Sums::over(&clean);
    let mut bounds = without_slivers(&sums, ends, noise);
    refine(&clean, &sums, &mut bounds);
    let bounds = prune(&sums, &clean, bounds, noise);
    let lines: Vec<Line> = bounds.windows(2).map(|w| sums.line(w[0], w[1])).collect();
    let noise = noise.max(residual_noise(&clean, &bounds, &lines));

    let stt: f64 = lines.iter().map(|l| l.stt).sum();
    let slope = if stt > 0.0 { lines.iter().map(|l| l.slope * l.stt).sum::<f64>() / stt } else { 0.0 };
    let known = clean.len() > 2 && stt > 0.0;
    // Pieces that part by more than their noise have no one drift: then their spread is the doubt.
    let spread: f64 = lines.iter().map(|l| (l.stt * (l.slope - slope)).powi(2)).sum::<f64>() / stt.max(1e-30).powi(2);
    let sigma = (noise / stt.max(1e-30)).max(spread).sqrt();
    let steps = lines
        .windows(2)
        .zip(&bounds[1..])
        .filter_map(|(w, b)| {
            let (size, sigma, _) = meeting(&w[0], &w[1], (clean[*b - 1].0 + clean[*b].0) / 2.0, noise);
            let at = zero_t + Span::from_secs_f64(clean[*b].0);
            (size.abs() > SMALLEST_STEP.max(CERTAIN * sigma)).then(|| DriftStep { at, size: Span::from_secs_f64(size) })
        })
        .collect();
    let segments = lines
        .iter()
        .zip(bounds.windows(2))
        .map(|(l, w)| DriftSegment {
            from: zero_t + Span::from_secs_f64(clean[w[0]].0),
            to: zero_t + Span::from_secs_f64(clean[w[1] - 1].0),
            drift: Ppm(l.slope * 1e6),
        })
        .collect();
    let worst = points.iter().map(|p| p.offset).max_by_key(|o| o.abs())?;
    Some(DriftReport {
        drift: known.then_some(Ppm(slope * 1e6)),
        uncertainty: known.then_some(Ppm(2.0 * sigma * 1e6)),
        start_skew: zero_y + Span::from_secs_f64(start(&clean, &lines[0], bounds[1])),
        steps,
        segments,
        worst,
    })
}

/// Samples without those that stand alone: seven scaled median deviations off the median of the eleven round them
/// (Hampel's identifier), with neighbours on both sides that do not.
fn without_spikes(raw: &[(f64, f64)]) -> Vec<(f64, f64)> {
    const HALF: usize = 5;
    if raw.len() < 4 * HALF {
        return raw.to_vec();
    }
    let mut window = Vec::with_capacity(2 * HALF + 1);
    let mut median = |ys: &mut dyn Iterator<Item = f64>| {
        window.clear();
        window.extend(ys);
        let k = window.len() / 2;
        *window.select_nth_unstable_by(k, f64::total_cmp).1
    };
    let mut off: Vec<f64> = Vec::with_capacity(raw.len());
    for i in 0..raw.len() {
        let (from, to) = (i.saturating_sub(HALF), (i + HALF + 1).min(raw.len()));
        let middle = median(&mut raw[from..to].iter().map(|p| p.1));
        off.push((raw[i].1 - middle).abs());
    }
    let typical = median(&mut off.iter().copied()).max(SAMPLE_FLOOR) / 0.6745;
    let is_off = |i: usize| off[i] > 7.0 * typical;
    let alone = |i: usize| {
        let close = |j: usize| (raw[j].1 - raw[i].1).abs() < 0.5 * off[i];
        is_off(i) && !(i > 0 && close(i - 1)) && !(i + 1 < raw.len() && close(i + 1))
    };
    (0..raw.len()).filter(|&i| !alone(i)).map(|i| raw[i]).collect()
}

/// The live cut over block means: the boundaries as sample indices, 0 and the end among them, and the noise.
fn cut(clean: &[(f64, f64)]) -> (Vec<usize>, f64) {
    let size = clean.len().div_ceil(BLOCKS).max(1);
    let blocks: Vec<Bin> = clean
        .chunks(size)
        .map(|c| {
            let n = c.len() as f64;
            Bin { t: c.iter().map(|p| p.0).sum::<f64>() / n, y: c.iter().map(|p| p.1).sum::<f64>() / n, n }
        })
        .collect();
    let mut pieces: Box<Segmenter<BLOCKS>> = Box::new(Segmenter::new());
    blocks.iter().for_each(|b| pieces.push(*b, f64::INFINITY));
    let noise = pieces.noise().unwrap_or(0.0).max(SAMPLE_FLOOR * SAMPLE_FLOOR);
    *pieces = Segmenter::new();
    let penalty = penalty_factor(blocks.len()) * noise;
    blocks.iter().for_each(|b| pieces.push(*b, penalty));
    let mut ends: Vec<usize> = pieces.pieces_backwards().map(|p| p.from * size).collect();
    ends.reverse();
    ends.push(clean.len());
    (ends, noise)
}

#[derive(Clone, Copy, Debug, Default)]
struct Line {
    n: f64,
    t: f64,
    y: f64,
    slope: f64,
    stt: f64,
    sse: f64,
}

impl Line {
    fn at(&self, t: f64) -> f64 {
        self.y + self.slope * (t - self.t)
    }
    /// Variance of the line at `t`, for noise of 1.
    fn doubt(&self, t: f64) -> f64 {
        let lever = if self.stt > 0.0 { (t - self.t).powi(2) / self.stt } else { 0.0 };
        1.0 / self.n.max(1.0) + lever
    }
}

/// Running sums over samples: n, t, y, tt, ty, yy.
struct Sums(Vec<[f64; 6]>);

impl Sums {
    fn over(samples: &[(f64, f64)]) -> Sums {
        let mut s = [0.0; 6];
        let mut all = vec![s];
        for (t, y) in samples {
            for (sum, x) in s.iter_mut().zip([1.0, *t, *y, t * t, t * y, y * y]) {
                *sum += x;
            }
            all.push(s);
        }
        Sums(all)
    }
    fn line(&self, from: usize, to: usize) -> Line {
        let mut d = self.0[to];
        for (x, a) in d.iter_mut().zip(self.0[from]) {
            *x -= a;
        }
        let [n, t, y, tt, ty, yy] = d;
        if n < 1.0 {
            return Line::default();
        }
        let (t, y) = (t / n, y / n);
        let stt = (tt - n * t * t).max(0.0);
        let slope = if n >= 2.0 && stt > 0.0 { (ty - n * t * y) / stt } else { 0.0 };
        let sse = (yy - n * y * y - slope * slope * stt).max(0.0);
        Line { n, t, y, slope, stt, sse }
    }
}

/// How two lines meet at `t`: the jump there, its standard deviation, and the difference of slopes over its own.
fn meeting(a: &Line, b: &Line, t: f64, noise: f64) -> (f64, f64, f64) {
    let apart = (b.slope - a.slope).abs();
    let slope_sigma = (noise * (1.0 / a.stt.max(1e-30) + 1.0 / b.stt.max(1e-30))).sqrt();
    if apart <= CERTAIN * slope_sigma {
        // One slope for both: the jump is known better.
        let stt = (a.stt + b.stt).max(1e-30);
        let slope = (a.slope * a.stt + b.slope * b.stt) / stt;
        let variance = 1.0 / a.n + 1.0 / b.n + (b.t - a.t).powi(2) / stt;
        return (b.y - a.y - slope * (b.t - a.t), (noise * variance).sqrt(), apart / slope_sigma);
    }
    // A bend is set to a block at best, and lines that part meet within some blocks of it: that is no step.
    let jump = b.at(t) - a.at(t);
    let meet = jump.abs() / apart;
    let room = 0.1 * (a.stt / a.n.max(1.0)).min(b.stt / b.n.max(1.0)).sqrt();
    let jump = if meet < room { 0.0 } else { jump };
    (jump, (noise * (a.doubt(t) + b.doubt(t))).sqrt(), apart / slope_sigma)
}

/// A step inside a block leaves a mixed block, for which the cut makes a sliver of its own. Two boundaries that close
/// become one where one does as well.
fn without_slivers(sums: &Sums, mut bounds: Vec<usize>, noise: f64) -> Vec<usize> {
    let end = bounds.last().copied().unwrap_or(0);
    let size = end.div_ceil(BLOCKS).max(1);
    let penalty = penalty_factor(bounds.len().max(end / size)) * noise;
    let mut i = 1;
    while i + 2 < bounds.len() {
        let [before, from, to, after] = [bounds[i - 1], bounds[i], bounds[i + 1], bounds[i + 2]];
        if to - from > 5 * size {
            i += 1;
            continue;
        }
        let three = sums.line(before, from).sse + sums.line(from, to).sse + sums.line(to, after).sse;
        let low = from.saturating_sub(size).max(before + 2);
        let high = (to + size).min(after.saturating_sub(2));
        let best = (low..=high)
            .map(|k| (sums.line(before, k).sse + sums.line(k, after).sse, k))
            .min_by(|a, b| a.0.total_cmp(&b.0));
        match best {
            Some((two, k)) if two < three + penalty => {
                bounds.remove(i + 1);
                bounds[i] = k;
            }
            _ => i += 1,
        }
    }
    bounds
}

/// Takes out the boundaries that neither step nor bend, the weakest first.
fn prune(sums: &Sums, clean: &[(f64, f64)], mut bounds: Vec<usize>, noise: f64) -> Vec<usize> {
    loop {
        let strength = |i: usize| {
            let (a, b) = (sums.line(bounds[i - 1], bounds[i]), sums.line(bounds[i], bounds[i + 1]));
            let (size, sigma, bend) = meeting(&a, &b, clean[bounds[i]].0, noise);
            let step = if size.abs() > SMALLEST_STEP { size.abs() / sigma } else { 0.0 };
            step.max(bend)
        };
        let weakest = (1..bounds.len() - 1).map(|i| (i, strength(i))).min_by(|a, b| a.1.total_cmp(&b.1));
        match weakest {
            Some((i, s)) if s < CERTAIN => bounds.remove(i),
            _ => return bounds,
        };
    }
}

/// Sets each boundary to the sample where the two lines fit best, within the blocks that touch it.
fn refine(clean: &[(f64, f64)], sums: &Sums, bounds: &mut [usize]) {
    let size = clean.len().div_ceil(BLOCKS).max(1);
    for i in 1..bounds.len().saturating_sub(1) {
        let (before, here, after) = (bounds[i - 1], bounds[i], bounds[i + 1]);
        let from = here.saturating_sub(2 * size).max(before + 2);
        let to = (here + 2 * size).min(after.saturating_sub(2));
        if from >= to {
            continue;
        }
        // Lines from the samples that surely belong to either side.
        let (a, b) = (sums.line(before, from), sums.line(to, after));
        let cost = |p: &(f64, f64), l: &Line| (p.1 - l.at(p.0)).powi(2);
        let mut sum: f64 = clean[from..to].iter().map(|p| cost(p, &b)).sum();
        let mut best = (sum, from);
        for (k, p) in clean[from..to].iter().enumerate() {
            sum += cost(p, &a) - cost(p, &b);
            if sum < best.0 {
                best = (sum, from + k + 1);
            }
        }
        bounds[i] = best.1;
    }
}

/// Long-run variance of a sample's noise from the residuals' own correlation.
fn residual_noise(clean: &[(f64, f64)], bounds: &[usize], lines: &[Line]) -> f64 {
    let size = clean.len().div_ceil(BLOCKS).max(1);
    let (mut square, mut product, mut blocks, mut pairs, mut last) = (0.0, 0.0, 0.0, 0.0, None);
    for (w, line) in bounds.windows(2).zip(lines) {
        for c in clean[w[0]..w[1]].chunks_exact(size) {
            let r = c.iter().map(|p| p.1 - line.at(p.0)).sum::<f64>() / size as f64;
            square += r * r;
            blocks += 1.0;
            if let Some(before) = last.replace(r) {
                product += r * before;
                pairs += 1.0;
            }
        }
    }
    let free: f64 = blocks - 2.0 * lines.len() as f64;
    if free < 8.0 || pairs < 8.0 || square <= 0.0 {
        return if free > 0.0 { square / free * size as f64 } else { 0.0 };
    }
    let r = product / square * (blocks / pairs);
    // Marriott and Pope (1954): the correlation is under-estimated by about (1 + 4 r) / n.
    let r = (r + (1.0 + 4.0 * r) / blocks).clamp(0.0, 0.97);
    square / free * size as f64 * (1.0 + r) / (1.0 - r)
}

/// The offset in the first second: the first piece's line where that is longer, else the mean.
fn start(clean: &[(f64, f64)], line: &Line, end: usize) -> f64 {
    let early: Vec<_> = clean.iter().take_while(|p| p.0 < 1.0).collect();
    let n = early.len() as f64;
    if end > early.len() {
        return line.at(early.iter().map(|p| p.0).sum::<f64>() / n);
    }
    early.iter().map(|p| p.1).sum::<f64>() / n
}
