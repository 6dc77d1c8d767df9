//! Is it a step, or one bad reply?
//!
//! Before a step of size s the limits lay above U(t) and below L(t), the envelopes. After it, u >= U + s and l <= L + s
//! still hold, so each exchange confines s to `l - L - m <= s <= u - U + m`, m being the doubt about the envelopes. An
//! interval that contains 0 speaks for no step. One that does not can be a bogus reply; so a step is believed when
//! several exchanges in a row agree on one s that is not 0, that is, when the intersection of their intervals is not
//! empty. An empty interval of its own (u fell and l did not) means that the path became shorter than it ever was.

/// So many exchanges must agree on a step before it is believed.
pub(super) const WITNESSES: u8 = 3;

/// What one exchange does to the suspicion.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) enum Finding {
    /// It agrees with the line.
    Agrees,
    /// It contradicts the line; not enough of them yet.
    Suspect,
    /// The clocks stepped by this much, and this exchange began it (seconds).
    Step { size: f64, since: f64 },
    /// The path is shorter than it ever was: the envelopes must be learnt anew.
    ShorterPath,
}

#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Suspicion {
    low: f64,
    high: f64,
    since: f64,
    witnesses: u8,
    shorter: u8,
}

impl Suspicion {
    /// Takes in the interval `low..=high` to which an exchange received at `t` confines a step; `doubt` is m.
    pub(super) fn on_interval(&mut self, low: f64, high: f64, doubt: f64, t: f64) -> Finding {
        let (middle, gap) = ((low + high) / 2.0, low - high);
        // Far off and nearly a point: a step, seen by the luckiest packets so far.
        let (low, high) = if gap > 0.0 && middle.abs() > 10.0 * doubt && middle.abs() > 5.0 * gap {
            (high, low)
        } else {
            (low, high)
        };
        if low > high {
            self.shorter = self.shorter.saturating_add(1);
            if self.shorter >= WITNESSES {
                *self = Suspicion::default();
                return Finding::ShorterPath;
            }
            return Finding::Suspect;
        }
        self.shorter = 0;
        let contains_zero = low <= 0.0 && high >= 0.0;
        let (both_low, both_high) = (low.max(self.low), high.min(self.high));
        if self.witnesses > 0 && both_low <= both_high {
            (self.low, self.high) = (both_low, both_high);
            if !contains_zero {
                self.witnesses += 1;
            }
        } else if contains_zero {
            self.witnesses = 0;
            return Finding::Agrees;
        } else {
            *self = Suspicion { low, high, since: t, witnesses: 1, shorter: 0 };
        }
        if self.witnesses >= WITNESSES {
            let found = Finding::Step { size: (self.low + self.high) / 2.0, since: self.since };
            *self = Suspicion::default();
            return found;
        }
        // A wide interval contains both 0 and the suspected step: it speaks for neither and teaches nothing wrong.
        if contains_zero { Finding::Agrees } else { Finding::Suspect }
    }

    /// Nothing is suspected.
    pub(super) fn is_idle(&self) -> bool {
        self.witnesses == 0 && self.shorter == 0
    }
}
