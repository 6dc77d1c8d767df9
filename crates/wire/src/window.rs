//! The replay window of one lane, after RFC 6479.
//!
//! The window is a ring of 64-bit blocks. A counter's block is its number divided by 64, modulo the ring's size; when the
//! newest counter moves into later blocks those are cleared first. One block is always partly ahead of the newest counter,
//! so the window reaches back `(BLOCKS - 1) * 64` counters at least. No bit is ever shifted, which is the point of the RFC.

/// Blocks in the ring: a power of two, as the RFC asks.
const BLOCKS: usize = 16;
/// How far back a counter may lie and still be judged: at 200 beats a second nearly five seconds.
pub const WINDOW: u64 = (BLOCKS as u64 - 1) * 64;

/// Which counters have been seen.
#[derive(Clone, Debug)]
pub struct ReplayWindow {
    /// Every counter below this one and within the window has its bit; 0: nothing seen.
    next: u64,
    blocks: [u64; BLOCKS],
}

impl Default for ReplayWindow {
    fn default() -> ReplayWindow {
        ReplayWindow { next: 0, blocks: [0; BLOCKS] }
    }
}

impl ReplayWindow {
    /// Takes note of a counter whose frame *has been authenticated*. False: it was seen before, or lies too far back to tell.
    #[must_use]
    pub fn take(&mut self, counter: u64) -> bool {
        if counter >= self.next {
            self.move_to(counter);
        } else if self.next - 1 - counter >= WINDOW {
            return false;
        }
        let block = &mut self.blocks[(counter / 64) as usize % BLOCKS];
        let bit = 1 << (counter % 64);
        let fresh = *block & bit == 0;
        *block |= bit;
        fresh
    }

    fn move_to(&mut self, counter: u64) {
        if self.next == 0 {
            self.blocks = [0; BLOCKS];
        } else {
            let newest_block = (self.next - 1) / 64;
            let ahead = (counter / 64 - newest_block).min(BLOCKS as u64);
            for step in 1..=ahead {
                self.blocks[((newest_block + step) % BLOCKS as u64) as usize] = 0;
            }
        }
        self.next = counter.saturating_add(1);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use std::collections::BTreeSet;

    /// RFC 6479 leaves behaviour as RFC 4303 section 3.4.3 has it: new is taken once, seen is refused, too old is refused.
    #[test]
    fn new_once_seen_never_old_never() {
        let mut w = ReplayWindow::default();
        assert!(w.take(0));
        assert!(!w.take(0));
        assert!(w.take(10));
        assert!(w.take(5));
        assert!(!w.take(5));
        assert!(w.take(10 + WINDOW));
        assert!(!w.take(9));
        assert!(w.take(11));
    }

    proptest! {
        /// Against a plain set of everything ever seen.
        #[test]
        fn agrees_with_a_set(moves in prop::collection::vec((0u64..4_000, prop::bool::ANY), 1..400)) {
            let (mut w, mut seen, mut base, mut newest) = (ReplayWindow::default(), BTreeSet::new(), 0u64, None::<u64>);
            for (n, forward) in moves {
                base += u64::from(forward) * 97;
                let counter = base + n;
                let too_old = newest.is_some_and(|top| top >= counter && top - counter >= WINDOW);
                prop_assert_eq!(w.take(counter), !too_old && seen.insert(counter));
                newest = Some(newest.map_or(counter, |top| top.max(counter)));
            }
        }
    }
}
