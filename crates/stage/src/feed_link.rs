//! The sending end of a feed socket, for a thread that must never wait: what the reader does not take in time is dropped whole
//! frames at a time, and a lost reader is sought again for ever.

use std::io::Write;
use std::os::unix::net::UnixStream;
use std::path::{Path, PathBuf};

use base::{Hertz, MonoTime, Span};
use socket2::{Domain, SockAddr, Socket, Type};
use wire::feed::{FeedHello, encode_hello, encode_midi, encode_pcm};

/// Between two attempts to connect.
const RETRY: Span = Span::from_millis(50);
/// Bytes kept for a reader that is slow; beyond it frames are dropped. About 200 ms of six channels.
const PATIENCE: usize = 256 * 1024;

/// A feed to one reader.
pub struct FeedLink {
    path: PathBuf,
    hello: FeedHello,
    stream: Option<UnixStream>,
    held: Vec<u8>,
    sent: usize,
    retry_at: MonoTime,
    dropped: u64,
}

impl FeedLink {
    /// A link that announces these channels (none: MIDI only).
    pub fn new(path: &Path, sample_rate: Hertz, channels: &[&str]) -> FeedLink {
        let hello = FeedHello {
            at: MonoTime::ZERO,
            pid: std::process::id(),
            sample_rate: (!channels.is_empty()).then_some(sample_rate),
            channels: channels.iter().map(|c| (*c).to_owned()).collect(),
        };
        FeedLink {
            path: path.into(),
            hello,
            stream: None,
            held: Vec::new(),
            sent: 0,
            retry_at: MonoTime::ZERO,
            dropped: 0,
        }
    }

    /// Whether a reader is there.
    pub fn connected(&self) -> bool {
        self.stream.is_some()
    }

    /// Frames that a slow reader missed.
    pub fn dropped(&self) -> u64 {
        self.dropped
    }

    /// Connects if need be, and hands on what is held. To be called often.
    pub fn tend(&mut self, now: MonoTime) {
        if self.stream.is_none() && now >= self.retry_at {
            self.retry_at = now + RETRY;
            self.stream = connect(&self.path);
            if self.stream.is_some() {
                self.held.clear();
                self.sent = 0;
                self.hello.at = now;
                encode_hello(&self.hello, &mut self.held);
            }
        }
        self.push();
    }

    /// Sends MIDI bytes.
    pub fn midi(&mut self, at: MonoTime, bytes: &[u8]) {
        if self.has_room() {
            encode_midi(at, bytes, &mut self.held);
            self.push();
        }
    }

    /// Sends a block of interleaved samples.
    pub fn pcm(&mut self, at: MonoTime, interleaved: &[f32]) {
        if self.has_room() {
            if !encode_pcm(at, interleaved, &mut self.held) {
                self.dropped += 1;
            }
            self.push();
        }
    }

    fn has_room(&mut self) -> bool {
        let room = self.held.len() < PATIENCE;
        if self.stream.is_some() && !room {
            self.dropped += 1;
        }
        self.stream.is_some() && room
    }

    fn push(&mut self) {
        let Some(stream) = &mut self.stream else {
            return;
        };
        while self.sent < self.held.len() {
            match stream.write(&self.held[self.sent..]) {
                Ok(n) => self.sent += n,
                Err(e) if e.kind() == std::io::ErrorKind::WouldBlock => break,
                Err(e) if e.kind() == std::io::ErrorKind::Interrupted => {}
                Err(_) => {
                    self.stream = None;
                    self.held.clear();
                    self.sent = 0;
                    return;
                }
            }
        }
        if self.sent == self.held.len() {
            self.held.clear();
            self.sent = 0;
        } else if self.sent > PATIENCE / 4 {
            self.held.drain(..self.sent);
            self.sent = 0;
        }
    }
}

/// Connects without waiting, even when the listener's queue is full because its process was stopped.
fn connect(path: &Path) -> Option<UnixStream> {
    let socket = Socket::new(Domain::UNIX, Type::STREAM, None).ok()?;
    socket.set_nonblocking(true).ok()?;
    socket.connect(&SockAddr::unix(path).ok()?).ok()?;
    Some(UnixStream::from(std::os::fd::OwnedFd::from(socket)))
}

#[cfg(test)]
#[allow(clippy::unwrap_used, clippy::panic)]
mod tests {
    use std::io::Read;
    use std::os::unix::net::UnixListener;

    use wire::feed::{FeedFrame, FeedReader};

    use super::*;

    fn t(ms: i64) -> MonoTime {
        MonoTime::ZERO + Span::from_millis(ms)
    }

    #[test]
    fn a_link_greets_again_after_its_reader_was_lost_and_drops_whole_frames_for_a_slow_one() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("feed");
        let mut link = FeedLink::new(&path, Hertz(48_000.0), &["a", "b"]);
        link.tend(t(0));
        assert!(!link.connected(), "nobody listens yet");
        let listener = UnixListener::bind(&path).unwrap();
        link.tend(t(10));
        assert!(!link.connected(), "it waits before it tries again");
        link.tend(t(60));
        assert!(link.connected());

        // Nobody reads: nothing blocks, and in the end frames are dropped.
        let block = [0.5f32; 256];
        for i in 0..2000 {
            link.pcm(t(100 + i), &block);
        }
        assert!(link.dropped() > 0);
        let (mut reader, _) = listener.accept().unwrap();
        let mut feed = FeedReader::new();
        let mut bytes = vec![0u8; 1 << 16];
        let (mut hellos, mut blocks) = (0, 0);
        while blocks + link.dropped() < 2000 {
            link.tend(t(3000));
            let n = reader.read(&mut bytes).unwrap();
            feed.on_bytes(&bytes[..n]);
            while let Some(f) = feed.next_frame().unwrap() {
                match f {
                    FeedFrame::Hello(h) => {
                        hellos += 1;
                        assert_eq!(h.channels, ["a", "b"]);
                    }
                    FeedFrame::Pcm { samples, .. } => {
                        blocks += 1;
                        assert_eq!(samples.frames(), 128);
                    }
                    FeedFrame::Midi { .. } => panic!("no MIDI was sent"),
                }
            }
        }
        assert_eq!(hellos, 1);

        drop(reader);
        link.midi(t(4000), &[0xf8]);
        link.tend(t(4001));
        assert!(link.connected(), "it goes on with the next reader");
        link.midi(t(4002), &[0xfa]);
        let (mut reader, _) = listener.accept().unwrap();
        let n = reader.read(&mut bytes).unwrap();
        let mut feed = FeedReader::new();
        feed.on_bytes(&bytes[..n]);
        assert!(matches!(feed.next_frame().unwrap(), Some(FeedFrame::Hello(_))));
        assert!(matches!(feed.next_frame().unwrap(), Some(FeedFrame::Midi { bytes: [0xfa], .. })));
    }
}
