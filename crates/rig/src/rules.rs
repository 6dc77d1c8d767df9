//! The names of the table's rows.

use serde::{Deserialize, Serialize};

macro_rules! rules {
    ($($(#[$doc:meta])* $name:ident = $number:literal $code:literal),* $(,)?) => {
        /// A row's name. Numbers and codes are for ever: the record of a show holds them.
        #[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize, Deserialize)]
        #[serde(rename_all = "kebab-case")]
        pub enum Rule { $($(#[$doc])* $name = $number),* }
        impl Rule {
            /// Every rule.
            pub const ALL: &'static [Rule] = &[$(Rule::$name),*];
            /// Its stable number.
            pub const fn number(self) -> u16 { self as u16 }
            /// Its stable name.
            pub const fn code(self) -> &'static str { match self { $(Rule::$name => $code),* } }
        }
    };
}

rules! {
    /// A person did it.
    Person = 1 "person",
    /// The switch moved without us.
    SwitchMoved = 2 "switch-moved",
    /// Guard: the supervisor woke late.
    SupervisorLate = 100 "supervisor-late",
    /// Guard: the supervisor's link is down.
    OwnLinkDown = 101 "own-link-down",
    /// Guard: all machines fell silent together.
    CutOff = 102 "cut-off",
    /// Guard: switch and tap disagree.
    SwitchConflict = 103 "switch-conflict",
    /// Guard: nobody says which machine is on air.
    OnAirUnknown = 104 "on-air-unknown",
    /// Guard: a command is out.
    CommandPending = 105 "command-pending",
    /// Guard: every player is gone.
    BothPlayersLost = 106 "both-players-lost",
    /// The player is gone, its sound is not.
    PlayerGoneSoundOn = 200 "player-gone-sound-on",
    /// The on-air machine stopped alone, and still sounds.
    LoneStopSoundOn = 201 "lone-stop-sound-on",
    /// The veto.
    OnAirHeard = 202 "on-air-heard",
    /// Noise on air.
    WrongSound = 210 "wrong-sound",
    /// The host is gone, and so is the sound.
    HostGoneSilent = 220 "host-gone-silent",
    /// The host is gone on two paths; nobody can hear.
    HostGoneTwoPaths = 221 "host-gone-two-paths",
    /// The host is gone on its only path; the policy says change over.
    HostGonePolicyChangeover = 222 "host-gone-policy-changeover",
    /// The host is gone on its only path; the policy says hold.
    HostGonePolicyHold = 223 "host-gone-policy-hold",
    /// The host is gone on its only path; there is no policy.
    HostGoneNoPolicy = 224 "host-gone-no-policy",
    /// The host is silent, without a witness.
    HostUnwitnessed = 225 "host-unwitnessed",
    /// The host is silent in a quiet moment.
    HostPatience = 226 "host-patience",
    /// The agent is gone, and so is the sound.
    AgentLostSilent = 230 "agent-lost-silent",
    /// The agent is gone; the sound may be.
    AgentLostDoubtful = 231 "agent-lost-doubtful",
    /// The agent is gone.
    AgentLost = 232 "agent-lost",
    /// The on-air machine was never heard, and there is no sound.
    NeverHeardSilent = 233 "never-heard-silent",
    /// The on-air machine was never heard.
    NeverHeard = 234 "never-heard",
    /// The player is gone.
    PlayerGone = 240 "player-gone",
    /// The player is gone; the standby is not proven yet.
    PlayerGoneWaiting = 241 "player-gone-waiting",
    /// Stalled and silent.
    StalledSilent = 250 "stalled-silent",
    /// Stalled; nobody can hear.
    StalledDeaf = 251 "stalled-deaf",
    /// The source vanished, and so did the sound.
    SourceLostSilent = 252 "source-lost-silent",
    /// The session's disk is gone, and so is the sound.
    MediaGoneSilent = 253 "media-gone-silent",
    /// A lone stop; the policy says change over.
    LoneStopPolicy = 260 "lone-stop-policy",
    /// A lone stop.
    LoneStop = 261 "lone-stop",
    /// The sound is lost.
    AudioLost = 270 "audio-lost",
    /// The sound may be lost.
    AudioDoubtful = 271 "audio-doubtful",
    /// Stalled or without a source in a quiet moment.
    StalledQuiet = 280 "stalled-quiet",
    /// On air is worn.
    Worn = 281 "worn",
    /// It was stopped.
    Stopped = 282 "stopped",
    /// Nothing is wrong.
    Well = 283 "well",
    /// Gate: nobody to change over to.
    NoStandby = 300 "no-standby",
    /// Gate: the standby would be worse than what plays.
    StandbyWorse = 301 "standby-worse",
    /// Gate: observing.
    Observing = 302 "observing",
    /// Gate: the fault is one to ask about.
    AskFirst = 303 "ask-first",
    /// Gate: proposing.
    Proposing = 304 "proposing",
    /// Gate: latched.
    Latched = 305 "latched",
    /// Gate: fitness has not held.
    NotHeld = 306 "not-held",
    /// Gate: act.
    Acting = 307 "acting",
}
