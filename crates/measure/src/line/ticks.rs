//! The last ticks and the line through them.
//!
//! A tick says: "the position was p when I arrived at a". Arrivals are late by a jitter that is never negative and has
//! no common shape, so the line p = p0 + v (a - a0) is fitted in one of two ways.
//!
//! *Ticks one at a time*: least squares with Huber's weights (Huber 1964: full weight up to 1.5 sigma, beyond it
//! falling as 1/r), so that a late straggler pulls with bounded force. What was known of the speed v beforehand
//! enters as one more observation. With n ticks of jitter s over a window T the line's end is known to 2 s/sqrt(n):
//! 0.1 ms for quarter frames at 30 frames a second with 1 ms of jitter over 2 s.
//!
//! *Arrivals that are late and never early* have more to tell than their mean. Least squares can't know a drift better than
//! s sqrt(12 / (f T^3)) from f ticks a second over T, twice that in variance for two machines: the Cramer-Rao bound for normal
//! jitter of that scatter, and with 1 ms of even jitter (s = 0.29 ms) 0.28 ppm after a minute. Where the jitter has an edge, since
//! nothing arrives before it is sent, that bound does not hold: the earliest of n ticks lie within 1/(n d) of the edge, d being
//! the density there, and the rest add nothing. So a second line is drawn, an expectile (Newey and Powell 1987): least squares in which
//! a tick behind the line weighs only `LATE` of one ahead of it. It settles where the early ones balance the late,
//! at sqrt(LATE) / (1 + sqrt(LATE)) of even jitter's width from the edge, whatever the tail of the late ones does. In
//! simulation that takes the drift of 60 s from 0.26 to 0.21 ppm for even jitter of 1 ms, from 0.65 to 0.31 for the
//! size of a normal one, from 1.0 to 0.32 for an exponential one; for noise that is as often early as late it
//! costs half as much again, so it is drawn only where the source is known to stamp arrivals. A smaller `LATE` gains more as long as
//! the edge is sharp, and real ones are known to some tens of microseconds only.
//!
//! *Clumps*: all ticks of a buffer come at its end. Only the newest tick of a clump tells the time, and it tells it in
//! two ways: it had been due already (its lateness is at least 0), and the next one had not (its lateness is below one
//! tick). So the latenesses of clumps' last ticks are spread evenly over one tick, and the best estimate of such a
//! spread's place is the middle between its extremes, whose error falls as 1/n and not as 1/sqrt(n). The slope comes
//! from the same points by least squares.

/// Ticks kept at most.
const KEPT: usize = 256;
/// The window of the fit, in seconds, for ticks one at a time and in clumps.
pub(super) const WINDOW: f64 = 2.0;
pub(super) const CLUMP_WINDOW: f64 = 6.0;
/// Where Huber's weight begins to fall.
const HUBER: f64 = 1.5;
/// What a late tick weighs against an early one.
const LATE: f64 = 0.03;
/// This part of the clumps' latenesses at either end may be stragglers and is left out.
const TRIM: f64 = 0.05;
/// Jitter below this is not believed, in seconds.
const SIGMA_FLOOR: f64 = 20e-6;

#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Tick {
    /// Arrival and position, in seconds from the line's own zeros.
    pub a: f64,
    pub p: f64,
    /// It stands for several that came at once.
    pub joined: bool,
}

/// A fitted line: position `p` at arrival time `a`, moving at `v`.
#[derive(Clone, Copy, Debug)]
pub(super) struct Line {
    pub a: f64,
    pub p: f64,
    pub v: f64,
    pub v_sigma: f64,
    pub p_sigma: f64,
    /// The scatter of one tick.
    pub sigma: f64,
}

impl Line {
    pub(super) fn at(&self, a: f64) -> f64 {
        self.p + self.v * (a - self.a)
    }
    pub(super) fn sigma_at(&self, a: f64) -> f64 {
        self.p_sigma.hypot(self.v_sigma * (a - self.a))
    }
}

/// What was known of the speed beforehand.
#[derive(Clone, Copy, Debug)]
pub(super) struct SpeedPrior {
    pub v: f64,
    pub sigma: f64,
}

#[derive(Clone, Debug)]
pub(super) struct Ticks {
    ring: [Tick; KEPT],
    head: usize,
    len: usize,
}

impl Ticks {
    pub(super) fn new() -> Ticks {
        Ticks { ring: [Tick::default(); KEPT], head: 0, len: 0 }
    }

    pub(super) fn clear(&mut self) {
        self.len = 0;
    }
    pub(super) fn len(&self) -> usize {
        self.len
    }
    /// The `i`th newest tick.
    pub(super) fn newest(&self, i: usize) -> Option<Tick> {
        (i < self.len).then(|| self.ring[(self.head + KEPT - 1 - i) % KEPT])
    }
    /// The time from the oldest tick to the newest.
    pub(super) fn span(&self) -> f64 {
        match (self.newest(0), self.newest(self.len.wrapping_sub(1))) {
            (Some(new), Some(old)) => new.a - old.a,
            _ => 0.0,
        }
    }

    /// Takes in a tick. One that follows at once joins the clump before it: the clump's newest position counts, and
    /// the time its first byte came, since the others only wait for the cable.
    pub(super) fn push(&mut self, a: f64, p: f64, follows_at_once: bool, window: f64) {
        if follows_at_once && self.len > 0 {
            let last = &mut self.ring[(self.head + KEPT - 1) % KEPT];
            (last.p, last.joined) = (p, true);
            return;
        }
        self.ring[self.head] = Tick { a, p, joined: false };
        self.head = (self.head + 1) % KEPT;
        self.len = (self.len + 1).min(KEPT);
        while self.newest(self.len - 1).is_some_and(|old| a - old.a > window) {
            self.len -= 1;
        }
    }

    /// Keeps only the `n` newest ticks.
    pub(super) fn keep_newest(&mut self, n: usize) {
        self.len = self.len.min(n);
    }

    fn each(&self) -> impl Iterator<Item = Tick> + '_ {
        (0..self.len).filter_map(|i| self.newest(i))
    }

    /// The line through ticks that come one at a time. `last` tells the scatter to weigh by.
    pub(super) fn fit(&self, last: Option<&Line>, prior: SpeedPrior) -> Option<Line> {
        let newest = self.newest(0)?;
        let sigma = last.map_or(1e-3, |l| l.sigma);
        // Residuals against a reference line at the last speed keep the sums small.
        let v_ref = last.map_or(prior.v, |l| l.v);
        let line_ref = last.map_or(newest.p, |l| l.at(newest.a));
        let from_ref = |t: &Tick| t.p - line_ref - v_ref * (t.a - newest.a);
        let sums = self.each().fold(Sums::default(), |mut s, t| {
            let r = from_ref(&t);
            let w = if last.is_some() { (HUBER * sigma / r.abs().max(1e-12)).min(1.0) } else { 1.0 };
            s.add(w, t.a - newest.a, r);
            s
        });
        let prior_weight = (sigma / prior.sigma).powi(2);
        let (t_mean, r_mean, stt, str_) = sums.centred();
        let total = stt + prior_weight;
        let v_change = (str_ + prior_weight * (prior.v - v_ref)) / total;
        let (a, p) = (newest.a + t_mean, line_ref + v_ref * t_mean + r_mean);
        let v = v_ref + v_change;
        // Scatter about the new line, each residual counted up to 2.5 sigma.
        let cut = if last.is_some() { 2.5 * sigma } else { f64::INFINITY };
        let sum: f64 = self.each().map(|t| (t.p - p - v * (t.a - a)).abs().min(cut).powi(2)).sum();
        let n = self.len as f64;
        // With few ticks a line fits anything, so what is usual has the weight of six.
        let sigma = ((sum + 6.0 * sigma * sigma) / (n + 4.0)).sqrt().max(SIGMA_FLOOR);
        Some(Line { a, p, v, v_sigma: sigma / total.sqrt(), p_sigma: sigma / sums.w.sqrt(), sigma })
    }

    /// The line along the early edge of ticks that come one at a time and are late, never early. `last` is this line as it was
    /// before the newest tick, or any other near it to begin with.
    pub(super) fn fit_edge(&self, last: &Line, prior: SpeedPrior) -> Option<Line> {
        let newest = self.newest(0)?;
        let (line_ref, v_ref) = (last.at(newest.a), last.v);
        let forward = if v_ref < 0.0 { -1.0 } else { 1.0 };
        // Ahead of the line in the sense of motion is early. An early tick far off is a wrong stamp: bounded too.
        let weight = |off: f64| {
            let side = if off * forward > 0.0 { 1.0 } else { LATE };
            side * (HUBER * last.sigma / off.abs().max(1e-12)).min(1.0)
        };
        let from_ref = |t: &Tick| t.p - line_ref - v_ref * (t.a - newest.a);
        // Where code comes one at a time, two at once mean that the first of them was held up, by we know not how much.
        let single = || self.each().filter(|t| !t.joined);
        let sums = single().fold(Sums::default(), |mut s, t| {
            let r = from_ref(&t);
            s.add(weight(r), t.a - newest.a, r);
            s
        });
        if sums.w <= 0.0 {
            return None;
        }
        let prior_weight = (last.sigma / prior.sigma).powi(2);
        let (t_mean, r_mean, stt, str_) = sums.centred();
        let total = stt + prior_weight;
        let v = v_ref + (str_ + prior_weight * (prior.v - v_ref)) / total;
        let (a, p) = (newest.a + t_mean, line_ref + v_ref * t_mean + r_mean);
        // Each tick pulls with its weight times its distance: the variance of what all pull together.
        let (mut pull, mut turn, mut scatter) = (0.0, 0.0, 0.0);
        for t in single() {
            let off = t.p - p - v * (t.a - a);
            let w = weight(off);
            pull += (w * off).powi(2);
            turn += (w * off * (t.a - a)).powi(2);
            scatter += w * off * off;
        }
        // As with the line through the middle: what is usual has the weight of a few ticks.
        let usual = 6.0 * LATE * last.sigma.powi(2);
        let sigma = ((scatter + usual) / (sums.w + 6.0 * LATE)).sqrt().max(SIGMA_FLOOR);
        let floor = SIGMA_FLOOR / sums.w.max(1.0).sqrt();
        let level = ((pull + LATE * usual) / sums.w.powi(2)).sqrt().max(floor);
        let slope = (turn / total.powi(2) + sigma * sigma * prior_weight / total.powi(2)).sqrt();
        Some(Line { a, p, v, v_sigma: slope, p_sigma: level, sigma })
    }

    /// The line through the last ticks of clumps, `tick` being the code's spacing in time.
    pub(super) fn fit_clumps(&self, tick: f64, prior: SpeedPrior) -> Option<Line> {
        let newest = self.newest(0)?;
        // Spread evenly over a tick: tick / sqrt(12).
        let sigma = tick / 12f64.sqrt();
        // The newest clump may still be coming in, so it counts only when there is no other.
        let complete = || self.each().skip(usize::from(self.len > 1));
        let sums = complete().fold(Sums::default(), |mut s, t| {
            s.add(1.0, t.a - newest.a, t.p - newest.p - prior.v * (t.a - newest.a));
            s
        });
        let (t_mean, _, stt, str_) = sums.centred();
        let total = stt + (sigma / prior.sigma).powi(2);
        let v = prior.v + str_ / total;
        let mut residuals = [0.0; KEPT];
        let mut count = 0;
        for (r, t) in residuals.iter_mut().zip(complete()) {
            *r = t.p - newest.p - v * (t.a - newest.a);
            count += 1;
        }
        let trim = (count as f64 * TRIM) as usize;
        let used = &mut residuals[..count];
        let least = *used.select_nth_unstable_by(trim, f64::total_cmp).1;
        let most = *used.select_nth_unstable_by(count - 1 - trim, f64::total_cmp).1;
        // The position at an arrival is ahead of its tick by the lateness: between 0 and a tick, in the line's sense.
        let ahead = tick / 2.0 * v;
        let p = newest.p + (least + most) / 2.0 + ahead + v * t_mean;
        Some(Line {
            a: newest.a + t_mean,
            p,
            v,
            v_sigma: sigma / total.sqrt(),
            p_sigma: (tick * v.abs() * ((TRIM + 1.0 / sums.w) / (2.0 * sums.w)).sqrt()).max(SIGMA_FLOOR),
            sigma,
        })
    }
}

#[derive(Default)]
struct Sums {
    w: f64,
    t: f64,
    y: f64,
    tt: f64,
    ty: f64,
}

impl Sums {
    fn add(&mut self, w: f64, t: f64, y: f64) {
        self.w += w;
        self.t += w * t;
        self.y += w * y;
        self.tt += w * t * t;
        self.ty += w * t * y;
    }
    /// Means of t and y, and the centred sums of tt and ty.
    fn centred(&self) -> (f64, f64, f64, f64) {
        let (t, y) = (self.t / self.w, self.y / self.w);
        (t, y, (self.tt - self.w * t * t).max(0.0), self.ty - self.w * t * y)
    }
}
