//! What is known of a machine's channels beyond their levels: true peak, clips and DC, and how each sounds against the reference
//! machine's.

use base::{Db, Dbfs, Millis, MonoTime, Reading, WallTime};
use serde::{Deserialize, Serialize};

use super::Tone;

/// One channel of a machine.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
pub struct HeardChannel {
    /// The channel's name or number.
    pub name: String,
    /// What its slower meters read; none: no agent tells, or it is older than they are.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub meters: Option<Reading<MetersView>>,
    /// How it sounds against the reference machine's; none: it is the reference, or nothing that is compared.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub against: Option<AgainstView>,
}

/// What the slower meters of one channel read.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct MetersView {
    /// True peak over the last second or so (ITU-R BS.1770-5 Annex 2); `null`: digital silence.
    #[serde(rename = "true_peak_dbtp", with = "super::silence_as_null")]
    pub true_peak: Dbfs,
    /// The greatest since they count.
    #[serde(rename = "highest_dbtp", with = "super::silence_as_null")]
    pub highest: Dbfs,
    /// Samples at full scale or beyond since they count.
    pub clipped: u32,
    /// Since when they count, by the wall clock: since the ears were opened.
    #[serde(rename = "since_wall_ns")]
    pub since_wall: WallTime,
    /// When the newest clipped sample was heard.
    #[serde(rename = "last_clip_wall_ns")]
    pub last_clip_wall: Option<WallTime>,
    /// Mean of the samples over the last second or so, where full scale is 1.
    pub dc: f64,
}

/// How a channel sounds against the reference machine's.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
pub struct AgainstView {
    /// `same`, `inverted`, `level`, `silent`, `alone`, `other`, `another`, `never-alike`, or `not-compared`: nothing was found yet.
    pub code: String,
    /// Its tone.
    pub tone: Tone,
    /// "B's `keys` is silent where A's is not."
    pub text: String,
    /// The reference's sound minus this one's, where the material tells: positive, the reference is ahead.
    #[serde(rename = "lag_ms")]
    pub lag: Option<Millis>,
    /// Its level against the reference's, where both are the same sound.
    #[serde(rename = "level_db")]
    pub level: Option<Db>,
    /// When it was compared last, so that something was found ...
    #[serde(rename = "compared_ns")]
    pub compared: Option<MonoTime>,
    /// ... by the wall clock.
    #[serde(rename = "compared_wall_ns")]
    pub compared_wall: Option<WallTime>,
    /// From here on what was found is shown as what it was, and since when it was not compared: that nothing is heard any more mends
    /// nothing.
    #[serde(rename = "expires_ns")]
    pub expires: MonoTime,
}
