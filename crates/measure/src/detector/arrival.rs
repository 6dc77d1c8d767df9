//! When the next beat should arrive, judged by arrivals alone (NFD-E).
//!
//! Chen, Toueg and Aguilera (2002), section 6.3: with the last n beats s_1 .. s_n that came at A_1 .. A_n,
//! `EA(l+1) = 1/n * sum(A_i - eta * s_i) + (l + 1) * eta`. They use n = 32.

use base::{MonoTime, Span};

const WINDOW: usize = 32;
/// A beat that is further off than so many intervals tells that the sender's rhythm has begun anew.
const NEW_RHYTHM: i64 = 4;

#[derive(Clone, Debug)]
pub(super) struct ExpectedArrival {
    interval: Span,
    /// The first beat of this rhythm: arrivals are kept relative to it, so that sums stay small.
    anchor: Option<(u64, MonoTime)>,
    deviations: [i64; WINDOW],
    filled: usize,
    next: usize,
    sum: i64,
}

impl ExpectedArrival {
    pub(super) const fn new(interval: Span) -> ExpectedArrival {
        ExpectedArrival { interval, anchor: None, deviations: [0; WINDOW], filled: 0, next: 0, sum: 0 }
    }

    /// Takes an arrival; returns when the beat after it is expected.
    pub(super) fn on_arrival(&mut self, seq: u64, arrived: MonoTime) -> MonoTime {
        let (grid, mean) = match self.place(seq) {
            Some((grid, mean)) if (arrived - grid - mean).abs() <= self.interval.times(NEW_RHYTHM) => {
                (grid, Some(mean))
            }
            _ => (arrived, None),
        };
        if mean.is_none() {
            *self = ExpectedArrival { anchor: Some((seq, arrived)), ..ExpectedArrival::new(self.interval) };
        }
        let deviation = (arrived - grid).nanos();
        self.sum += deviation - self.deviations[self.next];
        self.deviations[self.next] = deviation;
        self.next = (self.next + 1) % WINDOW;
        self.filled = (self.filled + 1).min(WINDOW);
        grid + Span::from_nanos(self.sum / self.filled as i64) + self.interval
    }

    /// Where a beat would come in the anchor's rhythm, and the mean deviation from it.
    fn place(&self, seq: u64) -> Option<(MonoTime, Span)> {
        let (first, at) = self.anchor?;
        let grid = at + self.interval.times(seq.saturating_sub(first).min(i64::MAX as u64) as i64);
        Some((grid, Span::from_nanos(self.sum / (self.filled.max(1)) as i64)))
    }
}
