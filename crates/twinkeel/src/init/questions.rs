//! The few questions that `twinkeel init` asks. They are read from any reader, so that a script or a test can answer.

use std::io::{BufRead, Error, ErrorKind, Result, Write};
use std::net::IpAddr;
use std::path::PathBuf;

use base::FrameRate;
use base::ids::MAX_MACHINES;

/// An input that was found on this computer.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Found {
    /// Its host, as `twinkeel devices` names it.
    pub host: String,
    /// Its name.
    pub name: String,
    /// Channels that can be heard; 0 for MIDI.
    pub channels: u16,
}

/// What a new rig is made from.
#[derive(Clone, PartialEq, Debug)]
pub struct Answers {
    /// What people call it.
    pub name: String,
    /// Playback computers.
    pub machines: u8,
    /// The supervisor's addresses, one or two.
    pub supervisor: Vec<IpAddr>,
    /// The MIDI port that the player sends to.
    pub midi: Option<Found>,
    /// The device whose channels are heard.
    pub audio: Option<Found>,
    /// The channel of that device that carries LTC, from 1.
    pub ltc: Option<u16>,
    /// The player's process.
    pub player: Option<String>,
    /// The session's folder.
    pub session: Option<PathBuf>,
    /// The show's title.
    pub title: String,
    /// The rate of its timecode.
    pub frame_rate: FrameRate,
}

/// Asks for each answer; an empty line keeps what is proposed.
///
/// # Errors
/// When the reader ends before the questions do.
pub fn ask(
    input: &mut impl BufRead,
    out: &mut impl Write,
    midi: &[Found],
    audio: &[Found],
    first: Answers,
) -> Result<Answers> {
    let mut a = first;
    let named_alike = a.title == a.name;
    let mut q = Questions { input, out };
    q.say("A few questions; an empty line takes what stands in brackets.")?;
    a.name = q.text("What do people call the rig?", &a.name)?;
    a.machines = q.ask("How many playback computers?", &a.machines.to_string(), |t| {
        let fits = |n: &u8| (1..=MAX_MACHINES as u8).contains(n);
        t.parse().ok().filter(fits).ok_or_else(|| format!("a number from 1 to {MAX_MACHINES}"))
    })?;
    let shown: Vec<String> = a.supervisor.iter().map(ToString::to_string).collect();
    a.supervisor = q.ask("The supervisor's address as agents reach it (one or two)?", &shown.join(" "), |t| {
        let all: Option<Vec<IpAddr>> = t.split([' ', ',']).filter(|p| !p.is_empty()).map(|p| p.parse().ok()).collect();
        all.filter(|a| (1..=2).contains(&a.len())).ok_or_else(|| "one or two addresses, such as 10.0.0.10".into())
    })?;
    q.say("What this computer has (agent.toml can be changed for each of the others):")?;
    a.midi = q.one_of("Which MIDI port does the player send code and patches to?", midi)?;
    a.audio = q.one_of("Which audio device carries what the player plays?", audio)?;
    if let Some(d) = &a.audio {
        let channels = d.channels;
        a.ltc = q.ask(&format!("Which of its {channels} channels carries timecode (LTC)?"), "none", |t| match t {
            "none" => Ok(None),
            t => t
                .parse()
                .ok()
                .filter(|n| (1..=channels).contains(n))
                .map(Some)
                .ok_or_else(|| format!("a number from 1 to {channels}, or none")),
        })?;
    }
    a.player = q.maybe("What is the player's program called (its process)?")?;
    a.session = q.maybe("Which folder holds the session, alike on all of them?")?.map(PathBuf::from);
    let proposed = if named_alike { &a.name } else { &a.title };
    a.title = q.text("What is the show called?", proposed)?;
    a.frame_rate = q.ask("The rate of its timecode?", a.frame_rate.name(), |t| {
        let names: Vec<&str> = FrameRate::ALL.iter().map(|r| r.name()).collect();
        FrameRate::ALL.into_iter().find(|r| r.name() == t).ok_or_else(|| format!("one of {}", names.join(", ")))
    })?;
    Ok(a)
}

struct Questions<'a, R, W> {
    input: &'a mut R,
    out: &'a mut W,
}

impl<R: BufRead, W: Write> Questions<'_, R, W> {
    fn say(&mut self, text: &str) -> Result<()> {
        writeln!(self.out, "{text}")
    }

    /// Asks until the answer can be read.
    fn ask<T>(
        &mut self,
        question: &str,
        proposed: &str,
        read: impl Fn(&str) -> std::result::Result<T, String>,
    ) -> Result<T> {
        loop {
            write!(self.out, "{question} [{proposed}] ")?;
            self.out.flush()?;
            let mut line = String::new();
            if self.input.read_line(&mut line)? == 0 {
                let why = "the questions were not answered to the end, so nothing was made";
                return Err(Error::new(ErrorKind::UnexpectedEof, why));
            }
            let answer = match line.trim() {
                "" => proposed,
                t => t,
            };
            match read(answer) {
                Ok(v) => return Ok(v),
                Err(wanted) => writeln!(self.out, "  That was not understood: {wanted}.")?,
            }
        }
    }

    fn text(&mut self, question: &str, proposed: &str) -> Result<String> {
        self.ask(question, proposed, |t| Ok(t.to_owned()))
    }

    fn maybe(&mut self, question: &str) -> Result<Option<String>> {
        self.ask(question, "none", |t| Ok((t != "none").then(|| t.to_owned())))
    }

    fn one_of(&mut self, question: &str, found: &[Found]) -> Result<Option<Found>> {
        if found.is_empty() {
            writeln!(self.out, "{question} None was found here.")?;
            return Ok(None);
        }
        for (i, f) in found.iter().enumerate() {
            let channels = if f.channels > 0 { format!(", {} channels", f.channels) } else { String::new() };
            writeln!(self.out, "  {}  {} ({}{channels})", i + 1, f.name, f.host)?;
        }
        self.ask(question, "none", |t| match t {
            "none" => Ok(None),
            t => {
                let chosen = t.parse::<usize>().ok().and_then(|n| found.get(n.checked_sub(1)?));
                chosen.cloned().map(Some).ok_or_else(|| format!("a number from 1 to {}, or none", found.len()))
            }
        })
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn first() -> Answers {
        Answers {
            name: "twin rig".into(),
            machines: 2,
            supervisor: vec!["127.0.0.1".parse().unwrap()],
            midi: None,
            audio: None,
            ltc: None,
            player: None,
            session: None,
            title: "untitled".into(),
            frame_rate: FrameRate::F30,
        }
    }

    fn answer(lines: &str) -> (Result<Answers>, String) {
        let midi = [Found { host: "default".into(), name: "show out".into(), channels: 0 }];
        let audio = [
            Found { host: "default".into(), name: "built in".into(), channels: 2 },
            Found { host: "alsa".into(), name: "stage box".into(), channels: 8 },
        ];
        let mut out = Vec::new();
        let a = ask(&mut lines.as_bytes(), &mut out, &midi, &audio, first());
        (a, String::from_utf8(out).unwrap())
    }

    #[test]
    fn empty_lines_take_what_is_proposed() {
        let (a, _) = answer(&"\n".repeat(9));
        assert_eq!(a.unwrap(), first());
    }

    #[test]
    fn answers_are_taken_and_wrong_ones_asked_again() {
        let (a, said) = answer(
            "Heron twins\nnine\n3\n10.0.0.10 10.0.1.10\n1\n3\n2\n9\n5\nplayer\n/shows/lanterns\nLanterns\n26\n25\n",
        );
        let a = a.unwrap();
        assert_eq!((a.name.as_str(), a.machines, a.supervisor.len()), ("Heron twins", 3, 2));
        assert_eq!((a.midi.unwrap().name.as_str(), a.audio.unwrap().name.as_str()), ("show out", "stage box"));
        assert_eq!((a.ltc, a.player.as_deref()), (Some(5), Some("player")));
        assert_eq!((a.session.unwrap().to_str(), a.frame_rate), (Some("/shows/lanterns"), FrameRate::F25));
        assert_eq!(said.matches("not understood").count(), 4, "{said}");
        // Nobody's answers are echoed here, so a line ends where its question does.
        let lines = said.lines().flat_map(|l| l.split_inclusive("] "));
        assert!(lines.clone().all(|l| l.chars().count() <= 80), "{:?}", lines.max_by_key(|l| l.len()));
    }

    #[test]
    fn a_reader_that_ends_makes_nothing() {
        let (a, _) = answer("Heron twins\n2\n");
        assert!(a.unwrap_err().to_string().contains("nothing was made"));
    }
}
