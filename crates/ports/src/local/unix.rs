//! Unix-domain sockets and file modes.

use std::io::Write;
use std::os::unix::fs::{MetadataExt, OpenOptionsExt, PermissionsExt};
use std::os::unix::net::{UnixListener, UnixStream};
use std::path::Path;

use super::FileMark;

/// A local connection.
pub type Stream = UnixStream;
pub type Listener = UnixListener;

pub fn bind(path: &Path) -> std::io::Result<Listener> {
    if path.exists() {
        if UnixStream::connect(path).is_ok() {
            return Err(std::io::Error::new(std::io::ErrorKind::AddrInUse, "another process serves this socket"));
        }
        std::fs::remove_file(path)?;
    }
    let listener = UnixListener::bind(path)?;
    std::fs::set_permissions(path, std::fs::Permissions::from_mode(0o600))?;
    Ok(listener)
}

pub fn accept(l: &Listener) -> std::io::Result<Stream> {
    l.accept().map(|(s, _)| s)
}

pub fn connect(path: &Path) -> std::io::Result<Stream> {
    UnixStream::connect(path)
}

pub fn mode(path: &Path) -> Option<u32> {
    std::fs::metadata(path).ok().map(|m| m.permissions().mode() & 0o777)
}

pub fn write_secret(path: &Path, text: &str) -> std::io::Result<()> {
    let mut file = std::fs::OpenOptions::new().write(true).create(true).truncate(true).mode(0o600).open(path)?;
    file.set_permissions(std::fs::Permissions::from_mode(0o600))?;
    file.write_all(text.as_bytes())
}

pub fn mark(m: &std::fs::Metadata) -> FileMark {
    let ns = |s: i64, ns: i64| s.saturating_mul(1_000_000_000).saturating_add(ns);
    FileMark {
        size: m.len(),
        modified_ns: ns(m.mtime(), m.mtime_nsec()),
        changed_ns: ns(m.ctime(), m.ctime_nsec()),
        inode: m.ino(),
        device: m.dev(),
    }
}

pub fn open_plain(path: &Path) -> std::io::Result<std::fs::File> {
    let flags = nix::fcntl::OFlag::O_NOFOLLOW | nix::fcntl::OFlag::O_NONBLOCK;
    std::fs::OpenOptions::new().read(true).custom_flags(flags.bits()).open(path)
}
