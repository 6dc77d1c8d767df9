//! Where one machine is: a line through its position code.
//!
//! [`PositionLine`] takes ticks (a position, heard at an instant) and gives the position at any instant, with its
//! uncertainty. `ticks.rs` derives the fit. Around it stands what keeps a line from being drawn through things that
//! are not on one line:
//!
//! - a *jump* (locate, loop) is known by the code itself: the next tick's position is not the next one, and not where
//!   lost ticks would have led either. A new line begins at once;
//! - a *break* (varispeed, an engine that hiccuped by a few ms) is known by ticks in a row on one side of the line.
//!   The line begins anew from these;
//! - a *stop* is told to us; a *stall* is silence for longer than the learnt clump and three ticks (`clumps.rs`).

mod clumps;
mod ticks;

use base::{MonoTime, Span, TransportState};

use clumps::Clumps;
use ticks::{CLUMP_WINDOW, Line, SpeedPrior, Ticks, WINDOW};

/// What may be set of a position line.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct LineConfig {
    /// The spacing of ticks that is assumed until two were heard: quarter frames at 30 frames a second.
    pub expected_tick: Span,
}

impl Default for LineConfig {
    fn default() -> LineConfig {
        LineConfig { expected_tick: Span::from_nanos(8_333_333) }
    }
}

/// A point on the line.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct LinePoint {
    /// The instant asked for.
    pub at: MonoTime,
    /// The position then.
    pub position: Span,
    /// Speed against our clock, minus one, in parts per billion (0 = real time; -1e9 = standing).
    pub speed_ppb: i32,
    /// One standard deviation of the position.
    pub sigma: Span,
    /// When code that moved was last heard.
    pub last_heard: MonoTime,
    /// Rolling, stopped, stalled, lost.
    pub state: TransportState,
    /// Jumps seen so far; wraps.
    pub jumps: u16,
}

/// How near to real time a player runs (one standard deviation): pulled down by 0.1 % at times; as near as its crystal
/// when the code is too coarse to tell; anything after a break.
const SPEED: f64 = 1e-3;
const SPEED_OF_CLUMPS: f64 = 100e-6;
const SPEED_AFTER_BREAK: f64 = 0.03;
/// Ticks in a row on one side of the line that make a break: a few far off, or many a little off.
const FAR_RUN: u32 = 6;
const NEAR_RUN: u32 = 16;
const CLUMP_RUN: u32 = 3;

/// Follows one position code.
#[derive(Clone, Debug)]
pub struct PositionLine {
    clumps: Clumps,
    ticks: Ticks,
    line: Option<Line>,
    /// Whether ticks are late and never early; then the line along their early edge.
    late_only: bool,
    edge: Option<Line>,
    prior: SpeedPrior,
    state: TransportState,
    zero: Option<(MonoTime, Span)>,
    last_heard: MonoTime,
    resting: Option<Span>,
    spacing_known: bool,
    jumps: u16,
    runs: Runs,
}

/// Residuals in a row on one side: positive counts above, negative below.
#[derive(Clone, Copy, Debug, Default)]
struct Runs {
    far: i32,
    near: i32,
}

impl Runs {
    fn count(run: &mut i32, residual: f64, limit: f64) -> u32 {
        *run = if residual > limit {
            run.max(&mut 0).saturating_add(1)
        } else if residual < -limit {
            run.min(&mut 0).saturating_sub(1)
        } else {
            0
        };
        run.unsigned_abs()
    }
}

impl PositionLine {
    /// A line that has heard nothing yet.
    pub fn new(config: LineConfig) -> PositionLine {
        PositionLine {
            clumps: Clumps::new(config.expected_tick.secs_f64().clamp(1e-4, 1.0)),
            ticks: Ticks::new(),
            line: None,
            late_only: false,
            edge: None,
            prior: SpeedPrior { v: 1.0, sigma: SPEED },
            state: TransportState::Unknown,
            zero: None,
            last_heard: MonoTime::ZERO,
            resting: None,
            spacing_known: false,
            jumps: 0,
            runs: Runs::default(),
        }
    }

    /// The same for ticks that are stamped as they arrive, over a port or a network: late by what they waited, and never early.
    /// What they say is known better then, and the usual wait is no part of the position any longer.
    pub fn of_arrivals(config: LineConfig) -> PositionLine {
        PositionLine { late_only: true, ..PositionLine::new(config) }
    }

    /// A piece of rolling code arrived at `at` and says `position` (its own lag already taken out).
    pub fn on_tick(&mut self, at: MonoTime, position: Span) {
        let (a, p) = self.relative(at, position);
        let Some(last) = self.ticks.newest(0).filter(|_| self.state == TransportState::Rolling) else {
            return self.begin(at, a, p);
        };
        let (gap, moved) = (a - last.a, p - last.p);
        if moved == 0.0 {
            return; // It repeats itself: heard, but not rolling.
        }
        if gap < -1.0 {
            return self.begin(at, a, p);
        }
        let (a, gap) = (a.max(last.a), gap.max(0.0));
        match self.continues(gap, moved) {
            Course::Continues => {}
            Course::Resumed => return self.begin(at, a, p),
            Course::Jumped => {
                self.jumps = self.jumps.wrapping_add(1);
                return self.begin(at, a, p);
            }
        }
        if !self.spacing_known {
            self.spacing_known = true;
            self.clumps = Clumps::new(moved.abs().clamp(1e-4, 1.0));
            if moved < 0.0 {
                self.prior = SpeedPrior { v: -1.0, sigma: SPEED };
            }
        }
        let were_clumped = self.clumps.clumped();
        self.clumps.on_gap(gap, moved);
        let inside = self.clumps.is_inside(gap);
        let window = if self.clumps.clumped() { CLUMP_WINDOW } else { WINDOW };
        self.ticks.push(a, p, inside, window);
        self.last_heard = at;
        if self.clumps.clumped() == were_clumped {
            self.look_for_break(inside, a, p);
        } else {
            // The line so far was drawn by the other rule: nothing can be on the wrong side of it.
            self.runs = Runs::default();
        }
        self.refit(inside);
        self.settle_speed(inside);
    }

    /// A stop was heard (or a cause for one).
    pub fn on_stopped(&mut self, at: MonoTime) {
        self.rest(at, TransportState::Stopped);
    }

    /// The source itself went away.
    pub fn on_lost(&mut self, at: MonoTime) {
        self.rest(at, TransportState::Lost);
    }

    /// A message set the position without rolling (a full frame, a song position pointer).
    pub fn on_located(&mut self, at: MonoTime, position: Span) {
        let (a, p) = self.relative(at, position);
        let tick = self.clumps.tick();
        let elsewhere = match (self.state, self.line) {
            (TransportState::Rolling, Some(line)) => (line.at(a) - p).abs() > self.clumps.stall_after(),
            _ => self.resting.is_none_or(|r| (r - position).abs().secs_f64() > tick),
        };
        if elsewhere {
            self.jumps = self.jumps.wrapping_add(1);
            if self.state == TransportState::Rolling {
                return self.begin(at, a, p);
            }
        }
        if self.state != TransportState::Rolling {
            self.resting = Some(position);
            self.last_heard = self.last_heard.max(at);
        }
    }

    /// The position at `now`, if any was ever heard.
    pub fn point(&self, now: MonoTime) -> Option<LinePoint> {
        let standing = |position: Span, state| LinePoint {
            at: now,
            position,
            speed_ppb: -1_000_000_000,
            sigma: Span::from_secs_f64(self.clumps.tick() / 12f64.sqrt()),
            last_heard: self.last_heard,
            state,
            jumps: self.jumps,
        };
        if self.state != TransportState::Rolling {
            return self.resting.map(|r| standing(r, self.state));
        }
        let (line, (zero_at, zero_p)) = (self.line?, self.zero?);
        if self.stall_due().is_some_and(|due| now >= due) {
            let a = self.last_heard.since(zero_at).secs_f64();
            return Some(standing(zero_p + Span::from_secs_f64(line.at(a)), TransportState::Stalled));
        }
        let a = now.since(zero_at).secs_f64();
        let line = self.edge.unwrap_or(line);
        Some(LinePoint {
            position: zero_p + Span::from_secs_f64(line.at(a)),
            speed_ppb: ((line.v - 1.0) * 1e9).round() as i32,
            sigma: Span::from_secs_f64(line.sigma_at(a)),
            ..standing(Span::ZERO, TransportState::Rolling)
        })
    }

    /// When silence becomes a stall, while rolling.
    pub fn stall_due(&self) -> Option<MonoTime> {
        (self.state == TransportState::Rolling)
            .then(|| self.last_heard + Span::from_secs_f64(self.clumps.stall_after()))
    }

    /// The learnt clump: how much longer than a tick silence lasts when all is well.
    pub fn clump(&self) -> Span {
        Span::from_secs_f64(self.clumps.clump())
    }

    fn relative(&mut self, at: MonoTime, position: Span) -> (f64, f64) {
        let (zero_at, zero_p) = *self.zero.get_or_insert((at, position));
        (at.since(zero_at).secs_f64(), (position - zero_p).secs_f64())
    }

    fn begin(&mut self, at: MonoTime, a: f64, p: f64) {
        self.ticks.clear();
        self.ticks.push(a, p, false, WINDOW);
        self.state = TransportState::Rolling;
        self.last_heard = at;
        self.resting = None;
        self.edge = None;
        self.runs = Runs::default();
        // A speed far from 1 is not taken over into a new start.
        if (self.prior.v.abs() - 1.0).abs() > 2e-3 || self.prior.sigma > SPEED {
            self.prior = SpeedPrior { v: self.prior.v.signum(), sigma: SPEED };
        }
        let scatter = self.line.map_or(1e-3, |l| l.sigma);
        self.line = Some(Line {
            a,
            p,
            v: self.prior.v,
            v_sigma: self.prior.sigma,
            p_sigma: scatter.max(self.clumps.clump() / 2.0),
            sigma: scatter,
        });
    }

    fn rest(&mut self, at: MonoTime, state: TransportState) {
        if let (TransportState::Rolling, Some(line), Some((zero_at, zero_p))) = (self.state, self.line, self.zero) {
            let a = at.min(self.last_heard).since(zero_at).secs_f64();
            self.resting = Some(zero_p + Span::from_secs_f64(line.at(a)));
        }
        self.state = state;
        self.ticks.clear();
    }

    /// Whether a tick goes on where the last one was.
    fn continues(&mut self, gap: f64, moved: f64) -> Course {
        let second = self.ticks.len() == 1;
        if second && !self.spacing_known {
            // Nothing is known but that code runs at about real time, either way.
            let near = (moved.abs() - gap).abs() <= self.clumps.stall_after().max(0.5 * gap);
            return if near && moved.abs() < 1.0 { Course::Continues } else { Course::Jumped };
        }
        let tick = self.clumps.tick();
        if second && moved * self.prior.v < 0.0 && moved.abs() <= 1.6 * tick {
            self.prior = SpeedPrior { v: moved.signum(), sigma: SPEED };
            if let Some(line) = &mut self.line {
                line.v = self.prior.v;
            }
            return Course::Continues;
        }
        let v = self.line.map_or(self.prior.v, |l| l.v);
        let expected = v * gap;
        let next = moved * v > 0.0 && moved.abs() <= 1.6 * tick;
        let as_if_lost = moved * v > 0.0 && (moved - expected).abs() <= self.clumps.clump() + 2.5 * tick;
        match (next, as_if_lost) {
            (_, true) => Course::Continues,
            (true, false) if gap > self.clumps.stall_after() => Course::Resumed,
            (true, false) => Course::Continues,
            (false, false) => Course::Jumped,
        }
    }

    fn look_for_break(&mut self, inside: bool, a: f64, p: f64) {
        let (Some(line), true) = (self.line, self.ticks.len() > 4) else { return };
        if self.clumps.clumped() {
            // A clump is complete when the next one begins: its last tick is the one before this.
            if inside {
                return;
            }
            let Some(last) = self.ticks.newest(1) else { return };
            let half = self.clumps.tick() / 2.0;
            let r = last.p + line.v * half - line.at(last.a);
            if Runs::count(&mut self.runs.far, r, 1.3 * half + 1.5e-3) >= CLUMP_RUN {
                self.break_off(CLUMP_RUN as usize + 1);
            }
            return;
        }
        let r = p - line.at(a);
        let sigma = line.sigma.max(50e-6).hypot(line.sigma_at(a));
        if Runs::count(&mut self.runs.far, r, 3.0 * sigma) >= FAR_RUN {
            self.break_off(FAR_RUN as usize);
        } else if Runs::count(&mut self.runs.near, r, 1.2 * sigma) >= NEAR_RUN {
            self.break_off(NEAR_RUN as usize);
        }
    }

    fn break_off(&mut self, keep: usize) {
        self.ticks.keep_newest(keep);
        self.runs = Runs::default();
        self.prior.sigma = SPEED_AFTER_BREAK;
        // The old scatter was swollen by what the old line did not fit.
        self.line = None;
        self.edge = None;
    }

    fn refit(&mut self, inside: bool) {
        let fitted = if self.clumps.clumped() {
            if inside && self.ticks.len() > 8 {
                return; // A clump counts when the next one begins.
            }
            let sigma = if self.prior.sigma > SPEED { self.prior.sigma } else { SPEED_OF_CLUMPS };
            self.ticks.fit_clumps(self.clumps.tick(), SpeedPrior { sigma, ..self.prior })
        } else {
            self.ticks.fit(self.line.as_ref(), self.prior)
        };
        if let Some(line) = fitted {
            self.line = Some(line);
        }
        self.edge = self.line.filter(|_| self.late_only && self.clumps.one_at_a_time()).and_then(|line| {
            // The edge lies ahead of the middle, and not by much: else it has been left behind and is looked for anew.
            let a = self.ticks.newest(0)?.a;
            let beside = |e: &Line| {
                let ahead = (e.at(a) - line.at(a)) * line.v.signum();
                ahead > -(line.sigma + 1e-4) && ahead < 4.0 * line.sigma + 1e-4
            };
            let near = match self.edge.filter(beside) {
                Some(edge) => edge,
                // From the middle it is a longer way: the first pass finds which ticks are early.
                None => self.ticks.fit_edge(&line, self.prior)?,
            };
            self.ticks.fit_edge(&near, self.prior).filter(beside)
        });
    }

    /// After a break the speed may be any; once the line is long enough again, it is near what it was found to be.
    /// It is not averaged any longer than the window: an error that lasts would be taken for drift.
    fn settle_speed(&mut self, inside: bool) {
        let Some(line) = self.line else { return };
        if self.prior.sigma == SPEED_AFTER_BREAK && self.ticks.span() > 1.5 && !inside {
            self.prior = SpeedPrior { v: line.v, sigma: SPEED };
        }
    }
}

enum Course {
    Continues,
    /// The same code goes on after a pause that nobody announced.
    Resumed,
    Jumped,
}
