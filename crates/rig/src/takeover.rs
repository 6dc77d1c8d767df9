//! What the audience would hear at a changeover now.

use base::{Db, Hertz, Millis, Samples, Span};
use serde::{Deserialize, Serialize};

/// The takeover cost. What is not known is `None`, and is said to be unknown.
#[derive(Clone, Copy, PartialEq, Debug, Default, Serialize, Deserialize)]
pub struct TakeoverCost {
    /// How far the programme would skip: positive forward, negative back.
    pub jump: Option<Span>,
    /// How far off `jump` may be.
    pub bound: Option<Span>,
    /// The jump in samples.
    pub samples: Option<Samples>,
    /// How much louder (or, negative, softer) it would get.
    pub level: Option<Db>,
    /// Nothing plays: there is nothing to hear.
    pub at_rest: bool,
}

impl TakeoverCost {
    /// From a jump and its bound.
    pub fn of(jump: Option<(Span, Span)>, level: Option<Db>, at_rest: bool, rate: Hertz) -> TakeoverCost {
        TakeoverCost {
            jump: jump.map(|j| j.0),
            bound: jump.map(|j| j.1),
            samples: jump.map(|j| Samples::of(j.0, rate)),
            level: level.filter(|l| l.0.is_finite()),
            at_rest,
        }
    }

    /// In words. Allocates: not for the live path.
    pub fn say(&self) -> String {
        if self.at_rest {
            return "nothing, since nothing plays".into();
        }
        let jump = match self.jump {
            None => "a jump of unknown size".to_string(),
            // Below half a tenth of a millisecond the figure would read 0.0.
            Some(j) if j.abs() < Span::from_micros(50) => "no jump".to_string(),
            Some(j) if j.is_negative() => format!("{} repeated", Millis::from(j.abs())),
            Some(j) => format!("{} skipped", Millis::from(j)),
        };
        match self.level {
            None => jump,
            Some(l) if l.abs().0 < 0.5 => jump,
            Some(l) if l.0 > 0.0 => format!("{jump}, and {l} louder"),
            Some(l) => format!("{jump}, and {} softer", l.abs()),
        }
    }
}
