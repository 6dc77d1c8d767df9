//! What is known of the session folders, in the form that the page, the command line and the check take.

use base::{Machine, MonoTime, WallTime};
use rig::SessionTrouble;
use rig::check::{SessionIs, SessionSeen};
use serde::{Deserialize, Serialize};
use wire::manifest::{Counts, Loaded, Manifest, hex, of_wall, size, tell};

use super::book::{Book, Told, WORTH};
use crate::snapshot::Letter;

/// Everything that is known of the session folders. No folders: none are configured, or no agent has told of any yet.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
pub struct Parity {
    /// What each machine tells of each of its folders.
    pub sides: Vec<FolderSide>,
    /// Each folder of the first machine against the others'.
    pub pairs: Vec<FolderPair>,
}

/// One folder of one machine.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct FolderSide {
    /// The folder's name.
    pub folder: String,
    /// The machine.
    pub machine: Letter,
    /// Files in it.
    pub files: u64,
    /// Bytes in them.
    pub bytes: u64,
    /// A digest (BLAKE3) of all names and contents, in hexadecimal digits; none: not looked at yet.
    #[serde(default)]
    pub content: Option<String>,
    /// When it was looked at last, by the machine's own wall clock; none: not yet.
    #[serde(rename = "looked_ns")]
    pub looked: Option<WallTime>,
    /// Whether its player has what is on the disk.
    pub loaded: Loading,
    /// Files that changed after the player opened its session.
    pub changed_since_opened: u64,
    /// In words: what it holds, how far it is, or why nothing is known.
    pub text: String,
}

/// Whether a player has what is on its disk.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Loading {
    /// Not known: no player is there.
    #[default]
    Unknown,
    /// Nothing changed since the player was started.
    Current,
    /// A person said so after the newest change.
    Said,
    /// Files changed since the player was started.
    Changed,
    /// The player holds files that have been replaced: it surely plays old ones.
    Replaced,
}

/// One folder of a machine against the first machine's.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct FolderPair {
    /// The folder's name.
    pub folder: String,
    /// The machine that is compared with the first.
    pub machine: Letter,
    /// How they compare.
    pub verdict: ParityVerdict,
    /// In one sentence.
    pub text: String,
    /// Counted.
    pub counts: Counts,
    /// As a tree, a line each; at most some 500.
    pub tree: Vec<String>,
    /// Files that were compared.
    pub files: u64,
}

/// How a machine stands with one folder, the worst first.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ParityVerdict {
    /// Their contents differ, or something could not be read.
    Differs,
    /// The files are the same, but a player opened its session before they changed.
    Stale,
    /// They leave out different files, so that they cannot be compared.
    OtherRules,
    /// Not known: a machine is silent, or its folder cannot be looked at.
    #[default]
    Unknown,
    /// They are being looked at.
    Looking,
    /// Only times differ.
    Times,
    /// The same.
    Same,
}

impl ParityVerdict {
    /// A stable code.
    pub const fn code(self) -> &'static str {
        match self {
            ParityVerdict::Differs => "session-differs",
            ParityVerdict::Stale => "session-stale",
            ParityVerdict::OtherRules => "session-rules",
            ParityVerdict::Unknown => "session-unknown",
            ParityVerdict::Looking => "session-looking",
            ParityVerdict::Times => "session-times",
            ParityVerdict::Same => "session-same",
        }
    }
}

/// A line of the snapshot.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct ParityLine {
    /// The folder's name.
    pub folder: String,
    /// The machine that it is about: one of the others for a comparison, any for a player that has old files.
    pub machine: Letter,
    /// How it stands.
    pub verdict: ParityVerdict,
    /// In one sentence.
    pub text: String,
}

impl Parity {
    /// For the check: how all folders of a machine compare with the first machine's; none: not compared, or not all of them.
    pub fn session(&self, m: Machine) -> Option<SessionSeen> {
        let of: Vec<_> = self.pairs.iter().filter(|p| p.machine == Letter(m)).collect();
        let known =
            |p: &&&FolderPair| matches!(p.verdict, ParityVerdict::Same | ParityVerdict::Times | ParityVerdict::Differs);
        if of.is_empty() || of.iter().filter(known).count() < of.len() {
            return None;
        }
        Some(of.iter().fold(SessionSeen::default(), |s, p| SessionSeen {
            files: s.files + p.files,
            missing: s.missing + p.counts.missing,
            extra: s.extra + p.counts.extra,
            differs: s.differs + p.counts.differs,
            unread: s.unread + p.counts.unread,
        }))
    }

    /// For the check: files of a machine's session that changed after its player opened them; none: not known.
    pub fn behind(&self, m: Machine) -> Option<u64> {
        let of: Vec<_> = self.sides.iter().filter(|s| s.machine == Letter(m)).collect();
        if of.is_empty() || of.iter().any(|s| s.loaded == Loading::Unknown) {
            return None;
        }
        Some(of.iter().map(|s| if s.loaded == Loading::Said { 0 } else { s.changed_since_opened }).sum())
    }

    /// For the check's pass: what lies in each folder, as far as it is known.
    pub fn sessions(&self) -> Vec<SessionIs> {
        let known = |s: &FolderSide| {
            Some(SessionIs { machine: s.machine.0, folder: s.folder.clone(), content: s.content.clone()? })
        };
        self.sides.iter().filter_map(known).collect()
    }

    /// The lines of the snapshot: each comparison, and each player that has old files.
    pub fn lines(&self) -> Vec<ParityLine> {
        let pairs = self.pairs.iter().map(|p| ParityLine {
            folder: p.folder.clone(),
            machine: p.machine,
            verdict: p.verdict,
            text: p.text.clone(),
        });
        let stale = self.sides.iter().filter(|s| matches!(s.loaded, Loading::Changed | Loading::Replaced));
        let stale = stale.map(|s| ParityLine {
            folder: s.folder.clone(),
            machine: s.machine,
            verdict: ParityVerdict::Stale,
            text: s.text.clone(),
        });
        pairs.chain(stale).collect()
    }

    /// For the watch: a machine's trouble. A player with old files is worse than files that differ.
    pub fn trouble(&self, m: Machine) -> SessionTrouble {
        let of = |v| self.lines().iter().any(|l| l.machine == Letter(m) && l.verdict == v);
        match (of(ParityVerdict::Stale), of(ParityVerdict::Differs)) {
            (true, _) => SessionTrouble::Stale,
            (_, true) => SessionTrouble::Differs,
            _ => SessionTrouble::None,
        }
    }

    /// The worst of all; none: there is nothing to compare.
    pub fn worst(&self) -> Option<ParityVerdict> {
        self.lines().iter().map(|l| l.verdict).min()
    }
}

impl Book {
    /// All of it as it stands.
    pub fn picture(&self, wall: WallTime, now: MonoTime) -> Parity {
        let sides = self.told.iter().map(|((_, m), t)| side(*m, t, wall, now)).collect();
        let mut folders: Vec<&String> = self.told.keys().map(|k| &k.0).collect();
        folders.dedup();
        let pairs =
            folders.into_iter().flat_map(|f| self.others().map(|o| self.pair(f, o, wall, now)).collect::<Vec<_>>());
        Parity { sides, pairs: pairs.collect() }
    }

    fn pair(&self, folder: &str, other: Machine, wall: WallTime, now: MonoTime) -> FolderPair {
        let key = |m: Machine| (folder.to_owned(), m);
        let told = [Machine::A, other].map(|m| self.told.get(&key(m)));
        let compared = self.compared.get(&key(other));
        let known = |t: Option<&Told>| t.is_some_and(|t| now - t.at < WORTH && t.manifest.sum.is_some());
        let names = ["A".to_string(), other.to_string()];
        let names = [names[0].as_str(), names[1].as_str()];
        let missing = [Machine::A, other].into_iter().zip(told).find(|(_, t)| !known(*t));
        let (verdict, text) = match (missing, told, compared) {
            (None, [Some(a), Some(b)], _) if a.manifest.rules != b.manifest.rules => (
                ParityVerdict::OtherRules,
                format!("A and {other} leave out different files: write `ignore` alike in both agent.toml."),
            ),
            (None, _, Some(c)) => {
                let verdict = match (c.found.counts.same_content(), c.found.counts.times) {
                    (false, _) => ParityVerdict::Differs,
                    (true, 0) => ParityVerdict::Same,
                    (true, _) => ParityVerdict::Times,
                };
                (verdict, c.found.say(names, wall.0))
            }
            (None, ..) => (ParityVerdict::Looking, "being compared".into()),
            (Some((m, Some(t))), ..) if !t.manifest.trouble.is_empty() => {
                (ParityVerdict::Unknown, format!("{m}: {}", t.manifest.trouble))
            }
            (Some((m, Some(t))), ..) if now - t.at >= WORTH => {
                (ParityVerdict::Unknown, format!("{m}'s agent says nothing."))
            }
            (Some((m, Some(t))), ..) => (ParityVerdict::Looking, format!("{m}: {}", state(&t.manifest, false))),
            (Some((m, None)), ..) => (ParityVerdict::Unknown, format!("{m} has no folder of this name.")),
        };
        let shown = compared.filter(|_| verdict == ParityVerdict::Differs || verdict == ParityVerdict::Times);
        let files = told.iter().flatten().filter_map(|t| t.manifest.sum).map(|s| s.files).max().unwrap_or(0);
        FolderPair {
            folder: folder.to_owned(),
            machine: Letter(other),
            verdict,
            text: format!("{folder}: {text}"),
            counts: compared.map(|c| c.found.counts).unwrap_or_default(),
            tree: shown.map(|c| tell(&c.found, names, wall.0)).unwrap_or_default(),
            files,
        }
    }
}

fn side(m: Machine, t: &Told, wall: WallTime, now: MonoTime) -> FolderSide {
    let f = &t.manifest;
    let sum = f.sum.unwrap_or_default();
    let loaded = loading(t);
    let text = match loaded {
        Loading::Replaced => {
            let n = f.loaded.replaced.unwrap_or(0);
            format!(
                "{}: {m}'s player holds {} that other files have replaced: open the session again on {m}.",
                f.folder,
                files(n)
            )
        }
        Loading::Changed => changed(m, &f.folder, &f.loaded, wall),
        _ => format!("{}: {}", f.folder, state(f, now - t.at >= WORTH)),
    };
    FolderSide {
        folder: f.folder.clone(),
        machine: Letter(m),
        files: sum.files,
        bytes: sum.bytes,
        content: f.sum.map(|s| hex(&s.content)),
        looked: (f.looked_ns != 0).then_some(WallTime(f.looked_ns)),
        loaded,
        changed_since_opened: f.loaded.changed.max(f.loaded.replaced.unwrap_or(0)),
        text,
    }
}

fn loading(t: &Told) -> Loading {
    let l = &t.manifest.loaded;
    match (l.player_since_ns, l.replaced, l.changed) {
        (None, ..) => Loading::Unknown,
        (_, Some(n), _) if n > 0 => Loading::Replaced,
        (.., 0) => Loading::Current,
        _ if t.loaded.is_some_and(|word| word >= l.last_ns) => Loading::Said,
        _ => Loading::Changed,
    }
}

fn changed(m: Machine, folder: &str, l: &Loaded, wall: WallTime) -> String {
    format!(
        "{folder}: {m}'s player was started at {}, before {} changed ({}, {}): open the session again on {m}, or say that it has them.",
        of_wall(l.player_since_ns.unwrap_or(0), wall.0),
        files(l.changed),
        l.example,
        of_wall(l.last_ns, wall.0),
    )
}

fn state(f: &Manifest, old: bool) -> String {
    if !f.trouble.is_empty() {
        return f.trouble.clone();
    }
    if old {
        return "its agent says nothing".into();
    }
    let Some(p) = f.progress else {
        return f.sum.map_or_else(|| "not looked at yet".into(), |s| format!("{}, {}", files(s.files), size(s.bytes)));
    };
    let wait = if p.waits { ", waits for the song to end" } else { "" };
    let left = match (p.of_bytes.saturating_sub(p.bytes), p.rate) {
        (left, rate) if rate > 0 && !p.waits => format!(", {} left", minutes(left / rate)),
        _ => String::new(),
    };
    format!(
        "looking: {} of {}, {} of {}{}{left}{wait}",
        p.files,
        files(p.of_files),
        size(p.bytes),
        size(p.of_bytes),
        if p.rate > 0 { format!(", {}/s", size(p.rate)) } else { String::new() },
    )
}

fn minutes(s: u64) -> String {
    if s < 60 { format!("{s} s") } else { format!("{} min {} s", s / 60, s % 60) }
}

fn files(n: u64) -> String {
    if n == 1 { "1 file".into() } else { format!("{n} files") }
}
