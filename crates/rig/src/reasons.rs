//! Reasons: a code and a number on the live path, one sentence for people off it.

use base::{Db, Machine, Millis, Span};
use serde::{Deserialize, Serialize};

macro_rules! reasons {
    ($($name:ident = $number:literal $code:literal $text:literal)*) => {
        /// Why something is so. Numbers and codes are for ever: the record of a show holds them.
        ///
        /// In the sentences `{m}` is the machine it speaks of, `{o}` another machine and `{v}` the figure.
        #[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize, Deserialize)]
        #[serde(rename_all = "kebab-case")]
        #[repr(u16)]
        pub enum Reason { $(#[doc = $text] $name = $number),* }
        impl Reason {
            /// Every reason.
            pub const ALL: &'static [Reason] = &[$(Reason::$name),*];
            /// Its stable number.
            pub const fn number(self) -> u16 { self as u16 }
            /// Its stable name.
            pub const fn code(self) -> &'static str { match self { $(Reason::$name => $code),* } }
            /// Its sentence, with places for the machine, the other machine and the figure.
            pub const fn template(self) -> &'static str { match self { $(Reason::$name => $text),* } }
        }
    };
}

reasons! {
    // Guards.
    SupervisorLate = 100 "supervisor-late" "The supervisor woke late and trusts none of its timers yet: nothing moves."
    OwnLinkDown = 101 "own-link-down" "The supervisor's own network link is down or just came back: nothing moves."
    SupervisorCutOff = 102 "supervisor-cut-off" "All machines fell silent together: the supervisor may be cut off, and nothing moves."
    SwitchConflict = 103 "switch-conflict" "The switch and its tap disagree about what is on air: nothing moves."
    OnAirUnknown = 104 "on-air-unknown" "Nobody says which machine is on air: a person must tell."
    CommandPending = 105 "command-pending" "A command to the switch waits for its confirmation."
    BothPlayersLost = 106 "both-players-lost" "All players are gone, and all agents live: there is nothing to change over to."
    // What holds on air.
    PlayerGoneSoundOn = 200 "player-gone-sound-on" "{m}'s player is gone, yet its sound goes on."
    LoneStop = 201 "lone-stop" "{m} stopped alone, and no cause was heard."
    OnAirHeard = 202 "on-air-heard" "{m} is heard and sounds right, and that outweighs everything else."
    HostSilent = 203 "host-silent" "{m} is silent on every network path."
    HostSilentTwoPaths = 204 "host-silent-two-paths" "{m} fell silent on both network paths."
    LinkLossChangeover = 205 "link-loss-changeover" "{m} fell silent on its only path, and the policy is to change over."
    LinkLossHold = 206 "link-loss-hold" "{m} fell silent on its only path, and the policy is to hold."
    LinkLossUnset = 207 "link-loss-unset" "{m} fell silent on its only path; without a tap nobody can tell a dead machine from a pulled cable."
    HostUnwitnessed = 208 "host-unwitnessed" "{m} is silent, and no other machine was heard since: the silence may be the supervisor's."
    AgentLostSilent = 209 "agent-lost-silent" "{m}'s agent is gone and its sound is lost."
    AgentLost = 210 "agent-lost" "{m}'s agent is gone, its host lives."
    AgentGoodbye = 211 "agent-goodbye" "{m}'s agent said goodbye."
    NeverHeard = 212 "never-heard" "{m} was never heard."
    NeverHeardSilent = 213 "never-heard-silent" "{m} was never heard, and there is no sound."
    PlayerGone = 214 "player-gone" "{m}'s player is gone."
    PlayerGoneWaiting = 215 "player-gone-waiting" "{m}'s player is gone; the standby has not yet shown that it outlived it."
    StalledSilent = 216 "stalled-silent" "{m} stands still and is silent, and no stop was heard."
    StalledDeaf = 217 "stalled-deaf" "{m}'s code stands still; nobody can hear whether it plays."
    SourceLostSilent = 218 "source-lost-silent" "{m}'s code source vanished and its sound with it."
    MediaGoneSilent = 219 "media-gone-silent" "{m}'s session disk is gone and its sound ceased."
    AudioLost = 220 "audio-lost" "{m} lost its sound while the standby sounds."
    AudioDoubtful = 221 "audio-doubtful" "{m} seems to have lost its sound, or somebody muted it."
    StalledQuiet = 222 "stalled-quiet" "{m}'s code is gone in a quiet moment: waiting for sound to tell."
    Worn = 223 "worn" "{m} plays, but not well."
    Stopped = 224 "stopped" "{m} was stopped: a pause is not a fault."
    OnAirWell = 225 "on-air-well" "{m} is on air and well."
    SwitchMoved = 226 "switch-moved" "The switch went to {m} without us."
    Person = 227 "person" "A person put {m} on air."
    PersonForced = 228 "person-forced" "A person forced {m} on air."
    HostPatience = 229 "host-patience" "{m} is silent on every path while nothing plays: a moment's patience costs nothing."
    EarsLost = 230 "ears-lost" "The supervisor's own inputs no longer hear {m}: nothing is known of {m}, and that is not its fault."
    EarsLostSilent = 231 "ears-lost-silent" "The supervisor's own inputs no longer hear {m}, and its sound is not heard elsewhere."
    OneWayDoubtful = 232 "one-way-doubtful" "{m} is lost or wrong at the supervisor's input, and nothing confirms it: a pulled plug sounds alike."
    // Gates and refusals.
    NoStandby = 300 "no-standby" "No standby could take over."
    StandbyWorse = 301 "standby-worse" "{o} would be worse than what plays."
    Observing = 302 "observing" "The rig only observes."
    AskFirst = 303 "ask-first" "This is not certain enough to act without a person."
    Proposing = 304 "proposing" "The rig proposes; a person confirms."
    Latched = 305 "latched" "The rig has changed over already and is latched until a person releases it."
    NotHeld = 306 "not-held" "Fitness has not held long enough for the rig to act by itself."
    Acting = 307 "acting" "The rig acts by itself."
    AlreadyOnAir = 308 "already-on-air" "{m} is on air already."
    NoSuchMachine = 309 "no-such-machine" "This rig has no machine {m}."
    NotLatched = 310 "not-latched" "The rig is not latched."
    NoProposal = 311 "no-proposal" "There is no proposal to answer."
    NoSuchAlarm = 312 "no-such-alarm" "There is no such alarm to answer."
    ActNeedsEars = 313 "act-needs-ears" "Acting needs a second network path, a tap on the switch, or a chosen policy for a lost link."
    OnAirOutOfService = 314 "on-air-out-of-service" "{m} is on air and cannot be taken out of service."
    SwitchTells = 315 "switch-tells" "The switch says what is on air: it outweighs a person's word."
    // Fitness.
    Fine = 400 "fine" "{m} is fit."
    OutOfService = 401 "out-of-service" "{m} is out of service."
    Stalled = 402 "stalled" "{m} stands still without a heard cause."
    NotRolling = 403 "not-rolling" "{m} does not roll while the machine on air does."
    StartMissed = 404 "start-missed" "{m} missed the start."
    AudioCeased = 405 "audio-ceased" "{m}'s audio stream ceased."
    AudioSilent = 406 "audio-silent" "All of {m}'s channels fell silent at once."
    AudioWrong = 407 "audio-wrong" "{m} puts out noise, DC or broken samples."
    SilentWhileOnAirSounds = 408 "silent-while-on-air-sounds" "{m} is silent while the machine on air sounds."
    OtherSong = 409 "other-song" "{m} is in song {v}, not in the song on air."
    OtherSection = 410 "other-section" "{m} is in section {v}, not where the machine on air is."
    TooFarApart = 411 "too-far-apart" "{m} is {v} away from the machine on air."
    OutOfStep = 412 "out-of-step" "{m} is {v} away from the machine on air: it could only replace dead air."
    ChannelsShifted = 413 "channels-shifted" "{m}'s channels are moved: the click may be in the PA."
    RateDiffers = 414 "rate-differs" "{m} runs at another sample rate than at line-up."
    DeviceFellBack = 415 "device-fell-back" "{m} plays to another audio device than at line-up."
    OneChannelSilent = 416 "one-channel-silent" "One of {m}'s channels fell silent."
    MediaGone = 417 "media-gone" "The disk or folder of {m}'s session has vanished."
    ClockUnknown = 418 "clock-unknown" "{m}'s clock is not known well enough to compare."
    ClockHoldover = 419 "clock-holdover" "{m}'s clock has not been checked for a while."
    PositionUnknown = 420 "position-unknown" "{m}'s position cannot be compared with the machine on air."
    NothingKnown = 421 "nothing-known" "Neither code nor sound of {m} is known."
    OnePath = 422 "one-path" "{m} is heard on one network path only."
    Dropouts = 423 "dropouts" "{m} had {v} dropouts of late."
    SourceLost = 424 "source-lost" "{m}'s code source vanished."
    OnBattery = 425 "on-battery" "{m} runs on its battery."
    Hot = 426 "hot" "{m} is too hot."
    DiskLow = 427 "disk-low" "{m}'s disk is nearly full."
    SoundDiffers = 428 "sound-differs" "{m} does not sound like the machine on air."
    TooLoud = 429 "too-loud" "{m} would be {v} louder than the machine on air: only a person may put it there."
    TooLoudInEars = 430 "too-loud-in-ears" "{m} would be {v} louder in somebody's in-ear monitors: only a person may put it there."
    // Headlines.
    CanTakeOver = 500 "can-take-over" "{m} can take over now: you would hear {v}."
    CanTakeOverAtRest = 501 "can-take-over-at-rest" "{m} can take over now: nothing plays."
    CanReplaceDeadAir = 502 "can-replace-dead-air" "{m} could replace dead air only: you would hear {v}."
    ProposalStands = 503 "proposal-stands" "Change over to {m}?"
    CannotTakeOver = 504 "cannot-take-over" "{m} cannot take over."
    CannotTakeOverYet = 505 "cannot-take-over-yet" "{m} cannot take over by itself yet: its fitness has not held."
    Unconfirmed = 506 "unconfirmed" "The switch has not confirmed {m}."
}

/// The figure in a sentence.
#[derive(Clone, Copy, PartialEq, Debug, Default, Serialize, Deserialize)]
pub enum Arg {
    /// None.
    #[default]
    None,
    /// A span, told in milliseconds.
    Span(Span),
    /// A count.
    Count(u32),
    /// A song, by number.
    Song(u16),
    /// A section of a song.
    Section(u16, u16),
    /// A ratio of levels.
    Level(Db),
}

/// A reason with what it speaks of. Small and `Copy`, so that it travels on the live path; words are made elsewhere.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
pub struct Sentence {
    /// The reason.
    pub reason: Reason,
    /// `{m}`.
    pub machine: Option<Machine>,
    /// `{o}`.
    pub other: Option<Machine>,
    /// `{v}`.
    pub arg: Arg,
}

/// Names for what the rig knows by number only.
pub trait Names {
    /// A song's name.
    fn song(&self, number: u16) -> String {
        if number == 0 { "no listed song".into() } else { number.to_string() }
    }
    /// A section's name.
    fn section(&self, _song: u16, section: u16) -> String {
        if section == 0 { "no section".into() } else { section.to_string() }
    }
    /// A device's name, by its place in the show file from 0.
    fn device(&self, number: u8) -> String {
        format!("device {}", u16::from(number) + 1)
    }
}

/// Numbers for want of names.
pub struct Numbers;
impl Names for Numbers {}

impl Sentence {
    /// A bare reason.
    pub const fn new(reason: Reason) -> Sentence {
        Sentence { reason, machine: None, other: None, arg: Arg::None }
    }
    /// A reason that speaks of a machine.
    pub const fn of(reason: Reason, machine: Machine) -> Sentence {
        Sentence { reason, machine: Some(machine), other: None, arg: Arg::None }
    }
    /// With another machine.
    pub const fn against(mut self, other: Option<Machine>) -> Sentence {
        self.other = other;
        self
    }
    /// With a figure.
    pub const fn with(mut self, arg: Arg) -> Sentence {
        self.arg = arg;
        self
    }
    /// The sentence in words. Allocates: not for the live path.
    pub fn say(&self, names: &dyn Names) -> String {
        fill(self.reason.template(), [self.machine, self.other], None, self.arg, names)
    }
}

/// Fills a template's places.
pub(crate) fn fill(
    template: &str,
    [m, o]: [Option<Machine>; 2],
    device: Option<u8>,
    arg: Arg,
    names: &dyn Names,
) -> String {
    let letter = |m: Option<Machine>, none: &str| m.map_or_else(|| none.to_string(), |m| m.to_string());
    let value = match arg {
        Arg::None => "an unknown amount".to_string(),
        Arg::Span(s) => format!("{}", Millis::from(s.abs())),
        Arg::Count(n) => n.to_string(),
        Arg::Song(n) => names.song(n),
        Arg::Section(song, s) => names.section(song, s),
        Arg::Level(db) => db.to_string(),
    };
    template
        .replace("{m}", &letter(m, "the machine on air"))
        .replace("{o}", &letter(o, "the standby"))
        .replace("{v}", &value)
        .replace("{d}", &device.map_or_else(|| "a device".into(), |d| names.device(d)))
}
