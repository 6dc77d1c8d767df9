//! The walk through a folder.

use std::ffi::OsStr;
use std::path::{Path, PathBuf};

use ports::local::{FileMark, mark};
use settings::ignore::Ignore;
use wire::manifest::{Entry, FolderSum, What};

use super::file;
use super::tree::{Reader, Record, Tree, TreeWriter};
use super::{Done, Look, LookError, Looked, Pace, Since};

/// Folders in folders in folders: deeper ones are told as unreadable.
const DEEPEST: usize = 512;
/// A file that was changed so shortly before it was read could change again within one tick of its file system's clock (two seconds on
/// the coarsest, common practice): it is read again the next time.
const TICK_NS: i64 = 2_000_000_000;

/// The stack in bytes that a thread needs which walks through the deepest folders.
pub const fn deep_stack() -> usize {
    16 << 20
}

pub fn look(what: &Look<'_>, out: std::fs::File, pace: &mut dyn Pace) -> Result<Looked, LookError> {
    let names = list(what.root, b"", what.ignore).map_err(|e| LookError::Folder(what.root.into(), e))?;
    let path = what.root.as_os_str().as_encoded_bytes();
    let old = what.old.filter(|t| t.path() == path);
    let mut walk = Walk {
        what,
        old,
        out: TreeWriter::begin(out).map_err(LookError::Keep)?,
        pace,
        done: Done::default(),
        since: what.changed_after_ns.map(|after_ns| Since { after_ns, ..Since::default() }),
        buffer: vec![0; file::BUFFER],
    };
    let mut at = what.root.to_owned();
    let sum = walk.folder(names, &mut at, &mut Vec::new(), old.map(|t| t.sum().block), 0)?;
    let tree = walk.out.finish(sum, path, (what.wall_ns)()).map_err(LookError::Keep)?;
    Ok(Looked { tree, done: walk.done, since: walk.since })
}

pub fn count(root: &Path, ignore: &Ignore) -> Done {
    fn inside(at: &mut PathBuf, path: &mut Vec<u8>, ignore: &Ignore, depth: usize, done: &mut Done) {
        let Ok(names) = list(at, path, ignore) else { return };
        for name in &names.folders {
            if depth < DEEPEST {
                within(at, path, name, |at, path| inside(at, path, ignore, depth + 1, done));
            }
        }
        for name in &names.others {
            done.files += 1;
            at.push(&**name);
            done.bytes += at.symlink_metadata().ok().filter(std::fs::Metadata::is_file).map_or(0, |m| m.len());
            at.pop();
        }
    }
    let mut done = Done::default();
    inside(&mut root.to_owned(), &mut Vec::new(), ignore, 0, &mut done);
    done
}

/// A folder's names, in the order of entries.
struct Names {
    folders: Vec<Box<OsStr>>,
    others: Vec<Box<OsStr>>,
}

fn list(at: &Path, path: &[u8], ignore: &Ignore) -> std::io::Result<Names> {
    let mut names = Names { folders: Vec::new(), others: Vec::new() };
    let mut whole = path.to_vec();
    for e in std::fs::read_dir(at)? {
        let e = e?;
        let name = e.file_name();
        let folder = e.file_type()?.is_dir();
        extend(&mut whole, &name);
        let left_out = ignore.leaves_out(&whole, folder);
        whole.truncate(path.len());
        if !left_out {
            if folder { &mut names.folders } else { &mut names.others }.push(name.into_boxed_os_str());
        }
    }
    for n in [&mut names.folders, &mut names.others] {
        n.sort_unstable_by(|a, b| a.as_encoded_bytes().cmp(b.as_encoded_bytes()));
    }
    Ok(names)
}

fn extend(path: &mut Vec<u8>, name: &OsStr) {
    if !path.is_empty() {
        path.push(b'/');
    }
    path.extend_from_slice(name.as_encoded_bytes());
}

/// Does something with a name put behind both paths.
fn within<T>(
    at: &mut PathBuf,
    path: &mut Vec<u8>,
    name: &OsStr,
    what: impl FnOnce(&mut PathBuf, &mut Vec<u8>) -> T,
) -> T {
    let len = path.len();
    at.push(name);
    extend(path, name);
    let done = what(at, path);
    at.pop();
    path.truncate(len);
    done
}

struct Walk<'a> {
    what: &'a Look<'a>,
    old: Option<&'a Tree>,
    out: TreeWriter,
    pace: &'a mut dyn Pace,
    done: Done,
    since: Option<Since>,
    buffer: Vec<u8>,
}

impl Walk<'_> {
    /// A folder whose names are known. `path` is `at` from the top on.
    fn folder(
        &mut self,
        names: Names,
        at: &mut PathBuf,
        path: &mut Vec<u8>,
        old: Option<u64>,
        depth: usize,
    ) -> Result<FolderSum, LookError> {
        let mut old: Option<Reader<'_>> = self.old.zip(old).map(|(t, block)| t.read(block));
        // Subfolders' blocks come before the folder's own, so their entries wait.
        let mut folders = Vec::with_capacity(names.folders.len());
        for name in &names.folders {
            let before = old.as_mut().and_then(|o| o.find(name.as_encoded_bytes(), true));
            let entry = within(at, path, name, |at, path| self.subfolder(name, at, path, before, depth))?;
            folders.extend(entry);
        }
        drop(names.folders);
        let mut block = self.out.block();
        for record in &folders {
            self.out.entry(&mut block, record).map_err(LookError::Keep)?;
        }
        drop(folders);
        for name in &names.others {
            let before = old.as_mut().and_then(|o| o.find(name.as_encoded_bytes(), false));
            if let Some(record) = within(at, path, name, |at, path| self.other(name, at, path, before))? {
                self.out.entry(&mut block, &record).map_err(LookError::Keep)?;
            }
        }
        self.out.end_block(block).map_err(LookError::Keep)
    }

    fn subfolder(
        &mut self,
        name: &OsStr,
        at: &mut PathBuf,
        path: &mut Vec<u8>,
        before: Option<Record>,
        depth: usize,
    ) -> Result<Option<Record>, LookError> {
        let names = if depth < DEEPEST {
            list(at, path, self.what.ignore).map_err(|e| file::plain(&e))
        } else {
            Err("folders lie too deep in each other".into())
        };
        let what = match names {
            Ok(names) => {
                let block = before.and_then(|r| if let What::Folder(f) = r.entry.what { Some(f.block) } else { None });
                What::Folder(self.folder(names, at, path, block, depth + 1)?)
            }
            // One that was removed meanwhile is not there; another is, unreadable as it is.
            Err(_) if matches!(at.try_exists(), Ok(false)) => return Ok(None),
            Err(why) => {
                self.done.files += 1;
                return Ok(Some(unread_folder(name, at, why)));
            }
        };
        let modified_ns = at.symlink_metadata().map_or(0, |m| mark(&m).modified_ns);
        Ok(Some(plain_record(name, modified_ns, what)))
    }

    /// What is no folder; none when it was removed meanwhile.
    fn other(
        &mut self,
        name: &OsStr,
        at: &Path,
        path: &mut Vec<u8>,
        before: Option<Record>,
    ) -> Result<Option<Record>, LookError> {
        let m = match at.symlink_metadata() {
            Ok(m) => m,
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Ok(None),
            Err(e) => return Ok(Some(plain_record(name, 0, What::Unreadable { why: file::plain(&e), folder: false }))),
        };
        let seen = mark(&m);
        self.done.files += 1;
        let record = if m.is_symlink() {
            plain_record(name, seen.modified_ns, self.link(at, path))
        } else if !m.is_file() {
            plain_record(name, seen.modified_ns, What::Other)
        } else {
            match before {
                Some(old) if self.what.trust_marks && old.is_of(&seen) => old,
                before => self.read(name, at, &seen, before.as_ref())?,
            }
        };
        self.done.bytes += record.entry.what.bytes();
        if let Some(s) = self.since.as_mut().filter(|s| record.content_since_ns > s.after_ns) {
            s.files += 1;
            s.first_ns = if s.files == 1 { record.content_since_ns } else { s.first_ns.min(record.content_since_ns) };
            if record.content_since_ns >= s.last_ns {
                s.last_ns = record.content_since_ns;
                s.example.clone_from(path);
            }
        }
        if self.pace.on_progress(&self.done, 0) { Ok(Some(record)) } else { Err(LookError::GivenUp) }
    }

    fn read(&mut self, name: &OsStr, at: &Path, seen: &FileMark, before: Option<&Record>) -> Result<Record, LookError> {
        let (what, read) = file::read(at, &mut self.buffer, &mut self.done, self.pace)?;
        let same = before.is_some_and(|b| b.entry.what == what);
        self.done.changed += u64::from(!same);
        let newest = read.modified_ns.max(read.changed_ns);
        let by_system = if read.changed_ns == 0 { read.modified_ns } else { read.changed_ns };
        let mark = if read == FileMark::default() { *seen } else { read };
        Ok(Record {
            entry: Entry { name: name.as_encoded_bytes().to_vec(), modified_ns: mark.modified_ns, what },
            changed_ns: mark.changed_ns,
            inode: mark.inode,
            device: mark.device,
            // One that lies far ahead is settled too: a change now would not bear that time again.
            settled: (self.what.wall_ns)().saturating_sub(by_system).saturating_abs() > TICK_NS,
            // A file's own times may be set by whoever copies it; the system's are not. What was read before and is the same was not changed.
            content_since_ns: before.filter(|_| same).map_or(newest, |b| b.content_since_ns),
        })
    }

    fn link(&self, at: &Path, path: &[u8]) -> What {
        match std::fs::read_link(at) {
            Ok(target) => {
                let leaves = leaves(self.what.root, path, &target);
                What::Link { target: target.into_os_string().into_encoded_bytes(), leaves }
            }
            Err(e) => What::Unreadable { why: file::plain(&e), folder: false },
        }
    }
}

/// A folder that cannot be read.
fn unread_folder(name: &OsStr, at: &Path, why: String) -> Record {
    let modified_ns = at.symlink_metadata().map_or(0, |m| mark(&m).modified_ns);
    plain_record(name, modified_ns, What::Unreadable { why, folder: true })
}

fn plain_record(name: &OsStr, modified_ns: i64, what: What) -> Record {
    Record {
        entry: Entry { name: name.as_encoded_bytes().to_vec(), modified_ns, what },
        changed_ns: 0,
        inode: 0,
        device: 0,
        settled: false,
        content_since_ns: 0,
    }
}

/// Whether a link at `path` (from the top) points out of the folder, as far as its words go.
fn leaves(root: &Path, path: &[u8], target: &Path) -> bool {
    if target.is_absolute() {
        return !target.starts_with(root) || target.components().any(|c| c == std::path::Component::ParentDir);
    }
    let mut depth = path.iter().filter(|c| **c == b'/').count() as i64;
    for part in target.components() {
        match part {
            std::path::Component::ParentDir => depth -= 1,
            std::path::Component::Normal(_) => depth += 1,
            _ => {}
        }
        if depth < 0 {
            return true;
        }
    }
    false
}
