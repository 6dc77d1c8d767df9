//! `[[cue_light]]` of `rig.toml`: lights that call a person to the rig.
//!
//! A light of its own: none from which anybody takes a cue to move or fire something. It says that somebody should look, and no more.

use std::net::SocketAddr;

use serde::{Deserialize, Serialize};

use crate::buttons::check_name;
use crate::error::Wrong;
use crate::outputs::{check_address, hex_bytes};
use crate::sources::default_host;

/// A cue light.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case", deny_unknown_fields)]
pub enum CueLight {
    /// By OSC over UDP: 1 lights it, 0 puts it out.
    Osc {
        /// What people call it.
        name: String,
        /// When it is lit.
        when: When,
        /// Where the messages go.
        to: SocketAddr,
        /// Their OSC address.
        address: String,
    },
    /// By MIDI.
    Midi {
        /// What people call it.
        name: String,
        /// When it is lit.
        when: When,
        /// The port's name, or a part of it that is unique.
        port: String,
        /// Which host to open it on: `default` or `jack`.
        #[serde(default = "default_host")]
        host: String,
        /// What lights it, in hexadecimal, such as `90 3c 7f`.
        lit: String,
        /// What puts it out, such as `90 3c 00`.
        dark: String,
    },
}

/// When a cue light is lit. Whenever nothing is known any more, each of them is.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum When {
    /// A proposal waits for an answer, or nobody has seen a high alarm.
    HandNeeded,
    /// A proposal waits for an answer.
    Proposal,
    /// No machine could take over now, or the rig is latched.
    Unprotected,
}

impl CueLight {
    /// What people call it.
    pub fn name(&self) -> &str {
        let (CueLight::Osc { name, .. } | CueLight::Midi { name, .. }) = self;
        name
    }

    /// When it is lit.
    pub const fn when(&self) -> When {
        let (CueLight::Osc { when, .. } | CueLight::Midi { when, .. }) = self;
        *when
    }

    pub(crate) fn check(&self) -> Result<(), Wrong> {
        check_name(self.name(), "write 1 to 32 printable characters, such as \"monitor desk\"")?;
        let is_midi = |text: &str| hex_bytes(text).is_some_and(|b| b.first().is_some_and(|s| *s >= 0x80));
        let no_midi = |key| {
            let mend = "write whole messages in hexadecimal: lit = \"90 3c 7f\", dark = \"90 3c 00\"";
            Err(Wrong { key, what: "this is no MIDI message", mend })
        };
        match self {
            CueLight::Osc { address, .. } => check_address("address", address, "write it like \"/light/1\""),
            CueLight::Midi { lit, .. } if !is_midi(lit) => no_midi("lit"),
            CueLight::Midi { dark, .. } if !is_midi(dark) => no_midi("dark"),
            CueLight::Midi { .. } => Ok(()),
        }
    }
}
