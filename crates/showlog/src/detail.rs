//! The shapes of [`crate::Event::detail`], by kind. They are written as JSON, so a later version may add fields (always with a
//! default) and never renames one.

use base::{Db, Dbfs, Machine, MonoTime, Span};
use serde::{Deserialize, Serialize};

/// How far a changeover had come.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Stage {
    /// The verdict fell.
    Intent,
    /// The first byte left on an output.
    Sent,
    /// The switch, or the tap, says that it happened.
    Confirmed,
    /// Nothing said so in time.
    Unconfirmed,
    /// It was measured in what the tap heard.
    Heard,
}

/// Detail of [`crate::EventKind::Changeover`]. One event a stage, all with the same number.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct Changeover {
    /// Counts the changeovers of one epoch, from 1. The report does not rest on it: it puts stages together by their
    /// instants.
    pub number: u32,
    /// How far it had come.
    pub stage: Stage,
    /// The machine put on air.
    pub to: Machine,
    /// The machine taken off.
    #[serde(default)]
    pub from: Option<Machine>,
    /// The rule that fired.
    #[serde(default)]
    pub rule: String,
    /// Whether a person overrode a refusal.
    #[serde(default)]
    pub forced: bool,
    /// Who, when a person asked for it.
    #[serde(default)]
    pub by: Option<String>,
    /// When the fault began, by the evidence: the first beat missed, the last sample heard.
    #[serde(default)]
    pub fault_at: Option<MonoTime>,
    /// The jump in the programme; positive: it skipped forward.
    #[serde(default)]
    pub jump: Option<Span>,
    /// The change in level.
    #[serde(default)]
    pub level: Option<Db>,
    /// The longest stretch without programme.
    #[serde(default)]
    pub gap: Option<Span>,
    /// What a follower of the timecode saw of it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub code: Option<CodeCut>,
    /// What was seen, in order, each with its instant.
    #[serde(default)]
    pub evidence: Vec<Seen>,
}

/// What a changeover did to the timecode that was heard on the tap.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct CodeCut {
    /// The last whole frame before it.
    pub from: String,
    /// The first whole frame after it.
    pub to: String,
    /// Frames that never came whole.
    pub lost: u32,
    /// Frames that came twice.
    pub repeated: u32,
}

impl Changeover {
    /// A stage of a changeover of which nothing more is known.
    pub fn at_stage(stage: Stage, to: Machine) -> Changeover {
        Changeover {
            number: 0,
            stage,
            to,
            from: None,
            rule: String::new(),
            forced: false,
            by: None,
            fault_at: None,
            jump: None,
            level: None,
            gap: None,
            code: None,
            evidence: Vec::new(),
        }
    }
}

/// A piece of evidence.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct Seen {
    /// When.
    pub at: MonoTime,
    /// What, in words.
    pub text: String,
}

/// The priorities of IEC 62682.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Priority {
    /// Can wait for the gap between songs.
    #[default]
    Low,
    /// Should be looked at now.
    Medium,
    /// The show is at risk.
    High,
}

/// The transitions of an alarm (IEC 62682).
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Transition {
    /// It came.
    Raised,
    /// A person saw it.
    Acknowledged,
    /// Its cause is gone.
    Cleared,
    /// A person put it aside for a while.
    Shelved,
}

/// Detail of [`crate::EventKind::Alarm`]. The event's code names the alarm.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct Alarm {
    /// How much it matters.
    pub priority: Priority,
    /// What happened to it.
    pub transition: Transition,
    /// The likely cause, where one is known.
    #[serde(default)]
    pub cause: Option<String>,
    /// What to do about it before the next show, where that is known.
    #[serde(default)]
    pub mend: Option<String>,
    /// Who, for acknowledged and shelved.
    #[serde(default)]
    pub by: Option<String>,
    /// The outboard device it is about.
    #[serde(default)]
    pub device: Option<String>,
}

/// Detail of [`crate::EventKind::Refusal`].
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct Refusal {
    /// The rule that refused.
    pub rule: String,
    /// The machine that would have been put on air.
    #[serde(default)]
    pub to: Option<Machine>,
    /// What was seen.
    #[serde(default)]
    pub evidence: Vec<Seen>,
}

/// Detail of [`crate::EventKind::Operator`].
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct Operator {
    /// Who: the device's or the person's name.
    pub who: String,
    /// By what: page, footswitch, command line.
    #[serde(default)]
    pub through: String,
}

/// Detail of [`crate::EventKind::Song`].
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct Song {
    /// Its number in the show file.
    pub number: u16,
    /// True at its start, false at its end.
    pub started: bool,
}

/// Detail of [`crate::EventKind::Fitness`]. The event's text says why, in words.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct Fitness {
    /// What it became.
    pub fitness: crate::words::Fitness,
    /// The reasons, each in words; empty when fit.
    #[serde(default)]
    pub reasons: Vec<String>,
}

/// Detail of [`crate::EventKind::Patch`].
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct Patch {
    /// The outboard device.
    pub device: String,
    /// Whether it was missed, that is, heard from one machine and not from the other, or not taken.
    #[serde(default)]
    pub missed: bool,
}

/// Detail of [`crate::EventKind::Dropout`].
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct Dropout {
    /// How long.
    pub length: Span,
    /// Which channels, from 1; empty: all.
    #[serde(default)]
    pub channels: Vec<u16>,
}

/// Detail of an event with the code `clipped`: samples of a channel reached full scale.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct Clipped {
    /// Which channel, from 1.
    pub channel: u16,
    /// Its name, if it has one.
    #[serde(default)]
    pub name: Option<String>,
    /// How many samples, since the last such event.
    pub clipped: u32,
    /// The channel's greatest true peak so far (ITU-R BS.1770-5 Annex 2).
    #[serde(rename = "highest_dbtp")]
    pub highest: Dbfs,
}

/// Detail of [`crate::EventKind::Step`].
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct Step {
    /// How far the offset (A minus this machine) moved.
    pub by: Span,
}

/// Detail of [`crate::EventKind::Health`].
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct Health {
    /// What to do about it, where that is known.
    #[serde(default)]
    pub mend: Option<String>,
}
