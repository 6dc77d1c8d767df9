//! Where B holds what A holds, window by window.
//!
//! Up to eight long stretches of A (anchors) are looked for in B over a minute either way: long, since only length tells weak likeness from
//! chance. Each gives a lag. A window of B then tries the lag of the window before it within 10 ms, the anchors' lags, and last
//! the whole of its own length round them; the first that is believed is taken, so that windows of repeating material stay where the
//! anchors put them and a jump is followed.

use super::comparator::{Comparator, Found, Peak, SILENCE};
use super::course::{Course, Point};
use super::fine::loud;

/// One window of B and what was found for it.
pub(crate) struct Window {
    pub from: usize,
    pub to: usize,
    /// Whether both sound there, at the lag expected.
    pub sounds: bool,
    pub found: Option<Point>,
    pub confidence: f64,
}

impl Window {
    /// No other window bears it out: it is alike by chance, and chance leaves little to believe.
    pub(crate) fn doubt(&mut self) {
        self.found = None;
        self.confidence *= 0.25;
    }
}

/// An anchor's answer.
#[derive(Clone, Copy, Debug)]
struct Anchor {
    /// Its middle in B.
    at: f64,
    lag: i64,
    above_chance: f64,
    found: Found,
}

pub(crate) struct Tracker<'a> {
    a: &'a [f32],
    b: &'a [f32],
    rate: f64,
    window: usize,
    anchors: Vec<Anchor>,
    best: Anchor,
    comparator: Comparator,
}

/// Length of an anchor, in seconds.
const ANCHOR: f64 = 8.0;
/// How far apart recordings may lie, in seconds.
const FARTHEST: f64 = 60.0;
/// An anchor this far above chance is believed, in standard deviations.
const ANCHOR_SURE: f64 = 2.5;
/// A window with this confidence matches.
const MATCHES: f64 = 0.2;

impl<'a> Tracker<'a> {
    /// `None` when nothing of A is found in B.
    pub(crate) fn new(a: &'a [f32], b: &'a [f32], rate: f64, window: Option<f64>) -> Option<Tracker<'a>> {
        let anchors = anchors(a, b, rate);
        let sure = |x: &&Anchor| x.above_chance > ANCHOR_SURE;
        let best = *anchors.iter().filter(sure).max_by(|x, y| x.above_chance.total_cmp(&y.above_chance))?;
        let shared = shared(a.len(), b.len(), best.lag) as f64;
        let longest = shared.max(16.0);
        let window = window.unwrap_or((shared / 16.0).clamp(0.1 * rate, rate)).clamp(16.0, longest) as usize;
        let comparator = Comparator::new(2 * window);
        Some(Tracker { a, b, rate, window, anchors, best, comparator })
    }

    pub(crate) fn window(&self) -> usize {
        self.window
    }
    /// Length of a frame of the second look.
    pub(crate) fn frame(&self) -> usize {
        ((0.17 * self.rate) as usize).min(self.window)
    }
    pub(crate) fn sign(&self) -> f64 {
        self.best.found.sign
    }
    pub(crate) fn gain(&self) -> f64 {
        self.best.found.gain
    }

    /// All windows in which both have something at the lag expected.
    pub(crate) fn follow(&mut self) -> Vec<Window> {
        let mut windows = Vec::new();
        let mut last = None;
        for from in (0..self.b.len()).step_by(self.window) {
            let to = from + self.window;
            if to > self.b.len() && from > 0 {
                break;
            }
            let to = to.min(self.b.len());
            let expected = last.unwrap_or_else(|| self.nearest((from + to) as f64 / 2.0).lag);
            let start = from as i64 - expected;
            let covered = (to as i64 - expected).min(self.a.len() as i64) - start.max(0);
            if covered * 2 < (to - from) as i64 {
                continue;
            }
            let level = |x: &[f32], from: i64, to: i64| {
                let bound = |v: i64| v.clamp(0, x.len() as i64) as usize;
                loud(&x[bound(from)..bound(to)])
            };
            let sounds =
                level(self.b, from as i64, to as i64) > SILENCE && level(self.a, start, to as i64 - expected) > SILENCE;
            let mut w = Window { from, to, sounds, found: None, confidence: 0.0 };
            if sounds {
                let (confidence, found) = self.look(from, to, last);
                w.confidence = confidence;
                w.found = found;
                if let Some(p) = w.found {
                    last = Some(p.y.round() as i64);
                }
            }
            windows.push(w);
        }
        windows
    }

    fn nearest(&self, t: f64) -> Anchor {
        let sure = self.anchors.iter().filter(|x| x.above_chance > ANCHOR_SURE);
        sure.min_by(|x, y| (x.at - t).abs().total_cmp(&(y.at - t).abs())).copied().unwrap_or(self.best)
    }

    /// The best lag for one window.
    fn look(&mut self, from: usize, to: usize, last: Option<i64>) -> (f64, Option<Point>) {
        let t = (from + to) as f64 / 2.0;
        let near = (0.01 * self.rate).ceil() as i64;
        let wide = (to - from) as i64 * 3 / 4;
        let mut tries: Vec<(i64, i64)> = Vec::new();
        let anchor = self.nearest(t).lag;
        tries.extend(last.map(|l| (l, near)));
        tries.push((anchor, near));
        tries.extend(self.anchors.iter().filter(|x| x.above_chance > ANCHOR_SURE).map(|x| (x.lag, near)));
        tries.push((last.unwrap_or(anchor), wide));
        tries.push((anchor, wide));
        tries.dedup();
        let mut best = (0.0, None);
        let mut done: Vec<(i64, i64)> = Vec::new();
        for (lag, reach) in tries {
            if done.iter().any(|(l, r)| (l - lag).abs() + reach <= *r + 4) {
                continue;
            }
            done.push((lag, reach));
            let Some(found) = self.one(from, to, lag, reach) else { continue };
            if found.confidence > best.0 {
                let point = Point { t, y: found.lag, variance: found.sigma.powi(2) };
                best = (found.confidence, Some(point).filter(|_| found.confidence >= MATCHES));
            }
            if best.0 > 0.6 {
                break;
            }
        }
        best
    }

    fn one(&mut self, from: usize, to: usize, lag: i64, reach: i64) -> Option<Found> {
        let bound = |v: i64| v.clamp(0, self.a.len() as i64) as usize;
        let start = bound(from as i64 - lag);
        let a = &self.a[start..bound(to as i64 - lag)];
        let b = &self.b[from..to];
        // What is left of the lag between the two cuts.
        let here = lag - (from as i64 - start as i64);
        let peak = self.comparator.search(a, b, here - reach, here + reach, here)?;
        let mut found = self.comparator.refine(a, b, peak)?;
        found.lag += from as f64 - start as f64;
        Some(found)
    }

    /// The period at which the material repeats, from the longest stretch on one piece, up to 20 s of it.
    pub(crate) fn period(&self, course: &Course) -> Option<f64> {
        let piece = course.pieces.iter().max_by(|x, y| (x.last - x.first).total_cmp(&(y.last - y.first)))?;
        let half = self.window as f64 / 2.0;
        let longest = 20.0 * self.rate;
        let from = (piece.first - half).max((piece.first + piece.last) / 2.0 - longest / 2.0).max(0.0);
        let to = (piece.last + half).min(from + longest).min(self.b.len() as f64);
        // Drift is taken out to the next sample, lest it smear what repeats.
        let offset = |t: f64| piece.y + course.slope * (t - piece.t);
        let bound = |v: f64| v.clamp(0.0, self.a.len() as f64) as usize;
        let (start, end) = (bound(from - offset(from)), bound(to - offset(to)));
        let a = self.a.get(start..end)?;
        let b: Vec<f32> = (start..end)
            .map(|n| {
                let t = n as f64 + offset(n as f64 + offset(n as f64));
                if t >= 0.0 { self.b.get(t.round() as usize).copied().unwrap_or(0.0) } else { 0.0 }
            })
            .collect();
        Comparator::new(a.len() + b.len()).period(a, &b, 0)
    }
}

/// Samples that both have at this lag.
fn shared(na: usize, nb: usize, lag: i64) -> i64 {
    (nb as i64).min(na as i64 + lag) - lag.max(0)
}

/// Long stretches of A, looked for in B.
fn anchors(a: &[f32], b: &[f32], rate: f64) -> Vec<Anchor> {
    let length = a.len().min((ANCHOR * rate) as usize).max(16);
    let count = (a.len().div_ceil(length)).clamp(1, 8);
    let farthest = (FARTHEST * rate) as usize;
    let widest = b.len().min(length + 2 * farthest);
    let mut comparator = Comparator::new(length + widest);
    let mut anchors = Vec::new();
    for i in 0..count {
        let start = if count > 1 { (a.len() - length) * i / (count - 1) } else { 0 };
        let from = start.saturating_sub(farthest).min(b.len());
        let to = (start + length + farthest).min(b.len());
        let (block, region) = (&a[start..start + length], &b[from..to]);
        if region.len() < 16 {
            continue;
        }
        let shift = start as i64 - from as i64;
        // Lag zero of the files is `shift` here.
        let (low, high) = (1 - length as i64, region.len() as i64 - 1);
        let Some(peak) = comparator.search(block, region, low, high, shift) else { continue };
        let Some(found) = comparator.refine(block, region, peak) else { continue };
        let Peak { lag, above_chance } = peak;
        let lag = lag - shift;
        anchors.push(Anchor { at: (start + length / 2) as f64 + lag as f64, lag, above_chance, found });
    }
    anchors
}

/// Nothing but silence, or a constant.
pub(crate) fn is_silent(x: &[f32]) -> bool {
    let mean = x.iter().map(|v| f64::from(*v)).sum::<f64>() / x.len().max(1) as f64;
    let rms = (x.iter().map(|v| (f64::from(*v) - mean).powi(2)).sum::<f64>() / x.len().max(1) as f64).sqrt();
    rms <= SILENCE.max(1e-7 * mean.abs())
}
