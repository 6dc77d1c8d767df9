//! The beat, and the reply to it.
//!
//! A beat says all that a supervisor must know *now* about a machine; a lost beat loses nothing, since the next says it
//! again (counters instead of events, positions as points on a line). Fields are only ever added at the end.

use arrayvec::ArrayVec;
use base::{AudioState, PlayerState, PositionReport, RemoteTime, Span, SwitchView};
use serde::{Deserialize, Serialize};

use crate::channels::MoreChannels;
use crate::levels::ChannelLevel;

/// The most bytes a sealed beat may have: it must cross any common link as one unfragmented datagram.
pub const MAX_BEAT: usize = 1_200;
/// The most positions (one a source) in a beat.
pub const MAX_POSITIONS: usize = 3;
/// The most channels whose levels stand in every beat; the others take turns ([`MoreChannels`]).
pub const MAX_LEVELS: usize = 8;

/// What an agent says of its machine every few milliseconds.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
pub struct Beat {
    /// Counts up by one; the same number goes out on every path.
    pub seq: u32,
    /// When it was handed to the network, on the sender's clock.
    pub sent: RemoteTime,
    /// The newest reply received, for the clock exchange.
    pub echo: Option<Echo>,
    /// When an earlier beat (its number) truly left, by the network driver's own stamp on the sender's clock.
    pub prev_sent: Option<(u32, RemoteTime)>,
    /// The newest position by each source.
    pub positions: ArrayVec<PositionReport, MAX_POSITIONS>,
    /// The player process.
    pub player: PlayerState,
    /// Why the transport stands, if a cause was heard.
    pub stop_cause: StopCause,
    /// What the machine sounds like.
    pub audio: AudioState,
    /// The newest sample that was not zero.
    pub last_sound: Option<RemoteTime>,
    /// Levels of the first channels.
    pub levels: ArrayVec<ChannelLevel, MAX_LEVELS>,
    /// State of the sources.
    pub sources: SourceFlags,
    /// Health of the host.
    pub host: HostFlags,
    /// How late the sender woke for this beat.
    pub lateness: Span,
    /// How many times the agent has found itself frozen or asleep (wraps): a change tells of it even if beats were lost.
    pub frozen_before: u16,
    /// Full-scale samples seen so far, all channels (wraps).
    pub clipped: u16,
    /// Audio dropouts seen so far (wraps).
    pub dropouts: u16,
    /// Reserved for a rig with more than one supervisor: the newest term the agent has heard.
    pub term: u32,
    /// How long an audio block lasts: between two of them `last_sound` stands still.
    pub block: Span,
    /// The channels beyond the first eight. Follows the rest on the wire, where an older sender ends.
    #[serde(skip)]
    pub more: MoreChannels,
}

/// Two of the four timestamps of a clock exchange (RFC 5905 section 8): the reply's number stands for t1, this is t2; the
/// beat's own `sent` is t3 and its arrival t4.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct Echo {
    /// Number of the reply.
    pub reply: u32,
    /// When it arrived, on the agent's clock.
    pub received: RemoteTime,
}

/// What the supervisor answers, ten to twenty times a second on each path.
#[derive(Clone, Copy, PartialEq, Debug, Default, Serialize, Deserialize)]
pub struct BeatReply {
    /// Counts up by one per path.
    pub seq: u32,
    /// When it was handed to the network, on the supervisor's clock (remote to the agent).
    pub sent: RemoteTime,
    /// The newest beat heard on this path ...
    pub of_beat: u32,
    /// ... and when it arrived, on the supervisor's clock.
    pub beat_received: RemoteTime,
    /// What is on air, as the supervisor knows it.
    pub on_air: SwitchView,
    /// Reserved: the supervisor's term.
    pub term: u32,
}

/// Why a transport stands.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug, Default, Serialize, Deserialize)]
pub enum StopCause {
    /// None heard.
    #[default]
    None,
    /// The player sent a stop. A player that fails may do that too.
    Player,
    /// A trigger (pad, foot controller, note) commanded it.
    Trigger,
    /// A person said so at the agent or the page.
    Operator,
}

macro_rules! flags {
    ($(#[$doc:meta])* $name:ident { $($(#[$fdoc:meta])* $flag:ident = $bit:literal,)* }) => {
        $(#[$doc])*
        #[derive(Clone, Copy, PartialEq, Eq, Hash, Default, Debug, Serialize, Deserialize)]
        pub struct $name(pub u16);
        impl $name {
            $($(#[$fdoc])* pub const $flag: $name = $name(1 << $bit);)*
            /// None set.
            pub const NONE: $name = $name(0);
            /// Whether all of `other`'s flags are set.
            pub const fn has(self, other: $name) -> bool {
                self.0 & other.0 == other.0
            }
            /// With `other`'s flags set, if `on`.
            #[must_use]
            pub const fn with(self, other: $name, on: bool) -> $name {
                if on { $name(self.0 | other.0) } else { self }
            }
        }
    };
}

flags!(
    /// State of an agent's sources. New flags take the next free bit.
    SourceFlags {
        /// A MIDI source is configured.
        MIDI_WANTED = 0,
        /// It is open.
        MIDI_OPEN = 1,
        /// An audio source is configured.
        AUDIO_WANTED = 2,
        /// It is open and its callbacks come.
        AUDIO_OPEN = 3,
        /// A feed socket is configured.
        FEED_WANTED = 4,
        /// A player is connected to it.
        FEED_OPEN = 5,
        /// OSC positions are configured.
        OSC_WANTED = 6,
        /// They come.
        OSC_OPEN = 7,
        /// Two sources of one machine contradict each other.
        DISAGREE = 8,
        /// The audio format is not the configured one (sample rate, channels).
        FORMAT_CHANGED = 9,
        /// The player uses another device than the configured one.
        OTHER_DEVICE = 10,
        /// Audio callbacks come late.
        AUDIO_LATE = 11,
        /// Not-a-number, DC or full-scale noise on some channel.
        AUDIO_WRONG = 12,
    }
);

flags!(
    /// Health of an agent's host. New flags take the next free bit.
    HostFlags {
        /// Mains power is gone.
        ON_BATTERY = 0,
        /// Some sensor is near its limit.
        HOT = 1,
        /// The media disk is nearly full.
        DISK_LOW = 2,
        /// Processors are nearly saturated.
        CPU_HIGH = 3,
        /// The disk that holds the show is gone.
        MEDIA_GONE = 4,
        /// The beat thread has no real-time priority.
        NO_PRIORITY = 5,
        /// Memory is nearly exhausted.
        MEMORY_LOW = 6,
        /// The host slept and woke within the last two seconds. Its monotonic clock stood meanwhile, so whatever was known of that
        /// clock is void.
        WOKE = 7,
    }
);

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn flags_are_set_and_read() {
        let f = SourceFlags::NONE.with(SourceFlags::MIDI_OPEN, true).with(SourceFlags::AUDIO_OPEN, false);
        assert!(f.has(SourceFlags::MIDI_OPEN));
        assert!(!f.has(SourceFlags::AUDIO_OPEN));
        assert!(!f.has(SourceFlags(SourceFlags::MIDI_OPEN.0 | SourceFlags::AUDIO_OPEN.0)));
    }
}
