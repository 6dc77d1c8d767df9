//! The tempo of a MIDI clock, through ramps and jitter.
//!
//! A straight line through the last beat's clocks is calm, but lags behind a ramp by half its length; a parabola through the
//! last two beats does not lag and is as calm: the slope at the end of a parabola through `n` points has the variance
//! `192 s^2 / n^3` against a line's `12 s^2 / n^3`, so `n = 48` instead of `24` costs a factor of 1.4 in noise. Both are
//! kept by growing-memory filters (E. Brookner, "Tracking and Kalman Filtering Made Easy", 1998, ch. 1), whose gains are
//! those of least squares over the `n + 1` points so far and are held once the memory is full:
//!
//! ```text
//! line:      g = 2 (2n + 1) / (n+1)(n+2)               h = 6 / (n+1)(n+2)
//! parabola:  g = 3 (3n^2 + 3n + 2) / (n+1)(n+2)(n+3)   h = 18 (2n + 1) / (n+1)(n+2)(n+3)   k = 60 / (n+1)(n+2)(n+3)
//! ```
//!
//! (`k` as the gain of the second difference.) A change of tempo at once shows as innovations that all lie on one side and
//! are larger than the jitter that was learnt: then both begin anew.

use base::{Bpm, MonoTime};

const LINE: f64 = 24.0;
const PARABOLA: f64 = 48.0;
/// From this many points on the parabola is calmer than the line is behind.
const TRUST_PARABOLA: f64 = 24.0;

/// The tracker. All times in ns.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Tempo {
    last: MonoTime,
    interval: f64,
    line: Line,
    parabola: Parabola,
    /// Mean size of the innovation.
    jitter: f64,
    /// How many innovations in a row were too large, and on which side.
    off: i32,
}

impl Tempo {
    pub(crate) const fn new() -> Tempo {
        Tempo {
            last: MonoTime::ZERO,
            interval: 0.0,
            line: Line { n: -1.0, lag: 0.0, period: 0.0 },
            parabola: Parabola { n: -1.0, lag: 0.0, period: 0.0, change: 0.0 },
            jitter: 1.0e6,
            off: 0,
        }
    }

    /// The tempo now; none before there are two clocks.
    #[inline]
    pub(crate) fn bpm(&self) -> Option<Bpm> {
        let period = if self.parabola.n >= TRUST_PARABOLA { self.parabola.period } else { self.line.period };
        (self.line.n >= 1.0 && period > 0.0).then(|| Bpm(60.0e9 / (24.0 * period)))
    }

    /// The first clock.
    pub(crate) fn begin(&mut self, at: MonoTime) {
        *self = Tempo::new();
        self.last = at;
        self.line.n = 0.0;
        self.parabola.n = 0.0;
    }

    /// Clocks ran at one tempo and now run at another, of which `period` is a first measure.
    pub(crate) fn restart(&mut self, at: MonoTime, period: f64) {
        let jitter = self.jitter;
        self.begin(at);
        self.jitter = jitter;
        self.interval = period;
        self.line = Line { n: 2.0, lag: 0.0, period };
        self.parabola = Parabola { n: 2.0, lag: 0.0, period, change: 0.0 };
    }

    /// The stream stood and goes on: its phase is new, its tempo most likely the same.
    pub(crate) fn rephase(&mut self, at: MonoTime) {
        self.last = at;
        self.off = 0;
        self.line.lag = 0.0;
        self.line.n = self.line.n.min(3.0);
        self.parabola.lag = 0.0;
        self.parabola.n = self.parabola.n.min(3.0);
        self.parabola.period = self.line.period;
        self.parabola.change = 0.0;
    }

    /// A clock, `steps` after the last.
    #[inline]
    pub(crate) fn on_clock(&mut self, at: MonoTime, steps: u32) {
        let dt = (at - self.last).nanos() as f64;
        let s = f64::from(steps.max(1));
        self.last = at;
        let r = self.line.on_tick(dt, s);
        self.parabola.on_tick(dt, s);
        self.notice_step(r, at, dt / s);
        self.interval = dt / s;
    }

    #[inline]
    fn notice_step(&mut self, r: f64, at: MonoTime, interval: f64) {
        // 0.2 ms: what the way adds even to a clock that was quiet so far.
        let limit = 4.0 * self.jitter + 0.2e6;
        if r.abs() <= limit || self.line.n < 4.0 {
            self.off = 0;
            self.jitter += (r.abs().min(limit) - self.jitter) / 16.0;
            return;
        }
        let side = if r > 0.0 { 1 } else { -1 };
        self.off = if self.off * side > 0 { self.off + side } else { side };
        if self.off.abs() >= 3 {
            self.restart(at, (interval + self.interval) / 2.0);
        }
    }
}

/// A straight line; `lag` is the smoothed instant of the last tick minus its arrival.
#[derive(Clone, Copy, Debug)]
struct Line {
    n: f64,
    lag: f64,
    period: f64,
}

impl Line {
    #[inline]
    fn on_tick(&mut self, dt: f64, s: f64) -> f64 {
        self.n = (self.n + 1.0).min(LINE);
        let n = self.n;
        let d = 1.0 / ((n + 1.0) * (n + 2.0));
        let r = dt - self.lag - s * self.period;
        self.lag = -(1.0 - 2.0 * (2.0 * n + 1.0) * d) * r;
        self.period += 6.0 * d * r / s;
        r
    }
}

/// A parabola; `change` is how much longer each period is than the one before.
#[derive(Clone, Copy, Debug)]
struct Parabola {
    n: f64,
    lag: f64,
    period: f64,
    change: f64,
}

impl Parabola {
    #[inline]
    fn on_tick(&mut self, dt: f64, s: f64) {
        self.n = (self.n + 1.0).min(PARABOLA);
        let n = self.n;
        let d = 1.0 / ((n + 1.0) * (n + 2.0) * (n + 3.0));
        let r = dt - self.lag - s * self.period - 0.5 * s * s * self.change;
        self.period += s * self.change;
        self.lag = -(1.0 - 3.0 * (3.0 * n * n + 3.0 * n + 2.0) * d) * r;
        self.period += 18.0 * (2.0 * n + 1.0) * d * r / s;
        self.change += 60.0 * d * r / (s * s);
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]
    use super::*;

    /// Least squares over all points, by the normal equations: slope at the last point of a polynomial of this degree.
    fn slope_by_least_squares(t: &[f64], degree: usize) -> f64 {
        let n = t.len();
        let x = |i: usize| i as f64 - (n as f64 - 1.0);
        let m = degree + 1;
        let mut a = vec![vec![0.0; m + 1]; m];
        for (i, &y) in t.iter().enumerate() {
            for (r, row) in a.iter_mut().enumerate() {
                for (c, sum) in row.iter_mut().take(m).enumerate() {
                    *sum += x(i).powi((r + c) as i32);
                }
                row[m] += y * x(i).powi(r as i32);
            }
        }
        for p in 0..m {
            let pivot = a[p].clone();
            for (_, row) in a.iter_mut().enumerate().filter(|&(r, _)| r != p) {
                let f = row[p] / pivot[p];
                row.iter_mut().zip(&pivot).for_each(|(v, q)| *v -= f * q);
            }
        }
        a[1][m] / a[1][1]
    }

    /// The gains, written from memory, are held against least squares solved outright.
    #[test]
    fn growing_memory_is_least_squares() {
        let t: Vec<f64> = (0..24)
            .map(|i| {
                let i = f64::from(i);
                20.0 * i + 0.05 * i * i + (i * 12.9898).sin()
            })
            .collect();
        let mut line = Line { n: 0.0, lag: 0.0, period: 0.0 };
        let mut parabola = Parabola { n: 0.0, lag: 0.0, period: 0.0, change: 0.0 };
        for i in 1..t.len() {
            line.on_tick(t[i] - t[i - 1], 1.0);
            parabola.on_tick(t[i] - t[i - 1], 1.0);
            let expect = slope_by_least_squares(&t[..=i], 1);
            assert!((line.period - expect).abs() < 1e-6, "line after {i}: {} {expect}", line.period);
            if i >= 2 {
                let expect = slope_by_least_squares(&t[..=i], 2);
                assert!((parabola.period - expect).abs() < 1e-6, "parabola after {i}: {} {expect}", parabola.period);
            }
        }
    }
}
