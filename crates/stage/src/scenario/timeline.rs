//! A scenario's steps written out: repetitions and mends as moments of their own, in order of time.

use base::Span;

use super::{Act, Fault, Scenario, Show, Who};

/// One thing that happens at one instant.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Moment {
    /// When, from the beginning.
    pub at: Span,
    /// To which machine.
    pub machine: Option<Who>,
    /// What.
    pub deed: Deed,
}

/// What happens.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Deed {
    /// It breaks.
    Break(Fault),
    /// Whatever machine has this fault is mended.
    Mend(Fault),
    /// The show goes on.
    Show(Show),
    /// A person acts.
    Act(Act),
}

impl Scenario {
    /// Everything that happens, the show's own beginning included.
    pub fn moments(&self) -> Vec<Moment> {
        let load = Span::from_secs(1).min(self.start.0);
        let mut all = vec![
            Moment { at: load, machine: None, deed: Deed::Show(Show::Load(1)) },
            Moment { at: self.start.0, machine: None, deed: Deed::Show(Show::Start) },
        ];
        for step in &self.steps {
            for k in 0..i64::from(step.times.unwrap_or(1)) {
                let at = step.at.0 + step.every.map_or(Span::ZERO, |e| e.0).times(k);
                let machine = step.machine;
                let mut push = |at, deed| all.push(Moment { at, machine, deed });
                if let Some(f) = step.fault {
                    push(at, Deed::Break(f));
                    if let Some(lasts) = step.lasts {
                        push(at + lasts.0, Deed::Mend(f));
                    }
                }
                if let Some(f) = step.mend {
                    push(at, Deed::Mend(f));
                }
                if let Some(s) = step.show {
                    push(at, Deed::Show(s));
                }
                if let Some(a) = step.act {
                    push(at, Deed::Act(a));
                }
            }
        }
        all.sort_by_key(|m| m.at);
        all
    }
}
