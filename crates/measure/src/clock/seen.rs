//! Which request numbers were answered already: a sliding window in the manner of RFC 6479.

const WORDS: usize = 16;
/// How far behind the newest number a reply may be and still be known as new or as seen.
const SPAN: u64 = (WORDS as u64 - 1) * 64;
/// So many numbers in a row from before the window mean that the counter began anew.
const RESTART_AFTER: u8 = 8;

/// What is known of a request number.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Seen {
    New,
    Before,
    TooOld,
}

/// The window. A number is marked only once its exchange has been believed, so a bogus one can't move the window on.
#[derive(Clone, Debug, Default)]
pub(super) struct SeenWindow {
    newest: Option<u64>,
    words: [u64; WORDS],
    old_in_a_row: u8,
}

impl SeenWindow {
    /// What is known of `seq`.
    pub(super) fn look(&mut self, seq: u64) -> Seen {
        let Some(newest) = self.newest else { return Seen::New };
        if seq > newest {
            self.old_in_a_row = 0;
            return Seen::New;
        }
        if newest - seq > SPAN {
            self.old_in_a_row += 1;
            if self.old_in_a_row < RESTART_AFTER {
                return Seen::TooOld;
            }
            *self = SeenWindow::default();
            return Seen::New;
        }
        self.old_in_a_row = 0;
        if self.words[word(seq)] & bit(seq) != 0 { Seen::Before } else { Seen::New }
    }

    /// Marks `seq` as answered.
    pub(super) fn mark(&mut self, seq: u64) {
        match self.newest {
            Some(newest) if seq <= newest => {}
            Some(newest) => {
                let steps = (seq / 64 - newest / 64).min(WORDS as u64);
                for k in 1..=steps {
                    self.words[word((newest / 64).wrapping_add(k).wrapping_mul(64))] = 0;
                }
                self.newest = Some(seq);
            }
            None => self.newest = Some(seq),
        }
        self.words[word(seq)] |= bit(seq);
    }
}

fn word(seq: u64) -> usize {
    (seq / 64) as usize % WORDS
}
fn bit(seq: u64) -> u64 {
    1 << (seq % 64)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_number_is_new_once() {
        let mut w = SeenWindow::default();
        for seq in [5, 3, 64, 7, 1_000] {
            assert_eq!(w.look(seq), Seen::New);
            w.mark(seq);
            assert_eq!(w.look(seq), Seen::Before);
        }
        assert_eq!(w.look(999), Seen::New);
        assert_eq!(w.look(3), Seen::TooOld);
    }

    #[test]
    fn a_counter_that_begins_anew_is_let_in_after_a_while() {
        let mut w = SeenWindow::default();
        w.mark(u64::MAX);
        let seen: Vec<Seen> = (0..9).map(|s| w.look(s)).collect();
        assert_eq!(seen[..7], [Seen::TooOld; 7]);
        assert_eq!(seen[7], Seen::New);
    }
}
