//! From samples to edges: where the level changes sides, to a fraction of a sample.
//!
//! 1. A short running mean takes out what noise lies above the code. Before the code's speed is known it is about half of
//!    the shortest half cell to be expected, afterwards half of the real one, so that it shifts no edge; its delay (half
//!    its length) is taken off each edge's time.
//! 2. A baseline `b` takes out DC and hum. A plain high-pass would wander with the code, since single bits hold their
//!    level; instead only what is left after the code itself has been subtracted is averaged (quantised feedback):
//!    `b += a (v - b - t s)` with side `s` = +-1 and the flat tops' height `t`. A constant code leaves no residue, however long its cells.
//! 3. The level `m` is the running mean of `|v - b|`: a square's own height, whatever its sides decided.
//! 4. A side is left when the signal has passed `HYSTERESIS m` beyond the baseline.
//! 5. Just before an edge the baseline has followed its slope a little, which would time every edge late or early alike. So
//!    edges are timed by a second one, which learns from flat tops alone: from the mean that lies so far back that an edge
//!    after it would have shown by now. The time is the middle of the first and last crossing of it on the way, each
//!    interpolated between its two samples: noise moves both alike, once early and once late.
//!
//! Most samples only confirm that nothing happens: they lie between two bounds, and go through a short loop that adds them
//! up. Baseline and level follow by the sums of a few of them at a time.
//!
//! When no edge has come for longer than any cell lasts, the side is unknown, and the baseline follows the mean, so that
//! a step of DC or level cannot lock it out. A sudden sound is an edge too (`onset`).

use super::mean::{LENGTH_MAX, Mean};
use super::onset::Rise;

/// How far beyond the baseline, as a share of the level, the signal must go to be on the other side.
const HYSTERESIS: f64 = 0.2;
/// A signal this many times the level is an onset.
const ONSET: f64 = 4.0;
/// Below this level there is nothing but rounding: about -80 dBFS.
const FLOOR: f64 = 1e-4;
/// The running mean's length as a share of a half cell.
const MEAN_SHARE: f64 = 0.55;
/// Baseline and level follow each time so many seconds of calm samples have come, at least and at most so many samples.
const STRIDE_TIME: f64 = 0.25e-3;
const STRIDE_MIN: usize = 4;
const STRIDE_MAX: usize = 32;
/// So many samples of a flat top are taken for the finer baseline.
const FLAT: usize = 4;

/// Time constants in seconds: the baseline's and the level's with known sides, and both with unknown sides.
const BASE_TIME: f64 = 0.5e-3;
const LEVEL_TIME: f64 = 2e-3;
const SEEK_TIME: f64 = 1e-3;
/// No cell of code at half speed lasts as long: 24 frames a second at half speed have bits of 1.04 ms.
const TIMEOUT: f64 = 2.2e-3;

/// What the slicer has seen. Times are in samples, the sample rate the slicer was made for.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) enum Sliced {
    /// The level changed sides at this sample, after so many samples between the sides.
    Edge {
        /// When.
        at: f64,
        /// How long the change took.
        took: f64,
    },
    /// Sound began.
    Onset(f64),
    /// No edge for longer than any cell. The last sample at which the level still stood on its side.
    Lost(f64),
}

/// What follows the signal.
#[derive(Clone, Copy, Debug)]
struct Gains {
    base: f64,
    level: f64,
    seek: f64,
}

/// The front end.
#[derive(Clone, Debug)]
pub(super) struct Slicer {
    mean: Mean,
    shortest: usize,
    /// So many calm samples are followed at a time.
    stride: usize,
    /// The half cell that the length was last chosen for; 0 when it was unknown.
    planned_for: f64,
    /// The length to change to at the next flat top.
    wanted: usize,
    gains: Gains,
    timeout: u32,
    seek_wait: u32,

    base: f64,
    level: f64,
    threshold: f64,
    /// The finer baseline that edges are timed by, and the flat tops' height over it.
    middle: f64,
    top: f64,
    /// +1, -1, or 0 when unknown.
    side: f64,
    rise: Rise,

    /// Sums between these say that nothing happens.
    low: f64,
    high: f64,
    /// Calm samples since the last update: how many, and the sum of their sums.
    calm: usize,
    calm_sum: f64,
    /// Samples since the last edge, and after how many something is due.
    since: u32,
    due: u32,
    /// First and last crossing of the middle since the level stood on its side; first is NaN before any.
    first: f64,
    last: f64,
    /// The last sample on the side's flat top.
    stood: f64,
}

impl Slicer {
    /// For a sample rate and the shortest half cell, both in samples.
    pub(super) fn new(sample_rate: f64, half_cell: f64) -> Slicer {
        let stride = ((STRIDE_TIME * sample_rate) as usize).clamp(STRIDE_MIN, STRIDE_MAX);
        let gain = |time: f64| (1.0 / (time * sample_rate)).min(0.35 / stride as f64);
        let mut s = Slicer {
            mean: Mean::new(length_for(half_cell)),
            shortest: length_for(half_cell),
            stride,
            planned_for: 0.0,
            wanted: 1,
            gains: Gains { base: gain(BASE_TIME), level: gain(LEVEL_TIME), seek: gain(SEEK_TIME) },
            timeout: (TIMEOUT * sample_rate) as u32,
            seek_wait: (1.5 * SEEK_TIME * sample_rate) as u32,
            base: 0.0,
            level: FLOOR / 10.0,
            threshold: FLOOR,
            middle: 0.0,
            top: 0.0,
            side: 0.0,
            rise: Rise::none(),
            low: 0.0,
            high: 0.0,
            calm: 0,
            calm_sum: 0.0,
            since: 0,
            due: 0,
            first: f64::NAN,
            last: 0.0,
            stood: 0.0,
        };
        s.wanted = s.shortest;
        s.plan();
        s
    }

    /// The level at present, as an amplitude.
    pub(super) fn level(&self) -> f64 {
        self.level
    }

    /// The signal ended: until when the level stood on its side.
    pub(super) fn stood(&self) -> f64 {
        // The running mean has not caught up with the last samples; what it saw last is all that is known of them.
        let end = self.mean.count() as f64;
        if self.stood + 1.0 >= end { end - 0.5 } else { self.stood - self.mean.delay }
    }

    /// The code's half cell in samples, as known now; None when it is not.
    pub(super) fn on_half_cell(&mut self, half_cell: Option<f64>) {
        let half_cell = half_cell.unwrap_or(0.0);
        if (half_cell - self.planned_for).abs() <= 0.05 * half_cell {
            return;
        }
        self.planned_for = half_cell;
        let wanted = length_for(half_cell).max(self.shortest);
        // Small changes are not worth the jolt. On an edge, means of unlike lengths stand on unlike sides: wait until it is
        // past for both.
        if wanted.abs_diff(self.mean.length) * 5 > self.mean.length {
            self.wanted = wanted;
            if self.side == 0.0 && !self.rise.is_watched() {
                self.mean.set_length(wanted);
            }
            self.plan();
        }
    }

    /// Takes in samples, when there is nothing left to say of those before. Returns how many.
    pub(super) fn load(&mut self, samples: &[f32]) -> usize {
        self.mean.load(samples)
    }

    /// What there is to say next; None when that needs more samples.
    #[inline]
    pub(super) fn next(&mut self) -> Option<Sliced> {
        loop {
            let ahead = self.mean.ahead();
            if ahead.is_empty() {
                return None;
            }
            // Calm samples, until it is time to follow them or something is due; or one more that is not calm.
            let most = (self.stride - self.calm).min(self.due.saturating_sub(self.since) as usize).max(1);
            let (low, high) = (self.low, self.high);
            let mut sum = self.calm_sum;
            let mut calm = 0;
            let mut disturbed = false;
            for s in ahead.iter().take(most) {
                if !(*s > low && *s < high) {
                    disturbed = true;
                    break;
                }
                sum += *s;
                calm += 1;
            }
            self.mean.see(calm);
            if calm > 0 {
                self.on_calm(calm, sum);
            }
            if disturbed {
                self.mean.see(1);
                let said = self.disturbed();
                if said.is_some() {
                    return said;
                }
            }
            if self.calm == self.stride {
                self.follow();
                self.set_bounds();
            }
            if self.since >= self.due
                && let Some(said) = self.on_due()
            {
                return Some(said);
            }
        }
    }

    /// Baseline and level follow the calm samples.
    fn follow(&mut self) {
        let n = self.calm as f64;
        // The calm samples' distances from the baseline, summed.
        let y = self.calm_sum * self.mean.scale - n * self.base;
        if self.side == 0.0 {
            // The newest stands for all: the mean of their magnitudes is not worth a sum of its own.
            let distance = (self.mean.ago(0) - self.base).abs();
            self.base += self.gains.seek * y;
            self.level += n * self.gains.seek * (distance - self.level);
        } else {
            let beyond = y * self.side - n * self.level;
            self.base += self.gains.base * self.side * beyond;
            self.level += self.gains.level * beyond;
            if self.since as usize > self.mean.back + FLAT - 2 {
                let flat: f64 = (0..FLAT).map(|i| self.mean.sum_ago(self.mean.back - 1 + i)).sum();
                let flat = flat * self.mean.scale * (1.0 / FLAT as f64) - self.middle;
                self.middle += n * self.gains.base * (flat - self.side * self.top);
                self.top += n * self.gains.level * (flat * self.side - self.top);
            }
        }
    }

    /// Sets the bounds between which nothing happens, and when something is due, from the state as it is now.
    fn plan(&mut self) {
        self.set_bounds();
        self.due = if self.side == 0.0 {
            if self.seeking() { self.seek_wait + 1 } else { self.timeout }
        } else if self.wanted != self.mean.length {
            self.timeout.min(self.wanted.max(self.mean.length) as u32)
        } else {
            self.timeout
        };
    }

    /// The side was lost so lately that the baseline must find its place first.
    fn seeking(&self) -> bool {
        self.side == 0.0 && self.since <= self.seek_wait
    }

    #[inline]
    fn set_bounds(&mut self) {
        self.calm = 0;
        self.calm_sum = 0.0;
        self.threshold = (HYSTERESIS * self.level).max(FLOOR);
        let sudden = (ONSET * self.level).max(FLOOR);
        let length = self.mean.length as f64;
        if self.side == 0.0 {
            let calm = match self.rise.is_watched() {
                false if self.seeking() => sudden,
                false => self.threshold.min(sudden),
                true => f64::NEG_INFINITY,
            };
            (self.low, self.high) = ((self.base - calm) * length, (self.base + calm) * length);
        } else {
            // On the lower side the two change places.
            let (near, far) = (self.base + self.side * self.threshold, self.base + self.side * sudden);
            (self.low, self.high) = (near.min(far) * length, near.max(far) * length);
        }
    }

    /// So many more calm samples came; the sum of all sums is now this.
    #[inline]
    fn on_calm(&mut self, count: usize, sum: f64) {
        self.calm += count;
        self.calm_sum = sum;
        self.since = self.since.saturating_add(count as u32);
        if self.side != 0.0 {
            self.first = f64::NAN;
            self.stood = (self.mean.count() - 1) as f64;
        }
    }

    /// The newest sample lies outside the bounds: between the sides, on the other side, or sudden. Goes on with more samples
    /// until one is calm again or there is something to say, noting crossings of the middle.
    #[inline]
    fn disturbed(&mut self) -> Option<Sliced> {
        let mut before = self.mean.ago(1);
        loop {
            let v = self.mean.ago(0);
            let y = v - self.base;
            let sudden = y.abs() >= ONSET * self.level && y.abs() > FLOOR;
            if self.side == 0.0 || sudden {
                let said = self.unsettled(y, sudden);
                self.plan();
                return said;
            }
            self.since = self.since.saturating_add(1);
            self.level += self.gains.level * (y.abs() - self.level);
            let (low, high) = (before - self.middle, v - self.middle);
            if (low < 0.0) != (high < 0.0) {
                self.last = (self.mean.count() - 2) as f64 + low / (low - high);
                if self.first.is_nan() {
                    self.first = self.last;
                }
            }
            if y * self.side < -self.threshold {
                return Some(self.crossed());
            }
            // The bounds depend on nothing that has changed, but for a hair of level: they are left as they are.
            let sum = *self.mean.ahead().first().filter(|_| self.since < self.due)?;
            before = v;
            self.mean.see(1);
            if sum > self.low && sum < self.high {
                self.on_calm(1, self.calm_sum + sum);
                return None;
            }
        }
    }

    fn crossed(&mut self) -> Sliced {
        let n = self.mean.count() as f64 - 1.0;
        let at = if self.first.is_nan() { n - 0.5 } else { 0.5 * (self.first + self.last) };
        let took = n - self.stood;
        if self.calm > 0 {
            self.follow();
        }
        self.take_side(n, -self.side);
        self.plan();
        Sliced::Edge { at: at - self.mean.delay, took }
    }

    /// The side is unknown, or something sudden came.
    fn unsettled(&mut self, y: f64, sudden: bool) -> Option<Sliced> {
        self.since = self.since.saturating_add(1);
        let n = self.mean.count() as f64 - 1.0;
        if self.rise.is_watched() {
            let risen = self.rise.watch(y, self.mean.length);
            self.level = self.rise.highest();
            let risen = risen?;
            self.level = risen.level;
            self.take_side(n, risen.side);
            return Some(Sliced::Onset(n - risen.ago - self.mean.delay));
        }
        if sudden {
            // The side is unknown until the rise is over.
            self.side = 0.0;
            self.level = y.abs();
            self.rise.start(self.mean.ago(1) - self.base, y, self.mean.length);
            return None;
        }
        self.base += self.gains.seek * y;
        self.level += self.gains.seek * (y.abs() - self.level);
        if y.abs() > self.threshold && self.since > self.seek_wait {
            self.take_side(n, y.signum());
            return Some(Sliced::Onset(n - 0.5 - self.mean.delay));
        }
        None
    }

    fn take_side(&mut self, n: f64, side: f64) {
        // The middle is a finer measure of the same thing; when they part it has lost its way.
        if self.side == 0.0 || (self.middle - self.base).abs() > 0.5 * self.level {
            self.middle = self.base;
            self.top = self.level;
        }
        self.side = side;
        self.first = f64::NAN;
        self.stood = n;
        self.since = 0;
    }

    #[cold]
    fn on_due(&mut self) -> Option<Sliced> {
        if self.side != 0.0 && self.wanted != self.mean.length {
            let old_delay = self.mean.delay;
            self.mean.set_length(self.wanted);
            self.stood += self.mean.delay - old_delay;
        }
        let lost = self.since >= self.timeout;
        if lost {
            self.side = 0.0;
            self.since = 0;
            self.first = f64::NAN;
        }
        self.plan();
        lost.then_some(Sliced::Lost(self.stood - self.mean.delay))
    }
}

fn length_for(half_cell: f64) -> usize {
    ((half_cell * MEAN_SHARE).round() as usize).clamp(1, LENGTH_MAX)
}
