//! The offset of one machine against another, its drift and its steps.
//!
//! [`OffsetTracker`] takes offsets some 50 times a second, each from two position lines at one instant. Those lines
//! look back a second or two, so neighbouring offsets share their errors; averaging over the whole song is done here,
//! where steps can be told from noise: the record is cut into straight pieces (`segment.rs`), one slope is drawn
//! through all pieces that agree on it, and the newest piece says where the offset is now:
//!
//! ```text
//! offset(now) = mean of the newest piece + drift * (now - its middle)
//! variance    = noise / samples of that piece + variance of drift * (now - its middle)^2
//! ```
//!
//! `noise` is the long-run variance of one sample, correlation included. With 1 ms of jitter on each machine's quarter
//! frames, drift is known to 0.2 to 0.3 ppm after a minute and grows certain with the power 3/2 of time.

use base::{MonoTime, Ppm, Span};

use crate::segment::{Bin, Piece, Segmenter};

/// What may be set of an offset tracker.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct OffsetConfig {
    /// Samples are gathered for this long before they are looked at.
    pub bin: Span,
    /// A change smaller than this is not called a step.
    pub smallest_step: Span,
}

impl Default for OffsetConfig {
    fn default() -> OffsetConfig {
        OffsetConfig { bin: Span::from_millis(250), smallest_step: Span::from_micros(300) }
    }
}

/// A sudden change of the offset.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct OffsetStep {
    /// About when.
    pub at: MonoTime,
    /// Offset after, minus before.
    pub size: Span,
    /// One standard deviation of the size.
    pub sigma: Span,
}

/// What is known of the offset at one instant.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct OffsetView {
    /// The offset.
    pub offset: Span,
    /// One standard deviation of it.
    pub sigma: Span,
    /// Rate of change of the offset, and one standard deviation of it.
    pub drift: Option<(Ppm, Ppm)>,
    /// Steps since the start.
    pub steps: u16,
    /// The newest of them.
    pub last_step: Option<OffsetStep>,
    /// Mean offset in the first second since the start.
    pub start_skew: Option<Span>,
    /// The newest samples have left the line and it is not yet known whereto.
    pub unsettled: bool,
}

/// When a limit will be reached.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Forecast {
    /// From now, at the present drift; zero when it is reached already.
    pub reached_in: Span,
    /// The same at the greatest drift that is likely (two standard deviations).
    pub earliest: Span,
    /// The same at the least; `None` when the drift may as well be none.
    pub latest: Option<Span>,
}

impl OffsetView {
    /// When the offset reaches `limit` to either side, if the drift leads anywhere.
    pub fn forecast(&self, limit: Span) -> Option<Forecast> {
        let (drift, sigma) = self.drift?;
        let (offset, limit) = (self.offset.secs_f64(), limit.abs().secs_f64());
        if offset.abs() >= limit {
            return Some(Forecast { reached_in: Span::ZERO, earliest: Span::ZERO, latest: Some(Span::ZERO) });
        }
        // Time to the limit that lies ahead at `rate`; a day and more is never.
        let time = |rate: f64| {
            let t = (limit.copysign(rate) - offset) / rate;
            (t.is_finite() && t < 86_400.0).then(|| Span::from_secs_f64(t))
        };
        let (rate, doubt) = (drift.0 * 1e-6, 2.0 * sigma.0.abs() * 1e-6);
        let reached_in = time(rate)?;
        let greatest = rate + doubt.copysign(rate);
        let least = rate - doubt.copysign(rate);
        Some(Forecast {
            reached_in,
            earliest: time(greatest).unwrap_or(reached_in),
            latest: if least * rate > 0.0 { time(least) } else { None },
        })
    }
}

/// Bins kept: older ones are merged.
const BINS: usize = 256;
/// One more piece must explain this many times the noise.
pub(crate) fn penalty_factor(bins: usize) -> f64 {
    12.0 + 4.0 * (bins.max(2) as f64).ln()
}
/// A sample is never better than this, in seconds: what a clock estimate wanders by.
const SIGMA_FLOOR: f64 = 10e-6;

/// Follows the offset of one machine against another through one song.
#[derive(Clone, Debug)]
pub struct OffsetTracker {
    config: OffsetConfig,
    pieces: Segmenter<BINS>,
    zero: Option<MonoTime>,
    open: Gathered,
    closed: Option<Bin>,
    first_second: Gathered,
    noise: f64,
    /// The noise that the present cut was made for.
    cut_for: f64,
}

/// A sample with this standard deviation has weight 1, in seconds.
const UNIT: f64 = 100e-6;
/// Samples share their errors over about this long, in seconds: a line's end is twice as uncertain as its mean, and
/// lines look back 2 s.
const SHARED: f64 = 0.5;

/// Samples on their way to a bin. Each weighs by what its lines say of themselves: a line that has just begun, or that
/// is drawn through clumps, knows less.
#[derive(Clone, Copy, Debug, Default)]
struct Gathered {
    w: f64,
    t: f64,
    y: f64,
    count: f64,
    began: f64,
    newest: f64,
}

impl Gathered {
    fn add(&mut self, t: f64, y: f64, sigma: f64) {
        if self.count == 0.0 {
            self.began = t;
        }
        let w = UNIT * UNIT / (sigma * sigma + SIGMA_FLOOR * SIGMA_FLOOR);
        self.count += 1.0;
        self.w += w;
        self.t += w * t;
        self.y += w * y;
        self.newest = t;
    }
    fn bin(&self) -> Option<Bin> {
        (self.count > 0.0).then(|| Bin { t: self.t / self.w, y: self.y / self.w, n: self.w })
    }
    /// Standard deviation of one sample, on the whole.
    fn sigma(&self) -> f64 {
        UNIT / (self.w / self.count.max(1.0)).sqrt()
    }
}

/// The drift as pooled from the pieces that agree.
struct Drift {
    slope: f64,
    sigma: f64,
}

impl OffsetTracker {
    /// A tracker at the start of a song.
    pub fn new(config: OffsetConfig) -> OffsetTracker {
        OffsetTracker {
            config,
            pieces: Segmenter::new(),
            zero: None,
            open: Gathered::default(),
            closed: None,
            first_second: Gathered::default(),
            noise: UNIT * UNIT,
            cut_for: UNIT * UNIT,
        }
    }

    /// Begins anew, as at the start of a song.
    pub fn restart(&mut self) {
        *self = OffsetTracker::new(self.config);
    }

    /// Takes in the offset at `at` with its standard deviation. What is older than the last one is ignored.
    pub fn on_offset(&mut self, at: MonoTime, offset: Span, sigma: Span) {
        let zero = *self.zero.get_or_insert(at);
        let t = at.since(zero).secs_f64();
        if t < self.open.newest {
            return;
        }
        let (y, sigma) = (offset.secs_f64(), sigma.abs().secs_f64().clamp(1e-9, 1.0));
        if t < 1.0 {
            self.first_second.add(t, y, sigma);
        }
        // A step must not be averaged into a bin that lies on neither side of it.
        let leaps = self
            .open
            .bin()
            .is_some_and(|b| (y - b.y).abs() > (8.0 * self.open.sigma()).max(self.config.smallest_step.secs_f64()));
        if leaps || (self.open.count > 0.0 && t - self.open.began >= self.config.bin.secs_f64()) {
            self.close();
        }
        self.open.add(t, y, sigma);
    }

    fn close(&mut self) {
        let Some(bin) = self.open.bin() else { return };
        // What the lines say of themselves counts at least: an error that swings slowly hides from the bins.
        let lasts = (self.open.newest - self.open.began).max(1e-3);
        let sharing = (SHARED * self.open.count / lasts).max(1.0);
        self.noise = self.pieces.noise().unwrap_or(0.0).max(UNIT * UNIT * sharing);
        let penalty = penalty_factor(self.pieces.len()) * self.noise;
        // The cut was made for another noise: what was cheap then may not be now.
        if self.noise > 1.2 * self.cut_for || self.noise < 0.8 * self.cut_for {
            self.cut_for = self.noise;
            self.pieces.recut(penalty);
        }
        self.pieces.push(bin, penalty);
        self.closed = Some(bin);
        self.open = Gathered { newest: self.open.newest, ..Gathered::default() };
    }

    /// What is known at `now`.
    pub fn now(&self, now: MonoTime) -> Option<OffsetView> {
        let zero = self.zero?;
        let t = now.since(zero).secs_f64();
        let start_skew = self.first_second.bin().map(|b| Span::from_secs_f64(b.y));
        let Some(newest) = self.pieces.pieces_backwards().next() else {
            let b = self.open.bin()?;
            let sigma = self.open.sigma();
            return Some(OffsetView {
                offset: Span::from_secs_f64(b.y),
                sigma: Span::from_secs_f64(sigma),
                drift: None,
                steps: 0,
                last_step: None,
                start_skew,
                unsettled: false,
            });
        };
        let drift = self.drift();
        let (slope, slope_sigma) = drift.as_ref().map_or((0.0, 0.0), |d| (d.slope, d.sigma));
        let mut value = newest.y + slope * (t - newest.t);
        let mut sigma = (self.noise / newest.w).sqrt().hypot(slope_sigma * (t - newest.t));
        let unsettled = self.newest_off_the_line(&newest, slope, sigma);
        if let Some(off) = unsettled {
            value = off;
            sigma = self.open.sigma();
        }
        let (mut steps, mut last_step) = (0u16, None);
        self.steps(|s| {
            steps = steps.saturating_add(1);
            last_step = last_step.or(Some(s));
        });
        Some(OffsetView {
            offset: Span::from_secs_f64(value),
            sigma: Span::from_secs_f64(sigma),
            drift: drift.map(|d| (Ppm(d.slope * 1e6), Ppm(d.sigma * 1e6))),
            steps,
            last_step,
            start_skew,
            unsettled: unsettled.is_some(),
        })
    }

    /// Calls `each` with every step since the start, newest first.
    pub fn steps(&self, mut each: impl FnMut(OffsetStep)) {
        let (Some(zero), slope) = (self.zero, self.drift().map_or(0.0, |d| d.slope)) else { return };
        let mut after: Option<Piece> = None;
        for before in self.pieces.pieces_backwards() {
            if let Some(after) = after.replace(before) {
                let (size, sigma) = self.jump(&before, &after, slope);
                if size.abs() > 4.0 * sigma && size.abs() >= self.config.smallest_step.secs_f64() {
                    let t = (self.pieces.bin(after.from.saturating_sub(1)).t + self.pieces.bin(after.from).t) / 2.0;
                    each(OffsetStep {
                        at: zero + Span::from_secs_f64(t),
                        size: Span::from_secs_f64(size),
                        sigma: Span::from_secs_f64(sigma),
                    });
                }
            }
        }
    }

    /// The jump from one piece to the next, both drawn with the common slope, and its standard deviation.
    fn jump(&self, before: &Piece, after: &Piece, slope: f64) -> (f64, f64) {
        let size = after.y - before.y - slope * (after.t - before.t);
        (size, (self.noise * (1.0 / before.w + 1.0 / after.w)).sqrt())
    }

    /// The newest two gatherings on one side of the line and far off it: their mean.
    fn newest_off_the_line(&self, newest: &Piece, slope: f64, sigma: f64) -> Option<f64> {
        let (closed, open) = (self.closed?, self.open.bin()?);
        let off = |b: Bin| b.y - newest.y - slope * (b.t - newest.t);
        let limit = |b: Bin| 5.0 * (self.noise / b.n).sqrt().hypot(sigma) + self.config.smallest_step.secs_f64();
        let (a, b) = (off(closed), off(open));
        (a * b > 0.0 && a.abs() > limit(closed) / 2.0 && b.abs() > limit(open)).then_some(open.y)
    }

    /// One slope through the newest piece and those before it that agree.
    fn drift(&self) -> Option<Drift> {
        let mut pooled: Option<(f64, f64)> = None;
        for p in self.pieces.pieces_backwards() {
            if p.stt <= 0.0 || p.to - p.from < 3 {
                continue;
            }
            pooled = Some(match pooled {
                None => (p.slope, p.stt),
                Some((slope, stt)) => {
                    let sigma = (self.noise * (1.0 / stt + 1.0 / p.stt)).sqrt();
                    if (p.slope - slope).abs() > 4.0 * sigma {
                        break;
                    }
                    ((slope * stt + p.slope * p.stt) / (stt + p.stt), stt + p.stt)
                }
            });
        }
        pooled.map(|(slope, stt)| Drift { slope, sigma: (self.noise / stt).sqrt() })
    }
}
