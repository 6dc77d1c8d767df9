//! The alarms' sound: one output, named by a person, or none.

use serde::{Deserialize, Serialize};

use crate::error::Wrong;
use crate::sources::{MAX_CHANNELS, default_host};

/// The loudest that may be written, in dBFS: a mistake of one digit must not hurt whoever wears the output (common practice, no source).
const LOUDEST_DBFS: f64 = -12.0;
/// Below this nobody would hear it.
const SOFTEST_DBFS: f64 = -60.0;
/// Quiet beside speech on a talkback line (common practice, no source): turn it up by ear, with the test.
const USUAL_DBFS: f64 = -30.0;

/// Where unacknowledged alarms sound. Whoever wears that output hears them: choose one that reaches no audience and no in-ear mix.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct AlarmSound {
    /// The audio device's name, or a part of it that is unique; never `default`.
    pub device: String,
    /// Its host: `default`, `alsa`, `jack`, ...
    #[serde(default = "default_host")]
    pub host: String,
    /// Its channels by their places, from 1.
    pub channels: Vec<usize>,
    /// The tone's peak in dBFS, -60 to -12.
    #[serde(default = "usual_level")]
    pub level: f64,
}

fn usual_level() -> f64 {
    USUAL_DBFS
}

impl AlarmSound {
    /// What is wrong with it.
    pub(crate) fn check(&self) -> Option<Wrong> {
        let wrong = |key, what, mend| Some(Wrong { key, what, mend });
        if self.device.trim().is_empty() || self.device == "default" {
            let what = "the alarms' sound wants an output that is named: a default one may be the audience's";
            return wrong("device", what, "write the device's name as `twinkeel devices` shows it");
        }
        let places = &self.channels;
        if places.is_empty() || places.iter().any(|c| !(1..=MAX_CHANNELS).contains(c)) {
            return wrong(
                "channels",
                "it wants the channels that sound, by their places from 1 to 64",
                "write channels = [3]",
            );
        }
        if !(SOFTEST_DBFS..=LOUDEST_DBFS).contains(&self.level) {
            return wrong("level", "a tone's level is -60 to -12 dBFS", "write level = -30.0, and turn it up by ear");
        }
        None
    }
}
