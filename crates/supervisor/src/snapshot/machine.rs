//! One machine, as it is shown.

use base::{AudioState, ClockState, Dbfs, Heard, Millis, PlayerState, Ppm, Reading, TransportState};
use serde::{Deserialize, Serialize};

use super::{HeardChannel, Letter};

/// One machine.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct MachineView {
    /// Its letter.
    pub letter: Letter,
    /// Its name.
    pub name: String,
    /// What it is for, now.
    pub role: Role,
    /// Whether it could carry the show.
    pub fitness: Fitness,
    /// Why that is so, the weightiest first. Never empty unless fit.
    pub reasons: Vec<Reason>,
    /// Since when, by whom and why it is out of service: "by Mara since 17:20".
    pub out_of_service: Option<String>,
    /// How it is heard.
    pub link: LinkView,
    /// Its player.
    pub player: PlayerState,
    /// What its ears say.
    pub audio: AudioState,
    /// Its position sources.
    pub sources: Vec<SourceView>,
    /// The levels of its channels.
    pub levels: Option<Reading<Vec<LevelView>>>,
    /// How well its clock is known.
    pub clock: ClockView,
    /// Its host's health.
    pub host: HostView,
    /// What is known of its channels beyond their levels, in their order.
    #[serde(default)]
    pub channels: Vec<HeardChannel>,
}

/// What a machine is for, now.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Role {
    /// It feeds the stage.
    OnAir,
    /// It could take over if fit.
    Standby,
    /// A person took it out.
    OutOfService,
    /// Nobody knows what is on air.
    #[default]
    Unknown,
}

/// Whether a machine could carry the show.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Fitness {
    /// Yes.
    Fit,
    /// With something amiss.
    Degraded,
    /// No.
    Unfit,
    /// Not known: never to be shown as fine.
    #[default]
    Unknown,
}

/// A reason.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct Reason {
    /// A stable code.
    pub code: String,
    /// In words.
    pub text: String,
}

/// How a machine is heard.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
pub struct LinkView {
    /// Over all paths.
    pub heard: Heard,
    /// Each path.
    pub paths: Vec<PathView>,
    /// Beats that never came, since the supervisor started.
    pub beats_lost: u64,
    /// No agent runs there: the supervisor's own inputs hear it, and "agent lost" is their loss.
    #[serde(default)]
    pub outside: bool,
}

/// One network path.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct PathView {
    /// "cable", "second cable", an address.
    pub name: String,
    /// Whether beats come over it.
    pub alive: bool,
    /// There and back.
    #[serde(rename = "round_trip_ms")]
    pub round_trip: Option<Millis>,
}

/// One position source.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct SourceView {
    /// "LTC on channel 8", "MTC".
    pub name: String,
    /// What it does.
    pub state: TransportState,
    /// What it says, "01:02:03:04".
    pub position: Option<String>,
}

/// The level of one channel.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct LevelView {
    /// The channel's name or number.
    pub name: String,
    /// Highest sample since the last snapshot; `null`: digital silence.
    #[serde(rename = "peak_dbfs", with = "super::silence_as_null")]
    pub peak: Dbfs,
    /// Mean power; `null`: digital silence.
    #[serde(rename = "rms_dbfs", with = "super::silence_as_null")]
    pub rms: Dbfs,
}

/// How well a machine's clock is known.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
pub struct ClockView {
    /// The estimator's state.
    pub state: ClockState,
    /// Our claim: off by no more than this.
    #[serde(rename = "bound_ms")]
    pub bound: Option<Millis>,
    /// Its monotonic clock minus ours, which the claim is about.
    #[serde(rename = "offset_ms", default)]
    pub offset: Option<Millis>,
    /// How fast it runs against ours.
    #[serde(rename = "skew_ppm")]
    pub skew: Option<Ppm>,
}

/// A host's health.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
pub struct HostView {
    /// Running on its battery.
    pub on_battery: bool,
    /// Too hot.
    pub hot: bool,
    /// Its disk is nearly full.
    pub disk_low: bool,
    /// Its processor is nearly full.
    pub cpu_high: bool,
    /// "mains, 54 °C, 120 GB free", empty when nothing is known.
    pub text: String,
}
