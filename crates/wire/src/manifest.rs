//! What a folder holds, as a tree of digests: two machines whose folders are the same tell so with 32 bytes, and only the
//! subfolders that differ have to be told entry by entry.
//!
//! Names are bytes as the file system has them, in whatever encoding. A folder's entries are ordered subfolders first, then
//! by the bytes of their names. A folder has two digests, so that a difference of times alone is told apart:
//! [`FolderSum::content`] covers names, kinds and contents, [`FolderSum::times`] names and times of change. A digest is BLAKE3 with a
//! context of its own (its `derive_key` mode), so that no file's content can pass for a folder.

mod compare;
mod words;

use serde::{Deserialize, Serialize};

pub use compare::{Behind, Comparison, Counts, Difference, DifferenceKind, Differences, Half, Want};
pub use words::{hex, of_wall, printable, size, tell};

/// A BLAKE3 digest.
pub type Digest = [u8; 32];

/// One entry of a folder.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct Entry {
    /// Its name, as the file system has it.
    pub name: Vec<u8>,
    /// When its content was last changed as its file system says, in nanoseconds since 1970 (UTC).
    pub modified_ns: i64,
    /// What it is.
    pub what: What,
}

/// What an entry is.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub enum What {
    /// A subfolder.
    Folder(FolderSum),
    /// A file that was read whole and did not change meanwhile.
    File {
        /// Its length in bytes.
        size: u64,
        /// The digest of its content.
        content: Digest,
    },
    /// A link, which is never followed: it is compared by what it says.
    Link {
        /// Where it points, as it says.
        target: Vec<u8>,
        /// Whether that lies outside of the folder, so that what is there is compared by nobody.
        leaves: bool,
    },
    /// A pipe, socket or device: compared by being there.
    Other,
    /// It could not be read, so that it is the same as nothing.
    Unreadable {
        /// Why, in words.
        why: String,
        /// Whether it is a folder.
        folder: bool,
    },
    /// It changed each time it was read, so that it is the same as nothing.
    Unsteady {
        /// Its length in bytes at the last try.
        size: u64,
    },
}

impl What {
    /// Whether it stands among the folders.
    pub fn is_folder(&self) -> bool {
        matches!(self, What::Folder(_) | What::Unreadable { folder: true, .. })
    }
    /// Whether nothing can be said of its content.
    pub fn is_trouble(&self) -> bool {
        match self {
            What::Unreadable { .. } | What::Unsteady { .. } => true,
            What::Folder(f) => f.troubles > 0,
            _ => false,
        }
    }
    /// Files in it: its own for a file.
    pub fn files(&self) -> u64 {
        match self {
            What::Folder(f) => f.files,
            _ => 1,
        }
    }
    /// Bytes in it.
    pub fn bytes(&self) -> u64 {
        match self {
            What::Folder(f) => f.bytes,
            What::File { size, .. } | What::Unsteady { size } => *size,
            _ => 0,
        }
    }
}

/// A folder as a whole.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct FolderSum {
    /// Names, kinds and contents of all that is in it.
    pub content: Digest,
    /// Names and times of change of all that is in it.
    pub times: Digest,
    /// Entries in it and its subfolders that are no folders.
    pub files: u64,
    /// Bytes in them.
    pub bytes: u64,
    /// Entries among them of which nothing can be said: unreadable, or changing while read.
    pub troubles: u64,
    /// Where the sender keeps its entries: a number that is given back to ask for them.
    pub block: u64,
}

impl FolderSum {
    /// Whether both certainly hold the same names with the same contents.
    pub fn is_same(&self, other: &FolderSum) -> bool {
        self.content == other.content && self.troubles == 0 && other.troubles == 0
    }
}

/// Makes a folder's digests from its entries, given in their order.
pub struct FolderHasher {
    content: blake3::Hasher,
    times: blake3::Hasher,
    sum: FolderSum,
}

impl Default for FolderHasher {
    fn default() -> FolderHasher {
        FolderHasher {
            content: blake3::Hasher::new_derive_key("twinkeel 2026 folder content"),
            times: blake3::Hasher::new_derive_key("twinkeel 2026 folder times"),
            sum: FolderSum::default(),
        }
    }
}

impl FolderHasher {
    /// The next entry.
    pub fn on_entry(&mut self, e: &Entry) {
        for h in [&mut self.content, &mut self.times] {
            h.update(&(e.name.len() as u64).to_le_bytes()).update(&e.name);
        }
        let c = &mut self.content;
        match &e.what {
            What::Folder(f) => c.update(b"d").update(&f.content),
            What::File { size, content } => c.update(b"f").update(&size.to_le_bytes()).update(content),
            What::Link { target, .. } => c.update(b"l").update(&(target.len() as u64).to_le_bytes()).update(target),
            What::Other => c.update(b"o"),
            What::Unreadable { .. } => c.update(b"u"),
            What::Unsteady { .. } => c.update(b"s"),
        };
        match &e.what {
            // A folder's own time tells only that something was done in it: what is in it has times of its own.
            What::Folder(f) => self.times.update(b"d").update(&f.times),
            _ => self.times.update(b"-").update(&e.modified_ns.to_le_bytes()),
        };
        self.sum.files = self.sum.files.saturating_add(e.what.files());
        self.sum.bytes = self.sum.bytes.saturating_add(e.what.bytes());
        self.sum.troubles = self.sum.troubles.saturating_add(match &e.what {
            What::Folder(f) => f.troubles,
            w => u64::from(w.is_trouble()),
        });
    }

    /// The folder, kept at `block`.
    pub fn finish(self, block: u64) -> FolderSum {
        FolderSum {
            content: *self.content.finalize().as_bytes(),
            times: *self.times.finalize().as_bytes(),
            block,
            ..self.sum
        }
    }
}

/// The order of entries: subfolders first, then by the bytes of the name.
pub fn order(a: &Entry, b: &Entry) -> core::cmp::Ordering {
    b.what.is_folder().cmp(&a.what.is_folder()).then_with(|| a.name.cmp(&b.name))
}

/// How far two clocks of file systems may lie apart before times count as different: some keep whole seconds, the coarsest two
/// (FAT, common practice).
pub const SAME_TIME_NS: i64 = 2_000_000_000;

/// What an agent tells of one of its folders: at each change, and now and then.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct Manifest {
    /// The folder's name in the agent's settings: folders of one name are compared.
    pub folder: String,
    /// Counts up with each look at the folder that found it changed. Blocks belong to a look.
    pub look: u64,
    /// What the last whole look found.
    pub sum: Option<FolderSum>,
    /// When that look ended, in nanoseconds since 1970 by the agent's wall clock.
    pub looked_ns: i64,
    /// A digest of the rules by which files are left out: folders with other rules are not alike.
    pub rules: Digest,
    /// Why the folder cannot be looked at, in words; empty: it can.
    pub trouble: String,
    /// The look that is under way.
    pub progress: Option<Progress>,
    /// What the player has of it.
    pub loaded: Loaded,
}

/// How far a look is.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct Progress {
    /// Files done.
    pub files: u64,
    /// Of so many; 0: not known yet.
    pub of_files: u64,
    /// Bytes done, read or known from before.
    pub bytes: u64,
    /// Of so many; 0: not known yet.
    pub of_bytes: u64,
    /// Bytes read a second, lately.
    pub rate: u64,
    /// It waits for the song to end.
    pub waits: bool,
}

/// Whether the player opened its session before its files changed: the same files are not the same session loaded.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct Loaded {
    /// When the player's process was started, in nanoseconds since 1970; none: no player is known.
    pub player_since_ns: Option<i64>,
    /// Files whose content changed after that.
    pub changed: u64,
    /// The first of those changes.
    pub first_ns: i64,
    /// The newest of them.
    pub last_ns: i64,
    /// One of these files, for people.
    pub example: String,
    /// Files that the player holds open though others have taken their places: it surely plays old ones. None: the system does not tell.
    pub replaced: Option<u64>,
}

/// A part of a folder's entries.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct Listing {
    /// The folder's name in the agent's settings.
    pub folder: String,
    /// The look it belongs to.
    pub look: u64,
    /// The block that was asked for ...
    pub block: u64,
    /// ... and from where on in it: 0 is its beginning.
    pub from: u64,
    /// The entries in their order.
    pub entries: Vec<Entry>,
    /// Where the next part begins; none: this was the last.
    pub next: Option<u64>,
}

/// Asks for a part of a folder's entries.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct WantListing {
    /// The folder's name in the agent's settings.
    pub folder: String,
    /// The look it belongs to. When there is a newer one, its manifest is the answer.
    pub look: u64,
    /// The block.
    pub block: u64,
    /// From where on in it: 0 is its beginning.
    pub from: u64,
}
