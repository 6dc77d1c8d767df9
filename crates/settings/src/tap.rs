//! The tap: by which input the supervisor hears the switch's output.

use std::path::PathBuf;

use serde::{Deserialize, Serialize};

use crate::error::WrongEntry;
use crate::sources::{FLOORS, MAX_CHANNELS, default_host};

/// The tap of the switch's output: a local feed socket or an audio device.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Tap {
    /// A local feed socket that carries the switch's output as PCM.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub feed: Option<PathBuf>,
    /// An audio device's name, or `default`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub device: Option<String>,
    /// Its host: `default`, `alsa`, `jack`, ...
    #[serde(default = "default_host", skip_serializing_if = "is_default_host")]
    pub host: String,
    /// Its channels' names in its order; an empty name skips one.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub channels: Vec<String>,
    /// The noise floor of an analogue input in dBFS: samples up to it are silence. None: only zeros are.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub floor: Option<f64>,
    /// Channels whose sound counts as programme; none named: all but `timecode` and `pilot`.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub programme: Vec<String>,
}

/// How the tap is heard.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum TapInput<'a> {
    /// Over a feed socket.
    Feed(&'a PathBuf),
    /// At an audio device.
    Device(&'a str),
}

fn is_default_host(host: &String) -> bool {
    *host == default_host()
}

impl Tap {
    /// A tap over a feed socket.
    pub fn feed(socket: PathBuf) -> Tap {
        Tap {
            feed: Some(socket),
            device: None,
            host: default_host(),
            channels: Vec::new(),
            floor: None,
            programme: Vec::new(),
        }
    }

    /// How it is heard; none only for one that [`RigFile::parse`](crate::RigFile::parse) refuses.
    pub fn input(&self) -> Option<TapInput<'_>> {
        match (&self.feed, &self.device) {
            (Some(f), None) => Some(TapInput::Feed(f)),
            (None, Some(d)) => Some(TapInput::Device(d)),
            _ => None,
        }
    }

    /// What is wrong with it.
    pub(crate) fn check(&self) -> Result<(), WrongEntry> {
        let err = |key: &str, what, mend| Err(WrongEntry { key: key.into(), what, mend });
        match self.input() {
            None => err(
                "",
                "a tap is heard by one input",
                "write feed = \"tap\" for a local feed socket, or device = \"...\" and channels = [...] for an audio input",
            ),
            Some(TapInput::Feed(_)) if !self.channels.is_empty() => {
                err("channels", "a feed names its channels itself", "leave channels out")
            }
            Some(TapInput::Device(_)) if self.channels.is_empty() || self.channels.len() > MAX_CHANNELS => err(
                "channels",
                "an audio input has 1 to 64 channels",
                "name the channels: channels = [\"tracks L\", \"tracks R\", \"timecode\", \"pilot\"]",
            ),
            Some(TapInput::Device(_)) if self.programme.iter().any(|p| !self.channels.contains(p)) => {
                err("programme", "no channel has this name", "use names that stand in channels")
            }
            _ if self.floor.is_some_and(|f| !FLOORS.contains(&f)) => {
                err("floor", "a noise floor lies between -120 and -30 dBFS", "write floor = -70.0, or leave it out")
            }
            _ => Ok(()),
        }
    }
}
