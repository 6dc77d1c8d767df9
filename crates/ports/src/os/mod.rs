//! What the shells need of the operating system: clocks, urgent threads, and UDP sockets that say when a datagram came.
//!
//! Every `cfg` of this concern is here: `linux.rs` has the sharp tools, `portable.rs` does the same with the standard
//! library where those are missing (user-space stamps, polling).

mod alone;
mod anew;
#[cfg_attr(not(target_os = "linux"), allow(dead_code))]
mod departures;
#[cfg(target_os = "linux")]
mod linux;
mod own_links;
#[cfg(not(target_os = "linux"))]
mod portable;

use base::{MonoTime, Span, WallTime};

#[cfg(target_os = "linux")]
use linux as sys;
#[cfg(not(target_os = "linux"))]
use portable as sys;

pub use alone::{LeftAlone, left_alone};
pub use anew::{began_anew_after, begin_anew, vital};
pub use departures::Departure;
pub use own_links::{Link, OwnLinks};
pub use sys::{Gate, Waker};

/// Our monotonic clock now.
pub fn mono_now() -> MonoTime {
    sys::mono_now()
}

/// The wall clock now: for display and the record, never for a decision.
pub fn wall_now() -> WallTime {
    let since = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH);
    WallTime(match since {
        Ok(d) => i64::try_from(d.as_nanos()).unwrap_or(i64::MAX),
        Err(before) => i64::try_from(before.duration().as_nanos()).map_or(i64::MIN, |n| -n),
    })
}

/// This computer's network interfaces, an entry for each address; none where the system does not tell.
pub fn links() -> Vec<Link> {
    sys::links()
}

/// Where to bind a socket that sends to `to`: any port of the same family, and on loopback alone where `to` is there.
pub fn any_address(to: std::net::SocketAddr) -> std::net::SocketAddr {
    use std::net::{Ipv6Addr, SocketAddr};
    match to {
        SocketAddr::V4(v4) if v4.ip().is_loopback() => ([127, 0, 0, 1], 0).into(),
        SocketAddr::V4(_) => ([0, 0, 0, 0], 0).into(),
        SocketAddr::V6(_) => (Ipv6Addr::UNSPECIFIED, 0).into(),
    }
}

/// How long this machine has slept since it was started, where the system tells: the monotonic clock leaves sleep out.
pub fn slept() -> Option<Span> {
    sys::slept()
}

/// A number that changes with each start of the operating system.
pub fn boot_id() -> [u8; 16] {
    sys::boot_id()
}

/// Sleeps until an instant of the monotonic clock; returns at once when it has passed.
pub fn sleep_until(at: MonoTime) {
    sys::sleep_until(at);
}

/// Unpredictable bytes for ids.
pub fn random_id() -> [u8; 16] {
    let mut id = [0u8; 16];
    // Without a random source nothing on this machine would work; the clock is a last resort for a mere name.
    if getrandom::fill(&mut id).is_err() {
        id[..8].copy_from_slice(&mono_now().nanos().to_le_bytes());
        id[8..].copy_from_slice(&wall_now().0.to_le_bytes());
    }
    id
}

/// How urgent a thread got.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Urgency {
    /// First-in first-out real-time scheduling.
    RealTime,
    /// Ordinary scheduling, and why.
    Plain(String),
}

impl std::fmt::Display for Urgency {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Urgency::RealTime => f.write_str("real-time scheduling"),
            Urgency::Plain(why) => write!(f, "ordinary scheduling ({why})"),
        }
    }
}

/// Makes the calling thread as urgent as the system allows: real-time first-in first-out scheduling at `level` (0..=99, where it exists) and
/// the least timer slack. Says which it got.
pub fn make_urgent(level: u8) -> Urgency {
    sys::least_timer_slack();
    let level = level.min(99);
    let Ok(priority) = thread_priority::ThreadPriorityValue::try_from(level) else {
        return Urgency::Plain("no such priority".into());
    };
    match sys::set_real_time(thread_priority::ThreadPriority::Crossplatform(priority)) {
        Ok(()) => Urgency::RealTime,
        Err(why) => Urgency::Plain(why),
    }
}

/// Makes the calling thread give way to everybody else, where the system lets it; nothing depends on it.
pub fn make_patient() {
    let _ = sys::give_way();
}

/// The files that a process holds open or has mapped, as the system names them: one whose place another file has taken, or that was
/// removed, ends in ` (deleted)`. None: the system does not tell.
pub fn open_files(process: u32) -> Option<Vec<std::path::PathBuf>> {
    sys::open_files(process)
}

/// When a process was started, by the wall clock as it goes now, to 20 ms; never earlier than it was. None: the system does not tell so
/// finely, or there is no such process.
pub fn process_started(process: u32) -> Option<WallTime> {
    sys::process_started(process).map(WallTime)
}

/// One received datagram.
#[derive(Clone, Copy, Debug)]
pub struct Received {
    /// Its length; the bytes are in the caller's buffer.
    pub len: usize,
    /// Who sent it.
    pub from: std::net::SocketAddr,
    /// When it came in.
    pub at: MonoTime,
    /// Whether the kernel stamped it, or we did after waking up.
    pub kernel_stamp: bool,
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn a_datagram_is_stamped_between_send_and_receive() {
        let gate = Gate::bind(&["127.0.0.1:0".parse().unwrap()]).unwrap();
        let to = gate.local_addr(0).unwrap();
        let sender = std::net::UdpSocket::bind("127.0.0.1:0").unwrap();
        let before = mono_now();
        sender.send_to(b"beat", to).unwrap();
        let mut buf = [0u8; 64];
        let got = loop {
            gate.wait(Some(mono_now() + Span::from_secs(5)));
            if let Some(got) = gate.receive(0, &mut buf) {
                break got;
            }
        };
        let after = mono_now();
        assert_eq!(&buf[..got.len], b"beat");
        // The kernel's stamp is of the wall clock and carried over by its age: two clock readings of slack.
        let slack = Span::from_millis(1);
        assert!(got.at + slack >= before && got.at <= after + slack, "{before:?} {:?} {after:?}", got.at);
        assert_eq!(got.kernel_stamp, cfg!(target_os = "linux"));
    }

    fn two_gates() -> (Gate, Gate, std::net::SocketAddr) {
        let gate = || Gate::bind(&["127.0.0.1:0".parse().unwrap()]).unwrap();
        let (a, b) = (gate(), gate());
        let to = b.local_addr(0).unwrap();
        (a, b, to)
    }

    fn next(gate: &Gate, buf: &mut [u8]) -> Received {
        loop {
            if let Some(got) = gate.receive(0, buf) {
                return got;
            }
            gate.wait(Some(mono_now() + Span::from_secs(5)));
        }
    }

    /// Stamps are of the wall clock, carried over by their age: each by a reading of two clocks of its own.
    #[cfg(target_os = "linux")]
    const READING: Span = Span::from_micros(3);

    #[cfg(target_os = "linux")]
    #[test]
    fn what_is_sent_leaves_after_it_is_handed_over_and_before_it_comes() {
        let (from, at, to) = two_gates();
        assert!(from.stamp_sends(0));
        let mut buf = [0u8; 64];
        let mut known = 0;
        for i in 0..200u32 {
            let before = mono_now();
            let number = from.send_stamped(0, &i.to_le_bytes(), to).unwrap();
            let got = next(&at, &mut buf);
            assert_eq!((number, got.len, got.kernel_stamp), (i, 4, true));
            // On loopback the stamp is there when the datagram is.
            let left = from.departure(0).unwrap();
            assert_eq!(left.number, number);
            assert!(left.at >= before, "{before:?} {left:?}");
            // The wall clock's rate may be adjusted, and a reading be held up between its two clocks: all but a few hold.
            known += u32::from(left.at <= got.at + READING);
            assert_eq!(from.departure(0), None);
        }
        assert!(known >= 190, "{known} of 200 left before they came");
    }

    #[cfg(target_os = "linux")]
    #[test]
    fn stamps_end_no_wait_and_are_no_failure() {
        let (from, at, to) = two_gates();
        assert!(from.stamp_sends(0));
        for _ in 0..20 {
            assert!(from.send(0, b"beat", to));
        }
        let (began, until) = (mono_now(), mono_now() + Span::from_millis(30));
        from.wait(Some(until));
        assert!(mono_now() >= until, "woken {:?} before the end", until - mono_now());
        assert!(mono_now() - began < Span::from_secs(5));
        assert!(from.receive(0, &mut [0u8; 64]).is_none());
        // All twenty are told of, though nobody asked before.
        assert_eq!(
            std::iter::from_fn(|| from.departure(0)).map(|d| d.number).collect::<Vec<_>>(),
            (0..20).collect::<Vec<_>>()
        );
        // And what comes in still ends a wait at once.
        at.send(0, b"answer", from.local_addr(0).unwrap());
        assert_eq!(next(&from, &mut [0u8; 64]).len, 6);
    }

    #[test]
    fn sending_and_hearing_allocate_nothing() {
        let (from, at, to) = two_gates();
        from.stamp_sends(0);
        let mut buf = [0u8; 64];
        // The first of each may make what the standard library keeps for a thread.
        from.send(0, b"beat", to);
        next(&at, &mut buf);
        assert_no_alloc::assert_no_alloc(|| {
            for _ in 0..50 {
                from.send_stamped(0, b"beat", to);
                from.wait(Some(mono_now()));
                while from.departure(0).is_some() {}
                next(&at, &mut buf);
            }
        });
    }

    #[test]
    fn without_having_asked_nobody_is_told_of_departures() {
        let (from, at, to) = two_gates();
        assert_eq!(from.send_stamped(0, b"beat", to), Some(0));
        assert_eq!(next(&at, &mut [0u8; 64]).len, 4);
        assert_eq!(from.departure(0), None);
        assert_eq!(from.send_stamped(3, b"beat", to), None);
        assert!(!from.stamp_sends(3));
    }

    #[test]
    fn a_waker_ends_a_wait() {
        let gate = Gate::bind(&[]).unwrap();
        let waker = gate.waker();
        let thread = std::thread::spawn(move || waker.wake());
        gate.wait(None);
        thread.join().unwrap();
    }
}
