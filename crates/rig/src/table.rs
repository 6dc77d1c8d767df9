//! The changeover table: the one place that says when the stage is given to another machine.
//!
//! Read it from the top. Rows are of three parts. *Guards* and *faults* ask what is so: the first of them that holds
//! says what ought to be done. If that is to change over or to ask a person, the *gates* below are read in the same
//! way, and the first of them that holds says what is done. Exactly one guard or fault and at most one gate decide;
//! both answer "why?" and "why not?".

use crate::facts::{Facts, Grade, Host, LinkSays, OnAirKnown, SelfDoubt, Sound, Transport};
use crate::reasons::Reason;
use crate::setup::{LoneStop, Mode};
use base::PlayerState;

pub use crate::rules::Rule;

/// Which part of the table a row belongs to.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Part {
    /// Nothing may move at all.
    Guard,
    /// What is wrong on air.
    Fault,
    /// Whether what ought to be done may be done.
    Gate,
}

/// How good a standby must be.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum Need {
    /// On air is dead: dead air is worse than a jump.
    DeadAir,
    /// On air still plays: only a fit machine in step is better.
    InStep,
}

/// What a row says.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum Then {
    /// Nothing moves.
    Hold,
    /// Change over, if the gates let it.
    Change(Need),
    /// Ask a person, if the gates let it.
    Ask(Need),
    /// (Gate) Say what would have been done.
    Observe,
    /// (Gate) Ask a person.
    Propose,
    /// (Gate) Do it.
    Act,
}

/// One row.
pub struct Row {
    /// Its name.
    pub rule: Rule,
    /// Its part.
    pub part: Part,
    /// Whether it holds. A gate also looks at what the fault asked for.
    pub holds: fn(&Facts, Then) -> bool,
    /// What it says.
    pub then: Then,
    /// Why, for people.
    pub reason: Reason,
    /// Why the row is there and stands where it stands.
    pub comment: &'static str,
}

const fn guard(rule: Rule, holds: fn(&Facts, Then) -> bool, reason: Reason, comment: &'static str) -> Row {
    Row { rule, part: Part::Guard, holds, then: Then::Hold, reason, comment }
}
const fn fault(rule: Rule, holds: fn(&Facts, Then) -> bool, then: Then, reason: Reason, comment: &'static str) -> Row {
    Row { rule, part: Part::Fault, holds, then, reason, comment }
}
const fn gate(rule: Rule, holds: fn(&Facts, Then) -> bool, then: Then, reason: Reason, comment: &'static str) -> Row {
    Row { rule, part: Part::Gate, holds, then, reason, comment }
}

const DEAD: Then = Then::Change(Need::DeadAir);
const ASK_DEAD: Then = Then::Ask(Need::DeadAir);

/// No sound for at least the veto, by ears that exist.
const fn quiet(f: &Facts) -> bool {
    matches!(f.sound, Sound::Rest | Sound::Quiet | Sound::Doubtful | Sound::Lost)
}
/// No sound for the time of audio loss while the standby sounds.
const fn missing(f: &Facts) -> bool {
    matches!(f.sound, Sound::Doubtful | Sound::Lost)
}

/// The table.
pub const TABLE: &[Row] = &[
    // Guards: the supervisor doubts itself and the switch before it doubts a machine.
    guard(
        Rule::SupervisorLate,
        |f, _| matches!(f.doubt, SelfDoubt::Late),
        Reason::SupervisorLate,
        "Timers that ran out while we did not run condemn nobody.",
    ),
    guard(
        Rule::OwnLinkDown,
        |f, _| matches!(f.doubt, SelfDoubt::LinkDown),
        Reason::OwnLinkDown,
        "With our own link down, silence is ours. It lasts a moment longer, since machines come back one by one.",
    ),
    guard(
        Rule::CutOff,
        |f, _| matches!(f.doubt, SelfDoubt::CutOff),
        Reason::SupervisorCutOff,
        "All at once is more likely us, or the mains, than two faults; and nobody is left to change over to.",
    ),
    guard(
        Rule::SwitchConflict,
        |f, _| matches!(f.known, OnAirKnown::Conflict),
        Reason::SwitchConflict,
        "The switch owns the truth. While it contradicts itself, a command could put the wrong thing on air.",
    ),
    guard(
        Rule::OnAirUnknown,
        |f, _| matches!(f.known, OnAirKnown::No),
        Reason::OnAirUnknown,
        "Who is not known to be on air cannot have failed on air.",
    ),
    guard(
        Rule::CommandPending,
        |f, _| matches!(f.known, OnAirKnown::Pending),
        Reason::CommandPending,
        "One command at a time: facts still speak of the machine we are leaving.",
    ),
    guard(
        Rule::BothPlayersLost,
        |f, _| f.both_players_lost,
        Reason::BothPlayersLost,
        "Nothing to change over to. Named, since it is not the supervisor's fault.",
    ),
    // The veto: sound that is heard and right outweighs every other sign.
    fault(
        Rule::PlayerGoneSoundOn,
        |f, _| matches!(f.host, Host::Here) && matches!(f.player, PlayerState::Gone) && matches!(f.sound, Sound::Heard),
        ASK_DEAD,
        Reason::PlayerGoneSoundOn,
        "A window may die while its engine plays on. The sound decides; a person may know better.",
    ),
    fault(
        Rule::LoneStopSoundOn,
        |f, _| {
            matches!(f.host, Host::Here)
                && matches!(f.transport, Transport::LoneStop)
                && matches!(f.sound, Sound::Heard)
        },
        ASK_DEAD,
        Reason::LoneStop,
        "Asked at once, although the last of the sound is still dying away.",
    ),
    fault(
        Rule::OnAirHeard,
        |f, _| {
            matches!(f.sound, Sound::Heard)
                && (!matches!(f.host, Host::Here)
                    || f.media_gone
                    || matches!(f.transport, Transport::Stalled | Transport::Lost))
        },
        Then::Hold,
        Reason::OnAirHeard,
        "The audience hears the right thing. Alarms tell the rest.",
    ),
    // Faults of the machine on air, the most certain first.
    fault(
        Rule::WrongSound,
        |f, _| matches!(f.host, Host::Here) && matches!(f.sound, Sound::Wrong),
        DEAD,
        Reason::AudioWrong,
        "Noise at full scale is worse than silence. A fault that both machines share leaves no fit standby.",
    ),
    fault(
        Rule::HostGoneSilent,
        |f, _| matches!(f.host, Host::Gone) && !matches!(f.sound, Sound::Heard | Sound::Deaf | Sound::Rest),
        DEAD,
        Reason::HostSilent,
        "Decisive: silent on every path, another machine heard after it, and the tap hears nothing where there should be sound.",
    ),
    fault(
        Rule::HostGoneTwoPaths,
        |f, _| matches!(f.host, Host::Gone) && matches!(f.link, LinkSays::TwoPaths),
        DEAD,
        Reason::HostSilentTwoPaths,
        "Decisive without ears, and in a rest, where ears tell nothing: one cable does not silence two paths.",
    ),
    fault(
        Rule::HostGonePolicyChangeover,
        |f, _| matches!(f.host, Host::Gone) && matches!(f.link, LinkSays::Changeover),
        DEAD,
        Reason::LinkLossChangeover,
        "A dead machine and a pulled cable look alike here. A person chose.",
    ),
    fault(
        Rule::HostGonePolicyHold,
        |f, _| matches!(f.host, Host::Gone) && matches!(f.link, LinkSays::Hold),
        Then::Hold,
        Reason::LinkLossHold,
        "The same, and a person chose otherwise.",
    ),
    fault(
        Rule::HostGoneNoPolicy,
        |f, _| matches!(f.host, Host::Gone),
        ASK_DEAD,
        Reason::LinkLossUnset,
        "The same, and nobody chose: so somebody is asked now.",
    ),
    fault(
        Rule::HostUnwitnessed,
        |f, _| matches!(f.host, Host::Unwitnessed),
        Then::Hold,
        Reason::HostUnwitnessed,
        "Until another machine is heard after it, the silence may be ours. This is what keeps two cables cut within a moment from moving anything.",
    ),
    fault(
        Rule::HostPatience,
        |f, _| matches!(f.host, Host::Patience),
        Then::Hold,
        Reason::HostPatience,
        "Two lost datagrams in a rest look like a death. The first sound of the standby ends the patience at once.",
    ),
    fault(
        Rule::AgentLostSilent,
        |f, _| matches!(f.host, Host::AgentLost) && matches!(f.sound, Sound::Lost),
        DEAD,
        Reason::AgentLostSilent,
        "The agent's end alone says nothing of the player. With the sound lost, too, it does.",
    ),
    fault(
        Rule::AgentLostDoubtful,
        |f, _| matches!(f.host, Host::AgentLost) && matches!(f.sound, Sound::Doubtful),
        ASK_DEAD,
        Reason::AgentLostSilent,
        "The same, but the sound may have been muted, or never matched.",
    ),
    fault(
        Rule::AgentLost,
        |f, _| matches!(f.host, Host::AgentLost),
        Then::Hold,
        Reason::AgentLost,
        "The host answers for its agent's death, so the host lives.",
    ),
    fault(
        Rule::NeverHeardSilent,
        |f, _| matches!(f.host, Host::Never) && missing(f),
        ASK_DEAD,
        Reason::NeverHeardSilent,
        "A machine that was never heard was never known to be well: somebody is asked.",
    ),
    fault(
        Rule::NeverHeard,
        |f, _| matches!(f.host, Host::Never),
        Then::Hold,
        Reason::NeverHeard,
        "Missing is not failed.",
    ),
    // From here on the on-air agent is heard.
    fault(
        Rule::PlayerGone,
        |f, _| matches!(f.player, PlayerState::Gone) && f.outlived,
        DEAD,
        Reason::PlayerGone,
        "Decisive: the agent says so, no sound is heard, and the standby outlived it.",
    ),
    fault(
        Rule::PlayerGoneWaiting,
        |f, _| matches!(f.player, PlayerState::Gone),
        Then::Hold,
        Reason::PlayerGoneWaiting,
        "A moment's patience, so that two players that end together are not taken for one.",
    ),
    fault(
        Rule::StalledSilent,
        |f, _| matches!(f.transport, Transport::Stalled) && quiet(f) && f.outlived,
        DEAD,
        Reason::StalledSilent,
        "Two independent signs: the code stands and the sound is gone, while the standby goes on.",
    ),
    fault(
        Rule::StalledDeaf,
        |f, _| matches!(f.transport, Transport::Stalled) && matches!(f.sound, Sound::Deaf),
        ASK_DEAD,
        Reason::StalledDeaf,
        "One sign only: a MIDI cable may be out. Without ears nobody can tell.",
    ),
    fault(
        Rule::SourceLostSilent,
        |f, _| matches!(f.transport, Transport::Lost) && missing(f) && f.outlived,
        DEAD,
        Reason::SourceLostSilent,
        "Two independent signs: the source of the code vanished and the sound with it.",
    ),
    fault(
        Rule::MediaGoneSilent,
        |f, _| f.media_gone && quiet(f) && f.outlived,
        DEAD,
        Reason::MediaGoneSilent,
        "A player plays from memory for a while after its disk is gone, and then no more.",
    ),
    fault(
        Rule::LoneStopPolicy,
        |f, _| {
            matches!(f.transport, Transport::LoneStop)
                && matches!(f.lone_stop, LoneStop::Changeover)
                && quiet(f)
                && f.outlived
        },
        DEAD,
        Reason::LoneStop,
        "Players that fail may send a polite stop. A person chose to take it for a failure.",
    ),
    fault(
        Rule::LoneStop,
        |f, _| matches!(f.transport, Transport::LoneStop),
        ASK_DEAD,
        Reason::LoneStop,
        "It may be a failure, or somebody at the machine. Asked at once.",
    ),
    fault(
        Rule::AudioLost,
        |f, _| matches!(f.sound, Sound::Lost) && !matches!(f.transport, Transport::Stopped),
        DEAD,
        Reason::AudioLost,
        "All channels at once, it matched before, a second sign agrees, and the standby sounds.",
    ),
    fault(
        Rule::AudioDoubtful,
        |f, _| matches!(f.sound, Sound::Doubtful) && !matches!(f.transport, Transport::Stopped),
        ASK_DEAD,
        Reason::AudioDoubtful,
        "The same with a guard missing: somebody may have muted it.",
    ),
    fault(
        Rule::StalledQuiet,
        |f, _| matches!(f.transport, Transport::Stalled | Transport::Lost),
        Then::Hold,
        Reason::StalledQuiet,
        "In a quiet moment of the music a lost code cannot be told from a stop. The next sound of the standby will tell.",
    ),
    fault(
        Rule::Worn,
        |f, _| f.worn,
        Then::Ask(Need::InStep),
        Reason::Worn,
        "It still plays. Only a person may leave a machine that plays, and only for a better one.",
    ),
    fault(
        Rule::Stopped,
        |f, _| matches!(f.transport, Transport::Stopped),
        Then::Hold,
        Reason::Stopped,
        "A pause is not a fault.",
    ),
    fault(Rule::Well, |_, _| true, Then::Hold, Reason::OnAirWell, "Nothing is wrong."),
    // Gates.
    gate(
        Rule::NoStandby,
        |f, _| matches!(f.standby, Grade::None),
        Then::Hold,
        Reason::NoStandby,
        "Never to something worse, not even from dead air.",
    ),
    gate(
        Rule::StandbyWorse,
        |f, want| {
            matches!(f.standby, Grade::DeadAir) && matches!(want, Then::Ask(Need::InStep) | Then::Change(Need::InStep))
        },
        Then::Hold,
        Reason::StandbyWorse,
        "What plays, however worn, is left only for a fit machine in step.",
    ),
    gate(
        Rule::Observing,
        |f, _| matches!(f.mode, Mode::Observe),
        Then::Observe,
        Reason::Observing,
        "Observing never acts, and tells what it would have done.",
    ),
    gate(
        Rule::AskFirst,
        |_, want| matches!(want, Then::Ask(_)),
        Then::Propose,
        Reason::AskFirst,
        "Not certain enough to act by itself in any mode.",
    ),
    gate(
        Rule::Proposing,
        |f, _| matches!(f.mode, Mode::Propose),
        Then::Propose,
        Reason::Proposing,
        "A person confirms in one press.",
    ),
    gate(
        Rule::Latched,
        |f, _| f.latched,
        Then::Propose,
        Reason::Latched,
        "No second changeover by itself: the rig would chase its own tail. A person may.",
    ),
    gate(
        Rule::NotHeld,
        |f, _| !f.armed,
        Then::Propose,
        Reason::NotHeld,
        "Fitness that has not held is not yet fitness.",
    ),
    gate(
        Rule::Acting,
        |f, _| matches!(f.mode, Mode::Act),
        Then::Act,
        Reason::Acting,
        "The stage is given to the standby.",
    ),
];

/// What the table says of some facts.
#[derive(Clone, Copy)]
pub struct Verdict {
    /// The guard or fault that holds.
    pub cause: &'static Row,
    /// The gate that holds, if the cause asked for more than to hold.
    pub gate: Option<&'static Row>,
}

/// What is done.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum Outcome {
    /// Nothing, and nothing was asked for.
    Rest,
    /// Nothing, although something was asked for.
    Refuse,
    /// Said only.
    Observe,
    /// Asked of a person.
    Propose,
    /// Done.
    Changeover,
}

impl Verdict {
    /// What is done.
    pub fn outcome(&self) -> Outcome {
        match self.gate.map(|g| g.then) {
            None => Outcome::Rest,
            Some(Then::Observe) => Outcome::Observe,
            Some(Then::Propose) => Outcome::Propose,
            Some(Then::Act) => Outcome::Changeover,
            Some(Then::Hold | Then::Change(_) | Then::Ask(_)) => Outcome::Refuse,
        }
    }
    /// What a standby must be good for, if the cause asks for one.
    pub fn need(&self) -> Option<Need> {
        need(self.cause.then)
    }
}

const fn need(then: Then) -> Option<Need> {
    match then {
        Then::Change(n) | Then::Ask(n) => Some(n),
        _ => None,
    }
}

/// Reads the table once from top to bottom.
pub fn decide(facts: &Facts) -> Verdict {
    decide_by(TABLE.iter(), facts)
}

/// Reads these rows instead: for tests that leave a row out or move it, and ask who notices.
pub fn decide_by(rows: impl Iterator<Item = &'static Row>, facts: &Facts) -> Verdict {
    let mut cause: Option<&'static Row> = None;
    for row in rows {
        match (cause, row.part) {
            (None, Part::Guard | Part::Fault) if (row.holds)(facts, Then::Hold) => {
                if need(row.then).is_none() {
                    return Verdict { cause: row, gate: None };
                }
                cause = Some(row);
            }
            (Some(c), Part::Gate) if (row.holds)(facts, c.then) => return Verdict { cause: c, gate: Some(row) },
            _ => {}
        }
    }
    // The last fault and the last gate hold always (a test says so); were that broken, nothing would move.
    Verdict { cause: cause.unwrap_or(&TABLE[0]), gate: None }
}
