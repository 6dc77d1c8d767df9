//! `[[output]]` of `rig.toml`: the ways to the changeover switch, in order of preference. All commands are absolute ("go to this
//! machine"), never "toggle", so no two machines may have the same command.

use std::net::SocketAddr;
use std::path::PathBuf;

use serde::{Deserialize, Serialize};

use crate::duration::Duration;
use crate::error::Wrong;
use crate::sources::default_host;

/// A changeover output.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Output {
    /// OSC over UDP, sent from the watch thread itself.
    Osc {
        /// The switch's address.
        to: SocketAddr,
        /// Address pattern of the command; its argument is the machine's letter as text.
        select: String,
        /// Address pattern that asks for the state; none: it cannot be asked.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        ask: Option<String>,
        /// Address pattern of the switch's answer, whose argument is the letter on air.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        answer: Option<String>,
    },
    /// MIDI bytes for each machine, sent from a thread of its own.
    Midi {
        /// The port's name, or a part of it that is unique.
        port: String,
        /// Which host to open it on: `default` or `jack`.
        #[serde(default = "default_host")]
        host: String,
        /// Bytes in hexadecimal for each machine in order, such as `["c0 00", "c0 01"]`.
        select: Vec<String>,
        /// Bytes in hexadecimal that the switch answers with for each machine; none: unconfirmed by MIDI.
        #[serde(default, skip_serializing_if = "Vec::is_empty")]
        answer: Vec<String>,
    },
    /// Any bytes in one UDP datagram, sent from the watch thread itself.
    Udp {
        /// The switch's address.
        to: SocketAddr,
        /// How the commands are written here.
        #[serde(default)]
        encoding: Encoding,
        /// What is sent, for each machine in order.
        select: Vec<String>,
        /// What asks for the state; none: it cannot be asked.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        ask: Option<String>,
        /// The switch's whole answer, for each machine in order.
        #[serde(default, skip_serializing_if = "Vec::is_empty")]
        answer: Vec<String>,
    },
    /// Any bytes over a TCP connection that is opened beforehand and kept, sent from a thread of its own.
    Tcp {
        /// The switch's address.
        to: SocketAddr,
        /// How the commands are written here.
        #[serde(default)]
        encoding: Encoding,
        /// What is sent, for each machine in order.
        select: Vec<String>,
        /// What asks for the state; none: it cannot be asked.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        ask: Option<String>,
        /// What the switch answers, for each machine in order, wherever it stands in what comes.
        #[serde(default, skip_serializing_if = "Vec::is_empty")]
        answer: Vec<String>,
    },
    /// An HTTP request over a connection that is opened beforehand and kept, sent from a thread of its own. Any status but 2xx is a failure.
    Http {
        /// `POST`, `PUT`, `PATCH` or `GET`.
        #[serde(default = "default_method")]
        method: String,
        /// The address asked for, for each machine in order; one alone where the bodies differ.
        select: Vec<String>,
        /// The body sent, for each machine in order; none: no body.
        #[serde(default, skip_serializing_if = "Vec::is_empty")]
        body: Vec<String>,
        /// The body's media type.
        #[serde(default = "default_media", skip_serializing_if = "is_default_media")]
        media: String,
        /// An address whose body tells what is on air; asked by GET twice a second.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        ask: Option<String>,
        /// That body, for each machine in order (blanks at its ends do not count). An answer to the command with it confirms too.
        #[serde(default, skip_serializing_if = "Vec::is_empty")]
        answer: Vec<String>,
    },
    /// Any bytes over a serial port, 8 data bits, no parity, one stop bit, sent from a thread of its own.
    Serial {
        /// The port, such as `/dev/ttyUSB0`; a path that stays the same (`/dev/serial/by-id/...`) is better.
        port: String,
        /// Bits a second.
        #[serde(default = "default_baud")]
        baud: u32,
        /// How the commands are written here.
        #[serde(default)]
        encoding: Encoding,
        /// What is sent, for each machine in order.
        select: Vec<String>,
        /// What asks for the state; none: it cannot be asked.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        ask: Option<String>,
        /// What the switch answers, for each machine in order, wherever it stands in what comes.
        #[serde(default, skip_serializing_if = "Vec::is_empty")]
        answer: Vec<String>,
    },
    /// A program, started without a shell from a thread of its own. Any exit code but 0 is a failure.
    Command {
        /// Its absolute path. Nobody but its owner may be able to write it.
        program: PathBuf,
        /// Its arguments, for each machine in order.
        select: Vec<Vec<String>>,
        /// It is ended when it takes longer.
        #[serde(default = "default_limit")]
        limit: Duration,
    },
}

/// How bytes are written in the file.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Encoding {
    /// Hexadecimal pairs, blanks between them or not: `"01 ff"`.
    #[default]
    Hex,
    /// As text, in UTF-8; line ends are written as TOML has them: `"GO A\r\n"`.
    Text,
}

/// An OSC address (OSC 1.0); `mend` shows a good one.
pub(crate) fn check_address(key: &'static str, address: &str, mend: &'static str) -> Result<(), Wrong> {
    if !address.starts_with('/') {
        return Err(Wrong { key, what: "an OSC address starts with a slash", mend });
    }
    Ok(())
}

fn default_method() -> String {
    "POST".into()
}
fn default_media() -> String {
    "text/plain".into()
}
fn is_default_media(m: &String) -> bool {
    *m == default_media()
}
fn default_baud() -> u32 {
    9_600
}
fn default_limit() -> Duration {
    Duration::secs(2)
}

impl Encoding {
    /// The bytes that a text stands for; none when it is not that, or empty.
    pub fn bytes(self, text: &str) -> Option<Vec<u8>> {
        match self {
            Encoding::Hex => hex_bytes(text),
            Encoding::Text => (!text.is_empty()).then(|| text.as_bytes().to_vec()),
        }
    }
}

impl Output {
    /// What people call it.
    pub fn label(&self) -> String {
        match self {
            Output::Osc { to, .. } => format!("OSC to {to}"),
            Output::Midi { port, .. } => format!("MIDI to {port}"),
            Output::Udp { to, .. } => format!("UDP to {to}"),
            Output::Tcp { to, .. } => format!("TCP to {to}"),
            Output::Http { select, .. } => format!("HTTP to {}", select.first().map_or("", String::as_str)),
            Output::Serial { port, .. } => format!("serial port {port}"),
            Output::Command { program, .. } => format!("program {}", program.display()),
        }
    }

    /// The key that tells where it goes.
    pub const fn place_key(&self) -> &'static str {
        match self {
            Output::Osc { .. } | Output::Udp { .. } | Output::Tcp { .. } => "to",
            Output::Midi { .. } | Output::Serial { .. } => "port",
            Output::Http { .. } => "select",
            Output::Command { .. } => "program",
        }
    }

    /// What a type alone cannot refuse, for a rig of so many machines.
    pub(crate) fn check(&self, machines: usize) -> Result<(), Wrong> {
        match self {
            Output::Osc { select, ask, answer, .. } => {
                for (key, pattern) in [("select", Some(select)), ("ask", ask.as_ref()), ("answer", answer.as_ref())] {
                    if let Some(pattern) = pattern {
                        check_address(key, pattern, "write it like \"/changeover/select\"")?;
                    }
                }
                Ok(())
            }
            Output::Midi { select, answer, .. } => {
                one_each(select, machines, "write bytes for A, then for B: select = [\"c0 00\", \"c0 01\"]")?;
                answers(answer, machines)?;
                written(select, "select", Encoding::Hex)?;
                written(answer, "answer", Encoding::Hex)
            }
            Output::Udp { encoding, select, ask, answer, .. }
            | Output::Tcp { encoding, select, ask, answer, .. }
            | Output::Serial { encoding, select, ask, answer, .. } => {
                if matches!(self, Output::Serial { baud: 0, .. }) {
                    return Err(Wrong { key: "baud", what: "there is no such speed", mend: "write baud = 9600" });
                }
                one_each(select, machines, "write bytes for A, then for B: select = [\"01\", \"02\"]")?;
                answers(answer, machines)?;
                asked(ask.as_ref(), answer)?;
                written(select, "select", *encoding)?;
                written(ask.as_slice(), "ask", *encoding)?;
                written(answer, "answer", *encoding)
            }
            Output::Http { method, select, body, ask, answer, .. } => {
                check_http(method, select, body, ask, answer, machines)
            }
            Output::Command { program, select, limit } => {
                if !program.is_absolute() {
                    let mend = "write the whole path, such as \"/usr/local/bin/go\": nothing is looked up";
                    return Err(Wrong { key: "program", what: "the path is not absolute", mend });
                }
                if limit.0 <= base::Span::ZERO {
                    return Err(Wrong { key: "limit", what: "no program is that fast", mend: "write limit = \"2s\"" });
                }
                one_each(select, machines, "write arguments for A, then for B: select = [[\"a\"], [\"b\"]]")
            }
        }
    }
}

fn check_http(
    method: &str,
    select: &[String],
    body: &[String],
    ask: &Option<String>,
    answer: &[String],
    machines: usize,
) -> Result<(), Wrong> {
    if !["POST", "PUT", "PATCH", "GET"].contains(&method) {
        return Err(Wrong { key: "method", what: "no such method here", mend: "write POST, PUT, PATCH or GET" });
    }
    if method == "GET" && !body.is_empty() {
        return Err(Wrong {
            key: "body",
            what: "a GET has no body",
            mend: "write method = \"POST\", or leave body out",
        });
    }
    for (key, url) in select.iter().map(|u| ("select", u)).chain(ask.iter().map(|u| ("ask", u))) {
        let host = url.strip_prefix("http://").map(|rest| rest.split('/').next().unwrap_or(""));
        if host.is_none_or(|h| h.is_empty() || h.contains('@')) || url.contains(char::is_whitespace) {
            let mend = "write it like \"http://10.0.0.50/air/a\"; there is no TLS here: the switch stands on a network of the rig's own";
            return Err(Wrong { key, what: "this is no address of plain HTTP", mend });
        }
    }
    match (select.len(), body.len()) {
        // One address, told apart by the bodies.
        (1, b) if b == machines && machines > 1 => {
            let mend = "write bodies for A, then for B: body = [\"A\", \"B\"]";
            one_each(body, machines, mend).map_err(|w| Wrong { key: "body", ..w })?;
        }
        (_, b) if b != 0 && b != machines => {
            let mend = "write bodies for A, then for B: body = [\"A\", \"B\"]";
            return Err(Wrong { key: "body", what: "there must be one body for each machine, or none", mend });
        }
        _ => {
            let both = |i: usize| (select.get(i), body.get(i));
            let same = (1..select.len()).any(|i| (0..i).any(|j| both(i) == both(j)));
            if select.len() != machines || same {
                let mend = "write an address for A, then for B, or one address and a body for each";
                return Err(Wrong {
                    key: "select",
                    what: "there must be one command for each machine, all different",
                    mend,
                });
            }
        }
    }
    answers(answer, machines)?;
    asked(ask.as_ref(), answer)?;
    written(answer, "answer", Encoding::Text)
}

/// One command for each machine; two alike could only be a toggle.
fn one_each<T: PartialEq>(select: &[T], machines: usize, mend: &'static str) -> Result<(), Wrong> {
    if select.len() != machines {
        return Err(Wrong { key: "select", what: "there must be one command for each machine", mend });
    }
    if select.iter().enumerate().any(|(i, s)| select[..i].contains(s)) {
        let mend = "commands say where to go, never \"toggle\": ask the switch's manual for one command for each input";
        return Err(Wrong { key: "select", what: "two machines have the same command", mend });
    }
    Ok(())
}

fn answers(answer: &[String], machines: usize) -> Result<(), Wrong> {
    let (key, mend) = ("answer", "write what it answers for A, then for B");
    if !answer.is_empty() && answer.len() != machines {
        return Err(Wrong { key, what: "there must be one answer for each machine, or none", mend });
    }
    if answer.iter().enumerate().any(|(i, s)| answer[..i].contains(s)) {
        return Err(Wrong { key, what: "two machines have the same answer", mend });
    }
    Ok(())
}

/// What a switch said is believed for seconds only, so one that is to be believed must be asked again and again.
fn asked(ask: Option<&String>, answer: &[String]) -> Result<(), Wrong> {
    match (ask.is_some(), answer.is_empty()) {
        (false, false) => {
            let mend = "write ask, too: what it said once is not believed for long";
            Err(Wrong { key: "answer", what: "nothing asks for it", mend })
        }
        (true, true) => Err(Wrong {
            key: "ask",
            what: "no answer to it is known",
            mend: "write answer: what it answers for A, then for B",
        }),
        _ => Ok(()),
    }
}

fn written(texts: &[String], key: &'static str, encoding: Encoding) -> Result<(), Wrong> {
    match texts.iter().all(|t| encoding.bytes(t).is_some()) {
        true => Ok(()),
        false if encoding == Encoding::Hex => {
            let mend = "write hexadecimal pairs such as \"c0 00\" (or, where it is known, encoding = \"text\")";
            Err(Wrong { key, what: "these are no bytes", mend })
        }
        false => Err(Wrong { key, what: "it is empty", mend: "write the text that is meant" }),
    }
}

/// Bytes from hexadecimal pairs with or without blanks; none when it is not that, or empty.
pub fn hex_bytes(text: &str) -> Option<Vec<u8>> {
    let digits: Vec<u8> =
        text.chars().filter(|c| !c.is_whitespace()).map(|c| c.to_digit(16).map(|d| d as u8)).collect::<Option<_>>()?;
    (!digits.is_empty() && digits.len().is_multiple_of(2))
        .then(|| digits.chunks_exact(2).map(|p| p[0] << 4 | p[1]).collect())
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn check(text: &str) -> Result<(), String> {
        let o: Output = toml::from_str(text).map_err(|e| e.message().to_string())?;
        o.check(2).map_err(|w| format!("{}: {}", w.key, w.what))
    }

    #[test]
    fn each_kind_reads() {
        for good in [
            "kind = \"udp\"\nto = \"10.0.0.5:9\"\nselect = [\"01\", \"02\"]",
            "kind = \"tcp\"\nto = \"10.0.0.5:9\"\nencoding = \"text\"\nselect = [\"GO A\\r\\n\", \"GO B\\r\\n\"]\nask = \"?\\r\\n\"\nanswer = [\"ON A\", \"ON B\"]",
            "kind = \"http\"\nselect = [\"http://h/a\", \"http://h/b\"]",
            "kind = \"http\"\nmethod = \"PUT\"\nselect = [\"http://h/air\"]\nbody = [\"A\", \"B\"]\nask = \"http://h/air\"\nanswer = [\"A\", \"B\"]",
            "kind = \"serial\"\nport = \"/dev/ttyUSB0\"\nselect = [\"31 0d\", \"32 0d\"]",
            "kind = \"command\"\nprogram = \"/bin/go\"\nselect = [[\"a\"], [\"b\"]]\nlimit = \"1s\"",
        ] {
            assert_eq!(check(good), Ok(()), "{good}");
        }
    }

    #[test]
    fn what_cannot_be_meant_is_refused() {
        let cases = [
            (
                "kind = \"udp\"\nto = \"10.0.0.5:9\"\nselect = [\"01\", \"01\"]",
                "select: two machines have the same command",
            ),
            ("kind = \"udp\"\nto = \"10.0.0.5:9\"\nselect = [\"01\"]", "select: there must be one command"),
            ("kind = \"udp\"\nto = \"10.0.0.5:9\"\nselect = [\"0\", \"1\"]", "select: these are no bytes"),
            ("kind = \"udp\"\nto = \"nowhere\"\nselect = [\"01\", \"02\"]", "invalid socket address"),
            ("kind = \"udp\"\nto = \"10.0.0.5:9\"\nselekt = [\"01\", \"02\"]", "unknown field"),
            (
                "kind = \"tcp\"\nto = \"10.0.0.5:9\"\nselect = [\"01\", \"02\"]\nanswer = [\"03\", \"04\"]",
                "answer: nothing asks",
            ),
            ("kind = \"tcp\"\nto = \"10.0.0.5:9\"\nselect = [\"01\", \"02\"]\nask = \"05\"", "ask: no answer"),
            ("kind = \"serial\"\nport = \"p\"\nbaud = 0\nselect = [\"01\", \"02\"]", "baud: there is no such speed"),
            (
                "kind = \"http\"\nselect = [\"https://h/a\", \"https://h/b\"]",
                "select: this is no address of plain HTTP",
            ),
            ("kind = \"http\"\nselect = [\"http://h/go\"]", "select: there must be one command"),
            ("kind = \"http\"\nselect = [\"http://h/go\", \"http://h/go\"]", "select: there must be one command"),
            (
                "kind = \"http\"\nmethod = \"GET\"\nselect = [\"http://h\"]\nbody = [\"A\", \"B\"]",
                "body: a GET has no body",
            ),
            ("kind = \"http\"\nmethod = \"BREW\"\nselect = [\"http://h/a\", \"http://h/b\"]", "method: no such method"),
            ("kind = \"command\"\nprogram = \"go\"\nselect = [[\"a\"], [\"b\"]]", "program: the path is not absolute"),
            (
                "kind = \"command\"\nprogram = \"/go\"\nselect = [[\"a\"], [\"a\"]]",
                "select: two machines have the same",
            ),
        ];
        for (text, words) in cases {
            let e = check(text).unwrap_err();
            assert!(e.contains(words), "{text}: {e}");
        }
    }
}
