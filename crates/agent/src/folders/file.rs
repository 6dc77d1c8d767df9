//! One file: its digest, if it holds still while it is read.

use std::io::Read;
use std::path::Path;

use ports::local::{FileMark, mark, open_plain};
use wire::manifest::What;

use super::{Done, LookError, Pace};

/// A file that changed while it was read is read again so often.
const TRIES: usize = 3;
/// Read at once: large enough for the hash to use the processor's widest units, small enough to stay in its cache.
pub const BUFFER: usize = 256 * 1024;

/// Reads a file and says what it is, with the mark that belongs to that content.
pub fn read(
    path: &Path,
    buffer: &mut [u8],
    done: &mut Done,
    pace: &mut dyn Pace,
) -> Result<(What, FileMark), LookError> {
    let unreadable = |e: std::io::Error| (What::Unreadable { why: plain(&e), folder: false }, FileMark::default());
    let mut last = FileMark::default();
    for _ in 0..TRIES {
        let mut file = match open_plain(path) {
            Ok(f) => f,
            Err(e) => return Ok(unreadable(e)),
        };
        let before = match file.metadata() {
            Ok(m) if m.is_file() => mark(&m),
            Ok(_) => return Ok((What::Other, FileMark::default())),
            Err(e) => return Ok(unreadable(e)),
        };
        let mut hasher = blake3::Hasher::new();
        let mut total = 0u64;
        loop {
            match file.read(buffer) {
                Ok(0) => break,
                Ok(n) => {
                    hasher.update(&buffer[..n]);
                    total += n as u64;
                    done.read += n as u64;
                    if !pace.on_progress(done, n) {
                        return Err(LookError::GivenUp);
                    }
                    if total > before.size {
                        // It grows as it is read: there need be no end.
                        break;
                    }
                }
                Err(e) if e.kind() == std::io::ErrorKind::Interrupted => {}
                Err(e) => return Ok(unreadable(e)),
            }
        }
        // What has its place now: a file that was replaced while it was read is another.
        let after = std::fs::symlink_metadata(path).map(|m| mark(&m));
        if total == before.size && after.is_ok_and(|a| a == before) {
            return Ok((What::File { size: total, content: *hasher.finalize().as_bytes() }, before));
        }
        last = before;
    }
    Ok((What::Unsteady { size: last.size }, last))
}

/// The reason alone, without the system's number.
pub fn plain(e: &std::io::Error) -> String {
    let text = e.to_string();
    match text.split_once(" (os error") {
        Some((words, _)) => words.to_lowercase(),
        None => text,
    }
}
