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
//! When no edge has come for longer than any cell lasts, the side is unknown, and the baseline follows the mean, so that
//! a step of DC or level cannot lock it out. A sudden sound out of (near) silence is itself an edge, the *onset*: code
//! often starts without a crossing. It is placed where the rise was half done, once it is over.

/// How far beyond the baseline, as a share of the level, the signal must go to be on the other side.
const HYSTERESIS: f64 = 0.3;
/// A signal this many times the level is an onset.
const ONSET: f64 = 4.0;
/// While a rise is watched, one this many times higher starts it anew.
const HIGHER: f64 = 2.0;
/// Below this level there is nothing but rounding: about -80 dBFS.
const FLOOR: f64 = 1e-4;
/// Samples beyond this are taken as broken: code has no business 24 dB above full scale.
const LIMIT: f32 = 16.0;
/// Longest running mean.
const MEAN_MAX: usize = 128;
/// No running mean longer than this, so that the means kept reach back over its slope.
const LENGTH_MAX: usize = 100;
/// The running mean's length as a share of a half cell.
const MEAN_SHARE: f64 = 0.55;
/// Longest rise that is watched.
const RISE_MAX: usize = 64;

/// Time constants in seconds: the baseline's and the level's with known sides, and both with unknown sides.
const BASE_TIME: f64 = 0.5e-3;
const LEVEL_TIME: f64 = 2e-3;
const SEEK_TIME: f64 = 1e-3;
/// No cell of code at half speed lasts as long: 24 frames a second at half speed have bits of 1.04 ms.
const TIMEOUT: f64 = 2.2e-3;

/// What the slicer has seen. Times are in samples, the sample rate the slicer was made for.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) enum Sliced {
    /// The level changed sides at this sample.
    Edge(f64),
    /// Sound began.
    Onset(f64),
    /// No edge for longer than any cell. The last sample at which the level still stood on its side.
    Lost(f64),
}

/// A rise out of silence that is being watched.
#[derive(Clone, Debug)]
struct Rise {
    /// The signal less the baseline since the sample before it began.
    seen: [f32; RISE_MAX],
    count: usize,
    /// How many to watch; 0 when no rise is watched.
    wanted: usize,
}

/// The front end. One sample in, at most one event out.
#[derive(Clone, Debug)]
pub(super) struct Slicer {
    /// The newest samples and the newest running means.
    ring: [f32; MEAN_MAX],
    means: [f32; MEAN_MAX],
    place: usize,
    length: usize,
    shortest: usize,
    sum: f64,
    scale: f64,
    delay: f64,
    base_gain: f64,
    level_gain: f64,
    seek_gain: f64,
    seek_wait: f64,
    timeout: f64,
    /// How far back the mean lies that is surely on a flat top when no edge has come since, and how long that is after an
    /// edge.
    back: usize,
    wait: f64,
    /// The length to change to at the next flat top, and how long after an edge something is due: that or the timeout.
    wanted: usize,
    due: f64,

    /// Index of the next sample.
    now: f64,
    base: f64,
    level: f64,
    /// The finer baseline that edges are timed by, and the flat tops' height over it.
    middle: f64,
    top: f64,
    threshold: f64,
    /// +1, -1, or 0 when unknown.
    side: f64,
    /// The running mean one sample ago.
    before: f64,
    /// First and last crossing of the baseline since the level stood on its side; first is NaN before any.
    first: f64,
    last: f64,
    /// The last sample on the side's flat top, and the last edge.
    stood: f64,
    edge: f64,
    rise: Rise,
}

impl Slicer {
    /// For a sample rate and the shortest half cell, both in samples.
    pub(super) fn new(sample_rate: f64, half_cell: f64) -> Slicer {
        let mut s = Slicer {
            ring: [0.0; MEAN_MAX],
            means: [0.0; MEAN_MAX],
            place: 0,
            length: 1,
            shortest: 1,
            sum: 0.0,
            scale: 1.0,
            delay: 0.0,
            base_gain: 1.0 / (BASE_TIME * sample_rate),
            level_gain: 1.0 / (LEVEL_TIME * sample_rate),
            seek_gain: 1.0 / (SEEK_TIME * sample_rate),
            seek_wait: 1.5 * SEEK_TIME * sample_rate,
            timeout: TIMEOUT * sample_rate,
            back: 1,
            wait: 1.0,
            wanted: 1,
            due: TIMEOUT * sample_rate,
            now: 0.0,
            base: 0.0,
            level: FLOOR / 10.0,
            middle: 0.0,
            top: 0.0,
            threshold: FLOOR,
            side: 0.0,
            before: 0.0,
            first: f64::NAN,
            last: 0.0,
            stood: 0.0,
            edge: 0.0,
            rise: Rise { seen: [0.0; RISE_MAX], count: 0, wanted: 0 },
        };
        s.shortest = s.length_for(half_cell);
        s.wanted = s.shortest;
        s.set_length();
        s
    }

    /// The level at present, as an amplitude.
    pub(super) fn level(&self) -> f64 {
        self.level
    }
    /// How many samples have come in.
    pub(super) fn samples(&self) -> f64 {
        self.now
    }
    /// The signal ended with sample `end`: until when the level stood on its side.
    pub(super) fn stood(&self, end: f64) -> f64 {
        // The running mean has not caught up with the last samples; what it saw last is all that is known of them.
        if self.stood + 1.0 >= end { end - 0.5 } else { self.stood - self.delay }
    }

    /// The code's half cell in samples, as known now; None when it is not.
    pub(super) fn on_half_cell(&mut self, half_cell: Option<f64>) {
        let wanted = half_cell.map_or(self.shortest, |h| self.length_for(h).max(self.shortest));
        // Small changes are not worth the jolt. On an edge, means of unlike lengths stand on unlike sides: wait until it is
        // past for both.
        if wanted.abs_diff(self.length) * 5 > self.length {
            self.wanted = wanted;
            self.due = self.timeout.min(wanted.max(self.length) as f64);
        }
    }

    fn length_for(&self, half_cell: f64) -> usize {
        ((half_cell * MEAN_SHARE).round() as usize).clamp(1, LENGTH_MAX)
    }

    fn set_length(&mut self) {
        let length = self.wanted;
        self.due = self.timeout;
        self.length = length;
        self.scale = 1.0 / length as f64;
        let old_delay = core::mem::replace(&mut self.delay, (length as f64 - 1.0) / 2.0);
        self.sum = (1..=length).map(|i| f64::from(self.ring[(self.place + MEAN_MAX - i) % MEAN_MAX])).sum();
        self.before = self.sum * self.scale;
        self.stood += self.delay - old_delay;
        // An edge's slope is as long as the mean, and the crossing is noticed a third of a slope late.
        self.back = (1.2 * length as f64).ceil() as usize + 1;
        self.wait = (self.back - 1) as f64;
    }

    /// One sample.
    #[inline(always)]
    pub(super) fn on_sample(&mut self, x: f32) -> Option<Sliced> {
        // Not-a-number fails the comparison too.
        let x = if x.abs() < LIMIT { x } else { 0.0 };
        let old = self.ring[(self.place + MEAN_MAX - self.length) % MEAN_MAX];
        self.ring[self.place] = x;
        self.sum += f64::from(x) - f64::from(old);
        let v = self.sum * self.scale;
        self.means[self.place] = v as f32;
        self.place = (self.place + 1) % MEAN_MAX;
        let y = v - self.base;
        let n = self.now;
        self.now += 1.0;
        let before = core::mem::replace(&mut self.before, v);

        let on_side = y * self.side;
        let magnitude = y.abs();
        if on_side > self.threshold && magnitude <= ONSET * self.level {
            // Flat top: the common case.
            self.first = f64::NAN;
            self.stood = n;
            self.base += self.base_gain * (y - self.side * self.level);
            if n - self.edge > self.wait {
                let flat = f64::from(self.means[(self.place + MEAN_MAX - self.back) % MEAN_MAX]) - self.middle;
                self.middle += self.base_gain * (flat - self.side * self.top);
                self.top += self.level_gain * (flat * self.side - self.top);
            }
            self.level += self.level_gain * (magnitude - self.level);
            self.threshold = (HYSTERESIS * self.level).max(FLOOR);
            if n - self.edge > self.due { self.on_due(n) } else { None }
        } else {
            self.between(n, y, before, v)
        }
    }

    /// Near the baseline, on the other side, side unknown, or something sudden.
    #[inline]
    fn between(&mut self, n: f64, y: f64, before: f64, v: f64) -> Option<Sliced> {
        let magnitude = y.abs();
        if self.rise.wanted > 0 {
            return self.rising(n, y);
        }
        if magnitude > ONSET * self.level && magnitude > FLOOR {
            self.start_rise(y, before - self.base);
            return None;
        }
        if self.side == 0.0 {
            self.base += self.seek_gain * (v - self.base);
            self.level += self.seek_gain * (magnitude - self.level);
            self.threshold = (HYSTERESIS * self.level).max(FLOOR);
            if magnitude > self.threshold && n - self.edge > self.seek_wait {
                self.take_side(n, y.signum());
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
        let (low, high) = (before - self.middle, v - self.middle);
        if (low < 0.0) != (high < 0.0) {
            self.last = n - 1.0 + low / (low - high);
            if self.first.is_nan() {
                self.first = self.last;
            }
        }
        if y * self.side < -self.threshold {
            let at = if self.first.is_nan() { n - 0.5 } else { 0.5 * (self.first + self.last) };
            self.take_side(n, -self.side);
            return Some(Sliced::Edge(at - self.delay));
        }
        if n - self.edge > self.timeout { self.on_due(n) } else { None }
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
        self.edge = n;
    }

    #[cold]
    fn start_rise(&mut self, y: f64, before: f64) {
        // The side is unknown until the rise is over, which leads every sample here.
        self.side = 0.0;
        self.level = y.abs();
        let wanted = (2 * self.length + 4).min(RISE_MAX);
        self.rise = Rise { seen: [0.0; RISE_MAX], count: 2, wanted };
        self.rise.seen[0] = before as f32;
        self.rise.seen[1] = y as f32;
    }

    /// Watches a rise to its end: the highest point is the level, the first crossing of half of it the onset.
    #[cold]
    fn rising(&mut self, n: f64, y: f64) -> Option<Sliced> {
        if y.abs() > HIGHER * self.level {
            let before = f64::from(self.rise.seen[self.rise.count - 1]);
            self.start_rise(y, before);
            return None;
        }
        self.level = self.level.max(y.abs());
        self.rise.seen[self.rise.count] = y as f32;
        self.rise.count += 1;
        if self.rise.count < self.rise.wanted {
            return None;
        }
        self.rise.wanted = 0;
        let seen = &self.rise.seen[..self.rise.count];
        let half = 0.5 * self.level;
        let high = |y: f32| f64::from(y.abs()) >= half;
        let i = seen.iter().position(|y| high(*y)).unwrap_or(0).max(1);
        let side = f64::from(seen[i].signum());
        let (low, above) = (f64::from(seen[i - 1]) * side, f64::from(seen[i]) * side);
        let part = if above > low { ((half - low) / (above - low)).clamp(0.0, 1.0) } else { 0.5 };
        let at = n - (seen.len() - 1 - i) as f64 - 1.0 + part;
        // Noise on a level that was learnt from its highest point alone: take the mean of the top instead.
        let top = seen.iter().filter(|y| high(**y));
        let count = top.clone().count().max(1) as f64;
        self.level = top.map(|y| f64::from(y.abs())).sum::<f64>() / count;
        self.threshold = (HYSTERESIS * self.level).max(FLOOR);
        self.take_side(n, side);
        Some(Sliced::Onset(at - self.delay))
    }

    #[cold]
    fn on_due(&mut self, n: f64) -> Option<Sliced> {
        if self.wanted != self.length {
            self.set_length();
        }
        if n - self.edge > self.timeout { self.lose(n) } else { None }
    }

    #[cold]
    fn lose(&mut self, n: f64) -> Option<Sliced> {
        self.side = 0.0;
        self.edge = n;
        self.first = f64::NAN;
        Some(Sliced::Lost(self.stood - self.delay))
    }
}
