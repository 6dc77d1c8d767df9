//! The stream half of the relay. A cut way is not even looked at: what either end does to its socket stays unknown to the other.

use std::io::{self, Read, Write};
use std::net::{Shutdown, SocketAddr, TcpListener, TcpStream};
use std::os::fd::AsFd;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use base::{MonoTime, Span};
use nix::poll::{PollFd, PollFlags, PollTimeout, poll};

use super::Wish;
use crate::os;

/// Bytes held for one direction; beyond it the sender has to wait, as on any network.
const HOLD: usize = 64 * 1024;
/// Dead streams are closed this long after the power came back.
const BURIED_AFTER: Span = Span::from_secs(2);

/// The reliable lanes of one machine: a listener and the streams that came through it.
pub(super) struct Pipe {
    agents: TcpListener,
    supervisor: SocketAddr,
    wish: Arc<Wish>,
    streams: Vec<Pair>,
    mended: Option<MonoTime>,
}

struct Pair {
    era: u32,
    up: Half,
    down: Half,
}

/// One direction: read from `from`, held, written to the other half's `from`.
struct Half {
    from: TcpStream,
    held: Vec<u8>,
    ended: bool,
    passed_end: bool,
}

impl Half {
    fn new(from: TcpStream) -> io::Result<Half> {
        from.set_nonblocking(true)?;
        from.set_nodelay(true)?;
        Ok(Half { from, held: Vec::new(), ended: false, passed_end: false })
    }

    fn read(&mut self) -> io::Result<()> {
        let mut buf = [0u8; 16 * 1024];
        while !self.ended && self.held.len() < HOLD {
            match self.from.read(&mut buf) {
                Ok(0) => self.ended = true,
                Ok(n) => self.held.extend_from_slice(&buf[..n]),
                Err(e) if e.kind() == io::ErrorKind::WouldBlock => break,
                Err(e) if e.kind() == io::ErrorKind::Interrupted => {}
                Err(e) => return Err(e),
            }
        }
        Ok(())
    }

    fn write(&mut self, to: &mut TcpStream) -> io::Result<()> {
        while !self.held.is_empty() {
            match to.write(&self.held) {
                Ok(n) => drop(self.held.drain(..n)),
                Err(e) if e.kind() == io::ErrorKind::WouldBlock => return Ok(()),
                Err(e) if e.kind() == io::ErrorKind::Interrupted => {}
                Err(e) => return Err(e),
            }
        }
        if self.ended && !self.passed_end {
            self.passed_end = true;
            to.shutdown(Shutdown::Write)?;
        }
        Ok(())
    }
}

impl Pair {
    fn turn(&mut self) -> io::Result<()> {
        self.up.read()?;
        self.down.read()?;
        self.up.write(&mut self.down.from)?;
        self.down.write(&mut self.up.from)
    }
    fn over(&self) -> bool {
        self.up.passed_end && self.down.passed_end
    }
}

impl Pipe {
    pub(super) fn new(agents: TcpListener, supervisor: SocketAddr, wish: Arc<Wish>) -> io::Result<Pipe> {
        agents.set_nonblocking(true)?;
        Ok(Pipe { agents, supervisor, wish, streams: Vec::new(), mended: None })
    }

    fn cut(&self) -> bool {
        self.wish.cut.load(Ordering::SeqCst)
    }

    fn turn(&mut self) {
        let now = os::now();
        if self.cut() {
            self.mended = None;
            return;
        }
        let mended = *self.mended.get_or_insert(now);
        let era = self.wish.era.load(Ordering::SeqCst);
        while let Ok((agent, _)) = self.agents.accept() {
            // No supervisor: the agent's connection ends, as a refusal would end it.
            if let Ok(pair) = self.connect(agent, era) {
                self.streams.push(pair);
            }
        }
        self.streams.retain_mut(|pair| {
            if pair.era != era {
                return now - mended < BURIED_AFTER;
            }
            pair.turn().is_ok() && !pair.over()
        });
    }

    fn connect(&self, agent: TcpStream, era: u32) -> io::Result<Pair> {
        let towards = TcpStream::connect_timeout(&self.supervisor, Duration::from_millis(100))?;
        Ok(Pair { era, up: Half::new(agent)?, down: Half::new(towards)? })
    }
}

pub(super) fn carry(mut pipes: Vec<Pipe>, ending: &AtomicBool) {
    let _ = os::make_urgent(40);
    while !ending.load(Ordering::Relaxed) {
        wait(&pipes);
        pipes.iter_mut().for_each(Pipe::turn);
    }
}

fn wait(pipes: &[Pipe]) {
    let mut fds: Vec<PollFd> = Vec::new();
    for pipe in pipes.iter().filter(|p| !p.cut()) {
        fds.push(PollFd::new(pipe.agents.as_fd(), PollFlags::POLLIN));
        let era = pipe.wish.era.load(Ordering::SeqCst);
        for pair in pipe.streams.iter().filter(|p| p.era == era) {
            for (half, other) in [(&pair.up, &pair.down), (&pair.down, &pair.up)] {
                let mut want = PollFlags::empty();
                want.set(PollFlags::POLLIN, !half.ended && half.held.len() < HOLD);
                want.set(PollFlags::POLLOUT, !other.held.is_empty());
                if !want.is_empty() {
                    fds.push(PollFd::new(half.from.as_fd(), want));
                }
            }
        }
    }
    let _ = poll(&mut fds, PollTimeout::from(20u8));
}
