//! Where positions and sound come from: an agent's own inputs, or the supervisor's where it alone hears a machine.

use std::net::SocketAddr;
use std::path::PathBuf;

use base::FrameRate;
use serde::{Deserialize, Serialize};

use crate::error::WrongEntry;

/// The most sources that carry MIDI: `midi` and `feed`.
pub const MAX_MIDI_INPUTS: usize = 4;
/// The most channels of an audio device.
pub(crate) const MAX_CHANNELS: usize = 64;

/// One source.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Source {
    /// A MIDI port: MTC, MIDI clock, patches.
    Midi {
        /// The port's name, or a part of it that is unique.
        port: String,
        /// Which host to open it on: `default` or `jack`.
        #[serde(default = "default_host")]
        host: String,
    },
    /// An audio device: meters, and LTC on one channel.
    Audio {
        /// Which host: `default`, `alsa`, `jack`, ...
        #[serde(default = "default_host")]
        host: String,
        /// The device's name, or `default`.
        device: String,
        /// Channel names in the device's order; an empty name skips one.
        channels: Vec<String>,
        /// The channel that carries LTC.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        timecode: Option<String>,
        /// The LTC's rate, if it is known.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        rate: Option<FrameRate>,
        /// The frequency in hertz of the steady tone on the channel named `pilot`.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        pilot: Option<f64>,
        /// The noise floor of an analogue input in dBFS: samples up to it are silence. None: only zeros are.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        floor: Option<f64>,
    },
    /// The local feed socket: MIDI bytes and PCM with timestamps.
    Feed {
        /// The socket's path; made by the agent, readable by its own user alone.
        socket: PathBuf,
        /// The channel that carries LTC.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        timecode: Option<String>,
        /// The LTC's rate, if it is known.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        rate: Option<FrameRate>,
        /// The frequency in hertz of the steady tone on the channel named `pilot`.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        pilot: Option<f64>,
        /// The noise floor of what the feed's sound went through, as for `audio`.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        floor: Option<f64>,
    },
    /// OSC position messages.
    Osc {
        /// Where to listen. OSC is not authenticated: loopback, or a named sender.
        listen: SocketAddr,
        /// The only sender to be believed, needed when `listen` is not loopback.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        from: Option<std::net::IpAddr>,
    },
}

pub(crate) fn default_host() -> String {
    "default".into()
}

/// A floor above this would take programme for silence, one below is no analogue input's (common practice, no source).
pub(crate) const FLOORS: std::ops::RangeInclusive<f64> = -120.0..=-30.0;

impl Source {
    /// The pilot's frequency, where there can be one.
    pub fn pilot_mut(&mut self) -> Option<&mut Option<f64>> {
        match self {
            Source::Audio { pilot, .. } | Source::Feed { pilot, .. } => Some(pilot),
            Source::Midi { .. } | Source::Osc { .. } => None,
        }
    }

    /// Whether it brings sound.
    pub fn is_sound(&self) -> bool {
        matches!(self, Source::Audio { .. } | Source::Feed { .. })
    }

    /// What is wrong with it alone: key, what and mend.
    fn check(&self) -> Result<(), [&'static str; 3]> {
        match self {
            Source::Osc { listen, from } if !listen.ip().is_loopback() && from.is_none() => Err([
                "listen",
                "OSC is not authenticated, and this address is reachable from outside",
                "listen on 127.0.0.1, or name the one sender: from = \"10.0.0.5\"",
            ]),
            Source::Audio { channels, timecode: Some(t), .. } if !channels.contains(t) => {
                Err(["timecode", "no channel has this name", "use a name that stands in channels"])
            }
            Source::Audio { channels, .. } if channels.is_empty() || channels.len() > MAX_CHANNELS => Err([
                "channels",
                "an audio source has 1 to 64 channels",
                "name the channels: channels = [\"tracks L\", \"tracks R\"]",
            ]),
            Source::Audio { floor: Some(f), .. } | Source::Feed { floor: Some(f), .. } if !FLOORS.contains(f) => {
                Err(["floor", "a noise floor lies between -120 and -30 dBFS", "write floor = -70.0, or leave it out"])
            }
            _ => Ok(()),
        }
    }
}

/// What is wrong with one machine's sources.
pub(crate) fn check(sources: &[Source]) -> Result<(), WrongEntry> {
    let err = |key: String, what, mend| Err(WrongEntry { key, what, mend });
    let with = |f: fn(&Source) -> bool| sources.iter().filter(|s| f(s)).count();
    if with(|s| matches!(s, Source::Midi { .. } | Source::Feed { .. })) > MAX_MIDI_INPUTS {
        return err(
            "source".into(),
            "there are more than four MIDI inputs",
            "keep those that carry code, patches or triggers",
        );
    }
    if with(|s| matches!(s, Source::Audio { .. })) > 1 || with(|s| matches!(s, Source::Feed { .. })) > 1 {
        return err(
            "source".into(),
            "a machine has one audio device and one feed",
            "name all channels in one [[source]] of kind = \"audio\"",
        );
    }
    for (i, s) in sources.iter().enumerate() {
        if let Err([key, what, mend]) = s.check() {
            return err(format!("source[{i}].{key}"), what, mend);
        }
    }
    Ok(())
}
