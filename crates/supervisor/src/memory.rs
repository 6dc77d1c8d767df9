//! What must survive the supervisor: the judge's memory and which show is open, in one small file that is replaced whole.

use std::path::{Path, PathBuf};

use base::{Machine, ShowId, WallTime};
use rig::Memory;
use serde::{Deserialize, Serialize};
use settings::rig::MachineEntry;
use showlog::{EarlierMachine, MachineMeta};

use crate::setlist::{Entry, SetList};

/// A show that began longer ago than this is over; a new start begins a new one.
const SHOW_LASTS_NS: i64 = 12 * 3600 * 1_000_000_000;

/// The file's content.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Kept {
    /// The open show.
    pub show: ShowId,
    /// Its title.
    pub title: String,
    /// When it began, for display and for the twelve hours.
    pub began: WallTime,
    /// The judge's memory.
    pub memory: Memory,
    /// Signs the operators' cookies of this show.
    pub session_key: [u8; 32],
    /// Tonight's set, where a person has changed it.
    #[serde(default)]
    pub set: Option<Vec<Entry>>,
    /// Which computers the letters stood for at the last start.
    #[serde(default)]
    pub machines: Vec<MachineMeta>,
    /// Computers whose places others have taken in this show.
    #[serde(default)]
    pub earlier: Vec<EarlierMachine>,
}

impl Kept {
    /// What was kept, if it is of the same show and not older than a night; else a new show that remembers what is on air.
    pub fn open(dir: &Path, title: &str, now: WallTime, first_mode: rig::Mode) -> Kept {
        let old = read(dir);
        let age = |k: &Kept| now.0.saturating_sub(k.began.0);
        match old {
            Some(k) if k.title == title && (0..SHOW_LASTS_NS).contains(&age(&k)) => k,
            old => {
                let memory = old.map_or(Memory { mode: first_mode, ..Memory::default() }, |k| k.memory);
                let mut session_key = [0u8; 32];
                session_key[..16].copy_from_slice(&ports::os::random_id());
                session_key[16..].copy_from_slice(&ports::os::random_id());
                Kept {
                    show: ShowId(ports::os::random_id()),
                    title: title.into(),
                    began: now,
                    memory,
                    session_key,
                    set: None,
                    machines: Vec::new(),
                    earlier: Vec::new(),
                }
            }
        }
    }

    /// Notes which computers the letters stand for. Says which were replaced since the last start of this show.
    pub fn note_machines(&mut self, now: &[MachineEntry], at: WallTime) -> Vec<String> {
        let mut said = Vec::new();
        for ((m, was), is) in Machine::first(self.machines.len()).zip(&self.machines).zip(now) {
            if was.id != is.id {
                said.push(format!("`{}` takes {m}'s place; that was `{}`.", is.name, was.name));
                self.earlier.push(EarlierMachine { machine: m, id: was.id, name: was.name.clone(), until: at });
            }
        }
        self.machines = now.iter().map(|m| MachineMeta { id: m.id, name: m.name.clone() }).collect();
        said
    }

    /// Tonight's set: as it was changed, if that still fits the show file, else as the show file has it.
    pub fn set_list(&self, spare: &[bool]) -> SetList {
        let kept = self.set.clone().and_then(|entries| SetList::kept(entries, spare.len()));
        kept.unwrap_or_else(|| SetList::of(spare))
    }

    /// Writes it so that a power cut leaves the old file or the new one, never half of one.
    ///
    /// # Errors
    /// What the system says.
    pub fn save(&self, dir: &Path) -> std::io::Result<()> {
        ports::local::replace_secret(&path(dir), &serde_json::to_string_pretty(self)?)
    }
}

fn path(dir: &Path) -> PathBuf {
    dir.join("memory.json")
}

/// A damaged file is as good as none: the switch is asked anyway, and the mode falls back to the rig's own.
fn read(dir: &Path) -> Option<Kept> {
    let text = std::fs::read_to_string(path(dir)).ok()?;
    serde_json::from_str(&text)
        .inspect_err(|e| tracing::error!("memory.json is damaged ({e}); starting without it"))
        .ok()
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn a_restart_continues_the_show_and_a_new_day_keeps_the_memory() {
        let dir = tempfile::tempdir().unwrap();
        let day = WallTime(1_000_000_000_000_000_000);
        let mut first = Kept::open(dir.path(), "Tides", day, rig::Mode::Observe);
        first.memory.mode = rig::Mode::Act;
        first.memory.on_air = Some(base::Machine::B);
        first.save(dir.path()).unwrap();
        let again = Kept::open(dir.path(), "Tides", WallTime(day.0 + 3_600_000_000_000), rig::Mode::Observe);
        assert_eq!(again, first);
        let next = Kept::open(dir.path(), "Tides", WallTime(day.0 + SHOW_LASTS_NS), rig::Mode::Observe);
        assert_ne!(next.show, first.show);
        assert_eq!(next.memory, first.memory);
        std::fs::write(path(dir.path()), "{").unwrap();
        assert_eq!(Kept::open(dir.path(), "Tides", day, rig::Mode::Propose).memory.mode, rig::Mode::Propose);
    }
}
