//! What is known of a show when its record is opened.

use base::{Machine, MachineId, RigId, ShowId, Span, WallTime};
use serde::{Deserialize, Serialize};

/// The show whose record is opened.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
pub struct ShowMeta {
    /// The performance.
    pub show: ShowId,
    /// The rig that played it.
    pub rig: RigId,
    /// As people call it.
    pub title: String,
    /// The rig's name, as people call it.
    #[serde(default)]
    pub rig_name: String,
    /// The machines in the rig's order: A, B, ...
    pub machines: Vec<MachineMeta>,
    /// Computers whose places others have taken in this show, in order.
    #[serde(default)]
    pub earlier: Vec<EarlierMachine>,
    /// The set list, in order.
    pub songs: Vec<SongMeta>,
    /// What was asked of the rig.
    pub limits: Limits,
    /// The version of the program that wrote it.
    pub written_by: String,
}

/// One machine of the rig.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
pub struct MachineMeta {
    /// The computer, for ever.
    pub id: MachineId,
    /// As people call it.
    pub name: String,
}

/// A computer that was a machine of the rig until another took its place.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct EarlierMachine {
    /// Whose place it had.
    pub machine: Machine,
    /// The computer.
    pub id: MachineId,
    /// As people called it.
    pub name: String,
    /// Until when, by the supervisor's wall clock.
    pub until: WallTime,
}

/// One entry of the set list.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
pub struct SongMeta {
    /// Its number in the show file, from 1.
    pub number: u16,
    /// Its name.
    pub name: String,
    /// Where it starts in timecode (since 00:00:00:00), where the show file says so.
    pub starts_at: Option<Span>,
    /// How long it is, where known.
    pub length: Option<Span>,
}

/// The limits in force, for the report to draw and to judge by.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
pub struct Limits {
    /// A warning when the offset is further than this from the baseline.
    pub warning: Span,
    /// A degraded machine is left only for one that is nearer than this.
    pub candidate: Span,
    /// A dead machine is left only for one that is nearer than this.
    pub dead_air: Span,
    /// The baseline of line-up (A minus B), when one was learnt.
    #[serde(default)]
    pub baseline: Option<Span>,
}

impl Default for Limits {
    /// 5, 20 and 250 ms (common practice, no source).
    fn default() -> Limits {
        Limits {
            warning: Span::from_millis(5),
            candidate: Span::from_millis(20),
            dead_air: Span::from_millis(250),
            baseline: None,
        }
    }
}
