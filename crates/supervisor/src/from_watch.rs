//! What the watch thread tells the scribe: plain data through a ring, words are made on the other side.

use base::{Machine, MonoTime, SwitchView};
use rig::{ActAnswer, Action};
use watch::WatchView;
use wire::Session;

/// One thing told.
#[allow(clippy::large_enum_variant)] // A ring of fixed cells: nothing may be boxed on the watch thread.
pub enum FromWatch {
    /// The judge said this.
    Action(MonoTime, Action),
    /// A changeover command went out (or could not): the verdict, the first byte, through which output.
    Commanded {
        /// To which machine.
        to: Machine,
        /// When the verdict fell.
        verdict: MonoTime,
        /// When the command had been handed to the system.
        sent: MonoTime,
        /// The evidence: the first missed beat, or the last sound of the machine that left.
        fault: Option<MonoTime>,
        /// Which output, by its place in the list.
        output: usize,
        /// Whether it could be sent.
        went_out: bool,
    },
    /// All figures.
    View(WatchView),
    /// The answer to a person's act.
    Answer(u64, ActAnswer),
    /// The switch says something new.
    Switch(MonoTime, SwitchView),
    /// A former session, to be freed elsewhere.
    Old(Box<Session>),
}
