//! `agent.toml`: one playback machine's agent.

use std::net::SocketAddr;
use std::path::PathBuf;

use base::{MachineId, RigId};
use serde::{Deserialize, Serialize};

use crate::duration::Duration;
use crate::error::{SettingsError, WrongEntry, parse};
use crate::ignore::{Ignore, NO_PATTERN};
use crate::sources;
pub use crate::sources::{MAX_MIDI_INPUTS, Source};

/// The whole file.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct AgentFile {
    /// This machine's lasting name: 32 hexadecimal digits, made at set-up.
    #[serde(with = "crate::rig::id_text")]
    pub machine_id: MachineId,
    /// What people call it.
    pub name: String,
    /// The file that holds this agent's secret key; nobody else may read it.
    pub secret_key: PathBuf,
    /// The supervisor to speak to.
    pub supervisor: SupervisorAddress,
    /// Time between two beats.
    #[serde(default = "default_beat")]
    pub beat: Duration,
    /// How the agent knows that the player is there.
    #[serde(default)]
    pub player: PlayerWatch,
    /// Where positions and sound come from. Of several MIDI inputs with the same code the first that rolls is believed.
    #[serde(default, rename = "source")]
    pub sources: Vec<Source>,
    /// MIDI messages that start, stop or jump the players: a pad, a foot controller.
    #[serde(default, rename = "trigger", skip_serializing_if = "Vec::is_empty")]
    pub triggers: Vec<Trigger>,
    /// Folders that must be the same on all machines: sessions, media.
    #[serde(default, rename = "folder", skip_serializing_if = "Vec::is_empty")]
    pub folders: Vec<Folder>,
    /// How they are looked at.
    #[serde(default, skip_serializing_if = "Hashing::is_default")]
    pub hashing: Hashing,
}

/// A folder that must hold the same on all machines.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Folder {
    /// What people call it. Folders of one name are compared, wherever they lie.
    pub name: String,
    /// Where it lies.
    pub path: PathBuf,
    /// What in it is left out; must be written alike on all machines.
    #[serde(default)]
    pub ignore: Ignore,
}

/// How folders are looked at.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Hashing {
    /// The most megabytes that are read in a second; 0: as many as the disk gives.
    pub rate: u32,
    /// Whether it goes on while a song rolls.
    pub while_rolling: bool,
    /// How long after a look the next one begins, at the soonest.
    pub every: Duration,
}

impl Default for Hashing {
    fn default() -> Hashing {
        Hashing { rate: 200, while_rolling: false, every: Duration::secs(10) }
    }
}

impl Hashing {
    fn is_default(&self) -> bool {
        *self == Hashing::default()
    }
}

/// A message that is known to command the players.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Trigger {
    /// What it commands.
    pub what: TriggerWhat,
    /// MIDI channel, 1 to 16.
    pub channel: u8,
    /// Note number.
    pub note: u8,
}

/// What a trigger commands.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum TriggerWhat {
    /// Start, or go on.
    Start,
    /// Stop.
    Stop,
    /// Jump to another place, or load another song.
    Jump,
    /// Not a command: the changeover switch tells this machine by this message that it is on air.
    OnAir,
}

fn default_beat() -> Duration {
    Duration::millis(5)
}

/// Where the supervisor is, and its public key.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SupervisorAddress {
    /// The rig this machine belongs to.
    #[serde(with = "crate::rig::id_text")]
    pub rig: RigId,
    /// The supervisor's public key, as `twinkeel init` printed it.
    pub key: String,
    /// Where beats go, one address for each network path (one or two).
    pub paths: Vec<SocketAddr>,
    /// Where the reliable lanes connect.
    pub lanes: SocketAddr,
}

/// How the agent knows that the player is there. With a `feed` source the player names its own process.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PlayerWatch {
    /// The player's process by its executable's name.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub process: Option<String>,
}

impl AgentFile {
    /// Parses and checks the text of `agent.toml`.
    ///
    /// # Errors
    /// What is wrong, where, and the mend.
    pub fn parse(file: &str, text: &str) -> Result<AgentFile, SettingsError> {
        let a: AgentFile = parse(file, text)?;
        let err = |key: &str, what: &str, mend: &str| Err(SettingsError::at_key(file, text, key, what, mend));
        if a.supervisor.paths.is_empty() || a.supervisor.paths.len() > 2 {
            return err(
                "supervisor.paths",
                "there must be one or two network paths",
                "name one address per path, as rig.toml's listen.paths has them",
            );
        }
        if a.beat.0 < Duration::millis(1).0 || a.beat.0 > Duration::millis(100).0 {
            return err("beat", "a beat comes every 1 ms to 100 ms", "write beat = \"5ms\"");
        }
        check_triggers(&a.triggers).map_err(|wrong| wrong.at(file, text, ""))?;
        for (i, f) in a.folders.iter().enumerate() {
            if f.name.trim().is_empty() || a.folders[..i].iter().any(|other| other.name == f.name) {
                return err(
                    &format!("folder[{i}].name"),
                    "a folder has a name of its own",
                    "name it, as it is named on the other machines: name = \"session\"",
                );
            }
            if !f.ignore.is_sound() {
                return err(
                    &format!("folder[{i}].ignore"),
                    NO_PATTERN,
                    "write ignore = [\"*.tmp\", \"backups/\"], or leave it out",
                );
            }
        }
        if a.hashing.every.0 < Duration::secs(1).0 {
            return err("hashing.every", "a folder is looked at once a second at most", "write every = \"10s\"");
        }
        sources::check(&a.sources).map_err(|wrong| wrong.at(file, text, ""))?;
        Ok(a)
    }
}

/// What is wrong with triggers.
pub(crate) fn check_triggers(triggers: &[Trigger]) -> Result<(), WrongEntry> {
    match triggers.iter().position(|t| !(1..=16).contains(&t.channel) || t.note > 127) {
        Some(i) => Err(WrongEntry {
            key: format!("trigger[{i}].channel"),
            what: "a MIDI channel is 1 to 16, a note 0 to 127",
            mend: "write channel = 16, note = 36",
        }),
        None => Ok(()),
    }
}
