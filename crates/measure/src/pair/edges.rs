//! When exactly: the sample at which a step was, and where a dropout begins and ends.
//!
//! **Steps.** Between the last window before and the first after, `b[n] = g a[n - old]` holds up to some sample and `b[n] = g a[n -
//! new]` from it on. The best sample is the one that minimises the sum of squared differences on both sides, found in one pass
//! over running sums.
//!
//! **Dropouts.** A stretch in which one machine stays within the last step of its converter (or 60 dB under its own level) while
//! the other sounds: louder than a tenth of its level, and half as loud again as what the two do not have in common, for noise
//! on one machine through a rest in the music is no dropout of the other.

use base::{Samples, Span};

use super::course::Course;
use super::fine::loud;
use super::{PairDropout, PairStep, Side};

pub(crate) struct Edges<'a> {
    a: &'a [f32],
    b: &'a [f32],
    rate: f64,
    alien: f64,
}

/// Shortest dropout, in seconds: shorter quiet is found in any music.
const SHORTEST: f64 = 0.001;
/// One step of 16 bits, with the dither that may come with it.
const STEP: f64 = 2.1 / 32_768.0;

impl<'a> Edges<'a> {
    /// `alien`: the share of amplitude that the two do not have in common.
    pub(crate) fn new(a: &'a [f32], b: &'a [f32], rate: f64, alien: f64) -> Edges<'a> {
        Edges { a, b, rate, alien }
    }

    /// Dates the steps of a course, in the course itself as well; `gain` with its sign, B over A.
    pub(crate) fn date(&self, course: &mut Course, gain: f64, window: usize) -> Vec<PairStep> {
        let mut steps = Vec::new();
        for i in 1..course.pieces.len() {
            let reach = window as f64;
            let from = (course.pieces[i - 1].last - reach / 2.0).max(0.0);
            let to = (course.pieces[i].first + reach / 2.0).min(self.b.len() as f64);
            let t = self.change(course, i, from as usize, to as usize, gain);
            course.pieces[i].from = t;
            steps.push(PairStep {
                at: Span::from_secs_f64(t / self.rate),
                from: Samples(course.on(i - 1, t)),
                to: Samples(course.on(i, t)),
            });
        }
        steps
    }

    fn change(&self, course: &Course, i: usize, from: usize, to: usize, gain: f64) -> f64 {
        let heard = |n: usize, piece: usize| {
            let place = n as f64 - course.on(piece, n as f64);
            let (whole, part) = (place.floor(), place.fract());
            let at = |k: f64| if k >= 0.0 { self.a.get(k as usize).copied().map_or(0.0, f64::from) } else { 0.0 };
            at(whole) + (at(whole + 1.0) - at(whole)) * part
        };
        let cost = |n: usize, piece: usize| (f64::from(self.b[n]) - gain * heard(n, piece)).powi(2);
        let mut sum = 0.0;
        // Both ends of the flat floor, if rest or a gap makes it flat: its middle is meant.
        let (mut best, mut first, mut last) = (0.0, from, from);
        for n in from..to {
            sum += cost(n, i - 1) - cost(n, i);
            if sum < best {
                (best, first, last) = (sum, n + 1, n + 1);
            } else if sum <= best + 1e-12 && last == n {
                last = n + 1;
            }
        }
        (first + last) as f64 / 2.0
    }

    /// Zeroed stretches of either.
    pub(crate) fn dropouts(&self, course: &Course) -> Vec<PairDropout> {
        let mut dropouts = Vec::new();
        for side in [Side::A, Side::B] {
            let (ours, theirs) = if side == Side::A { (self.a, self.b) } else { (self.b, self.a) };
            let quiet_of = |x: &[f32]| STEP.min(0.03 * loud(x)).max(0.001 * loud(x)) as f32;
            let shortest = (SHORTEST * self.rate).ceil() as usize;
            let enough = loud(theirs) * (1.5 * self.alien).max(0.1);
            // Where both are quiet is a rest.
            let rests = quiet_runs(theirs, quiet_of(theirs), shortest);
            for (from, to) in quiet_runs(ours, quiet_of(ours), shortest) {
                let middle = (from + to) as f64 / 2.0;
                let shift = match side {
                    Side::B => -course.at(middle),
                    // What A plays at a sample B plays an offset later.
                    Side::A => course.at(middle + course.at(middle)),
                }
                .round() as i64;
                // Only as far as the other one reaches.
                let low = (from as i64 + shift).clamp(0, theirs.len() as i64) as usize;
                let high = (to as i64 + shift).clamp(0, theirs.len() as i64) as usize;
                for (low, high) in without(low, high, &rests) {
                    // What is left beside a rest may be an echo or a filter dying away: it must be plain.
                    let whole = high - low == to - from;
                    let enough = if whole { enough } else { 2.0 * enough };
                    if high - low >= shortest && loud(&theirs[low..high]) > enough {
                        let ours = |n: usize| Samples((n as i64 - shift) as f64);
                        dropouts.push(PairDropout { side, from: ours(low), to: ours(high) });
                    }
                }
            }
        }
        dropouts
    }
}

/// What is left of a stretch without these (in order).
fn without(from: usize, to: usize, gaps: &[(usize, usize)]) -> Vec<(usize, usize)> {
    let mut left = Vec::new();
    let mut start = from;
    let first = gaps.partition_point(|g| g.1 <= from);
    for (a, b) in gaps[first..].iter().take_while(|g| g.0 < to) {
        if *a > start {
            left.push((start, *a));
        }
        start = (*b).max(start);
    }
    if start < to {
        left.push((start, to));
    }
    left
}

/// Runs of at least `shortest` samples within `quiet` of zero.
fn quiet_runs(x: &[f32], quiet: f32, shortest: usize) -> Vec<(usize, usize)> {
    let mut runs = Vec::new();
    let mut start = None;
    for n in 0..=x.len() {
        let is_quiet = x.get(n).is_some_and(|v| v.abs() <= quiet);
        match (is_quiet, start) {
            (true, None) => start = Some(n),
            (false, Some(from)) => {
                if n - from >= shortest {
                    runs.push((from, n));
                }
                start = None;
            }
            _ => {}
        }
    }
    runs
}
