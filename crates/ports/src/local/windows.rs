//! Loopback TCP in the place of Unix-domain sockets.

use std::net::{Ipv4Addr, TcpListener, TcpStream};
use std::path::Path;

use super::FileMark;

/// A local connection.
pub type Stream = TcpStream;
pub type Listener = TcpListener;

pub fn bind(path: &Path) -> std::io::Result<Listener> {
    let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0))?;
    std::fs::write(path, listener.local_addr()?.port().to_string())?;
    Ok(listener)
}

pub fn accept(l: &Listener) -> std::io::Result<Stream> {
    let (s, _) = l.accept()?;
    s.set_nodelay(true)?;
    Ok(s)
}

pub fn connect(path: &Path) -> std::io::Result<Stream> {
    let port = std::fs::read_to_string(path)?.trim().parse().map_err(std::io::Error::other)?;
    let s = TcpStream::connect((Ipv4Addr::LOCALHOST, port))?;
    s.set_nodelay(true)?;
    Ok(s)
}

pub fn mode(_: &Path) -> Option<u32> {
    None
}

pub fn write_secret(path: &Path, text: &str) -> std::io::Result<()> {
    std::fs::write(path, text)
}

pub fn mark(m: &std::fs::Metadata) -> FileMark {
    let since_1970 = m.modified().ok().and_then(|t| t.duration_since(std::time::UNIX_EPOCH).ok());
    let modified_ns = since_1970.and_then(|d| i64::try_from(d.as_nanos()).ok()).unwrap_or(0);
    FileMark { size: m.len(), modified_ns, ..FileMark::default() }
}

pub fn open_plain(path: &Path) -> std::io::Result<std::fs::File> {
    if std::fs::symlink_metadata(path)?.is_symlink() {
        return Err(std::io::Error::other("it is a link"));
    }
    std::fs::File::open(path)
}
