//! What is known of the machines' folders, and the comparisons that are under way. No clock and no socket.

use std::collections::BTreeMap;

use base::{Machine, MonoTime, Span};
use wire::manifest::{Comparison, Differences, Half, Listing, Manifest, Want, WantListing};

/// Differences that are kept of one pair of folders.
const KEPT: usize = 500;
/// Folders of one machine that are listened to: more are an agent's error.
const MOST_FOLDERS: usize = 32;
/// An answer that has not come by then is asked for again.
const PATIENCE: Span = Span::from_secs(2);
/// Two readings of one start differ by a tick and what held up the reader; no player is closed and opened again within this.
const SAME_START_NS: u64 = 100_000_000;
/// What has not been told again for so long is old: its machine is silent.
pub const WORTH: Span = Span::from_secs(20);

/// What one machine tells of one folder.
pub struct Told {
    /// What it told last.
    pub manifest: Manifest,
    /// When that came.
    pub at: MonoTime,
    /// A person's word: the player has what was on the disk when the newest change was this one.
    pub loaded: Option<i64>,
}

/// Two folders that were compared.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Compared {
    /// The contents that this is about, of the first machine and of the other.
    of: [([u8; 32], [u8; 32]); 2],
    looks: [u64; 2],
    /// What was found.
    pub found: Differences,
}

struct Running {
    comparison: Comparison,
    of: [([u8; 32], [u8; 32]); 2],
    looks: [u64; 2],
    /// What has been asked for, and when.
    asked: Option<(Want, MonoTime)>,
}

/// See the module.
pub struct Book {
    machines: usize,
    pub(super) told: BTreeMap<(String, Machine), Told>,
    running: BTreeMap<(String, Machine), Running>,
    pub(super) compared: BTreeMap<(String, Machine), Compared>,
}

impl Book {
    /// Nothing is known.
    pub fn new(machines: usize) -> Book {
        Book { machines, told: BTreeMap::new(), running: BTreeMap::new(), compared: BTreeMap::new() }
    }

    /// The machines that are compared with the first.
    pub fn others(&self) -> impl Iterator<Item = Machine> + use<> {
        Machine::first(self.machines).skip(1)
    }

    /// A machine tells of a folder.
    pub fn on_manifest(&mut self, m: Machine, manifest: Manifest, now: MonoTime) {
        let key = (manifest.folder.clone(), m);
        if !self.told.contains_key(&key) && self.told.keys().filter(|k| k.1 == m).count() >= MOST_FOLDERS {
            return;
        }
        let loaded = self.told.get(&key).and_then(|t| t.loaded);
        // A word about one player's process says nothing about the next. An agent that was started anew tells the same start by another
        // reading of its clocks.
        let same = |t: &Told| match (t.manifest.loaded.player_since_ns, manifest.loaded.player_since_ns) {
            (Some(a), Some(b)) => a.abs_diff(b) < SAME_START_NS,
            (a, b) => a == b,
        };
        let loaded = loaded.filter(|_| self.told.get(&key).is_some_and(same));
        let folder = manifest.folder.clone();
        self.told.insert(key, Told { manifest, at: now, loaded });
        self.others().filter(|o| m == Machine::A || *o == m).for_each(|o| self.compare(&folder, o));
    }

    /// A part of a folder came.
    pub fn on_listing(&mut self, m: Machine, l: Listing) {
        let half = if m == Machine::A { Half::A } else { Half::B };
        for ((folder, other), r) in &mut self.running {
            let meant = *folder == l.folder && (m == Machine::A || m == *other);
            let wanted = r.asked.is_some_and(|(w, _)| w == Want { half, block: l.block, from: l.from });
            if meant && wanted && r.looks[half as usize] == l.look {
                r.asked = None;
                r.comparison.on_part(half, l.entries, l.next);
                return;
            }
        }
    }

    /// A person says that a player has what is on its disk.
    pub fn on_loaded(&mut self, m: Machine) {
        for (_, t) in self.told.iter_mut().filter(|(k, _)| k.1 == m) {
            t.loaded = Some(t.manifest.loaded.last_ns);
        }
    }

    /// What is to be asked of whom. To be asked until there is nothing.
    pub fn wants(&mut self, now: MonoTime) -> Option<(Machine, WantListing)> {
        let mut done = None;
        for ((folder, other), r) in &mut self.running {
            if r.asked.is_some_and(|(_, at)| now - at < PATIENCE) {
                continue;
            }
            let Some(want) = r.asked.map(|a| a.0).or_else(|| r.comparison.wants()) else {
                done = Some((folder.clone(), *other));
                break;
            };
            r.asked = Some((want, now));
            let m = if want.half == Half::A { Machine::A } else { *other };
            let look = r.looks[want.half as usize];
            return Some((m, WantListing { folder: folder.clone(), look, block: want.block, from: want.from }));
        }
        let key = done?;
        if let Some(r) = self.running.remove(&key) {
            self.compared.insert(key, Compared { of: r.of, looks: r.looks, found: r.comparison.finish() });
        }
        self.wants(now)
    }

    /// Begins a comparison, unless the same contents have been compared or are being compared.
    fn compare(&mut self, folder: &str, other: Machine) {
        let key = (folder.to_owned(), other);
        let of = |m: Machine| self.told.get(&(folder.to_owned(), m)).map(|t| &t.manifest);
        let sides = of(Machine::A).zip(of(other)).and_then(|(a, b)| Some(((a, a.sum?), (b, b.sum?))));
        let Some(((a, x), (b, y))) = sides else {
            self.running.remove(&key);
            self.compared.remove(&key);
            return;
        };
        let contents = [(x.content, x.times), (y.content, y.times)];
        let looks = [a.look, b.look];
        if self.running.get(&key).is_some_and(|r| r.of == contents && r.looks == looks) {
            return;
        }
        // What changed while it was read may have come to rest since: the next look tells.
        let steady = x.troubles == 0 && y.troubles == 0;
        if self.compared.get(&key).is_some_and(|c| c.of == contents && (steady || c.looks == looks)) {
            self.running.remove(&key);
            return;
        }
        let comparison = Comparison::new(&x, &y, KEPT, false);
        self.running.insert(key, Running { comparison, of: contents, looks, asked: None });
    }
}
