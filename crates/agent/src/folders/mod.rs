//! Session folders: what is in them, as a tree of digests that is kept in a file of its own, so that what has not changed need not be
//! read again, neither after a restart.
//!
//! [`look`] walks a folder and writes its tree ([`tree::Tree`]) while it reads the tree of the last look beside it. Both are walked in
//! one order, so that memory holds one folder's names for each level and nothing that grows with the number of files. `keeper` is
//! the agent's thread that does so again and again and answers the supervisor.

mod file;
pub(crate) mod keeper;
pub mod tree;
mod walk;

use std::path::{Path, PathBuf};

use settings::ignore::Ignore;

pub use tree::{Page, Tree};
pub use walk::deep_stack;

/// How far a look is.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Done {
    /// Entries that are no folders.
    pub files: u64,
    /// Their bytes.
    pub bytes: u64,
    /// Bytes of them that were read, the others being known from before.
    pub read: u64,
    /// Files whose content is another than at the last look, or new.
    pub changed: u64,
}

/// Files whose content changed after an instant.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Since {
    /// The instant, in nanoseconds since 1970.
    pub after_ns: i64,
    /// How many.
    pub files: u64,
    /// The first change.
    pub first_ns: i64,
    /// The newest.
    pub last_ns: i64,
    /// The path of one.
    pub example: Vec<u8>,
}

/// Who is asked during a look whether it may go on.
pub trait Pace {
    /// So much was read just now (0: an entry was looked at). May wait. False: give up the look.
    fn on_progress(&mut self, done: &Done, read_now: usize) -> bool;
}

/// A pace that never waits.
pub struct AtOnce;

impl Pace for AtOnce {
    fn on_progress(&mut self, _: &Done, _: usize) -> bool {
        true
    }
}

/// What is looked at, and how.
pub struct Look<'a> {
    /// The folder.
    pub root: &'a Path,
    /// What is left out.
    pub ignore: &'a Ignore,
    /// The last look at it.
    pub old: Option<&'a Tree>,
    /// Whether files count as known when nothing is to be seen of a change; false: everything is read again.
    pub trust_marks: bool,
    /// Count the files changed after this, in nanoseconds since 1970.
    pub changed_after_ns: Option<i64>,
    /// The wall clock, in nanoseconds since 1970.
    pub wall_ns: fn() -> i64,
}

/// What a look found.
pub struct Looked {
    /// The tree.
    pub tree: Tree,
    /// How much there was.
    pub done: Done,
    /// What changed after the instant that was asked about.
    pub since: Option<Since>,
}

/// Why there is no tree.
#[derive(Debug, thiserror::Error)]
pub enum LookError {
    /// The folder itself cannot be read.
    #[error("{}: {why}", .0.display(), why = file::plain(.1))]
    Folder(PathBuf, std::io::Error),
    /// The tree cannot be written.
    #[error("the list of what was found cannot be kept: {0}")]
    Keep(std::io::Error),
    /// [`Pace::on_progress`] said so.
    #[error("given up")]
    GivenUp,
}

/// Looks at a folder and writes its tree into `out`, an empty file open for reading and writing.
///
/// Links are not followed. A folder in it that cannot be read is an entry of the tree and no error. Needs a stack that is
/// deep enough: see [`deep_stack`].
///
/// # Errors
/// See [`LookError`].
pub fn look(what: &Look<'_>, out: std::fs::File, pace: &mut dyn Pace) -> Result<Looked, LookError> {
    walk::look(what, out, pace)
}

/// How much there is to read, by walking alone: entries that are no folders and their bytes, for a progress bar. What cannot be read is
/// left out of the count.
pub fn count(root: &Path, ignore: &Ignore) -> Done {
    walk::count(root, ignore)
}
