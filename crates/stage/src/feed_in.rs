//! The receiving end of a feed socket, for a thread that serves several and must never wait for one.

use std::io::{self, Read};
use std::os::fd::{AsFd, BorrowedFd};
use std::os::unix::net::{UnixListener, UnixStream};
use std::path::Path;

use wire::feed::{FeedFrame, FeedReader};

/// A socket that one player at a time feeds.
pub struct FeedIn {
    listener: UnixListener,
    feed: Option<(UnixStream, FeedReader)>,
}

impl FeedIn {
    /// Makes the socket.
    ///
    /// # Errors
    /// When it cannot be made.
    pub fn bind(path: &Path) -> io::Result<FeedIn> {
        // What a killed predecessor left behind.
        match std::fs::remove_file(path) {
            Err(e) if e.kind() != io::ErrorKind::NotFound => return Err(e),
            _ => {}
        }
        let listener = UnixListener::bind(path)?;
        listener.set_nonblocking(true)?;
        Ok(FeedIn { listener, feed: None })
    }

    /// What to wait for.
    pub fn fds(&self) -> impl Iterator<Item = BorrowedFd<'_>> {
        [Some(self.listener.as_fd()), self.feed.as_ref().map(|f| f.0.as_fd())].into_iter().flatten()
    }

    /// Takes what has come in. A restarted player takes the place of its predecessor; one that speaks nonsense is hung up on.
    pub fn take(&mut self, sink: &mut impl FnMut(FeedFrame<'_>)) {
        while let Ok((stream, _)) = self.listener.accept() {
            if stream.set_nonblocking(true).is_ok() {
                self.feed = Some((stream, FeedReader::new()));
            }
        }
        if self.feed.as_mut().is_some_and(|(stream, reader)| !read(stream, reader, sink)) {
            self.feed = None;
        }
    }
}

/// Reads what has come in; false when the feed has ended or speaks nonsense.
fn read(stream: &mut UnixStream, reader: &mut FeedReader, sink: &mut impl FnMut(FeedFrame<'_>)) -> bool {
    let mut buf = [0u8; 64 * 1024];
    loop {
        match stream.read(&mut buf) {
            Ok(0) => return false,
            Ok(n) => reader.on_bytes(&buf[..n]),
            Err(e) if e.kind() == io::ErrorKind::WouldBlock => return true,
            Err(e) if e.kind() == io::ErrorKind::Interrupted => continue,
            Err(_) => return false,
        }
        loop {
            match reader.next_frame() {
                Ok(Some(frame)) => sink(frame),
                Ok(None) => break,
                Err(e) if e.is_fatal() => return false,
                Err(_) => {}
            }
        }
    }
}
