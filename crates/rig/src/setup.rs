//! What a person decides: mode, limits, policies; and what must outlive a restart.

use base::ids::MAX_MACHINES;
use base::{Db, Hertz, Machine, Span};
use serde::{Deserialize, Serialize};

use crate::table::Rule;

/// What the rig may do by itself.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Mode {
    /// Never acts; says what it would have done.
    #[default]
    Observe,
    /// Proposes; a person confirms in one press.
    Propose,
    /// Acts by itself.
    Act,
}

/// What to do when the on-air machine falls silent on its only path and nothing else can tell whether it plays.
/// There is no default: either choice can be wrong, and only a person may choose.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum LinkLoss {
    /// Stay: a pulled network cable moves nothing, and neither does a dead machine.
    Hold,
    /// Change over: a dead machine is replaced, and so is a sound one whose network cable was pulled.
    Changeover,
}

/// What to do when the on-air machine stops, the standby rolls on and no cause was heard.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum LoneStop {
    /// Ask a person.
    #[default]
    Propose,
    /// Change over, once sound is gone too.
    Changeover,
}

/// The show's policies.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct Policies {
    /// See [`LinkLoss`].
    pub on_link_loss: Option<LinkLoss>,
    /// See [`LoneStop`].
    pub lone_stop: LoneStop,
}

/// The show's limits. Where no source is named, the default is common practice without a source.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
pub struct Limits {
    /// A standby this close may take over from a machine that still plays (20 ms).
    pub in_step: Span,
    /// A sounding standby this close may take over from dead air (250 ms).
    pub dead_air: Span,
    /// Warn when an offset has moved this far from its baseline (5 ms) ...
    pub warning: Span,
    /// ... and take the warning back only this much below it (1 ms).
    pub warning_deadband: Span,
    /// On-air sound heard this recently vetoes every changeover by itself (10 ms).
    pub veto: Span,
    /// Sound must be missing this long while the standby sounds (60 ms).
    pub audio_loss: Span,
    /// Noise, DC or not-a-number must last this long (20 ms).
    pub wrong_sound: Span,
    /// On air must have matched the standby this recently for a silence to count (10 s).
    pub matched: Span,
    /// Fitness must have held this long before `act` takes effect (2 s) ...
    pub hold: Span,
    /// ... where a shorter interruption than this does not begin it anew (500 ms).
    pub blip: Span,
    /// Two transports that end within this of each other were stopped together (250 ms).
    pub together: Span,
    /// A machine that has not begun this long after another began missed its start (100 ms).
    pub start_missed: Span,
    /// A witness must have sent a beat this long after the missed beat was due (2 ms).
    pub witness: Span,
    /// A host's silence while nothing sounds must last this long (500 ms): then it costs nothing to wait.
    pub patience: Span,
    /// A switch must confirm within this (100 ms).
    pub confirm: Span,
    /// How many times a next output is asked for before a changeover is given up as unconfirmed (4).
    pub output_tries: u8,
    /// How long a vanished on-air machine's place may be carried on to compare a standby with (30 s).
    pub carry: Span,
    /// After the supervisor was cut off, nothing moves for this long (1 s).
    pub recovery: Span,
    /// A standby that is silent this long while on air sounds has lost its sound (1 s).
    pub standby_silent: Span,
    /// More dropouts than this in the window make a machine degraded (5).
    pub dropouts: u16,
    /// A level this far from the other's is worth a word (3 dB).
    pub level: Db,
    /// A standby whose programme is this much louder is no candidate: only a person puts it on air (6 dB).
    pub louder: Db,
    /// The same for a channel that goes to in-ear monitors (3 dB).
    pub ears_louder: Db,
}

impl Default for Limits {
    fn default() -> Limits {
        Limits {
            in_step: Span::from_millis(20),
            dead_air: Span::from_millis(250),
            warning: Span::from_millis(5),
            warning_deadband: Span::from_millis(1),
            veto: Span::from_millis(10),
            audio_loss: Span::from_millis(60),
            wrong_sound: Span::from_millis(20),
            matched: Span::from_secs(10),
            hold: Span::from_secs(2),
            blip: Span::from_millis(500),
            together: Span::from_millis(250),
            start_missed: Span::from_millis(100),
            witness: Span::from_millis(2),
            patience: Span::from_millis(500),
            confirm: Span::from_millis(100),
            output_tries: 4,
            carry: Span::from_secs(30),
            recovery: Span::from_secs(1),
            standby_silent: Span::from_secs(1),
            dropouts: 5,
            level: Db(3.0),
            louder: Db(6.0),
            ears_louder: Db(3.0),
        }
    }
}

/// What line-up learnt of one machine.
#[derive(Clone, Copy, PartialEq, Debug, Default, Serialize, Deserialize)]
pub struct Baseline {
    /// Its offset from the reference machine.
    pub offset: Span,
    /// Its level minus the reference machine's.
    pub level: Db,
}

/// A rig as its settings describe it.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Setup {
    /// How many machines it has; more than [`MAX_MACHINES`] count as that many.
    pub machines: usize,
    /// The show's limits.
    pub limits: Limits,
    /// The show's policies.
    pub policies: Policies,
    /// What line-up learnt, by machine.
    pub baselines: [Baseline; MAX_MACHINES],
    /// For telling a jump in samples.
    pub sample_rate: Hertz,
    /// Which machines the supervisor's own inputs hear, for want of an agent.
    pub outside: [bool; MAX_MACHINES],
}

impl Setup {
    /// A rig of this many machines with default limits and policies.
    pub fn new(machines: usize) -> Setup {
        Setup {
            machines,
            limits: Limits::default(),
            policies: Policies::default(),
            baselines: [Baseline::default(); MAX_MACHINES],
            sample_rate: Hertz(48_000.0),
            outside: [false; MAX_MACHINES],
        }
    }
}

/// A changeover has happened, and a person has not yet released the latch.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug, Serialize, Deserialize)]
pub struct Latch {
    /// Which machine it put on air.
    pub to: Machine,
    /// Why.
    pub rule: Rule,
}

/// What must outlive a restart. Written at each [`Persist`](crate::action::Action::Persist).
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug, Default, Serialize, Deserialize)]
pub struct Memory {
    /// The mode a person chose.
    pub mode: Mode,
    /// The latch, if one is set.
    pub latch: Option<Latch>,
    /// The machine last known to be on air.
    pub on_air: Option<Machine>,
    /// Counts starts and commands, so that a late answer to an old one cannot be taken for a new one.
    pub term: u64,
    /// Machines that a person took out of service, by letter.
    pub out_of_service: [bool; MAX_MACHINES],
}
