//! Whether the callbacks of an audio source have ceased: how late they are wont to be is learnt.

use base::{MonoTime, Span};

/// Before lateness is known, and at most: so long after the next block was due, and four blocks.
const AT_MOST: Span = Span::from_millis(12);
/// At least so long, and two blocks.
const AT_LEAST: Span = Span::from_millis(4);
/// The worst lateness of this long counts, and of as much again before it.
const REMEMBERED: Span = Span::from_secs(10);

/// The lateness of callbacks, as each beat sees it.
#[derive(Clone, Copy, Debug, Default)]
pub struct Callbacks {
    /// How overdue the next block has been so far.
    overdue: Span,
    /// The worst overdue block that came after all: of now, and of the stretch before.
    worst: [Span; 2],
    turned: Option<MonoTime>,
    /// Whether a whole stretch has been seen.
    learnt: bool,
}

impl Callbacks {
    /// A block came.
    pub fn on_block(&mut self) {
        self.worst[0] = self.worst[0].max(core::mem::take(&mut self.overdue));
    }

    /// Whether they have ceased, when the next block (as long as `block`) is overdue by `overdue`.
    pub fn have_ceased(&mut self, overdue: Span, block: Span, now: MonoTime) -> bool {
        self.overdue = self.overdue.max(overdue);
        let turned = *self.turned.get_or_insert(now);
        if now - turned > REMEMBERED {
            self.turned = Some(now);
            self.worst = [Span::ZERO, self.worst[0]];
            self.learnt = true;
        }
        let most = AT_MOST + block.times(4);
        if !self.learnt {
            return overdue > most;
        }
        let worst = self.worst[0].max(self.worst[1]);
        overdue > (worst + AT_LEAST + block.times(2)).min(most)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const BLOCK: Span = Span::from_millis(3);

    fn at(ms: i64) -> MonoTime {
        MonoTime::from_nanos(1_000_000_000) + Span::from_millis(ms)
    }

    /// Beats every 5 ms beside blocks that are up to `late` overdue, for so many seconds.
    fn run(c: &mut Callbacks, late: i64, seconds: i64) {
        for i in 0..seconds * 200 {
            assert!(!c.have_ceased(Span::from_millis(i % (late + 1)), BLOCK, at(i * 5)), "{late} ms late");
            c.on_block();
        }
    }

    #[test]
    fn steady_callbacks_are_missed_within_two_blocks_and_a_beat() {
        let mut c = Callbacks::default();
        assert!(!c.have_ceased(Span::from_millis(23), BLOCK, at(0)));
        assert!(c.have_ceased(Span::from_millis(25), BLOCK, at(0)));
        c.on_block();
        let mut c = Callbacks::default();
        run(&mut c, 0, 12);
        assert!(!c.have_ceased(Span::from_millis(10), BLOCK, at(12_000)));
        assert!(c.have_ceased(Span::from_millis(11), BLOCK, at(12_000)));
    }

    #[test]
    fn callbacks_that_are_often_late_are_waited_for() {
        let mut c = Callbacks::default();
        run(&mut c, 9, 30);
        assert!(!c.have_ceased(Span::from_millis(18), BLOCK, at(30_000)));
        assert!(c.have_ceased(Span::from_millis(20), BLOCK, at(30_000)));
        // What was long ago is forgotten.
        let mut later = c;
        (0..5_000).for_each(|i| {
            later.have_ceased(Span::from_millis(1), BLOCK, at(30_000 + i * 5));
            later.on_block();
        });
        assert!(later.have_ceased(Span::from_millis(12), BLOCK, at(55_000)));
    }
}
