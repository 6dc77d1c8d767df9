//! From samples to edges: where the level changes sides, to a fraction of a sample.
//!
//! 1. A short running mean takes out what noise lies above the code. Its length is about half of the shortest half cell to
//!    be expected, so that it shifts no edge; its delay (half its length) is taken off each edge's time.
//! 2. A baseline `b` takes out DC and hum. A plain high-pass would wander with the code, since single bits hold their
//!    level; instead only what is left after the code itself has been subtracted is averaged (quantised feedback):
//!    `b += a (v - b - m s)` with side `s` = +-1 and level `m`. A constant code leaves no residue, however long its cells.
//! 3. The level `m` is the running mean of `|v - b|`: a square's own height, whatever its sides decided.
//! 4. A side is left when the signal has passed `HYSTERESIS m` beyond the baseline. The edge's time is the middle of the
//!    first and last crossing of the baseline on the way, each interpolated between its two samples: noise moves both
//!    alike, once early and once late.
//!
//! When no edge has come for longer than any cell lasts, the side is unknown, and the baseline follows the mean, so that
//! a step of DC or level cannot lock it out. A sudden sound out of (near) silence is itself an edge, the *onset*: code
//! often starts without a crossing.

/// How far beyond the baseline, as a share of the level, the signal must go to be on the other side.
const HYSTERESIS: f64 = 0.3;
/// A signal this many times the level is an onset. Gaussian noise's mean magnitude is 0.8 sigma: this is 5.6 sigma.
const ONSET: f64 = 7.0;
/// Below this level there is nothing but rounding: about -80 dBFS.
const FLOOR: f64 = 1e-4;
/// Samples beyond this are taken as broken: code has no business 24 dB above full scale.
const LIMIT: f32 = 16.0;
/// Longest running mean.
const MEAN_MAX: usize = 64;

/// Time constants in seconds: the baseline's and the level's with known sides, and both with unknown sides.
const BASE_TIME: f64 = 0.5e-3;
const LEVEL_TIME: f64 = 2e-3;
const SEEK_TIME: f64 = 1e-3;
/// No cell of code at half speed lasts as long: 24 frames a second at half speed have bits of 1.04 ms.
const TIMEOUT: f64 = 2.2e-3;

/// What the slicer has seen.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) enum Sliced {
    /// The level changed sides at this sample.
    Edge(f64),
    /// Sound began.
    Onset(f64),
    /// No edge for longer than any cell. The last sample at which the level still stood on its side.
    Lost(f64),
}

/// The front end. One sample in, at most one event out.
#[derive(Clone, Debug)]
pub(super) struct Slicer {
    ring: [f32; MEAN_MAX],
    place: usize,
    length: usize,
    sum: f64,
    scale: f64,
    delay: f64,
    base_gain: f64,
    level_gain: f64,
    seek_gain: f64,
    timeout: f64,

    /// Index of the next sample.
    now: f64,
    base: f64,
    level: f64,
    threshold: f64,
    /// +1, -1, or 0 when unknown.
    side: f64,
    /// The signal less the baseline, one sample ago.
    before: f64,
    /// First and last crossing of the baseline since the level stood on its side; first is NaN before any.
    first: f64,
    last: f64,
    /// The last sample on the side's flat top, and the last edge.
    stood: f64,
    edge: f64,
    /// When the last onset was, and until when its level is learnt.
    born: f64,
    young_until: f64,
    young_for: f64,
}

impl Slicer {
    /// For a sample rate and the shortest half cell, both in samples.
    pub(super) fn new(sample_rate: f64, half_cell: f64) -> Slicer {
        let length = ((half_cell * 0.6).round() as usize).clamp(1, MEAN_MAX);
        Slicer {
            ring: [0.0; MEAN_MAX],
            place: 0,
            length,
            sum: 0.0,
            scale: 1.0 / length as f64,
            delay: (length as f64 - 1.0) / 2.0,
            base_gain: 1.0 / (BASE_TIME * sample_rate),
            level_gain: 1.0 / (LEVEL_TIME * sample_rate),
            seek_gain: 1.0 / (SEEK_TIME * sample_rate),
            timeout: TIMEOUT * sample_rate,
            now: 0.0,
            base: 0.0,
            level: FLOOR / 10.0,
            threshold: FLOOR,
            side: 0.0,
            before: 0.0,
            first: f64::NAN,
            last: 0.0,
            stood: 0.0,
            edge: 0.0,
            born: 0.0,
            young_until: 0.0,
            young_for: (6.0 * half_cell).max(8.0),
        }
    }

    /// The level at present, as an amplitude.
    pub(super) fn level(&self) -> f64 {
        self.level
    }
    /// The signal ended with sample `end`: until when the level stood on its side.
    pub(super) fn stood(&self, end: f64) -> f64 {
        // The running mean has not caught up with the last samples; what it saw last is all that is known of them.
        if self.stood + 1.0 >= end { end - 0.5 } else { self.stood - self.delay }
    }
    /// How many samples have come in.
    pub(super) fn samples(&self) -> f64 {
        self.now
    }

    /// One sample.
    #[inline(always)]
    pub(super) fn on_sample(&mut self, x: f32) -> Option<Sliced> {
        // Not-a-number fails the comparison too.
        let x = if x.abs() < LIMIT { x } else { 0.0 };
        let old = core::mem::replace(&mut self.ring[self.place], x);
        self.place += 1;
        if self.place == self.length {
            self.place = 0;
        }
        self.sum += f64::from(x) - f64::from(old);
        let v = self.sum * self.scale;
        let y = v - self.base;
        let n = self.now;
        self.now += 1.0;
        let before = core::mem::replace(&mut self.before, y);

        let on_side = y * self.side;
        if on_side > self.threshold {
            // Flat top: the common case.
            self.first = f64::NAN;
            self.stood = n;
            let magnitude = y.abs();
            if magnitude > ONSET * self.level {
                return self.onset(n, y);
            }
            if n < self.young_until {
                return self.young(n, magnitude);
            }
            self.base += self.base_gain * (y - self.side * self.level);
            self.level += self.level_gain * (magnitude - self.level);
            self.threshold = (HYSTERESIS * self.level).max(FLOOR);
            if n - self.edge > self.timeout { self.lose(n) } else { None }
        } else {
            self.between(n, y, before, v)
        }
    }

    /// Near the baseline, on the other side, or side unknown.
    #[inline]
    fn between(&mut self, n: f64, y: f64, before: f64, v: f64) -> Option<Sliced> {
        let magnitude = y.abs();
        if magnitude > ONSET * self.level && magnitude > FLOOR {
            return self.onset(n, y);
        }
        if self.side == 0.0 {
            self.base += self.seek_gain * (v - self.base);
            self.level += self.seek_gain * (magnitude - self.level);
            self.threshold = (HYSTERESIS * self.level).max(FLOOR);
            if magnitude > self.threshold {
                self.side = y.signum();
                self.stood = n;
                self.edge = n;
                self.first = f64::NAN;
                self.born = n;
                self.young_until = n + self.young_for;
                return Some(Sliced::Onset(n - 0.5 - self.delay));
            }
            if n - self.edge > self.timeout {
                self.edge = n;
                return Some(Sliced::Lost(self.stood - self.delay));
            }
            return None;
        }
        self.level += self.level_gain * (magnitude - self.level);
        self.threshold = (HYSTERESIS * self.level).max(FLOOR);
        if (y < 0.0) != (before < 0.0) {
            self.last = n - 1.0 + before / (before - y);
            if self.first.is_nan() {
                self.first = self.last;
            }
        }
        if y * self.side < -self.threshold {
            let at = if self.first.is_nan() { n - 0.5 } else { 0.5 * (self.first + self.last) };
            self.side = -self.side;
            self.first = f64::NAN;
            self.stood = n;
            self.edge = n;
            return Some(Sliced::Edge(at - self.delay));
        }
        if n - self.edge > self.timeout { self.lose(n) } else { None }
    }

    /// Right after an onset the level is learnt from scratch, by the mean of what has come since the edge was over, and
    /// the baseline waits for it.
    #[cold]
    fn young(&mut self, n: f64, magnitude: f64) -> Option<Sliced> {
        let age = n - self.born - 1.5 * self.length as f64;
        if age < 0.0 {
            self.level = self.level.max(magnitude);
        } else {
            self.level += (magnitude - self.level) / (age + 2.0);
        }
        self.threshold = (HYSTERESIS * self.level).max(FLOOR);
        None
    }

    #[cold]
    fn onset(&mut self, n: f64, y: f64) -> Option<Sliced> {
        let young = n < self.young_until;
        self.level = y.abs();
        self.threshold = (HYSTERESIS * self.level).max(FLOOR);
        if young && y * self.side > 0.0 {
            // Still the same rise.
            self.stood = n;
            return None;
        }
        self.born = n;
        self.young_until = n + self.young_for;
        self.side = y.signum();
        self.first = f64::NAN;
        self.stood = n;
        self.edge = n;
        Some(Sliced::Onset(n - 0.5 - self.delay))
    }

    #[cold]
    fn lose(&mut self, n: f64) -> Option<Sliced> {
        self.side = 0.0;
        self.edge = n;
        self.first = f64::NAN;
        Some(Sliced::Lost(self.stood - self.delay))
    }
}
