//! The datagram half of the relay: one thread, one poll.

use std::cmp::Reverse;
use std::collections::BinaryHeap;
use std::io;
use std::net::{SocketAddr, UdpSocket};
use std::os::fd::AsFd;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use base::{MonoTime, Span};
use nix::poll::{PollFd, PollFlags, PollTimeout, poll};

use super::Wish;
use crate::os;
use crate::weather::Sky;

/// One path: the socket that the agent sends to, and one of its own towards the supervisor.
pub(super) struct Wire {
    agents: UdpSocket,
    towards: UdpSocket,
    supervisor: SocketAddr,
    /// Whoever sent last: a restarted agent has another port.
    agent: Option<SocketAddr>,
    wish: Arc<Wish>,
    up: Sky,
    down: Sky,
}

impl Wire {
    pub(super) fn new(agents: UdpSocket, supervisor: SocketAddr, wish: Arc<Wish>, luck: u64) -> io::Result<Wire> {
        let towards = UdpSocket::bind("127.0.0.1:0")?;
        agents.set_nonblocking(true)?;
        towards.set_nonblocking(true)?;
        Ok(Wire { agents, towards, supervisor, agent: None, wish, up: Sky::new(luck), down: Sky::new(!luck) })
    }
}

#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Bound {
    Supervisor,
    Agent,
}

/// Datagrams under way, soonest first; the number keeps those of one instant in order.
type UnderWay = BinaryHeap<Reverse<(MonoTime, u64, usize, Bound, Vec<u8>)>>;

pub(super) fn carry(mut wires: Vec<Wire>, ending: &AtomicBool) {
    let _ = os::make_urgent(60);
    let mut under_way: UnderWay = BinaryHeap::new();
    let mut number = 0u64;
    let mut buf = [0u8; 65_536];
    while !ending.load(Ordering::Relaxed) {
        wait(&wires, under_way.peek().map(|Reverse((due, ..))| *due));
        for (i, wire) in wires.iter_mut().enumerate() {
            for bound in [Bound::Supervisor, Bound::Agent] {
                while let Some(n) = receive(wire, bound, &mut buf) {
                    let now = os::now();
                    let cut = wire.wish.cut.load(Ordering::SeqCst);
                    let weather = *wire.wish.weather.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
                    let sky = if bound == Bound::Supervisor { &mut wire.up } else { &mut wire.down };
                    let fate = sky.fate(&weather, now);
                    if cut || fate.first.is_none() {
                        wire.wish.lost.fetch_add(1, Ordering::Relaxed);
                        continue;
                    }
                    for takes in [fate.first, fate.second].into_iter().flatten() {
                        if takes == Span::ZERO {
                            deliver(wire, bound, &buf[..n]);
                        } else {
                            number += 1;
                            under_way.push(Reverse((now + takes, number, i, bound, buf[..n].to_vec())));
                        }
                    }
                }
            }
        }
        let now = os::now();
        while under_way.peek().is_some_and(|Reverse((due, ..))| *due <= now) {
            if let Some(Reverse((_, _, i, bound, bytes))) = under_way.pop() {
                // What is under way when the way is cut is lost with it.
                if !wires[i].wish.cut.load(Ordering::SeqCst) {
                    deliver(&wires[i], bound, &bytes);
                }
            }
        }
    }
}

fn wait(wires: &[Wire], due: Option<MonoTime>) {
    let mut fds: Vec<PollFd> = wires
        .iter()
        .flat_map(|w| [w.agents.as_fd(), w.towards.as_fd()])
        .map(|fd| PollFd::new(fd, PollFlags::POLLIN))
        .collect();
    let left = due.map_or(20, |d| ((d - os::now()).nanos() / 1_000_000).clamp(0, 20));
    let _ = poll(&mut fds, PollTimeout::from(left as u8));
}

fn receive(wire: &mut Wire, bound: Bound, buf: &mut [u8]) -> Option<usize> {
    match bound {
        Bound::Supervisor => {
            let (n, from) = wire.agents.recv_from(buf).ok()?;
            wire.agent = Some(from);
            Some(n)
        }
        // Only the supervisor is behind this socket; anything else is not ours to carry.
        Bound::Agent => loop {
            let (n, from) = wire.towards.recv_from(buf).ok()?;
            if from == wire.supervisor {
                return Some(n);
            }
        },
    }
}

fn deliver(wire: &Wire, bound: Bound, bytes: &[u8]) {
    // An error is a datagram lost on the way, which is what a network does.
    let sent = match (bound, wire.agent) {
        (Bound::Supervisor, _) => wire.towards.send_to(bytes, wire.supervisor),
        (Bound::Agent, Some(agent)) => wire.agents.send_to(bytes, agent),
        (Bound::Agent, None) => return,
    };
    let count = if sent.is_ok() { &wire.wish.carried } else { &wire.wish.lost };
    count.fetch_add(1, Ordering::Relaxed);
}
