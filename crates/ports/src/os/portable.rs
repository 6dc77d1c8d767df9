//! Everywhere else: the standard library's clock, our own stamps, and a poll each half millisecond.

use std::net::{SocketAddr, UdpSocket};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, OnceLock};
use std::time::{Duration, Instant};

use base::{MonoTime, Span};

use super::Received;
use super::departures::Departure;

/// The standard library's instants have no zero: ours is an hour before the first reading, so that an earlier instant exists.
static ZERO: OnceLock<Instant> = OnceLock::new();
const BEFORE: Duration = Duration::from_secs(3600);

pub fn mono_now() -> MonoTime {
    let since = ZERO.get_or_init(Instant::now).elapsed() + BEFORE;
    MonoTime::from_nanos(u64::try_from(since.as_nanos()).unwrap_or(u64::MAX))
}

pub fn slept() -> Option<Span> {
    None
}

pub fn boot_id() -> [u8; 16] {
    static ID: OnceLock<[u8; 16]> = OnceLock::new();
    *ID.get_or_init(super::random_id)
}

pub fn sleep_until(at: MonoTime) {
    let left = at.since(mono_now()).nanos();
    if left > 0 {
        std::thread::sleep(Duration::from_nanos(left as u64));
    }
}

pub fn least_timer_slack() {}

pub fn give_way() -> Result<(), String> {
    thread_priority::set_current_thread_priority(thread_priority::ThreadPriority::Min).map_err(|e| format!("{e:?}"))
}

#[cfg_attr(not(unix), allow(dead_code))]
pub fn set_ordinary() -> Result<(), String> {
    let usual = thread_priority::ThreadPriorityValue::try_from(50).map_err(|e| format!("{e:?}"))?;
    thread_priority::set_current_thread_priority(thread_priority::ThreadPriority::Crossplatform(usual))
        .map_err(|e| format!("{e:?}"))
}

pub fn open_files(_process: u32) -> Option<Vec<std::path::PathBuf>> {
    None
}

pub fn process_started(_process: u32) -> Option<i64> {
    None
}

pub fn set_real_time(priority: thread_priority::ThreadPriority) -> Result<(), String> {
    thread_priority::set_current_thread_priority(priority).map_err(|e| format!("the system refused: {e:?}"))
}

/// The sockets of one urgent thread, and what wakes it.
pub struct Gate {
    sockets: Vec<UdpSocket>,
    sent: std::cell::Cell<u32>,
    woken: Arc<AtomicBool>,
}

/// Wakes the thread that waits at a [`Gate`].
#[derive(Clone)]
pub struct Waker(Arc<AtomicBool>);

impl Waker {
    /// Ends the present or the next wait. Never blocks.
    pub fn wake(&self) {
        self.0.store(true, Ordering::Release);
    }
}

impl Gate {
    /// Binds a socket for each address.
    ///
    /// # Errors
    /// The address that cannot be bound, and why.
    pub fn bind(addresses: &[SocketAddr]) -> std::io::Result<Gate> {
        let mut sockets = Vec::new();
        for a in addresses {
            let s = UdpSocket::bind(a).map_err(|e| std::io::Error::new(e.kind(), format!("{a}: {e}")))?;
            s.set_nonblocking(true)?;
            sockets.push(s);
        }
        Ok(Gate { sockets, sent: std::cell::Cell::new(0), woken: Arc::new(AtomicBool::new(false)) })
    }

    /// What wakes a wait here.
    pub fn waker(&self) -> Waker {
        Waker(self.woken.clone())
    }

    /// The address that a socket got.
    pub fn local_addr(&self, socket: usize) -> Option<SocketAddr> {
        self.sockets.get(socket)?.local_addr().ok()
    }

    /// Waits for a datagram, a wake, or the instant `until`.
    pub fn wait(&self, until: Option<MonoTime>) {
        let mut peek = [0u8; 1];
        loop {
            if self.woken.swap(false, Ordering::AcqRel)
                || until.is_some_and(|u| mono_now() >= u)
                || self.sockets.iter().any(|s| s.peek(&mut peek).is_ok())
            {
                return;
            }
            std::thread::sleep(Duration::from_micros(500));
        }
    }

    /// The next datagram of a socket, if one is there.
    pub fn receive(&self, socket: usize, buf: &mut [u8]) -> Option<Received> {
        let (len, from) = self.sockets.get(socket)?.recv_from(buf).ok()?;
        Some(Received { len, from, at: mono_now(), kernel_stamp: false })
    }

    /// Asks for stamps of what a socket sends: there are none here.
    pub fn stamp_sends(&self, _socket: usize) -> bool {
        false
    }

    /// Sends a datagram; false when the system refused it.
    pub fn send(&self, socket: usize, bytes: &[u8], to: SocketAddr) -> bool {
        self.send_stamped(socket, bytes, to).is_some()
    }

    /// Sends a datagram and gives its number; `None` when the system refused it.
    pub fn send_stamped(&self, socket: usize, bytes: &[u8], to: SocketAddr) -> Option<u32> {
        self.sockets.get(socket)?.send_to(bytes, to).ok()?;
        let number = self.sent.get();
        self.sent.set(number.wrapping_add(1));
        Some(number)
    }

    /// When a datagram left: never known here.
    pub fn departure(&self, _socket: usize) -> Option<Departure> {
        None
    }
}

/// Nobody tells here.
#[derive(Debug)]
pub struct LinkNews;

impl LinkNews {
    pub fn open() -> Option<LinkNews> {
        None
    }
    pub fn wait(&self, at_most: Duration) {
        std::thread::sleep(at_most);
    }
}

pub fn links() -> Vec<super::Link> {
    Vec::new()
}
