//! How long after it was due a beat may still come: learnt, without going deaf.
//!
//! Two things keep a living sender's news away: beats come late, and beats are lost. With eta the interval, J the
//! lateness of a beat that comes, p the chance that a beat is lost and r the chance that the next is lost too, the news is
//! later than a margin m with a chance, a beat, of about
//!
//! ```text
//! P(J > m)  +  sum over k of  p * r^(k-1) * P(J > m - k * eta)
//! ```
//!
//! (With r = p this is the geometric tail of independent loss, from which Chen, Toueg and Aguilera get a mistake about
//! every eta / p^k; losses in bursts have r > p.) So the margin must outlast both a beat that is late by itself, and as many
//! lost beats as are to be expected once in the accepted time between mistakes, with a common lateness on top:
//!
//! ```text
//! k      = least whole number with p * r^k <= mistake, at least 1
//! margin = max( Q(rare) + slack,  k * eta + Q(common) + guard ) + stretch       clamped to [least, most]
//! ```
//!
//! * Q: quantiles of J from a histogram that forgets with a time constant of `memory` beats. "Rare" is what two or three
//!   beats in the memory exceed; "common" one in a hundred to one in a thousand, the rarer the more losses there are.
//! * k at least 1: one lost beat never makes a verdict, not even on a path that never lost one.
//! * stretch: what a histogram cannot foresee. News later than the margin lengthens it by a quarter of what was lacking,
//!   and that wears off again.
//!
//! News later than [`OUTAGE`] intervals is no lateness but an outage: nothing is learnt from it, since a detector that
//! learns from deaths goes deaf.

use base::Span;

/// Intervals beyond which silence was an outage and teaches nothing.
pub const OUTAGE: u64 = 12;

const BINS_PER_INTERVAL: usize = 8;
const BINS: usize = BINS_PER_INTERVAL * OUTAGE as usize;
/// The histogram's forgetting is done in steps of an eighth of the memory.
const FORGET_STEPS: u32 = 8;
/// Share of beats above the rare lateness.
const RARE: f64 = 2e-4;
/// A single late beat is an accident, two are a habit.
const ONE_IS_NONE: f64 = 1.5;
const SLACK: f64 = 0.3;
const GUARD: f64 = 0.1;
const STRETCH_GAIN: f64 = 0.25;
/// So many losses' worth of belief that losses come singly stands against bursts seen.
const SINGLY: f64 = 30.0;
/// One more beat is waited for only if it is clearly needed: the loss rate is itself an estimate.
const CLEARLY: f64 = 0.25;

/// How the margin is learnt. Figures are in beat intervals unless said otherwise.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct MarginConfig {
    /// The margin is never shorter.
    pub least: f64,
    /// The margin is never longer: with the interval itself a verdict comes after 9 intervals at the latest.
    pub most: f64,
    /// The margin until `trial` beats have been heard.
    pub first: f64,
    /// Beats until the margin is a learnt one.
    pub trial: u32,
    /// Time constant of forgetting, in beats: a minute at 5 ms.
    pub memory: u32,
    /// Accepted chance of a mistake, a beat: 2e-8 is one in about three days at 5 ms.
    pub mistake: f64,
}

impl Default for MarginConfig {
    fn default() -> MarginConfig {
        MarginConfig { least: 1.2, most: 8.0, first: 3.0, trial: 100, memory: 12_000, mistake: 2e-8 }
    }
}

/// The margin in force and what it is learnt from.
#[derive(Clone, Debug)]
pub struct Margin {
    config: MarginConfig,
    interval: Span,
    /// Lateness of the beats that came, in eighths of an interval, with forgetting.
    bins: [f64; BINS],
    came: f64,
    /// Beats missed, and of these the ones that followed a missed one.
    missed: f64,
    missed_in_row: f64,
    stretch: f64,
    heard: u32,
    until_forget: u32,
    now: Span,
}

impl Margin {
    /// Nothing learnt yet.
    pub fn new(interval: Span, config: MarginConfig) -> Margin {
        Margin {
            config,
            interval,
            bins: [0.0; BINS],
            came: 0.0,
            missed: 0.0,
            missed_in_row: 0.0,
            stretch: 0.0,
            heard: 0,
            until_forget: config.memory / FORGET_STEPS,
            now: interval.scaled(config.first),
        }
    }

    /// The margin in force.
    pub const fn now(&self) -> Span {
        self.now
    }

    /// The share of beats that did not come before a newer one.
    pub fn loss(&self) -> f64 {
        let sent = self.came + self.missed;
        if sent > 0.0 { self.missed / sent } else { 0.0 }
    }

    /// A beat came, `missed` ones before it did not, and it came `late` after the first of all these was due.
    pub fn on_arrival(&mut self, missed: u64, late: Span) {
        let late = late.nanos() as f64 / self.interval.nanos() as f64;
        if missed >= OUTAGE || late >= OUTAGE as f64 {
            return;
        }
        let bin = ((late - missed as f64).max(0.0) * BINS_PER_INTERVAL as f64) as usize;
        self.bins[bin.min(BINS - 1)] += 1.0;
        self.came += 1.0;
        self.missed += missed as f64;
        self.missed_in_row += missed.saturating_sub(1) as f64;
        if self.heard >= self.config.trial {
            let margin = self.now.nanos() as f64 / self.interval.nanos() as f64;
            let lacking = (late + GUARD - margin).max(0.0);
            self.stretch = (self.stretch + STRETCH_GAIN * lacking).min(self.config.most);
        }
        self.stretch -= self.stretch / f64::from(self.config.memory.max(1));
        self.heard = self.heard.saturating_add(1);
        self.forget();
        if self.heard >= self.config.trial {
            self.now = self.interval.scaled(self.learnt());
        }
    }

    fn forget(&mut self) {
        self.until_forget = self.until_forget.saturating_sub(1);
        if self.until_forget > 0 {
            return;
        }
        self.until_forget = (self.config.memory / FORGET_STEPS).max(1);
        let keep = 1.0 - 1.0 / f64::from(FORGET_STEPS);
        self.bins.iter_mut().for_each(|b| *b *= keep);
        self.came *= keep;
        self.missed *= keep;
        self.missed_in_row *= keep;
    }

    fn learnt(&self) -> f64 {
        let p = self.loss();
        let r = p.max((self.missed_in_row + SINGLY * p) / (self.missed + SINGLY)).min(0.999);
        let losses = self.losses_to_outlast(p, r);
        let chance = p * r.powf(losses - 1.0);
        // On top of so many losses (themselves rare) only a common lateness is to be expected.
        let common = (5.0 * self.config.mistake / chance.max(f64::MIN_POSITIVE)).clamp(1e-3, 1e-2);
        let lossy = losses + self.quantile(common) + GUARD;
        let late = self.quantile(RARE) + SLACK;
        (lossy.max(late) + self.stretch).clamp(self.config.least, self.config.most)
    }

    fn losses_to_outlast(&self, p: f64, r: f64) -> f64 {
        if p <= self.config.mistake || r <= 0.0 {
            return 1.0;
        }
        let needed = (self.config.mistake / p).ln() / r.ln();
        (needed - CLEARLY).ceil().clamp(1.0, self.config.most)
    }

    /// The upper edge of the bin above which at most this share of the beats came.
    fn quantile(&self, share_above: f64) -> f64 {
        let (mut above, limit) = (0.0, (self.came * share_above).max(ONE_IS_NONE));
        let top = self.bins.iter().rposition(|b| {
            above += b;
            above > limit
        });
        top.map_or(0.0, |bin| (bin + 1) as f64 / BINS_PER_INTERVAL as f64)
    }
}
