//! A tree of digests in a file: written once from end to end, then read in any order.
//!
//! A folder's entries stand together in a *block*, subfolders' blocks before their folder's, so that an entry of a subfolder can say
//! where its block begins. Each entry is a record: its length (`u32`), a checksum (the first four bytes of its BLAKE3 digest), then `postcard`.
//! A length of zero ends a block. The file ends with the top folder's record, where that stands (`u64`), and a mark; all numbers are
//! little-endian. A file that was not finished has no such end and is no tree, and a damaged record ends its block: files whose
//! record is lost are read again.

use std::fs::File;
use std::io::{BufWriter, Read, Seek, SeekFrom, Write};

use ports::local::FileMark;
use serde::{Deserialize, Serialize};
use wire::manifest::{Entry, FolderHasher, FolderSum, What};

/// How a tree begins: its kind and version.
const BEGIN: &[u8; 8] = b"twktree1";
/// How it ends.
const END: &[u8; 8] = b"treedone";
/// No record is longer: a name has at most 255 bytes on common systems, a link 4,096.
const LONGEST: usize = 32 * 1024;
/// Read at once.
const CHUNK: usize = 16 * 1024;

/// An entry with what it is known by.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct Record {
    /// The entry.
    pub entry: Entry,
    /// When anything of the file was changed, by the system's own word.
    pub changed_ns: i64,
    /// The file's number in its file system.
    pub inode: u64,
    /// The file system's number.
    pub device: u64,
    /// Whether the mark is to be trusted: a file that was changed just before it was read could be changed again without a new time.
    pub settled: bool,
    /// When the content was seen to become what it is, in nanoseconds since 1970.
    pub content_since_ns: i64,
}

impl Record {
    /// Whether a file with this mark still has the content that stands here.
    pub fn is_of(&self, mark: &FileMark) -> bool {
        let What::File { size, .. } = self.entry.what else { return false };
        self.settled
            && size == mark.size
            && self.entry.modified_ns == mark.modified_ns
            && self.changed_ns == mark.changed_ns
            && self.inode == mark.inode
            && self.device == mark.device
    }
}

/// The top folder's record.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
struct Top {
    sum: FolderSum,
    /// Which folder it is, so that a tree is not taken for another folder's.
    path: Vec<u8>,
    /// When the look ended.
    looked_ns: i64,
}

/// Writes a tree.
pub struct TreeWriter {
    out: BufWriter<File>,
    at: u64,
    buffer: Vec<u8>,
}

/// A block that is being written.
pub struct Block {
    begin: u64,
    hasher: FolderHasher,
}

impl TreeWriter {
    /// Begins a tree in an empty file.
    ///
    /// # Errors
    /// What the system says.
    pub fn begin(file: File) -> std::io::Result<TreeWriter> {
        let mut out = BufWriter::with_capacity(256 * 1024, file);
        out.write_all(BEGIN)?;
        Ok(TreeWriter { out, at: BEGIN.len() as u64, buffer: Vec::new() })
    }

    /// Begins a folder's block. All of its subfolders' blocks have been written.
    pub fn block(&self) -> Block {
        Block { begin: self.at, hasher: FolderHasher::default() }
    }

    /// The block's next entry, in the order of entries.
    ///
    /// # Errors
    /// What the system says.
    pub fn entry(&mut self, block: &mut Block, record: &Record) -> std::io::Result<()> {
        block.hasher.on_entry(&record.entry);
        self.record(record)
    }

    /// Ends a block.
    ///
    /// # Errors
    /// What the system says.
    pub fn end_block(&mut self, block: Block) -> std::io::Result<FolderSum> {
        self.put(&[0; 4])?;
        Ok(block.hasher.finish(block.begin))
    }

    /// Ends the tree.
    ///
    /// # Errors
    /// What the system says.
    pub fn finish(mut self, sum: FolderSum, path: &[u8], looked_ns: i64) -> std::io::Result<Tree> {
        let at = self.at;
        self.record(&Top { sum, path: path.to_vec(), looked_ns })?;
        self.put(&at.to_le_bytes())?;
        self.put(END)?;
        let file = self.out.into_inner().map_err(std::io::IntoInnerError::into_error)?;
        file.sync_data()?;
        Ok(Tree { file, sum, path: path.to_vec(), looked_ns })
    }

    fn record(&mut self, what: &impl Serialize) -> std::io::Result<()> {
        let buffer = std::mem::take(&mut self.buffer);
        let mut bytes = postcard::to_extend(what, cleared(buffer)).map_err(std::io::Error::other)?;
        if bytes.len() > LONGEST {
            return Err(std::io::Error::other("an entry is too long to be kept"));
        }
        self.put(&(bytes.len() as u32).to_le_bytes())?;
        self.put(&check(&bytes))?;
        self.put(&bytes)?;
        bytes.clear();
        self.buffer = bytes;
        Ok(())
    }

    fn put(&mut self, bytes: &[u8]) -> std::io::Result<()> {
        self.at += bytes.len() as u64;
        self.out.write_all(bytes)
    }
}

fn cleared(mut v: Vec<u8>) -> Vec<u8> {
    v.clear();
    v
}

fn check(bytes: &[u8]) -> [u8; 4] {
    let digest = blake3::hash(bytes);
    let mut first = [0; 4];
    first.copy_from_slice(&digest.as_bytes()[..4]);
    first
}

/// A whole tree.
pub struct Tree {
    file: File,
    sum: FolderSum,
    path: Vec<u8>,
    looked_ns: i64,
}

/// A part of a folder's entries.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Page {
    /// The entries.
    pub entries: Vec<Entry>,
    /// Where the next part begins; none: this was the last.
    pub next: Option<u64>,
}

impl Tree {
    /// A tree in a file, if there is a whole one in it.
    pub fn open(mut file: File) -> Option<Tree> {
        let mut begin = [0; 8];
        file.seek(SeekFrom::Start(0)).ok()?;
        file.read_exact(&mut begin).ok()?;
        let mut end = [0; 16];
        file.seek(SeekFrom::End(-(end.len() as i64))).ok()?;
        file.read_exact(&mut end).ok()?;
        let (at, mark) = end.split_first_chunk::<8>()?;
        if begin != *BEGIN || mark != END {
            return None;
        }
        let top: Top = postcard::from_bytes(Reader::new(&file, u64::from_le_bytes(*at)).record()?).ok()?;
        Some(Tree { sum: top.sum, path: top.path, looked_ns: top.looked_ns, file })
    }

    /// The top folder.
    pub fn sum(&self) -> &FolderSum {
        &self.sum
    }
    /// Which folder it is.
    pub fn path(&self) -> &[u8] {
        &self.path
    }
    /// When the look ended, in nanoseconds since 1970.
    pub fn looked_ns(&self) -> i64 {
        self.looked_ns
    }

    /// A part of a block: at most `most` entries from `from` on (0: its beginning). Whatever the numbers are, nothing but entries comes out.
    pub fn page(&self, block: u64, from: u64, most: usize) -> Page {
        let begin = if from == 0 { block } else { from };
        let mut reader = Reader::new(&self.file, begin);
        let mut page = Page::default();
        while page.entries.len() < most {
            let Some(record) = reader.entry() else { return page };
            page.entries.push(record.entry);
            // With the longest record behind it, this still fits into one message.
            if reader.at.saturating_sub(begin) > CHUNK as u64 {
                break;
            }
        }
        page.next = Some(reader.at);
        page
    }

    /// The entries of a block, one after the other.
    pub fn read(&self, block: u64) -> Reader<'_> {
        Reader::new(&self.file, block)
    }
}

/// Reads the records of a block.
pub struct Reader<'a> {
    file: &'a File,
    /// Where the next record begins.
    at: u64,
    held: Vec<u8>,
    /// Where in the file `held` begins.
    held_at: u64,
    /// A record that was read too early.
    ahead: Option<Record>,
}

impl<'a> Reader<'a> {
    fn new(file: &'a File, at: u64) -> Reader<'a> {
        Reader { file, at, held: Vec::new(), held_at: 0, ahead: None }
    }

    /// The next entry; none at the end of the block, and at damage.
    pub fn entry(&mut self) -> Option<Record> {
        if let Some(r) = self.ahead.take() {
            return Some(r);
        }
        postcard::from_bytes(self.record()?).ok()
    }

    /// The entry with this name among the folders or the others. To be asked in the order of entries.
    pub fn find(&mut self, name: &[u8], folder: bool) -> Option<Record> {
        loop {
            let r = self.entry()?;
            match (!r.entry.what.is_folder()).cmp(&!folder).then_with(|| r.entry.name.as_slice().cmp(name)) {
                std::cmp::Ordering::Less => {}
                std::cmp::Ordering::Equal => return Some(r),
                std::cmp::Ordering::Greater => {
                    self.ahead = Some(r);
                    return None;
                }
            }
        }
    }

    fn record(&mut self) -> Option<&[u8]> {
        let head = self.bytes(self.at, 4)?;
        let len = u32::from_le_bytes(*head.first_chunk()?) as usize;
        if len == 0 || len > LONGEST {
            return None;
        }
        let at = self.at.checked_add(4)?;
        self.at = at.checked_add(4 + len as u64)?;
        let (sum, body) = self.bytes(at, 4 + len)?.split_first_chunk::<4>()?;
        (check(body) == *sum).then_some(body)
    }

    fn bytes(&mut self, at: u64, len: usize) -> Option<&[u8]> {
        let from = at.checked_sub(self.held_at).and_then(|d| usize::try_from(d).ok());
        let there = from.filter(|f| f.checked_add(len).is_some_and(|end| end <= self.held.len()));
        let from = match there {
            Some(f) => f,
            None => {
                self.fill(at, len.max(CHUNK));
                0
            }
        };
        self.held.get(from..from + len)
    }

    fn fill(&mut self, at: u64, len: usize) {
        self.held.clear();
        self.held_at = at;
        let mut file = self.file;
        if file.seek(SeekFrom::Start(at)).is_ok() {
            // What could be read stays; a record that is cut short is none.
            let _ = file.take(len as u64).read_to_end(&mut self.held);
        }
    }
}
