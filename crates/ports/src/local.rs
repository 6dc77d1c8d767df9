//! Local sockets, files that belong to one user alone, and what a file is known by.
//!
//! On Unix a local socket is a Unix-domain socket with mode 0600. Elsewhere it is a TCP socket on loopback whose port stands in
//! the file of that name.

use std::io::Write as _;
use std::path::Path;

#[cfg(unix)]
mod unix;
#[cfg(not(unix))]
mod windows;

#[cfg(unix)]
use unix as sys;
#[cfg(not(unix))]
use windows as sys;

pub use sys::Stream;

/// Takes local connections.
pub struct Listener(sys::Listener);

impl Listener {
    /// Makes the socket, in the place of one that a dead process left behind.
    ///
    /// # Errors
    /// The path, and why it cannot be.
    pub fn bind(path: &Path) -> std::io::Result<Listener> {
        sys::bind(path).map(Listener).map_err(|e| std::io::Error::new(e.kind(), format!("{}: {e}", path.display())))
    }
    /// Waits for the next connection.
    ///
    /// # Errors
    /// What the system says.
    pub fn accept(&self) -> std::io::Result<Stream> {
        sys::accept(&self.0)
    }
}

/// Connects to a local socket.
///
/// # Errors
/// The path, and why it cannot be.
pub fn connect(path: &Path) -> std::io::Result<Stream> {
    sys::connect(path).map_err(|e| std::io::Error::new(e.kind(), format!("{}: {e}", path.display())))
}

/// Why a secret file is not secret, if others may read it. None too when the system has no such notion.
pub fn readable_by_others(path: &Path) -> Option<String> {
    sys::mode(path).filter(|m| m & 0o077 != 0).map(|m| format!("others may read this secret (mode {m:03o})"))
}

/// Why a configuration file is not to be trusted: others may write it.
pub fn writable_by_others(path: &Path) -> Option<String> {
    sys::mode(path).filter(|m| m & 0o022 != 0).map(|m| format!("others may change this file (mode {m:03o})"))
}

/// Writes a file that only its owner may read.
///
/// # Errors
/// The path, and why it cannot be.
pub fn write_secret(path: &Path, text: &str) -> std::io::Result<()> {
    sys::write_secret(path, text).map_err(|e| std::io::Error::new(e.kind(), format!("{}: {e}", path.display())))
}

/// Replaces a file whole: a power cut leaves the old one or the new one, never half of one.
///
/// # Errors
/// What the system says of the file or its folder.
pub fn replace(path: &Path, text: &str) -> std::io::Result<()> {
    swap(path, text, |new| std::fs::File::create(new).map(drop))
}

/// The same for a file that only its owner may read.
///
/// # Errors
/// What the system says of the file or its folder.
pub fn replace_secret(path: &Path, text: &str) -> std::io::Result<()> {
    swap(path, text, |new| write_secret(new, ""))
}

/// Writes beside the file into one that `begin` made, and puts that in its place.
fn swap(path: &Path, text: &str, begin: impl FnOnce(&Path) -> std::io::Result<()>) -> std::io::Result<()> {
    let mut new = path.as_os_str().to_owned();
    new.push(".new");
    let new = Path::new(&new);
    begin(new)?;
    let mut file = std::fs::OpenOptions::new().write(true).open(new)?;
    file.write_all(text.as_bytes())?;
    file.sync_all()?;
    std::fs::rename(new, path)
}

/// What a file is known by without reading it: while all of it stays, its content is taken to stay. Nothing here is the content: a
/// program that wants to deceive can.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct FileMark {
    /// Length in bytes.
    pub size: u64,
    /// When its content was changed, in nanoseconds since 1970; programs can set it.
    pub modified_ns: i64,
    /// When anything of it was changed, by the system's own word; 0: the system has no such notion.
    pub changed_ns: i64,
    /// The file's number in its file system; 0: the system does not tell.
    pub inode: u64,
    /// The file system's number.
    pub device: u64,
}

/// A file's mark.
pub fn mark(m: &std::fs::Metadata) -> FileMark {
    sys::mark(m)
}

/// Opens a file to be read, but neither through a link nor waiting for anybody (a pipe).
///
/// # Errors
/// What the system says.
pub fn open_plain(path: &Path) -> std::io::Result<std::fs::File> {
    sys::open_plain(path)
}

#[cfg(all(test, unix))]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use std::io::{Read, Write};
    use std::os::unix::fs::PermissionsExt;

    #[test]
    fn a_local_socket_is_private_and_replaces_a_stale_one() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("feed");
        drop(Listener::bind(&path).unwrap());
        let listener = Listener::bind(&path).unwrap();
        assert_eq!(std::fs::metadata(&path).unwrap().permissions().mode() & 0o777, 0o600);
        let mut client = connect(&path).unwrap();
        let mut server = listener.accept().unwrap();
        client.write_all(b"hi").unwrap();
        let mut got = [0; 2];
        server.read_exact(&mut got).unwrap();
        assert_eq!(&got, b"hi");
    }

    #[test]
    fn a_socket_in_use_is_not_taken() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("feed");
        let _first = Listener::bind(&path).unwrap();
        assert!(Listener::bind(&path).is_err());
    }

    #[test]
    fn secrets_are_for_their_owner() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("key");
        write_secret(&path, "secret").unwrap();
        assert_eq!(readable_by_others(&path), None);
        std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o644)).unwrap();
        assert!(readable_by_others(&path).unwrap().contains("644"));
    }
}
