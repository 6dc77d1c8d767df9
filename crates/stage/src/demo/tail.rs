//! Reads the supervisor's event lines while they are written.

use std::fs::File;
use std::io::{Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};

use serde::Deserialize;

/// A line of events.jsonl, as far as it is used here.
#[derive(Clone, PartialEq, Debug, Deserialize)]
pub struct EventLine {
    /// When, in nanoseconds of the monotonic clock.
    pub mono_ns: u64,
    /// Of what kind.
    pub kind: String,
    /// Its code.
    pub code: String,
    /// In words.
    pub text: String,
    /// Whatever else.
    #[serde(default)]
    pub detail: serde_json::Value,
}

impl EventLine {
    /// Whether it is worth a line on a terminal.
    pub fn is_news(&self) -> bool {
        match self.kind.as_str() {
            "alarm" => self.detail["transition"] == "raised",
            "changeover" | "refused" | "proposal" | "latch" | "mode" | "switch" => true,
            "supervisor" => self.code == "started" || self.code.starts_with("agent"),
            _ => false,
        }
    }
}

/// A file that grows.
pub struct Tail {
    path: PathBuf,
    read: u64,
    half: Vec<u8>,
}

impl Tail {
    /// From its beginning; it need not be there yet.
    pub fn new(path: &Path) -> Tail {
        Tail { path: path.into(), read: 0, half: Vec::new() }
    }

    /// Whole lines that came since the last look. What is no event line is skipped.
    pub fn lines(&mut self) -> Vec<EventLine> {
        let Ok(mut file) = File::open(&self.path) else { return Vec::new() };
        let mut fresh = Vec::new();
        if file.seek(SeekFrom::Start(self.read)).is_err() || file.read_to_end(&mut fresh).is_err() {
            return Vec::new();
        }
        self.read += fresh.len() as u64;
        self.half.append(&mut fresh);
        let Some(end) = self.half.iter().rposition(|b| *b == b'\n') else { return Vec::new() };
        let rest = self.half.split_off(end + 1);
        let whole = std::mem::replace(&mut self.half, rest);
        whole.split(|b| *b == b'\n').filter_map(|l| serde_json::from_slice(l).ok()).collect()
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use std::io::Write;

    use super::*;

    #[test]
    fn half_a_line_waits_for_its_other_half() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("events.jsonl");
        let mut tail = Tail::new(&path);
        assert!(tail.lines().is_empty());
        let mut file = File::create(&path).unwrap();
        let line = |code: &str| {
            format!(r#"{{"mono_ns":5,"kind":"alarm","code":"{code}","text":"t","detail":{{"transition":"raised"}}}}"#)
        };
        let (one, two) = (line("one"), line("two"));
        write!(file, "{one}\nnonsense\n{}", &two[..20]).unwrap();
        let got = tail.lines();
        assert_eq!(got.iter().map(|l| l.code.as_str()).collect::<Vec<_>>(), ["one"]);
        assert!(got[0].is_news());
        writeln!(file, "{}", &two[20..]).unwrap();
        assert_eq!(tail.lines().iter().map(|l| l.code.as_str()).collect::<Vec<_>>(), ["two"]);
        assert!(tail.lines().is_empty());
    }
}
