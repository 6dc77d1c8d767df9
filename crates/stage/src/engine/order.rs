//! What an engine is told, and what it gives out.

use base::{Db, Hertz, MonoTime, Ppm, Span};
use serde::{Deserialize, Serialize};

use crate::synth::Frame;

/// What makes one machine differ from its twin.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct EngineConfig {
    /// The show's seed, the same on all machines.
    pub show: u64,
    /// The machine's own seed.
    pub own: u64,
    /// Its crystal's error.
    pub crystal: Ppm,
    /// How much later than its twin it starts.
    pub start_skew: Span,
    /// Each MIDI message is late by up to this.
    pub midi_jitter: Span,
    /// MIDI is sent at the ends of buffers of this many samples; 0: at its own time.
    pub midi_clump: u32,
    /// Gain of all that is heard.
    pub level: Db,
    /// The steady tone on the channel `pilot`: each machine has its own, so that ears can tell them apart.
    pub pilot: Hertz,
}

/// What a person or a conductor may tell it. Instants are on the monotonic clock; none means now.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
#[serde(tag = "do", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Command {
    /// Loads a song at its beginning and stays stopped.
    Load {
        /// The song, from 1.
        song: u16,
    },
    /// Starts, by a pad that every machine hears; `heard` false: the pad is not in what the agent hears.
    Play {
        /// When the pad is hit.
        #[serde(default)]
        at: Option<MonoTime>,
        /// Whether the pad's message is sent on.
        #[serde(default = "yes")]
        heard: bool,
    },
    /// Stops, likewise.
    Stop {
        /// When the pad is hit.
        #[serde(default)]
        at: Option<MonoTime>,
        /// Whether the pad's message is sent on.
        #[serde(default = "yes")]
        heard: bool,
    },
    /// Jumps to a place, rolling or not, without a pad.
    Jump {
        /// The song, from 1.
        song: u16,
        /// From its beginning; none: the place of the same distance from the beginning.
        #[serde(default)]
        to: Option<Span>,
    },
    /// Jumps within the song, rolling or not, without a pad.
    Skip {
        /// How far forward.
        by: Span,
    },
    /// Timecode, clock and patches cease, or come back.
    Midi {
        /// Whether they are sent.
        on: bool,
    },
    /// The MIDI timecode of what rolls now reads ahead of the place, while LTC reads the place itself; zero: right again.
    CodeAhead {
        /// How far.
        by: Span,
    },
    /// What is wrong with the sound.
    Audio {
        /// The fault.
        fault: AudioFault,
    },
    /// Another crystal.
    Drift {
        /// Its error.
        ppm: Ppm,
    },
    /// Another gain.
    Level {
        /// The gain.
        gain: Db,
    },
}

fn yes() -> bool {
    true
}

/// What can be wrong with a machine's sound while its transport rolls.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum AudioFault {
    /// Nothing.
    #[default]
    None,
    /// The callbacks cease: not one sample more.
    Ceased,
    /// Every channel is zero.
    Silent,
    /// The first track is zero.
    StemSilent,
    /// Full-scale noise.
    Noise,
    /// Full-scale direct current.
    Dc,
    /// Not-a-number.
    NotANumber,
    /// Every channel comes out one further on.
    Shifted,
    /// One block in a hundred is lost.
    Glitches,
}

/// What leaves the engine.
#[derive(Debug)]
pub enum Out<'a> {
    /// MIDI bytes, sent at that instant.
    Midi {
        /// When.
        at: MonoTime,
        /// Whole messages.
        bytes: &'a [u8],
    },
    /// One block of sound.
    Pcm {
        /// The instant of its first sample.
        at: MonoTime,
        /// [`BLOCK`] frames.
        frames: &'a [Frame],
    },
}
