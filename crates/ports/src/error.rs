//! What can go wrong with ports and devices, in words that help.

/// Why a port or device could not be opened.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
pub enum PortError {
    /// No port or device of this name.
    #[error("no {what} is called \"{wanted}\"; {}", there_are(what, .have))]
    NotFound {
        /// `MIDI input`, `audio input`, ...
        what: &'static str,
        /// The name looked for.
        wanted: String,
        /// The names there are.
        have: Vec<String>,
    },
    /// Several ports have this in their name.
    #[error("\"{wanted}\" fits several {what}s: {}; write more of the name", quoted(.fits))]
    Ambiguous {
        /// `MIDI input`, `audio input`, ...
        what: &'static str,
        /// The name looked for.
        wanted: String,
        /// The names it fits.
        fits: Vec<String>,
    },
    /// No such host in this build.
    #[error("no host is called \"{wanted}\"; this build has {}", quoted(.have))]
    NoHost {
        /// The name looked for.
        wanted: String,
        /// The names there are.
        have: Vec<String>,
    },
    /// The host does not answer as it should.
    #[error("{host}: {why}")]
    Host {
        /// Which.
        host: String,
        /// In its words.
        why: String,
    },
    /// The device has too few channels.
    #[error("{}{device} has {has} channels, {wanted} are named; mend: name {has} at most, or choose a device that has more (`twinkeel devices` lists them)", at(.written))]
    TooFewChannels {
        /// Which.
        device: String,
        /// How many it has.
        has: usize,
        /// How many were asked for.
        wanted: usize,
        /// Where they are named; empty: nobody said.
        written: String,
    },
    /// It took too long.
    #[error("{what} took longer than {seconds} s")]
    TimedOut {
        /// What.
        what: String,
        /// The limit in seconds.
        seconds: u64,
    },
}

impl PortError {
    pub(crate) fn host(host: &str, why: impl std::fmt::Display) -> PortError {
        PortError::Host { host: host.into(), why: why.to_string() }
    }
}

fn at(written: &str) -> String {
    if written.is_empty() { String::new() } else { format!("{written}: ") }
}

fn there_are(what: &str, names: &[String]) -> String {
    if names.is_empty() { format!("there is no {what} at all") } else { format!("there are: {}", quoted(names)) }
}

fn quoted(names: &[String]) -> String {
    names.iter().map(|n| format!("\"{n}\"")).collect::<Vec<_>>().join(", ")
}

/// Finds a name: the whole of it, else the only one that contains it (either case).
pub(crate) fn find(what: &'static str, wanted: &str, names: &[String]) -> Result<usize, PortError> {
    if let Some(i) = names.iter().position(|n| n == wanted) {
        return Ok(i);
    }
    let part = wanted.to_lowercase();
    let fits: Vec<usize> = (0..names.len()).filter(|i| names[*i].to_lowercase().contains(&part)).collect();
    match fits[..] {
        [one] if !part.is_empty() => Ok(one),
        [_, _, ..] if !part.is_empty() => {
            let fits = fits.into_iter().map(|i| names[i].clone()).collect();
            Err(PortError::Ambiguous { what, wanted: wanted.into(), fits })
        }
        _ => Err(PortError::NotFound { what, wanted: wanted.into(), have: names.to_vec() }),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn too_few_channels_are_said_with_file_place_and_mend() {
        let written = "agent.toml:28:1: source[1].channels".to_string();
        let e = PortError::TooFewChannels { device: "North Desk".into(), has: 8, wanted: 20, written };
        assert_eq!(
            e.to_string(),
            "agent.toml:28:1: source[1].channels: North Desk has 8 channels, 20 are named; mend: name 8 at most, or choose a \
             device that has more (`twinkeel devices` lists them)"
        );
    }

    #[test]
    fn names_are_found_whole_or_by_a_part_that_is_unique() {
        let names = ["North Desk 1".to_string(), "North Desk 10".into(), "Pads".into()];
        assert_eq!(find("MIDI input", "pads", &names), Ok(2));
        assert_eq!(find("MIDI input", "North Desk 1", &names), Ok(0));
        let two = find("MIDI input", "north", &names).map_err(|e| e.to_string());
        let expect = "\"north\" fits several MIDI inputs: \"North Desk 1\", \"North Desk 10\"; write more of the name"
            .to_string();
        assert_eq!(two, Err(expect));
        let none = find("MIDI input", "Organ", &names).map_err(|e| e.to_string());
        let expect =
            "no MIDI input is called \"Organ\"; there are: \"North Desk 1\", \"North Desk 10\", \"Pads\"".to_string();
        assert_eq!(none, Err(expect));
        let nothing = find("audio input", "", &[]).map_err(|e| e.to_string());
        assert_eq!(nothing, Err("no audio input is called \"\"; there is no audio input at all".to_string()));
    }
}
