//! Two trees against each other, a part of a folder at a time, so that neither has to be held whole.
//!
//! The caller asks [`Comparison::wants`] which part it shall bring, brings it, and asks again until nothing is wanted. What is the
//! same by its digest is never asked for. Held are the folders still to be compared, two parts, and as many differences as the caller
//! wants to keep; the rest are counted.

use core::cmp::Ordering;
use std::collections::VecDeque;

use serde::{Deserialize, Serialize};

use super::{Entry, FolderSum, SAME_TIME_NS, What, order};

/// One of the two trees.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize, Deserialize)]
pub enum Half {
    /// The first.
    A,
    /// The second.
    B,
}

/// The part that shall be brought next.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Want {
    /// Of which tree.
    pub half: Half,
    /// Which folder's block.
    pub block: u64,
    /// From where on in it.
    pub from: u64,
}

/// What differs.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Difference {
    /// The path from the folder's top, its parts joined by `/`.
    pub path: Vec<u8>,
    /// In what way.
    pub kind: DifferenceKind,
    /// What the first has.
    pub a: Option<Entry>,
    /// What the second has.
    pub b: Option<Entry>,
}

/// In what way two entries differ, seen from the second tree.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum DifferenceKind {
    /// The second lacks it.
    Missing,
    /// Only the second has it.
    Extra,
    /// Both have it, with other content.
    Differs,
    /// Both have it with the same content, changed at other times.
    Times,
    /// It could not be read, or changed while it was read, on one side or both.
    Unread,
}

/// How many of each: files, those in a missing or extra folder counted one by one.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct Counts {
    /// Missing from the second.
    pub missing: u64,
    /// Only in the second.
    pub extra: u64,
    /// Of other content.
    pub differs: u64,
    /// Of the same content, changed at other times.
    pub times: u64,
    /// Not to be read, or changing.
    pub unread: u64,
}

impl Counts {
    /// Whether both hold the same, times aside.
    pub const fn same_content(&self) -> bool {
        self.missing == 0 && self.extra == 0 && self.differs == 0 && self.unread == 0
    }
}

/// Files that one tree has not, or has older than the other.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct Behind {
    /// How many.
    pub files: u64,
    /// When the first of them was changed in the other tree, in nanoseconds since 1970.
    pub since_ns: Option<i64>,
}

impl Behind {
    fn add(&mut self, files: u64, at: Option<i64>) {
        self.files = self.files.saturating_add(files);
        self.since_ns = match (self.since_ns, at) {
            (Some(a), Some(b)) => Some(a.min(b)),
            (a, b) => a.or(b),
        };
    }
}

/// What a comparison found.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Differences {
    /// The first of them, in the order in which they were met.
    pub found: Vec<Difference>,
    /// All of them, counted.
    pub counts: Counts,
    /// How far the first tree is behind the second.
    pub a_behind: Behind,
    /// How far the second tree is behind the first.
    pub b_behind: Behind,
    /// Links of either that point out of the folder.
    pub leaving: u64,
    /// Differences that were counted and not kept.
    pub not_kept: u64,
}

/// See the module.
pub struct Comparison {
    pending: Vec<Pair>,
    now: Option<Pair>,
    sides: [Part; 2],
    keep: usize,
    into_times: bool,
    found: Differences,
}

/// Two folders of one path.
struct Pair {
    path: Vec<u8>,
    blocks: [u64; 2],
}

/// What has been brought of one folder and is not compared yet.
#[derive(Default)]
struct Part {
    entries: VecDeque<Entry>,
    /// Where to go on; none: all has been brought.
    next: Option<u64>,
}

impl Comparison {
    /// Two trees. At most `keep` differences are kept, the rest counted. `into_times`: also go through folders that differ by times
    /// alone; else such a folder is one difference.
    pub fn new(a: &FolderSum, b: &FolderSum, keep: usize, into_times: bool) -> Comparison {
        let mut c = Comparison {
            pending: Vec::new(),
            now: None,
            sides: Default::default(),
            keep,
            into_times,
            found: Differences::default(),
        };
        if !a.is_same(b) || (into_times && a.times != b.times) {
            c.pending.push(Pair { path: Vec::new(), blocks: [a.block, b.block] });
        } else if a.times != b.times {
            c.found.counts.times = a.files;
        }
        c
    }

    /// The part that shall be brought next; none: the comparison is done.
    pub fn wants(&mut self) -> Option<Want> {
        if self.now.is_none() {
            self.now = Some(self.pending.pop()?);
            self.sides = [(); 2].map(|()| Part { entries: VecDeque::new(), next: Some(0) });
        }
        let blocks = self.now.as_ref()?.blocks;
        [Half::A, Half::B].into_iter().find_map(|half| {
            let part = &self.sides[half as usize];
            let from = part.next.filter(|_| part.entries.is_empty())?;
            Some(Want { half, block: blocks[half as usize], from })
        })
    }

    /// The part that was wanted.
    pub fn on_part(&mut self, half: Half, entries: Vec<Entry>, next: Option<u64>) {
        let part = &mut self.sides[half as usize];
        // A part without entries that claims to go on would be asked for without end.
        part.next = next.filter(|_| !entries.is_empty());
        part.entries = entries.into();
        self.compare();
    }

    /// What was found.
    pub fn finish(self) -> Differences {
        self.found
    }

    /// As far as both parts reach.
    fn compare(&mut self) {
        let Some(path) = self.now.as_ref().map(|p| p.path.clone()) else { return };
        loop {
            let [a, b] = &mut self.sides;
            let out = |p: &Part| p.entries.is_empty() && p.next.is_some();
            if out(a) || out(b) {
                return;
            }
            let which = match (a.entries.front(), b.entries.front()) {
                (None, None) => break,
                (Some(_), None) => Ordering::Less,
                (None, Some(_)) => Ordering::Greater,
                (Some(a), Some(b)) => order(a, b),
            };
            let a = if which.is_le() { a.entries.pop_front() } else { None };
            let b = if which.is_ge() { b.entries.pop_front() } else { None };
            self.entry(&path, a, b);
        }
        self.now = None;
    }

    fn entry(&mut self, path: &[u8], a: Option<Entry>, b: Option<Entry>) {
        let leaves = |e: &Option<Entry>| matches!(e, Some(Entry { what: What::Link { leaves: true, .. }, .. }));
        self.found.leaving += u64::from(leaves(&a)) + u64::from(leaves(&b));
        let Some(kind) = self.judge(path, a.as_ref(), b.as_ref()) else { return };
        let files = a.as_ref().or(b.as_ref()).map_or(1, |e| e.what.files().max(1));
        let counts = &mut self.found.counts;
        let place = match kind {
            DifferenceKind::Missing => &mut counts.missing,
            DifferenceKind::Extra => &mut counts.extra,
            DifferenceKind::Differs => &mut counts.differs,
            DifferenceKind::Times => &mut counts.times,
            DifferenceKind::Unread => &mut counts.unread,
        };
        *place = place.saturating_add(files);
        // A folder's own time says when something was last done in it, which for one that is missing as a whole is the best there is.
        let at = |e: &Option<Entry>| e.as_ref().map(|e| e.modified_ns);
        match kind {
            DifferenceKind::Missing => self.found.b_behind.add(files, at(&a)),
            DifferenceKind::Extra => self.found.a_behind.add(files, at(&b)),
            DifferenceKind::Differs if at(&a) >= at(&b) => self.found.b_behind.add(files, at(&a)),
            DifferenceKind::Differs => self.found.a_behind.add(files, at(&b)),
            DifferenceKind::Times | DifferenceKind::Unread => {}
        }
        if self.found.found.len() < self.keep {
            let name = a.as_ref().or(b.as_ref()).map(|e| e.name.as_slice()).unwrap_or_default();
            self.found.found.push(Difference { path: join(path, name), kind, a, b });
        } else {
            self.found.not_kept += 1;
        }
    }

    /// How two entries of one name differ; folders of both are compared later.
    fn judge(&mut self, path: &[u8], a: Option<&Entry>, b: Option<&Entry>) -> Option<DifferenceKind> {
        let (a, b) = match (a, b) {
            (Some(a), Some(b)) => (a, b),
            (Some(_), None) => return Some(DifferenceKind::Missing),
            (None, Some(_)) => return Some(DifferenceKind::Extra),
            (None, None) => return None,
        };
        let far = (a.modified_ns.saturating_sub(b.modified_ns)).saturating_abs() > SAME_TIME_NS;
        let same = match (&a.what, &b.what) {
            (What::Folder(x), What::Folder(y)) => {
                if !x.is_same(y) || (self.into_times && x.times != y.times) {
                    self.pending.push(Pair { path: join(path, &a.name), blocks: [x.block, y.block] });
                    return None;
                }
                return (x.times != y.times).then_some(DifferenceKind::Times);
            }
            (x, y) if x.is_trouble() || y.is_trouble() => return Some(DifferenceKind::Unread),
            (What::Link { target: x, .. }, What::Link { target: y, .. }) => {
                return (x != y).then_some(DifferenceKind::Differs);
            }
            (What::File { size: n, content: x }, What::File { size: m, content: y }) => n == m && x == y,
            (What::Other, What::Other) => return None,
            _ => false,
        };
        match (same, far) {
            (false, _) => Some(DifferenceKind::Differs),
            (true, true) => Some(DifferenceKind::Times),
            (true, false) => None,
        }
    }
}

fn join(path: &[u8], name: &[u8]) -> Vec<u8> {
    if path.is_empty() { name.to_vec() } else { [path, b"/", name].concat() }
}
