//! The other machine's clock against ours, from exchanges of four timestamps.
//!
//! [`ClockEstimator`] follows offset *and* skew by a line between the two envelopes of the one-way limits
//! (`envelope.rs` derives it), finds steps of either clock before they can bend that line (`suspicion.rs`), and refuses
//! what cannot be an answer. Its bound is meant to be kept:
//!
//! ```text
//! bound = half the distance of the envelopes          (whatever the asymmetry of the two ways)
//!       + 3 sigma of the line, carried to now         (jitter, and not knowing the skew)
//!       + wander since the last good exchange         (crystals change: 0.2 ppm while tracking)
//! ```
//!
//! The first term rules on a network. A constant asymmetry can't be seen by any exchange of timestamps, so nobody can
//! honestly claim less without knowing the path.

mod envelope;
mod exchange;
mod seen;
mod suspicion;

use base::{ClockState, MonoTime, Ppm, Span};

pub use exchange::Exchange;

use envelope::{Envelope, Limit, SlopePrior};
use seen::{Seen, SeenWindow};
use suspicion::{Finding, Suspicion};

/// What may be set of a clock estimator.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct ClockConfig {
    /// A reply after more than this tells nothing and is refused.
    pub late_after: Span,
    /// Without a good exchange for this long the estimate is held over.
    pub holdover_after: Span,
    /// How far off a crystal may be before anything is known of it (one standard deviation). RFC 5905 allows 500 ppm
    /// at most, and common crystals are within 100.
    pub expected_skew: Ppm,
    /// How far a crystal's rate may have moved since it was last measured, for the bound.
    pub wander: Ppm,
}

impl Default for ClockConfig {
    fn default() -> ClockConfig {
        ClockConfig {
            late_after: Span::from_millis(400),
            holdover_after: Span::from_secs(1),
            expected_skew: Ppm(100.0),
            wander: Ppm(0.2),
        }
    }
}

/// What became of an exchange.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum ExchangeVerdict {
    /// It was used.
    Accepted,
    /// It was used, and with it a step is certain.
    Step(ClockStep),
    /// It was not used.
    Refused(ExchangeRefusal),
}

/// Why an exchange was not used.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum ExchangeRefusal {
    /// This request was answered already.
    Duplicate,
    /// Its number is from long ago.
    Stale,
    /// It took too long to tell anything.
    Late,
    /// It arrived before it was sent, or was answered before it was asked, or in no time at all.
    Impossible,
    /// It contradicts what is known. If the next ones agree with it, the clock has stepped.
    Contradicts,
}

/// A sudden change of the offset.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct ClockStep {
    /// When the first exchange that shows it was received.
    pub at: MonoTime,
    /// Offset after, minus offset before.
    pub size: Span,
}

/// The estimate at one instant.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct ClockEstimate {
    /// The other clock minus ours.
    pub offset: Span,
    /// Rate of change of the offset: positive when the other clock is the faster one.
    pub skew: Ppm,
    /// The true offset lies within this of `offset`.
    pub bound: Span,
    /// How much this is worth.
    pub state: ClockState,
}

/// So many good exchanges make an estimate, from nothing and after a step.
const ENOUGH: u32 = 8;
const ENOUGH_AFTER_STEP: u32 = 5;
/// With fewer than this the envelopes are not yet what the ways allow.
const YOUNG: u32 = 64;
/// And with fewer than this they are what the first packets happened to be.
const NEW: u32 = 24;
/// How many exchanges a step may need to be believed, kept to begin the new line with.
const HELD: usize = 4;
/// A stamp may be this much off without anybody being at fault, in seconds.
const STAMP_DOUBT: f64 = 0.5e-6;
/// Hold times between request and answer make small negative round trips at unequal clocks; in seconds.
const NEGATIVE_DELAY: f64 = 20e-6;
/// No two clocks that count from a start or from 1970 are farther apart.
const FARTHEST: Span = Span::from_nanos(1 << 62);
/// Our own clock may step back (a record of a wall clock) or hear nothing for this long, and the line still holds.
const FARTHEST_BACK: Span = Span::from_secs(10);
const FARTHEST_ON: Span = Span::from_secs(3_600);
/// Once the envelopes are known this is doubt enough to leave a step unseen, in seconds.
const WIDEST_DOUBT: f64 = 8e-3;

/// Follows one clock over one path.
#[derive(Clone, Debug)]
pub struct ClockEstimator {
    config: ClockConfig,
    envelope: Envelope,
    suspicion: Suspicion,
    seen: SeenWindow,
    /// Our clock and the offset that count as zero in the fit, so that its numbers stay small.
    zero: Option<(MonoTime, Span)>,
    held: [Option<Exchange>; HELD],
    good: u32,
    stepped: bool,
    last_good: MonoTime,
    out_of_time: u8,
    median_delay: f64,
    last_step: Option<ClockStep>,
    /// When the last step began, and the offset that it left behind.
    before_step: Option<(MonoTime, Span)>,
}

impl ClockEstimator {
    /// An estimator that knows nothing yet.
    pub fn new(config: ClockConfig) -> ClockEstimator {
        ClockEstimator {
            envelope: Envelope::new(SlopePrior { slope: 0.0, sigma: config.expected_skew.0.abs().max(1e-3) * 1e-6 }),
            config,
            suspicion: Suspicion::default(),
            seen: SeenWindow::default(),
            zero: None,
            held: Default::default(),
            good: 0,
            stepped: false,
            last_good: MonoTime::ZERO,
            out_of_time: 0,
            median_delay: 0.0,
            last_step: None,
            before_step: None,
        }
    }

    /// Takes in one exchange, in the order of arrival.
    pub fn on_exchange(&mut self, exchange: Exchange) -> ExchangeVerdict {
        let delay = exchange.delay().secs_f64();
        let answer_time = exchange.t3.since(exchange.t2);
        let far = exchange.upper().abs().max(exchange.lower().abs()) > FARTHEST;
        if exchange.t4 < exchange.t1 || answer_time.is_negative() || far {
            return ExchangeVerdict::Refused(ExchangeRefusal::Impossible);
        }
        if delay < -(NEGATIVE_DELAY + 500e-6 * answer_time.secs_f64()) {
            return ExchangeVerdict::Refused(ExchangeRefusal::Impossible);
        }
        match self.seen.look(exchange.seq) {
            Seen::New => {}
            Seen::Before => return ExchangeVerdict::Refused(ExchangeRefusal::Duplicate),
            Seen::TooOld => return ExchangeVerdict::Refused(ExchangeRefusal::Stale),
        }
        if self.is_late(delay) {
            return ExchangeVerdict::Refused(ExchangeRefusal::Late);
        }
        if self.is_out_of_time(exchange.t4) {
            return ExchangeVerdict::Refused(ExchangeRefusal::Contradicts);
        }
        let (upper, lower) = self.limits(&exchange);
        match self.judge(upper, lower) {
            Finding::Agrees => {
                self.seen.mark(exchange.seq);
                self.take(&exchange);
                ExchangeVerdict::Accepted
            }
            Finding::Suspect => {
                // A bogus reply's number must not shut out the true one, so only the confirmed are marked.
                self.hold(exchange);
                ExchangeVerdict::Refused(ExchangeRefusal::Contradicts)
            }
            Finding::ShorterPath => {
                self.seen.mark(exchange.seq);
                self.forget_offset();
                self.zero = Some((exchange.t4, exchange.upper()));
                self.take(&exchange);
                ExchangeVerdict::Accepted
            }
            Finding::Step { size, since } => {
                self.seen.mark(exchange.seq);
                self.on_step(size, since, exchange)
            }
        }
    }

    /// The estimate at `now`.
    pub fn estimate(&self, now: MonoTime) -> ClockEstimate {
        let (Some(fit), Some((zero_t, zero_y))) = (self.envelope.fit(), self.zero) else {
            return ClockEstimate {
                offset: Span::ZERO,
                skew: Ppm(0.0),
                bound: Span::MAX,
                state: ClockState::Acquiring,
            };
        };
        let t = now.since(zero_t).secs_f64();
        let age = now.since(self.last_good).secs_f64().max(0.0);
        let wander = self.config.wander.0.abs() * 1e-6 * (age + 0.5);
        let bound = fit.half_width() + 3.0 * fit.sigma_at(t) + wander + STAMP_DOUBT;
        ClockEstimate {
            offset: zero_y + Span::from_secs_f64(fit.middle_at(t)),
            skew: Ppm(fit.slope * 1e6),
            bound: Span::from_secs_f64(bound),
            state: self.state(age),
        }
    }

    /// The newest step, its size as well as it is known by now.
    pub fn last_step(&self) -> Option<ClockStep> {
        self.last_step
    }

    /// Our own machine slept: its clock stood still, so the offset is lost and the skew kept.
    pub fn on_own_sleep(&mut self) {
        self.forget_offset();
        self.stepped = false;
    }

    fn state(&self, age: f64) -> ClockState {
        let enough = if self.stepped { ENOUGH_AFTER_STEP } else { ENOUGH };
        match (age > self.config.holdover_after.secs_f64(), self.good >= enough) {
            (_, false) if self.stepped => ClockState::Stepped,
            (_, false) => ClockState::Acquiring,
            (true, true) => ClockState::Holdover,
            (false, true) => ClockState::Tracking,
        }
    }

    fn is_late(&self, delay: f64) -> bool {
        delay > self.config.late_after.secs_f64() || (self.good > ENOUGH && delay > (20.0 * self.median_delay).max(0.1))
    }

    /// Whether our own clock reads a time that can't follow what was heard before. When it insists, the time before
    /// was the wrong one (or hours have passed), and everything begins anew.
    fn is_out_of_time(&mut self, at: MonoTime) -> bool {
        let passed = at.since(self.last_good);
        if self.good == 0 || (passed > -FARTHEST_BACK && passed < FARTHEST_ON) {
            self.out_of_time = 0;
            return false;
        }
        self.out_of_time += 1;
        if self.out_of_time < suspicion::WITNESSES {
            return true;
        }
        self.out_of_time = 0;
        self.forget_offset();
        self.stepped = false;
        false
    }

    /// Compares an exchange's limits with the line.
    fn judge(&mut self, upper: Limit, lower: Limit) -> Finding {
        let Some(fit) = self.envelope.fit() else { return Finding::Agrees };
        let half = fit.half_width();
        let carried = 3.0 * fit.slope_sigma * (lower.t - fit.t_mid).abs();
        let (low, high, doubt) = if self.good < ENOUGH {
            // The envelopes are hardly known: only what is impossible counts. theta was within half of the middle.
            let doubt = 20e-6 + carried + 4.0 * fit.level_sigma;
            let low = lower.y - fit.upper_at(lower.t) - doubt;
            (low, upper.y - fit.lower_at(upper.t) + doubt, doubt)
        } else {
            // The true offset lies between both envelopes, wherever luck has left them: the first lucky packets may move one of them all
            // the way to the other. That is no step.
            let (luck, widest) = if self.good < NEW {
                (2.0, f64::INFINITY)
            } else if self.good < YOUNG {
                (1.0, WIDEST_DOUBT)
            } else {
                (0.3, WIDEST_DOUBT)
            };
            let doubt = (20e-6 + luck * half + 5.0 * fit.scale).min(widest) + carried;
            let low = lower.y - fit.lower_at(lower.t) - doubt;
            (low, upper.y - fit.upper_at(upper.t) + doubt, doubt)
        };
        let finding = self.suspicion.on_interval(low, high, doubt, lower.t);
        if finding == Finding::Agrees && low <= 0.0 && high >= 0.0 && self.suspicion.is_idle() {
            self.held = Default::default();
        }
        finding
    }

    /// An exchange's limits, counted from the fit's zero.
    fn limits(&mut self, exchange: &Exchange) -> (Limit, Limit) {
        let (zero_t, zero_y) = *self.zero.get_or_insert((exchange.t4, exchange.upper()));
        let limit = |t: MonoTime, y: Span| Limit { t: t.since(zero_t).secs_f64(), y: (y - zero_y).secs_f64() };
        (limit(exchange.t1, exchange.upper()), limit(exchange.t4, exchange.lower()))
    }

    fn take(&mut self, exchange: &Exchange) {
        let (upper, lower) = self.limits(exchange);
        let delay = exchange.delay().secs_f64();
        self.envelope.on_limits(upper, lower);
        self.good = self.good.saturating_add(1);
        self.last_good = exchange.t4;
        // A running median: one step towards each sample.
        if self.good == 1 {
            self.median_delay = delay;
        } else {
            let step = (0.05 * self.median_delay.abs()).max(1e-7);
            self.median_delay += step.copysign(delay - self.median_delay);
        }
        self.refine_step();
    }

    fn hold(&mut self, exchange: Exchange) {
        self.held.rotate_left(1);
        self.held[HELD - 1] = Some(exchange);
    }

    fn on_step(&mut self, size: f64, since: f64, exchange: Exchange) -> ExchangeVerdict {
        let (Some((zero_t, zero_y)), Some(fit)) = (self.zero, self.envelope.fit().copied()) else {
            return ExchangeVerdict::Accepted;
        };
        let known = self.good >= ENOUGH;
        let step = ClockStep { at: zero_t + Span::from_secs_f64(since), size: Span::from_secs_f64(size) };
        self.hold(exchange);
        let held = core::mem::take(&mut self.held);
        self.forget_offset();
        // A new zero as well: the old one may have been set by a stamp from nowhere.
        self.zero = Some((exchange.t4, exchange.upper()));
        for x in held.iter().flatten().filter(|x| x.t4 >= step.at) {
            self.take(x);
        }
        if !known {
            // Nothing was known yet that could have stepped: the first replies were the bogus ones.
            return ExchangeVerdict::Accepted;
        }
        self.stepped = true;
        self.last_step = Some(step);
        self.before_step = Some((step.at, zero_y + Span::from_secs_f64(fit.middle_at(since))));
        self.refine_step();
        ExchangeVerdict::Step(self.last_step.unwrap_or(step))
    }

    /// While the new line is young, each exchange makes the step's size better known.
    fn refine_step(&mut self) {
        if self.good > YOUNG {
            self.before_step = None;
        }
        let (Some((at, before)), Some(fit), Some((zero_t, zero_y))) =
            (self.before_step, self.envelope.fit(), self.zero)
        else {
            return;
        };
        if let Some(step) = &mut self.last_step {
            step.size = zero_y + Span::from_secs_f64(fit.middle_at(at.since(zero_t).secs_f64())) - before;
        }
    }

    /// Forgets the offset and keeps the skew: setting a clock does not change its crystal.
    fn forget_offset(&mut self) {
        let prior = match self.envelope.fit() {
            Some(fit) if self.good >= ENOUGH => {
                SlopePrior { slope: fit.slope, sigma: (2.0 * fit.slope_sigma).max(0.5e-6) }
            }
            _ => SlopePrior { slope: 0.0, sigma: self.config.expected_skew.0.abs().max(1e-3) * 1e-6 },
        };
        self.envelope = Envelope::new(prior);
        self.suspicion = Suspicion::default();
        self.zero = None;
        self.good = 0;
        self.before_step = None;
    }
}
