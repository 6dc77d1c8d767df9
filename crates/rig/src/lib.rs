//! The judgement: facts, fitness, alarms and the changeover table. Pure: no I/O, no threads, no clock.
//!
//! [`evidence`] (readings with an age) becomes [`facts`] (finite words; hold times are states) in one place, and the
//! [`table`] works on facts alone, so that it can be searched exhaustively. The [`judge`] keeps what must be kept between
//! two looks: the latch, the proposal, the pending command, the alarms. A newcomer starts at the table.

pub mod action;
pub mod acts;
pub mod alarm_codes;
pub mod alarm_tone;
pub mod alarms;
pub mod check;
mod conditions;
pub mod evidence;
pub mod facts;
pub mod fitness;
pub mod judge;
mod look;
pub mod reasons;
mod relation;
pub mod rules;
pub mod setup;
mod sound;
mod switch;
pub mod table;
pub mod takeover;
mod track;
mod transport;
pub mod view;
mod why_fit;

pub use action::{Action, Actions, Proposal};
pub use acts::{Act, ActAnswer};
pub use alarms::{AlarmChange, AlarmCode, AlarmState, AlarmView, Priority, Transition, Whose};
pub use evidence::{
    ChannelTrouble, DeviceEvidence, HostEvidence, MAX_DEVICES, MachineEvidence, Offset, Outside, Place, RigEvidence,
    SessionTrouble, StopCause, SupervisorEvidence, SwitchEvidence,
};
pub use fitness::{Fitness, Reasons};
pub use judge::Judge;
pub use reasons::{Arg, Names, Numbers, Reason, Sentence};
pub use setup::{Baseline, Latch, Limits, LinkLoss, LoneStop, Memory, Mode, Policies, Setup};
pub use table::Rule;
pub use takeover::TakeoverCost;
pub use view::{MachineView, RigView, StandbyFor, WhyRow};
