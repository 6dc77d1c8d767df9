//! The changeover switch and what commands it.

use base::MonoTime;
use serde::{Deserialize, Serialize};

use super::Letter;

/// The changeover switch: it owns the truth of what is on air.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
pub struct SwitchStatus {
    /// "on A, said by its reply and heard on the tap".
    pub text: String,
    /// Whether reply and tap disagree, or only some of several units moved.
    pub conflict: bool,
    /// When it last said so itself.
    #[serde(rename = "confirmed_at_ns")]
    pub confirmed_at: Option<MonoTime>,
    /// What was asked of it and is not confirmed yet.
    pub asked: Option<Letter>,
    /// Each output that commands it.
    pub outputs: Vec<OutputView>,
}

/// One output that commands the switch.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct OutputView {
    /// "OSC 127.0.0.1:9000", "MIDI to the switch".
    pub name: String,
    /// Whether it works.
    pub state: OutputState,
    /// In words.
    pub text: String,
}

/// The state of one output.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum OutputState {
    /// Open, and its last command was confirmed (or none was sent yet).
    Ready,
    /// Its last command was not confirmed.
    Unconfirmed,
    /// It could not be opened, or sending failed.
    Failed,
    /// Nothing known.
    #[default]
    Unknown,
}
