//! What the shells need of the operating system: clocks, urgent threads, and UDP sockets that say when a datagram came.
//!
//! Every `cfg` of this concern is here: `linux.rs` has the sharp tools, `portable.rs` does the same with the standard
//! library where those are missing (user-space stamps, polling).

#[cfg(target_os = "linux")]
mod linux;
#[cfg(not(target_os = "linux"))]
mod portable;

use base::{MonoTime, Span, WallTime};

#[cfg(target_os = "linux")]
use linux as sys;
#[cfg(not(target_os = "linux"))]
use portable as sys;

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

    #[test]
    fn a_waker_ends_a_wait() {
        let gate = Gate::bind(&[]).unwrap();
        let waker = gate.waker();
        let thread = std::thread::spawn(move || waker.wake());
        gate.wait(None);
        thread.join().unwrap();
    }
}
