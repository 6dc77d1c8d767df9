//! What the judge wants done, said or written down.

use arrayvec::ArrayVec;
use base::{Machine, MonoTime, Span};
use serde::{Deserialize, Serialize};

use crate::alarms::AlarmChange;
use crate::fitness::{Fitness, Reasons};
use crate::reasons::Sentence;
use crate::setup::{Latch, Memory};
use crate::table::Rule;
use crate::takeover::TakeoverCost;

/// What is to be done, said or written down. In the order given.
#[derive(Clone, PartialEq, Debug)]
#[must_use]
#[allow(clippy::large_enum_variant)] // A fixed array on the live path: nothing here may be boxed.
pub enum Action {
    /// Send "go to this machine" to the switch, now, by the first output.
    Changeover {
        /// Which machine goes on air.
        to: Machine,
        /// The row that asked for it.
        rule: Rule,
        /// Why.
        reason: Sentence,
        /// A person overrode a refusal.
        forced: bool,
        /// What the audience hears.
        cost: TakeoverCost,
        /// The number of this command.
        term: u64,
    },
    /// The command has not been confirmed, or its output failed: send it again by the next output.
    NextOutput {
        /// Which machine goes on air.
        to: Machine,
        /// How many outputs have been tried before this one.
        tried: u8,
        /// The number of this command.
        term: u64,
    },
    /// The switch, or its tap, confirmed the command.
    Confirmed {
        /// Which machine is on air.
        to: Machine,
        /// How long after the command.
        after: Span,
    },
    /// Ask a person.
    Propose {
        /// Which machine would go on air.
        to: Machine,
        /// The row that asks.
        rule: Rule,
        /// Why.
        reason: Sentence,
        /// The gate that makes it a question.
        gate: Rule,
    },
    /// The question is moot.
    Withdraw,
    /// Observing: this would have been done.
    WouldHave {
        /// Which machine would have gone on air.
        to: Machine,
        /// The row that asked.
        rule: Rule,
        /// Why.
        reason: Sentence,
    },
    /// Something is wrong on air, and nothing can be done about it.
    Refused {
        /// The row that asked.
        rule: Rule,
        /// The gate that refused.
        gate: Rule,
        /// What is wrong.
        cause: Sentence,
        /// Why nothing is done.
        reason: Sentence,
    },
    /// The switch says that this machine is on air.
    Adopted {
        /// Which machine.
        to: Machine,
        /// It went there without us, so the rig is latched.
        moved: bool,
    },
    /// The latch is set.
    Latched(Latch),
    /// The latch is released.
    Released,
    /// A machine's fitness changed.
    Fitness {
        /// Which machine.
        machine: Machine,
        /// How good it is now.
        fitness: Fitness,
        /// Why.
        reasons: Reasons,
    },
    /// An alarm changed.
    Alarm(AlarmChange),
    /// Write this down before anything else is written: it must outlive us.
    Persist(Memory),
}

/// A caller-owned list of actions. Empty it before each call.
pub type Actions = ArrayVec<Action, 32>;

/// A standing question.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
pub struct Proposal {
    /// Which machine would go on air.
    pub to: Machine,
    /// The row that asks.
    pub rule: Rule,
    /// Why.
    pub reason: Sentence,
    /// Since when.
    pub since: MonoTime,
}

/// Adds an action. A list that is full loses it, which the caller's empty list of 32 makes impossible for what matters:
/// changeovers, latches and proposals come first.
pub(crate) fn push(out: &mut Actions, action: Action) {
    let _ = out.try_push(action);
}
