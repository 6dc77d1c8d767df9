//! `[[device]]` of `show.toml`: what takes its patches by MIDI from whichever machine is on air.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::error::Wrong;
use crate::sources::default_host;

/// An outboard device: a MIDI port and one channel or more.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Device {
    /// What people call it.
    pub name: String,
    /// The channels it listens to, 1 to 16.
    pub channels: Vec<u8>,
    /// The supervisor's own MIDI output to it, by name or a unique part of it; a socket's path where `host` is `feed`. Left out: the
    /// supervisor has none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub port: Option<String>,
    /// Where that port is: `default`, `jack`, or `feed` for a local socket that takes MIDI as players give it to agents.
    #[serde(default = "default_host")]
    pub host: String,
    /// A MIDI input of the supervisor's own that hears what reaches the device (its thru, or a splitter before it), by name; a socket that
    /// the supervisor makes where `host` is `feed`. With it, what a device was sent is known and not inferred, and a machine that
    /// should not reach it is found out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tap: Option<String>,
    /// Which MIDI input of each agent carries what goes to it, from 1 in the order of `agent.toml`. Left out: the first that brings
    /// something on its channels; another that does is kept apart, and told.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub input: Option<u8>,
    /// Whether it takes system exclusive messages: they are compared, and sent again with the rest. They have no channel, so that `input`
    /// has to say by which cable its own come.
    #[serde(default)]
    pub sysex: bool,
    /// How fast it may be sent to.
    #[serde(default)]
    pub link: Link,
    /// What it means when a patch is missed.
    #[serde(default)]
    pub importance: Importance,
    /// Whether the supervisor sends it what should be in force after a changeover. Off unless it is written.
    #[serde(default)]
    pub chase: bool,
    /// Whether it is sent what should be in force when a song begins, too.
    #[serde(default)]
    pub chase_at_song_start: bool,
    /// Its player has a pedal and may have stepped elsewhere: nothing is said to be missing on it after a changeover, and "send to all"
    /// passes it over. `chase = true` overrules the player's foot.
    #[serde(default)]
    pub pedal: bool,
    /// Who decides whose MIDI reaches it.
    #[serde(default)]
    pub gate: Gate,
    /// What code it follows, if any: it is told where the show is after a changeover.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub follows: Option<Follows>,
    /// Names of its patches, by program (`"12"`).
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub patches: BTreeMap<String, String>,
}

/// A MIDI link.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Link {
    /// A five-pole cable: 320 µs a byte (MIDI 1.0).
    #[default]
    Din,
    /// As fast as the port takes it.
    Usb,
}

/// How much a missed patch matters.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Importance {
    /// Waits for the gap between songs.
    Low,
    /// Soon.
    #[default]
    Medium,
    /// Now.
    High,
}

/// Which path decides whose MIDI reaches a device.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Gate {
    /// The changeover switch, which switches MIDI too.
    #[default]
    Switch,
    /// A merger: both machines reach it.
    Merger,
    /// The supervisor's output alone: it plays on what the machine on air sends.
    Supervisor,
}

/// The code that a follower takes.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Follows {
    /// MIDI timecode: it is sent a full frame.
    Mtc,
    /// MIDI clock: it is sent the song position, and continues there.
    Clock,
    /// Linear timecode by a cable of its own: nothing can be sent.
    Ltc,
}

impl Device {
    /// What a program is called, if it has a name.
    pub fn patch_name(&self, program: u8) -> Option<&str> {
        self.patches.get(&program.to_string()).map(String::as_str)
    }

    /// What is wrong with it, with the key.
    pub(crate) fn check(&self) -> Result<(), Wrong> {
        let wrong = |key, what, mend| Err(Wrong { key, what, mend });
        if self.name.is_empty() || self.name.chars().count() > 40 || self.name.chars().any(char::is_control) {
            return wrong("name", "this is no name", "write 1 to 40 printable characters, such as \"pad rack\"");
        }
        if self.channels.is_empty() || self.channels.iter().any(|c| !(1..=16).contains(c)) {
            return wrong("channels", "a MIDI channel is 1 to 16", "write channels = [3], or several");
        }
        if !matches!(self.host.as_str(), "default" | "jack" | "feed") {
            return wrong("host", "there is no such kind of port", "write \"default\", \"jack\" or \"feed\"");
        }
        if self.input == Some(0) {
            return wrong(
                "input",
                "inputs count from 1",
                "write input = 1 for the first of agent.toml, or leave it out",
            );
        }
        if self.sysex && self.input.is_none() {
            return wrong(
                "sysex",
                "system exclusive messages have no channel, so that nothing tells which are its own",
                "write input = 1 for what comes by the first MIDI input of agent.toml",
            );
        }
        if self.port.is_none()
            && (self.chase
                || self.chase_at_song_start
                || self.gate == Gate::Supervisor
                || matches!(self.follows, Some(Follows::Mtc | Follows::Clock)))
        {
            return wrong("chase", "there is no port to send by", "write port = \"...\" (see `twinkeel devices`)");
        }
        if self.patches.keys().any(|k| k.parse::<u8>().map_or(true, |n| n > 127)) {
            return wrong("patches", "a program is 0 to 127", "write \"12\" = \"warm strings\"");
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use crate::ShowFile;

    const SHOW: &str = "title = \"t\"\nframe_rate = \"25\"\n[[device]]\nname = \"pad rack\"\nchannels = [3, 4]\nport = \"rack\"\nlink = \"usb\"\n\
        chase = true\nfollows = \"mtc\"\n[device.patches]\n12 = \"warm\"\n";

    #[test]
    fn a_device_is_read_and_written_back() {
        let show = ShowFile::parse("show.toml", SHOW).unwrap();
        let d = &show.devices[0];
        assert_eq!((d.patch_name(12), d.patch_name(13), d.pedal, d.sysex), (Some("warm"), None, false, false));
        let sysex = ShowFile::parse("show.toml", &SHOW.replace("chase = true", "sysex = true\ninput = 1")).unwrap();
        assert!(sysex.devices[0].sysex);
        assert_eq!(ShowFile::parse("again", &toml::to_string(&show).unwrap()).unwrap(), show);
    }

    #[test]
    fn what_is_wrong_is_told_with_its_mend() {
        for (from, to, words) in [
            ("[3, 4]", "[17]", "1 to 16"),
            ("port = \"rack\"", "host = \"jack\"", "no port"),
            ("12 =", "128 =", "0 to 127"),
            ("\"pad rack\"", "\"\"", "no name"),
            ("chase = true", "sysex = true", "write input = 1"),
        ] {
            let e = ShowFile::parse("show.toml", &SHOW.replace(from, to)).unwrap_err().to_string();
            assert!(e.contains(words) && e.contains("mend: "), "{e}");
        }
    }
}
