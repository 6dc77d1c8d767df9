//! Offsets between machines, with drift, forecast and probable causes.

use base::{Millis, Ppm, Reading, Span};
use serde::{Deserialize, Serialize};

use super::Letter;

/// One offset with everything drawn around it.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct OffsetView {
    /// The reference machine ...
    pub of: Letter,
    /// ... minus this one. Positive: the first is ahead.
    pub against: Letter,
    /// The offset now.
    pub now: Option<Reading<OffsetNow>>,
    /// What was learnt at line-up; warnings speak of change from it.
    #[serde(rename = "baseline_ms")]
    pub baseline: Option<Millis>,
    /// The limits in force.
    pub limits: OffsetLimits,
    /// Rate of change, positive: the reference machine gains.
    pub drift: Option<Drift>,
    /// Where it leads.
    pub forecast: Option<Forecast>,
    /// All of it as a sentence: "A is 3.1 ms ahead of B and steady."
    pub text: String,
    /// What offset, drift or steps probably come from: places to look first, never findings.
    #[serde(default)]
    pub hints: Vec<CauseHint>,
}

/// A probable cause with its evidence. The limits by which it is told are common practice.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct CauseHint {
    /// `own-crystals`, `dropouts`, `trigger-or-buffer`, `tempo-map`.
    pub code: String,
    /// "A and B run on crystals of their own, 23.3 ± 0.6 ppm apart: lock both interfaces to one word clock."
    pub text: String,
}

/// An offset and how far off it may be.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
pub struct OffsetNow {
    /// The offset.
    #[serde(rename = "value_ms")]
    pub value: Millis,
    /// The true one is claimed to lie within plus or minus this.
    #[serde(rename = "bound_ms")]
    pub bound: Millis,
}

/// Limits of the offset, all as distances.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
pub struct OffsetLimits {
    /// Warning, from the baseline.
    #[serde(rename = "warning_ms")]
    pub warning: Millis,
    /// Beyond this (from zero) the standby is no candidate.
    #[serde(rename = "changeover_ms")]
    pub changeover: Millis,
    /// Beyond this (from zero) not even when the machine on air is dead.
    #[serde(rename = "dead_air_ms")]
    pub dead_air: Millis,
}

/// Rate of change of an offset.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
pub struct Drift {
    /// The rate.
    #[serde(rename = "ppm")]
    pub rate: Ppm,
    /// Plus or minus.
    #[serde(rename = "uncertainty_ppm")]
    pub uncertainty: Ppm,
}

/// When the offset will meet a limit if nothing changes.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct Forecast {
    /// The limit it meets, as a signed offset.
    #[serde(rename = "limit_ms")]
    pub limit: Millis,
    /// From now.
    #[serde(rename = "in_ns")]
    pub within: Span,
    /// At the greatest drift that is likely (two standard deviations).
    #[serde(rename = "earliest_ns", default)]
    pub earliest: Span,
    /// At the least; nothing when the drift may as well be none.
    #[serde(rename = "latest_ns", default)]
    pub latest: Option<Span>,
    /// "reaches 5 ms in 3 min 20 s (3 min 5 s to 3 min 40 s)".
    pub text: String,
}
