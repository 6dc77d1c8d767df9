//! `[[button]]` of `rig.toml`: footswitches and buttons that act for a person.
//!
//! How deliberate a press must be follows from what it does, not from the file: `answer` and `release` act at once; `changeover` wants
//! the button held for 0.7 s and `forced-changeover` for 1.5 s, as on the page; a button that never says when it is let go (a program
//! change, OSC without an argument) is pressed exactly twice instead.
//!
//! OSC proves nothing about who sent it. It is taken from this computer, or from the senders named; and it may force a changeover
//! only when it was paired: each of its messages then carries the secret that set-up made for it. Who can listen on that network can
//! repeat the secret, so a forcing button belongs on a network of the rig's own. A MIDI port is paired by being named here.

use std::net::{IpAddr, SocketAddr};

use base::Machine;
use serde::{Deserialize, Serialize};

use crate::error::Wrong;
use crate::outputs::{check_address, hex_bytes};
use crate::sources::default_host;

/// A footswitch or button.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Button {
    /// By MIDI.
    Midi {
        /// What the record calls it.
        name: String,
        /// What it does.
        does: Does,
        /// The letter of the machine that it puts on air; none: the other one, in a rig of two.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        to: Option<String>,
        /// The port's name, or a part of it that is unique.
        port: String,
        /// Which host to open it on: `default` or `jack`.
        #[serde(default = "default_host")]
        host: String,
        /// The first two bytes of its message in hexadecimal: a note-on (`90 3c`), a controller (`b0 40`: pressed from 64 on), or a program change (`c0 05`).
        message: String,
    },
    /// By OSC over UDP.
    Osc {
        /// What the record calls it.
        name: String,
        /// What it does.
        does: Does,
        /// The letter of the machine that it puts on air; none: the other one, in a rig of two.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        to: Option<String>,
        /// Where it is heard; several buttons may share it.
        listen: SocketAddr,
        /// Who may send; none named: this computer alone.
        #[serde(default, skip_serializing_if = "Vec::is_empty")]
        from: Vec<IpAddr>,
        /// The OSC address; a first argument that is a number says pressed (0.5 or more) or let go.
        address: String,
        /// The secret of a paired button, 32 hexadecimal digits: an argument of each of its messages, as text.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        paired: Option<String>,
    },
}

/// What a button does.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Does {
    /// Says yes to the standing proposal.
    Answer,
    /// Asks for a changeover, which may be refused.
    Changeover,
    /// Puts a machine on air whatever speaks against it.
    ForcedChangeover,
    /// Releases the latch.
    Release,
}

/// The message of a MIDI button. Channels count from 1.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum ButtonMessage {
    /// A note: channel, key.
    Note(u8, u8),
    /// A controller: channel, number.
    Controller(u8, u8),
    /// A program change: channel, program.
    Program(u8, u8),
}

impl ButtonMessage {
    /// From its first two bytes in hexadecimal.
    pub fn parse(text: &str) -> Option<ButtonMessage> {
        let bytes = hex_bytes(text)?;
        let &[status, data] = bytes.as_slice() else { return None };
        let channel = (status & 0x0F) + 1;
        match status & 0xF0 {
            _ if data > 0x7F => None,
            0x90 => Some(ButtonMessage::Note(channel, data)),
            0xB0 => Some(ButtonMessage::Controller(channel, data)),
            0xC0 => Some(ButtonMessage::Program(channel, data)),
            _ => None,
        }
    }
}

/// A name that stands on the page and in the record; `mend` shows a good one.
pub(crate) fn check_name(name: &str, mend: &'static str) -> Result<(), Wrong> {
    if name.is_empty() || name.chars().count() > 32 || name.chars().any(char::is_control) {
        return Err(Wrong { key: "name", what: "this is no name", mend });
    }
    Ok(())
}

impl Button {
    /// What the record calls it.
    pub fn name(&self) -> &str {
        let (Button::Midi { name, .. } | Button::Osc { name, .. }) = self;
        name
    }
    /// What it does.
    pub const fn does(&self) -> Does {
        let (Button::Midi { does, .. } | Button::Osc { does, .. }) = self;
        *does
    }
    /// The machine that it puts on air; none: the other one.
    pub fn to(&self) -> Option<Machine> {
        let (Button::Midi { to, .. } | Button::Osc { to, .. }) = self;
        let mut letters = to.as_ref()?.chars();
        letters.next().and_then(Machine::from_letter).filter(|_| letters.next().is_none())
    }

    pub(crate) fn check(&self, machines: usize) -> Result<(), Wrong> {
        let (Button::Midi { name, to, .. } | Button::Osc { name, to, .. }) = self;
        check_name(name, "write 1 to 32 printable characters, such as \"left foot\"")?;
        let moves = matches!(self.does(), Does::Changeover | Does::ForcedChangeover);
        if to.is_some() && (!moves || self.to().is_none_or(|m| m.index() >= machines)) {
            let mend = "write the letter of a machine, such as to = \"B\", and only for a changeover";
            return Err(Wrong { key: "to", what: "there is nothing of that name to go to", mend });
        }
        if moves && to.is_none() && machines != 2 {
            let mend = "write to = \"B\"";
            return Err(Wrong { key: "to", what: "only in a rig of two is it clear where to go", mend });
        }
        match self {
            Button::Midi { message, .. } if ButtonMessage::parse(message).is_none() => {
                let mend =
                    "write its first two bytes: \"90 3c\" (note), \"b0 40\" (controller) or \"c0 05\" (program change)";
                Err(Wrong { key: "message", what: "this is no message of a button", mend })
            }
            Button::Midi { .. } => Ok(()),
            Button::Osc { listen, from, address, paired, does, .. } => {
                check_address("address", address, "write it like \"/foot/left\"")?;
                if from.is_empty() && !listen.ip().is_loopback() {
                    let mend = "name the senders that may press it: from = [\"10.0.0.60\"]";
                    return Err(Wrong { key: "listen", what: "anybody on that network could press it", mend });
                }
                if from.iter().any(|ip| ip.is_unspecified() || ip.is_multicast()) {
                    let mend = "name each sender's own address";
                    return Err(Wrong { key: "from", what: "this is no address of one sender", mend });
                }
                if *does == Does::ForcedChangeover && paired.is_none() {
                    let mend = "pair it: paired = \"32 random hexadecimal digits\", and have it send them as text";
                    return Err(Wrong { key: "does", what: "OSC may force a changeover only when it is paired", mend });
                }
                if paired.as_ref().is_some_and(|p| p.len() != 32 || !p.bytes().all(|b| b.is_ascii_hexdigit())) {
                    let mend = "write 32 random hexadecimal digits, such as `openssl rand -hex 16` prints";
                    return Err(Wrong { key: "paired", what: "this is no secret of 128 bits", mend });
                }
                Ok(())
            }
        }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn check(text: &str, machines: usize) -> Result<(), String> {
        let b: Button = toml::from_str(text).map_err(|e| e.message().to_string())?;
        b.check(machines).map_err(|w| format!("{}: {}", w.key, w.what))
    }

    /// MIDI 1.0: 9n note on, Bn control change, Cn program change.
    #[test]
    fn messages_are_read_from_their_first_bytes() {
        assert_eq!(ButtonMessage::parse("90 3c"), Some(ButtonMessage::Note(1, 60)));
        assert_eq!(ButtonMessage::parse("bf40"), Some(ButtonMessage::Controller(16, 64)));
        assert_eq!(ButtonMessage::parse("c0 05"), Some(ButtonMessage::Program(1, 5)));
        for no in ["", "90", "90 80", "80 3c", "f8 00", "90 3c 40", "3c 90"] {
            assert_eq!(ButtonMessage::parse(no), None, "{no}");
        }
    }

    #[test]
    fn buttons_are_checked() {
        let midi = "kind = \"midi\"\nname = \"foot\"\nport = \"pedal\"\nmessage = \"90 3c\"\n";
        let osc = "kind = \"osc\"\nname = \"pad\"\nlisten = \"127.0.0.1:9100\"\naddress = \"/pad/1\"\n";
        let far = "kind = \"osc\"\nname = \"pad\"\nlisten = \"10.0.0.1:9100\"\naddress = \"/pad/1\"\n";
        let secret = "paired = \"00112233445566778899aabbccddeeff\"\n";
        assert_eq!(check(&format!("{midi}does = \"forced-changeover\"\nto = \"B\""), 2), Ok(()));
        assert_eq!(check(&format!("{osc}does = \"answer\""), 2), Ok(()));
        assert_eq!(check(&format!("{osc}{secret}does = \"forced-changeover\""), 2), Ok(()));
        assert_eq!(check(&format!("{far}from = [\"10.0.0.60\"]\ndoes = \"release\""), 2), Ok(()));
        for (text, n, words) in [
            (format!("{midi}does = \"changeover\"\nto = \"C\""), 2, "to: there is nothing"),
            (format!("{midi}does = \"release\"\nto = \"B\""), 2, "to: there is nothing"),
            (format!("{midi}does = \"changeover\""), 3, "to: only in a rig of two"),
            (format!("{midi}does = \"toggle\""), 2, "unknown variant"),
            (format!("{midi}does = \"release\"\nhold = 3"), 2, "unknown field"),
            (format!("{osc}does = \"forced-changeover\""), 2, "does: OSC may force"),
            (format!("{osc}paired = \"1234\"\ndoes = \"answer\""), 2, "paired: this is no secret"),
            (format!("{far}does = \"answer\""), 2, "listen: anybody"),
            (format!("{far}from = [\"0.0.0.0\"]\ndoes = \"answer\""), 2, "from: this is no address"),
        ] {
            let e = check(&text, n).unwrap_err();
            assert!(e.contains(words), "{text}: {e}");
        }
    }
}
