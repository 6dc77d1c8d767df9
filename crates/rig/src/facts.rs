//! The finite words the table works on. Hold times have become states here, so that every combination can be visited.

use base::PlayerState;

use crate::fitness::Fitness;
use crate::setup::{LoneStop, Mode};

/// Declares a finite enum and the list of all its values.
macro_rules! finite {
    ($(#[$doc:meta])* $name:ident { $($(#[$vdoc:meta])* $variant:ident),* $(,)? }) => {
        $(#[$doc])*
        #[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
        pub enum $name { $($(#[$vdoc])* $variant),* }
        impl $name {
            /// Every value.
            pub const ALL: &'static [$name] = &[$($name::$variant),*];
        }
    };
}

finite! {
    /// Whether the supervisor may trust itself.
    SelfDoubt {
        /// It may.
        None,
        /// It woke late: its timers say nothing.
        Late,
        /// Its own link is down, or came back a moment ago.
        LinkDown,
        /// All machines fell silent together, or came back a moment ago.
        CutOff,
    }
}
finite! {
    /// Whether it is known which machine is on air.
    OnAirKnown {
        /// The switch, its tap or a person says so, and nothing contradicts.
        Yes,
        /// A command is out and not yet confirmed.
        Pending,
        /// Nothing says.
        No,
        /// The switch and the tap disagree, or only some of several units moved.
        Conflict,
    }
}
finite! {
    /// The host of the machine on air.
    Host {
        /// Its agent is heard.
        Here,
        /// Silent on every path, and another machine was heard *after* the silence began.
        Gone,
        /// Silent on every path, without such a witness yet.
        Unwitnessed,
        /// Silent and witnessed, but nothing sounds anywhere: waiting a moment costs nobody anything.
        Patience,
        /// Its agent ended or is not heard, its host lives: it answered for it, or its pilot is heard on the tap.
        AgentLost,
        /// Never heard since the supervisor started.
        Never,
    }
}
finite! {
    /// What a host's silence is worth when nobody can hear its sound.
    LinkSays {
        /// Two paths fell silent: that is decisive.
        TwoPaths,
        /// One path, and the policy says change over.
        Changeover,
        /// One path, and the policy says hold.
        Hold,
        /// One path, and nobody chose a policy.
        Unset,
    }
}
finite! {
    /// The transport of the machine on air.
    Transport {
        /// No code, no source.
        Unknown,
        /// It rolls.
        Rolling,
        /// It stands, and a cause was heard or the other machine stands too.
        Stopped,
        /// It said it stopped, the other rolls on, and no cause was heard.
        LoneStop,
        /// It should roll and does not advance.
        Stalled,
        /// Its source vanished.
        Lost,
    }
}
finite! {
    /// The sound of the machine on air, to its own agent and to the supervisor's tap.
    Sound {
        /// Nobody can hear it.
        Deaf,
        /// A non-zero sample came within the veto.
        Heard,
        /// Full-scale noise, DC or not-a-number, long enough to be sure.
        Wrong,
        /// No sound within the veto, and none from the standby: a rest in the music, or nothing plays. It tells nothing.
        Rest,
        /// No sound within the veto, while the standby sounds (or has no ears to compare with).
        Quiet,
        /// No sound for long enough while the standby sounds, but a guard is missing: somebody may have muted it.
        Doubtful,
        /// No sound for long enough while the standby sounds, it matched before, and a second sign agrees.
        Lost,
    }
}
finite! {
    /// Where a standby is against the machine on air.
    Relation {
        /// Not known.
        Unknown,
        /// Neither rolls, and nothing says they stand in different songs.
        Resting,
        /// Same song, within the limit of step, bound included.
        InStep,
        /// Same song and section, within the limit of dead air.
        Near,
        /// Further apart, or in another section.
        Apart,
        /// In another song.
        OtherSong,
    }
}
finite! {
    /// A standby's own sound.
    Ears {
        /// Its agent has none.
        Deaf,
        /// It sounds.
        Sounding,
        /// It is quiet: it may be the music.
        Quiet,
    }
}
finite! {
    /// What the best standby would be good for.
    Grade {
        /// Nothing.
        None,
        /// To replace dead air.
        DeadAir,
        /// To replace a machine that still plays.
        InStep,
    }
}

/// What a standby is good for. Rule 1: never something worse.
///
/// To replace a machine that plays it must be fit and in step (or both rest in the same place). To replace dead air it
/// must at least be alive and known, and either in step, resting alike, or sounding within the limit of dead air.
pub const fn grade(fitness: Fitness, relation: Relation, ears: Ears) -> Grade {
    match (fitness, relation, ears) {
        (Fitness::Unfit | Fitness::Unknown, _, _) => Grade::None,
        (Fitness::Fit, Relation::InStep | Relation::Resting, _) => Grade::InStep,
        (Fitness::Degraded, Relation::InStep | Relation::Resting, _) => Grade::DeadAir,
        (Fitness::Fit | Fitness::Degraded, Relation::Near, Ears::Sounding) => Grade::DeadAir,
        (Fitness::Fit | Fitness::Degraded, Relation::Near, Ears::Deaf | Ears::Quiet) => Grade::None,
        (_, Relation::Unknown | Relation::Apart | Relation::OtherSong, _) => Grade::None,
    }
}

/// Everything the table looks at: one rig at one instant.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub struct Facts {
    /// The mode.
    pub mode: Mode,
    /// A changeover happened and was not released.
    pub latched: bool,
    /// The fitness of both has held.
    pub armed: bool,
    /// The supervisor's doubt of itself.
    pub doubt: SelfDoubt,
    /// Whether on air is known.
    pub known: OnAirKnown,
    /// Every machine's agent is heard and every machine's player is gone.
    pub both_players_lost: bool,
    /// On air: its host.
    pub host: Host,
    /// On air: what its host's silence is worth.
    pub link: LinkSays,
    /// On air: its player.
    pub player: PlayerState,
    /// On air: its transport.
    pub transport: Transport,
    /// On air: its sound.
    pub sound: Sound,
    /// On air: the session's disk is gone.
    pub media_gone: bool,
    /// On air: too many dropouts, or another thing that wears it.
    pub worn: bool,
    /// The standby was proven alive *after* the trouble on air began.
    pub outlived: bool,
    /// The policy for a lone stop.
    pub lone_stop: LoneStop,
    /// What the best standby is good for.
    pub standby: Grade,
}
