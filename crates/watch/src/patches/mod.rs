//! Patches: what a machine sends to outboard devices by MIDI, what is in force on each of them, whether both machines send the same, and
//! what has to be sent again after a changeover. Pure; nothing here is on the way of a verdict.

pub mod chase;
pub mod compare;
pub mod event;
pub mod exclusive;
pub mod leak;
pub mod state;

pub use chase::{Item, Reason, chase, wire_time};
pub use compare::{Comparer, Finding, Heard, Limits, What};
pub use event::{PatchEvent, Sent};
pub use exclusive::{Exclusive, Exclusives, InForce};
pub use leak::{Leak, Leaks};
pub use state::{ChannelState, DeviceState};
