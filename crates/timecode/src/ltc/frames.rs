//! From bits to words with their place in the signal.
//!
//! A word is found when 80 unbroken bits end in the sync word (or, backwards, begin with its mirror image). It is handed on
//! eight bits later, or when the signal ends, so that its last edge can be fitted from both sides.

use base::Direction;

use super::clock::{BitClock, Clocked};
use super::fit::edge_time;
use super::word::{BITS, LtcWord};

/// Half cells in a word.
const CELLS: i64 = 2 * BITS as i64;
/// Half cells to wait for before a word's end is fitted.
const WAIT: i64 = 16;

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
}

/// Collects bits.
#[derive(Clone, Debug, Default)]
pub(super) struct Framer {
    passed: u128,
    bits: u32,
    /// A word that waits for the edges after it: word, direction, its last half cell, and the bit period then.
    waiting: Option<(LtcWord, Direction, i64, f64)>,
    /// The last frame edge fitted: its half cell and sample. A frame starts where its neighbour ended.
    fitted: Option<(i64, f64)>,
}

impl Framer {
    /// What the clock read. `sink` gets at most one word.
    pub(super) fn on_clocked(&mut self, clock: &BitClock, what: Clocked, sink: &mut impl FnMut(Found)) {
        match what {
            Clocked::Break => {
                self.hand_on(clock, sink);
                self.bits = 0;
            }
            Clocked::Bit { one, end } => {
                self.passed = self.passed << 1 | u128::from(one);
                self.bits += 1;
                if self.waiting.is_some_and(|(_, _, last, _)| end >= last + WAIT) {
                    self.hand_on(clock, sink);
                }
                if self.bits >= BITS
                    && let Some((word, direction)) = LtcWord::found(self.passed)
                {
                    self.hand_on(clock, sink);
                    let period = clock.period().unwrap_or(1.0);
                    self.waiting = Some((word, direction, end, period));
                }
            }
        }
    }

    fn hand_on(&mut self, clock: &BitClock, sink: &mut impl FnMut(Found)) {
        let Some((word, direction, last, period)) = self.waiting.take() else { return };
        let first = last - CELLS;
        let start = match self.fitted {
            Some((cell, at)) if cell == first => Some(at),
            _ => edge_time(clock.newest_first(), first, period),
        };
        let Some(end) = edge_time(clock.newest_first(), last, period) else { return };
        let Some(start) = start else { return };
        self.fitted = Some((last, end));
        let inside = |cell: i64| cell > first && cell <= last;
        let misfit = clock
            .newest_first()
            .skip_while(|e| e.cell > last)
            .take_while(|e| e.cell > first)
            .filter(|e| inside(e.cell))
            .fold(0f32, |worst, e| worst.max(e.misfit));
        sink(Found { word, direction, start, end, misfit });
    }
}
