//! When the next tick of a steady stream is due, and how late ticks come.
//!
//! Ticks (quarter frames, clocks) carry no time; all that is known is when each came in, with the jitter and the clumps
//! of the way. The tracker keeps a straight line through the arrivals with growing, then fading, memory (the `g-h` filter
//! of E. Brookner, "Tracking and Kalman Filtering Made Easy", 1998, ch. 1: gains of the least-squares line over `n + 1`
//! points):
//!
//! ```text
//! innovation r = arrival - (smoothed + s period)      s: ticks since the last one, lost ones counted
//! smoothed    <- smoothed + s period + g r            g = 2 (2n + 1) / ((n + 1) (n + 2))
//! period      <- period + h r / s                     h = 6 / ((n + 1) (n + 2))
//! ```
//!
//! Only `lag = smoothed - arrival = -(1 - g) r` is stored beside the last arrival, so that no precision is lost on a clock
//! that has run for weeks.

use base::{MonoTime, Span};

/// The line through recent ticks.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Cadence {
    last: MonoTime,
    /// Smoothed instant of the last tick minus its arrival, ns.
    lag: f64,
    /// Nanoseconds a tick.
    period: f64,
    /// Points in the line so far, up to the memory.
    n: u32,
    memory: u32,
    /// The last interval a tick, for telling a step of speed from jitter.
    previous: f64,
    /// The shortest and longest period that is believed.
    limits: (f64, f64),
    clump: Clump,
}

impl Cadence {
    /// Starts with a tick at `at` and a first guess of the period, which `points` ticks support.
    pub(crate) fn new(at: MonoTime, period: f64, limits: (f64, f64), points: u32, memory: u32) -> Cadence {
        Cadence {
            last: at,
            lag: 0.0,
            period: period.clamp(limits.0, limits.1),
            n: points.min(memory),
            memory,
            previous: 0.0,
            limits,
            clump: Clump::new(),
        }
    }

    /// A stream known to come in clumps of `clump` periods: its speed is not known yet, its period is taken to be this.
    /// So far `together` ticks have come with this one.
    pub(crate) fn clumped(
        at: MonoTime,
        period: f64,
        limits: (f64, f64),
        memory: u32,
        (clump, together): (f64, f64),
    ) -> Cadence {
        let mut cadence = Cadence::new(at, period, limits, memory, memory);
        cadence.clump.now = clump;
        cadence.clump.together = together;
        cadence
    }

    /// How many ticks have gone by at `at` since the last one, by the line.
    #[inline]
    pub(crate) fn elapsed(&self, at: MonoTime) -> f64 {
        (nanos(at - self.last) - self.lag) / self.period
    }
    /// How many periods `at` lies behind the last *arrival*.
    #[inline]
    pub(crate) fn gap(&self, at: MonoTime) -> f64 {
        nanos(at - self.last) / self.period
    }
    /// The period, ns.
    pub(crate) const fn period(&self) -> f64 {
        self.period
    }
    /// Whether a third of the memory is filled: enough to believe the period.
    #[inline]
    pub(crate) const fn settled(&self) -> bool {
        3 * self.n >= self.memory
    }
    /// When the last tick came in.
    pub(crate) const fn last(&self) -> MonoTime {
        self.last
    }
    /// The learnt clump: by how many periods ticks are held back and then come at once; 0 for a steady stream.
    #[inline]
    pub(crate) fn clump(&self) -> f64 {
        self.clump.periods()
    }
    /// When silence can no longer be jitter: `ticks` periods after the last arrival, and the learnt clump on top.
    #[inline]
    pub(crate) fn silent_after(&self, ticks: f64) -> MonoTime {
        self.last + Span::from_nanos(((ticks + self.clump()) * self.period) as i64)
    }

    /// Begins anew at `at` with the period as it is: the stream stood, or was started afresh.
    pub(crate) fn rephase(&mut self, at: MonoTime) {
        self.last = at;
        self.lag = 0.0;
        self.previous = 0.0;
        self.n = self.n.min(4);
    }

    /// A tick came in so late that the stream seemed to have ceased: taken for a slower speed, until the next ticks tell.
    pub(crate) fn slowed(&mut self, at: MonoTime) {
        let interval = nanos(at - self.last);
        self.rephase(at);
        self.period = interval.clamp(self.limits.0, self.limits.1);
        self.n = 2;
    }

    /// A tick came in, `steps` after the last. Whether the speed was found to have been changed at once.
    #[inline]
    pub(crate) fn on_tick(&mut self, at: MonoTime, steps: u32) -> bool {
        let s = f64::from(steps.max(1));
        let dt = nanos(at - self.last);
        if self.n > 0 {
            // Before there is a period, nothing is early or late.
            self.clump.on_tick(dt / self.period, s);
        }
        let interval = dt / s;
        let stepped = self.stepped(interval);
        if stepped {
            self.period = ((interval + self.previous) / 2.0).clamp(self.limits.0, self.limits.1);
            self.lag = 0.0;
            self.n = 2;
            // The long gap was a slower speed, not a clump.
            self.clump = Clump::new();
        } else {
            let r = dt - self.lag - s * self.period;
            // A line needs two points: after the first tick the second one's gains are 1 and 1, and it gives the period.
            let n = f64::from(self.n.max(1));
            let d = 1.0 / ((n + 1.0) * (n + 2.0));
            self.lag = -(1.0 - 2.0 * (2.0 * n + 1.0) * d) * r;
            self.period = (self.period + 6.0 * d * r / s).clamp(self.limits.0, self.limits.1);
            self.n = (self.n.max(1) + 1).min(self.memory);
        }
        self.previous = interval;
        self.last = at;
        stepped
    }

    /// Two intervals that agree with each other and not with the line, both possible: the speed was changed at once.
    #[inline]
    fn stepped(&self, interval: f64) -> bool {
        let believable = |i: f64| i >= self.limits.0 && i <= self.limits.1;
        believable(interval)
            && believable(self.previous)
            && (interval - self.previous).abs() < 0.25 * interval.max(self.previous)
            && (interval - self.period).abs() > 0.3 * self.period
            && (self.previous - self.period).abs() > 0.3 * self.period
    }
}

/// How far ticks clump, learnt over the last 64 to 128 ticks: players may send a whole audio buffer's worth at once.
///
/// Two signs: how long a gap was beyond the ticks it stands for, and how many ticks came in together.
#[derive(Clone, Copy, Debug)]
struct Clump {
    now: f64,
    before: f64,
    seen: u32,
    /// Ticks that have come in together so far, beyond the first.
    together: f64,
}

impl Clump {
    const WINDOW: u32 = 64;

    const fn new() -> Clump {
        Clump { now: 0.0, before: 0.0, seen: 0, together: 0.0 }
    }
    #[inline]
    fn on_tick(&mut self, gap: f64, steps: f64) {
        self.together = if gap < 0.2 { self.together + steps } else { 0.0 };
        // Jitter alone may make up a period; only what is more is a clump.
        let held = (gap - steps).max(self.together);
        if held >= 1.0 && held > self.now {
            self.now = held;
        }
        self.seen += 1;
        if self.seen == Self::WINDOW {
            self.before = self.now;
            self.now = 0.0;
            self.seen = 0;
        }
    }
    #[inline]
    fn periods(&self) -> f64 {
        self.now.max(self.before)
    }
}

#[inline]
fn nanos(span: Span) -> f64 {
    span.nanos() as f64
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]
    use super::*;

    const MS: f64 = 1e6;

    fn at(ms: f64) -> MonoTime {
        MonoTime::from_nanos((ms * MS) as u64 + 1_000_000_000)
    }

    #[test]
    fn a_steady_stream_is_followed_and_a_step_of_speed_within_two_ticks() {
        let mut c = Cadence::new(at(0.0), 8.0 * MS, (2.0 * MS, 20.0 * MS), 1, 16);
        let mut t = 0.0;
        for _ in 0..100 {
            t += 8.3;
            c.on_tick(at(t), 1);
        }
        assert!((c.period() - 8.3 * MS).abs() < 1e-3 * MS, "{}", c.period());
        assert_eq!(c.clump(), 0.0);
        for _ in 0..2 {
            t += 16.6;
            c.on_tick(at(t), 1);
        }
        assert!((c.period() - 16.6 * MS).abs() < 1e-3 * MS, "{}", c.period());
    }

    #[test]
    fn with_nothing_known_the_second_tick_gives_the_period() {
        let mut c = Cadence::new(at(0.0), 125.0 * MS, (2.5 * MS, 500.0 * MS), 0, 24);
        c.on_tick(at(26.0), 1);
        assert!((c.period() - 26.0 * MS).abs() < 1.0, "{}", c.period());
    }

    #[test]
    fn clumps_are_learnt_and_forgotten() {
        let mut c = Cadence::new(at(0.0), 8.0 * MS, (2.0 * MS, 20.0 * MS), 8, 16);
        for burst in 1..20 {
            for _ in 0..5 {
                c.on_tick(at(f64::from(burst) * 40.0), 1);
            }
        }
        assert!((3.0..=5.0).contains(&c.clump()), "{}", c.clump());
        assert!((c.period() - 8.0 * MS).abs() < 1.0 * MS, "{}", c.period());
        for i in 0..128 {
            c.on_tick(at(19.0 * 40.0 + f64::from(i) * 8.0 + 8.0), 1);
        }
        assert_eq!(c.clump(), 0.0);
    }
}
