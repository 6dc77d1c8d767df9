//! From bits to words with their place in the signal.
//!
//! A word is found when 80 unbroken bits end in the sync word (or, backwards, begin with its mirror image). It is handed on
//! eight bits later, or when the signal ends, so that its last edge can be fitted from both sides. When bits broke
//! between two sync words, [`rescue`] has a try at the frame.

use base::Direction;

use super::clock::{BitClock, Clocked};
use super::fit::{Fitted, fit_edge};
use super::rescue::rescue;
use super::word::{BITS, LtcWord, SYNC_FORWARD, SYNC_REVERSE};

/// Half cells in a word, and in its sync word.
const CELLS: i64 = 2 * BITS as i64;
const SYNC_CELLS: i64 = 32;
/// Half cells to wait for before a word's end is fitted.
const WAIT: i64 = 16;
/// The misfit that a rescued word is given: not doubtful, but not good either.
const RESCUED: f32 = 0.5;

/// A word as it stands in the signal.
#[derive(Clone, Copy, Debug)]
pub(super) struct Found {
    pub word: LtcWord,
    pub direction: Direction,
    /// First and last edge, samples, smaller first.
    pub start: f64,
    pub end: f64,
    /// The worst misfit of its intervals: 1 is on the border of being read otherwise.
    pub misfit: f32,
    /// The tape was cut within its first or last bit.
    pub cut: bool,
}

/// A word that waits for the edges after it.
#[derive(Clone, Copy, Debug)]
struct Waiting {
    word: LtcWord,
    direction: Direction,
    /// Where it began, when it was rescued: its half cells are then not counted through.
    start: Option<f64>,
    /// Its last half cell, and the bit period then.
    last: i64,
    period: f64,
}

/// The edge at which the last word ended.
#[derive(Clone, Copy, Debug)]
struct Anchor {
    edge: u64,
    cell: i64,
    direction: Direction,
    period: f64,
}

/// Collects bits.
#[derive(Clone, Debug, Default)]
pub(super) struct Framer {
    passed: u128,
    bits: u32,
    waiting: Option<Waiting>,
    anchor: Option<Anchor>,
    /// The last frame edge fitted: its half cell, and what was found. A frame starts where its neighbour ended.
    fitted: Option<(i64, Fitted)>,
}

impl Framer {
    /// What the clock read. `sink` gets the words.
    pub(super) fn on_clocked(&mut self, clock: &BitClock, what: Clocked, sink: &mut impl FnMut(Found)) {
        match what {
            Clocked::Break => {
                self.hand_on(clock, sink);
                self.bits = 0;
            }
            Clocked::Bit { one, end } => {
                self.passed = self.passed << 1 | u128::from(one);
                self.bits = self.bits.saturating_add(1);
                if self.waiting.is_some_and(|w| end >= w.last + WAIT) {
                    self.hand_on(clock, sink);
                }
                self.look(clock, end, sink);
            }
        }
    }

    /// Looks for a word that ends with the bit that ends at this half cell.
    fn look(&mut self, clock: &BitClock, end: i64, sink: &mut impl FnMut(Found)) {
        let sync = self.bits >= 16;
        if sync && self.passed as u16 == SYNC_REVERSE {
            self.try_rescue(clock, Direction::Reverse, end - SYNC_CELLS, sink);
        }
        if sync && self.passed as u16 == SYNC_FORWARD {
            let rescued = self.try_rescue(clock, Direction::Forward, end, sink);
            if rescued {
                return;
            }
            self.anchor = self.anchor_at(clock, Direction::Forward, end);
        }
        if self.bits >= BITS
            && let Some((word, direction)) = LtcWord::found(self.passed)
        {
            self.hand_on(clock, sink);
            self.anchor = self.anchor_at(clock, direction, end);
            let period = clock.period().unwrap_or(1.0);
            self.waiting = Some(Waiting { word, direction, start: None, last: end, period });
        }
    }

    /// When no unbroken bits reach from the last word's end to `end`, tries to read what lies between nevertheless.
    fn try_rescue(&mut self, clock: &BitClock, way: Direction, end: i64, sink: &mut impl FnMut(Found)) -> bool {
        let (Some(from), Some(to)) = (self.anchor, self.anchor_at(clock, way, end)) else { return false };
        let unbroken = end == from.cell + if way == Direction::Reverse { 0 } else { CELLS };
        if from.direction != way || unbroken || from.edge >= to.edge {
            return false;
        }
        let Some(bits) = rescue(clock, from.edge, to.edge, from.period, to.period) else { return false };
        let Some((word, direction)) = LtcWord::found(bits).filter(|f| f.1 == way) else { return false };
        self.hand_on(clock, sink);
        let start = match self.fitted {
            Some((cell, fitted)) if cell == from.cell => Some(fitted.at),
            _ => clock.at(from.edge),
        };
        self.anchor = Some(to);
        self.waiting = Some(Waiting { word, direction, start, last: end, period: to.period });
        true
    }

    fn anchor_at(&self, clock: &BitClock, direction: Direction, cell: i64) -> Option<Anchor> {
        Some(Anchor { edge: clock.find(cell)?, cell, direction, period: clock.period()? })
    }

    fn hand_on(&mut self, clock: &BitClock, sink: &mut impl FnMut(Found)) {
        let Some(w) = self.waiting.take() else { return };
        let first = w.last - CELLS;
        let start = match (w.start, self.fitted) {
            (Some(at), _) => Some(Fitted { at, cut_before: false, cut_after: false }),
            (None, Some((cell, fitted))) if cell == first => Some(fitted),
            _ => fit_edge(clock.newest_first(), first, w.period),
        };
        let Some(end) = fit_edge(clock.newest_first(), w.last, w.period) else { return };
        let Some(start) = start else { return };
        self.fitted = Some((w.last, end));
        let cut = start.cut_after || end.cut_before;
        let misfit = clock
            .newest_first()
            .skip_while(|e| e.cell > w.last)
            .take_while(|e| e.cell > first)
            .fold(if w.start.is_some() { RESCUED } else { 0.0 }, |worst, e| worst.max(e.misfit));
        sink(Found { word: w.word, direction: w.direction, start: start.at, end: end.at, misfit, cut });
    }
}
