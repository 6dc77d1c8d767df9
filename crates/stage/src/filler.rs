//! When a wire carries zeros: an output from which nothing comes is silent, and who listens there must be able to hear that at once.

use base::{MonoTime, Span};

use crate::engine::BLOCK;
use crate::show::SAMPLE_RATE;

/// A block that is later than this counts as missing. (One that comes later still is handed on all the same.)
pub(crate) const ZERO_AFTER: Span = Span::from_millis(4);

/// Knows when the next block is due.
pub(crate) struct Filler {
    /// The instant of the first sample of the next block.
    next: MonoTime,
    due: MonoTime,
}

fn block() -> Span {
    base::Samples(BLOCK as f64).at(SAMPLE_RATE)
}

impl Filler {
    pub(crate) fn new(now: MonoTime) -> Filler {
        Filler { next: now, due: now + ZERO_AFTER + block() }
    }
    /// Another output is on the wire.
    pub(crate) fn restart(&mut self, now: MonoTime) {
        *self = Filler::new(now);
    }
    /// A block was handed on.
    pub(crate) fn on_block(&mut self, at: MonoTime, now: MonoTime) {
        self.next = self.next.max(at + block());
        self.due = now + block() + ZERO_AFTER;
    }
    pub(crate) fn due(&self) -> MonoTime {
        self.due
    }
    /// The instant of a block of zeros to be sent now, until there is none.
    pub(crate) fn zeros_due(&mut self, now: MonoTime) -> Option<MonoTime> {
        if now < self.due {
            return None;
        }
        let at = self.next;
        self.next += block();
        self.due += block();
        // After a pause of our own there is nothing to make up for.
        if now - self.due > Span::from_millis(200) {
            self.next = now;
            self.due = now + block();
        }
        Some(at)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn zeros_come_after_four_milliseconds_and_then_at_the_pace_of_blocks() {
        let t0 = MonoTime::from_nanos(1_000_000_000);
        let mut f = Filler::new(t0);
        f.on_block(t0 - block(), t0);
        assert_eq!(f.zeros_due(t0 + block() + Span::from_millis(3)), None);
        let mut zeros = Vec::new();
        for ms in 0..40 {
            while let Some(at) = f.zeros_due(t0 + Span::from_millis(ms)) {
                zeros.push(at);
            }
        }
        // 6.67 ms until the first, then one each 2.67 ms.
        assert_eq!(zeros.len(), 13);
        assert_eq!(zeros.first(), Some(&t0));
        assert!(zeros.windows(2).all(|p| p[1] - p[0] == block()));
    }
}
