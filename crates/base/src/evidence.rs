//! The finite words in which evidence is told: what a beat says of its machine, and what the switch says of itself.

use serde::{Deserialize, Serialize};

use crate::ids::Machine;

/// How a machine's beats come in, over all of its paths.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Heard {
    /// Never heard since the supervisor started.
    #[default]
    Never,
    /// Beats come on every path.
    Well,
    /// Beats come, but not on every path that once worked.
    OnePath,
    /// No beat on any path past its deadline: the host may be gone.
    Silent,
    /// The agent is gone but its host answers (FIN, RST, ICMP refusal): nothing is known of the player.
    AgentLost,
    /// The agent said goodbye.
    Goodbye,
}

/// The player process, as its agent sees it.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum PlayerState {
    /// The agent cannot tell, or was not told which process to look at.
    #[default]
    Unknown,
    /// It is there.
    Running,
    /// It is gone.
    Gone,
}

/// What a machine's transport does, by its position code.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum TransportState {
    /// No code heard yet, or the source is not open.
    #[default]
    Unknown,
    /// Code comes in and advances.
    Rolling,
    /// A stop was commanded: its cause was heard.
    Stopped,
    /// Code ceased, no cause heard, and the learnt clump of arrivals plus three quarter frames have passed.
    Stalled,
    /// The source itself vanished (port or device gone).
    Lost,
}

/// What a machine sounds like to its own agent (or to the supervisor's ears).
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum AudioState {
    /// No ears.
    #[default]
    Unknown,
    /// There is sound.
    Sounding,
    /// Samples come in and are all zero or below the threshold, and that may be music.
    Quiet,
    /// Every channel that had signal fell silent at once.
    Silent,
    /// The audio callbacks ceased, or the device is gone.
    Ceased,
    /// Full-scale noise, DC or not-a-number.
    Wrong,
}

/// How well a machine's clock is known.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ClockState {
    /// Not known well enough to compare positions.
    #[default]
    Acquiring,
    /// Known, with a bound.
    Tracking,
    /// A step was found; being learnt anew.
    Stepped,
    /// Replies ceased; the bound grows.
    Holdover,
}

/// What is known of the changeover switch: it owns the truth of what is on air.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SwitchView {
    /// It has said nothing (yet, or any more), and no tap tells.
    #[default]
    Unknown,
    /// It carries this machine.
    On(Machine),
    /// Its reply and the tap disagree, or only some of several units moved.
    Conflict,
}
