//! Two machines' patch streams, event by event in show time.
//!
//! An event waits for its twin: the same message of the other machine, at the same place of the show but for a constant latency that is
//! learnt. What has waited too long is judged: another value of the same thing (different), the same once more (doubled), else missing or
//! extra. Only machines in step are compared: while they are at different places, after a jump of either, and for a grace time after,
//! nothing is judged. What waits is bounded; the oldest is let go unjudged.

use std::collections::VecDeque;

use base::{MonoTime, Span};

use super::event::PatchEvent;

/// An event with where and when.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Heard {
    /// When, on our clock.
    pub at: MonoTime,
    /// Where in the show the machine was, by its own code.
    pub place: Span,
    /// What.
    pub event: PatchEvent,
}

/// What is wrong with an event.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum What {
    /// The machine did not send it.
    Missing,
    /// It sent it this much later than it otherwise does.
    Late(Span),
    /// It sent this instead.
    Different(PatchEvent),
    /// It sent it once more.
    Doubled,
    /// It sent it, and the reference did not.
    Extra,
}

/// One difference.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Finding {
    /// Which of the two is at fault, as far as two can tell: 0 the reference, 1 the other.
    pub side: usize,
    /// What is wrong.
    pub what: What,
    /// The event that should have been, or that was too much.
    pub heard: Heard,
}

/// How much is tolerated. Defaults are common practice, no source.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Limits {
    /// An event waits this long for its twin.
    pub wait: Span,
    /// Twins are no farther apart in the show.
    pub reach: Span,
    /// Later than usual by more than this is late.
    pub late: Span,
    /// Nothing is judged for so long after the machines came together.
    pub grace: Span,
}

impl Default for Limits {
    fn default() -> Limits {
        Limits {
            wait: Span::from_millis(500),
            reach: Span::from_millis(450),
            late: Span::from_millis(60),
            grace: Span::from_millis(500),
        }
    }
}

/// Events that may wait on each side.
const WAITING: usize = 1_024;
/// Matched events remembered, to tell doubles.
const MATCHED: usize = 64;
/// The latency is learnt from so many twins before anything counts as late.
const LEARNT: u32 = 8;

/// See the module. Memory is taken once, at [`Comparer::new`].
pub struct Comparer {
    limits: Limits,
    sides: [Side; 2],
    latency: Span,
    twins: u32,
    together_since: Option<MonoTime>,
}

struct Side {
    waiting: VecDeque<Heard>,
    matched: VecDeque<Heard>,
}

impl Comparer {
    /// Nothing heard yet.
    pub fn new(limits: Limits) -> Comparer {
        let side = || Side { waiting: VecDeque::with_capacity(WAITING), matched: VecDeque::with_capacity(MATCHED) };
        Comparer { limits, sides: [side(), side()], latency: Span::ZERO, twins: 0, together_since: None }
    }

    /// The learnt latency: how much later the other one is than the reference.
    pub fn latency(&self) -> Option<Span> {
        (self.twins >= LEARNT).then_some(self.latency)
    }

    /// Whether both machines are at the same place of the show and roll (or stand) alike.
    pub fn on_together(&mut self, together: bool, now: MonoTime) {
        match (together, self.together_since) {
            (true, None) => self.together_since = Some(now),
            (false, _) => self.forget(),
            (true, Some(_)) => {}
        }
    }

    /// Either machine jumped, or its stream has a gap: what waits is not judged, and a grace begins.
    pub fn on_break(&mut self, now: MonoTime) {
        let together = self.together_since.is_some();
        self.forget();
        self.together_since = together.then_some(now);
    }

    fn forget(&mut self) {
        self.together_since = None;
        for s in &mut self.sides {
            s.waiting.clear();
            s.matched.clear();
        }
    }

    /// An event of side 0 (the reference) or 1.
    pub fn on_event(&mut self, side: usize, heard: Heard, sink: &mut impl FnMut(Finding)) {
        if side > 1 || !heard.event.is_patch() || self.together_since.is_none() {
            return;
        }
        let later = |a: &Heard, b: &Heard| if side == 1 { b.place - a.place } else { a.place - b.place };
        let (reach, latency) = (self.limits.reach, self.latency);
        let twin = self.sides[1 - side]
            .waiting
            .iter()
            .position(|w| w.event == heard.event && (later(w, &heard) - latency).abs() <= reach);
        let Some(twin) = twin.and_then(|i| self.sides[1 - side].waiting.remove(i)) else {
            let waiting = &mut self.sides[side].waiting;
            if waiting.len() == WAITING {
                waiting.pop_front();
            }
            waiting.push_back(heard);
            return;
        };
        let delta = later(&twin, &heard);
        for (s, h) in [(side, heard), (1 - side, twin)] {
            let matched = &mut self.sides[s].matched;
            if matched.len() == MATCHED {
                matched.pop_front();
            }
            matched.push_back(h);
        }
        self.judge_delay(side, delta, heard, twin, sink);
    }

    fn judge_delay(&mut self, side: usize, delta: Span, heard: Heard, twin: Heard, sink: &mut impl FnMut(Finding)) {
        let beyond = delta - self.latency;
        if self.twins < LEARNT {
            // A mean of the first ones.
            self.twins += 1;
            self.latency += Span::from_nanos(beyond.nanos() / i64::from(self.twins));
            return;
        }
        if beyond.abs() > self.limits.late {
            let late = if beyond.is_negative() { 0 } else { 1 };
            let of_late = if late == side { heard } else { twin };
            if self.judged(of_late.at) {
                sink(Finding { side: late, what: What::Late(beyond.abs()), heard: of_late });
            }
        }
        // It follows a latency that changes, slowly, and an outlier hardly.
        let step = beyond.nanos().clamp(-self.limits.late.nanos(), self.limits.late.nanos());
        self.latency += Span::from_nanos(step / 16);
    }

    /// Time goes by: what has waited long enough is judged.
    pub fn on_time(&mut self, now: MonoTime, sink: &mut impl FnMut(Finding)) {
        for side in 0..2 {
            while let Some(h) = self.sides[side].waiting.front().copied() {
                if now - h.at < self.limits.wait {
                    break;
                }
                self.sides[side].waiting.pop_front();
                self.judge(side, h, sink);
            }
        }
    }

    fn judge(&mut self, side: usize, h: Heard, sink: &mut impl FnMut(Finding)) {
        let near = |w: &Heard, reach: Span| (w.place - h.place).abs() <= reach;
        let reach = self.limits.reach;
        let other = &mut self.sides[1 - side].waiting;
        let instead =
            other.iter().position(|w| w.event.same_target(h.event) && near(w, reach)).and_then(|i| other.remove(i));
        if !self.judged(h.at) {
            return;
        }
        let found = match instead {
            // The reference's event is what should have been.
            Some(w) if side == 0 => Finding { side: 1, what: What::Different(w.event), heard: h },
            Some(w) => Finding { side: 1, what: What::Different(h.event), heard: w },
            None if self.sides[side].matched.iter().any(|m| m.event == h.event && near(m, reach)) => {
                Finding { side, what: What::Doubled, heard: h }
            }
            None if side == 0 => Finding { side: 1, what: What::Missing, heard: h },
            None => Finding { side: 1, what: What::Extra, heard: h },
        };
        sink(found);
    }

    fn judged(&self, at: MonoTime) -> bool {
        self.together_since.is_some_and(|t| at - t >= self.limits.grace)
    }
}
