//! The course of the offset through a recording: one drift, and steps between straight pieces.
//!
//! The cut is [`crate::segment`]'s. Both machines keep their crystals through a step, so all pieces share one slope: each
//! contributes by how well it ties the slope down. A boundary at which the pieces meet within five standard deviations, or a
//! quarter of a sample, is no step.
//!
//! Values are weighted by their own variance, and all variances are then scaled so that the scatter round the lines is what they
//! say; they are never scaled down.

use crate::segment::{Bin, Segmenter};

/// One window's offset.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Point {
    /// Middle, in samples of B.
    pub t: f64,
    /// Offset in samples, and its variance.
    pub y: f64,
    pub variance: f64,
}

/// A straight piece, valid from here to the next.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Piece {
    pub from: f64,
    /// Middle of its points, the offset there, and its variance.
    pub t: f64,
    pub y: f64,
    pub variance: f64,
    /// First and last point.
    pub first: f64,
    pub last: f64,
}

/// All of them.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Course {
    pub pieces: Vec<Piece>,
    pub slope: f64,
    /// `None` when there are too few points to tell a drift.
    pub slope_variance: Option<f64>,
}

/// Smallest step, in samples.
const SMALLEST: f64 = 0.25;
/// Standard deviations that make a step.
const CERTAIN: f64 = 5.0;
/// No window is believed to be better than this, in samples.
const FLOOR: f64 = 0.004;

impl Course {
    /// From windows in order. `None` when there are none.
    pub(crate) fn through(points: &[Point]) -> Option<Course> {
        let points = without_strays(points);
        let ends = cut(&points);
        let mut bounds = ends;
        loop {
            let course = Course::of(&points, &bounds)?;
            let small = |w: &[Piece]| {
                let gap = w[1].y - w[0].y - course.slope * (w[1].t - w[0].t);
                let sigma = (w[0].variance + w[1].variance).sqrt();
                (gap.abs() - SMALLEST.max(CERTAIN * sigma), gap)
            };
            let weakest = course.pieces.windows(2).map(small).enumerate().min_by(|x, y| x.1.0.total_cmp(&y.1.0));
            match weakest {
                Some((i, (over, _))) if over <= 0.0 => bounds.remove(i + 1),
                _ => return Some(course),
            };
        }
    }

    fn of(points: &[Point], bounds: &[usize]) -> Option<Course> {
        let mut pieces = Vec::new();
        let (mut stt, mut sty, mut free) = (0.0, 0.0, 0.0);
        for w in bounds.windows(2) {
            let part = &points[w[0]..w[1]];
            let (first, last) = (part.first()?, part.last()?);
            let weight: f64 = part.iter().map(weight_of).sum();
            let t = part.iter().map(|p| weight_of(p) * p.t).sum::<f64>() / weight;
            let y = part.iter().map(|p| weight_of(p) * p.y).sum::<f64>() / weight;
            stt += part.iter().map(|p| weight_of(p) * (p.t - t).powi(2)).sum::<f64>();
            sty += part.iter().map(|p| weight_of(p) * (p.t - t) * (p.y - y)).sum::<f64>();
            free += part.len() as f64 - 1.0;
            let from = match w[0] {
                0 => f64::NEG_INFINITY,
                i => (points[i - 1].t + points[i].t) / 2.0,
            };
            pieces.push(Piece { from, t, y, variance: 1.0 / weight, first: first.t, last: last.t });
        }
        let known = stt > 0.0 && free >= 2.0;
        let slope = if known { sty / stt } else { 0.0 };
        let chi: f64 = bounds
            .windows(2)
            .zip(&pieces)
            .flat_map(|(w, p)| points[w[0]..w[1]].iter().map(move |q| (q, p)))
            .map(|(q, p)| weight_of(q) * (q.y - p.y - slope * (q.t - p.t)).powi(2))
            .sum();
        // With few points the scatter may be small by luck: one degree of freedom is given away.
        let scale = if free > 1.0 { (chi / (free - 1.0)).max(1.0) } else { 1.0 };
        pieces.iter_mut().for_each(|p| p.variance *= scale);
        Some(Course { pieces, slope, slope_variance: known.then(|| scale / stt) })
    }

    /// The piece at an instant.
    pub(crate) fn piece(&self, t: f64) -> usize {
        self.pieces.iter().rposition(|p| p.from <= t).unwrap_or(0)
    }
    /// The offset there.
    pub(crate) fn at(&self, t: f64) -> f64 {
        self.on(self.piece(t), t)
    }
    /// The offset there if piece `i` reached so far.
    pub(crate) fn on(&self, i: usize, t: f64) -> f64 {
        self.pieces.get(i).map_or(0.0, |p| p.y + self.slope * (t - p.t))
    }
    /// Variance of [`Course::at`].
    pub(crate) fn variance(&self, t: f64) -> f64 {
        let p = self.pieces[self.piece(t)];
        p.variance + self.slope_variance.unwrap_or(0.0) * (t - p.t).powi(2)
    }
}

fn weight_of(p: &Point) -> f64 {
    1.0 / (p.variance + FLOOR * FLOOR)
}

/// Without those that stand alone: off the median of the seven round them by more than what they and the scatter allow.
fn without_strays(points: &[Point]) -> Vec<Point> {
    let n = points.len();
    if n < 5 {
        return points.to_vec();
    }
    let keep = |i: usize| {
        let from = i.saturating_sub(3).min(n.saturating_sub(7));
        let round = &points[from..(from + 7).min(n)];
        let mut y: Vec<f64> = round.iter().map(|p| p.y).collect();
        y.sort_by(f64::total_cmp);
        let median = y[y.len() / 2];
        let mut off: Vec<f64> = y.iter().map(|v| (v - median).abs()).collect();
        off.sort_by(f64::total_cmp);
        let scatter = off[off.len() / 2] / 0.6745;
        let neighbours = |j: Option<usize>| {
            j.and_then(|j| points.get(j)).is_some_and(|q| (q.y - points[i].y).abs() < 1.0 + 2.0 * scatter)
        };
        let stray = (points[i].y - median).abs() > (8.0 * scatter).max(1.0).max(7.0 * points[i].variance.sqrt());
        !stray || neighbours(i.checked_sub(1)) || neighbours(Some(i + 1))
    };
    (0..n).filter(|i| keep(*i)).map(|i| points[i]).collect()
}

/// Where pieces begin, and the end.
fn cut(points: &[Point]) -> Vec<usize> {
    let mut segmenter = Segmenter::<512>::new();
    let bin = |p: &Point| Bin { t: p.t, y: p.y, n: weight_of(p) };
    let penalty = |scale: f64| 2.0 * CERTAIN * CERTAIN * scale.max(1.0);
    for p in points {
        segmenter.push(bin(p), penalty(1.0));
    }
    segmenter.recut(penalty(segmenter.noise().unwrap_or(1.0)));
    let mut bounds: Vec<usize> = segmenter
        .pieces_backwards()
        .map(|p| if p.from == 0 { 0 } else { points.partition_point(|q| q.t < first_of(&segmenter, p.from)) })
        .collect();
    bounds.reverse();
    bounds.push(points.len());
    bounds.dedup();
    bounds
}

/// About where a bin begins: bins of long records are means of several points.
fn first_of(segmenter: &Segmenter<512>, i: usize) -> f64 {
    (segmenter.bin(i - 1).t + segmenter.bin(i).t) / 2.0
}
