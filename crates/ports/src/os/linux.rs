//! Linux: CLOCK_MONOTONIC, absolute sleeps, kernel stamps of what comes and goes, ppoll.

use std::cell::RefCell;
use std::io::IoSliceMut;
use std::net::{SocketAddr, UdpSocket};
use std::os::fd::{AsFd, AsRawFd};
use std::sync::Arc;
use std::time::Duration;

use base::{MonoTime, Span};
use nix::poll::{PollFd, PollFlags, ppoll};
use nix::sys::eventfd::{EfdFlags, EventFd};
use nix::sys::socket::{
    ControlMessageOwned, MsgFlags, SockaddrStorage, TimestampingFlag, recvmsg, setsockopt, sockopt,
};
use nix::sys::time::TimeSpec;
use nix::time::{ClockId, ClockNanosleepFlags, clock_gettime, clock_nanosleep};

use super::Received;
use super::departures::{Departure, Departures};

/// Room for what the kernel says beside a datagram: two stamps, and of which datagram they are (with an IPv6 address, 200 bytes).
const CONTROL: usize = 256;
/// `SO_EE_ORIGIN_TIMESTAMPING` and `SCM_TSTAMP_SND` of `linux/errqueue.h`.
const ORIGIN_TIMESTAMPING: u8 = 4;
const STAMP_OF_SENDING: u32 = 0;

fn read(clock: ClockId) -> Option<i128> {
    clock_gettime(clock).ok().map(|t| i128::from(t.tv_sec()) * 1_000_000_000 + i128::from(t.tv_nsec()))
}

pub fn mono_now() -> MonoTime {
    // CLOCK_MONOTONIC exists on every Linux; a failure here cannot happen.
    MonoTime::from_nanos(read(ClockId::CLOCK_MONOTONIC).and_then(|n| u64::try_from(n).ok()).unwrap_or(0))
}

pub fn slept() -> Option<Span> {
    let mono = read(ClockId::CLOCK_MONOTONIC)?;
    let boot = read(ClockId::CLOCK_BOOTTIME)?;
    i64::try_from(boot - mono).ok().map(Span::from_nanos)
}

pub fn boot_id() -> [u8; 16] {
    let text = std::fs::read_to_string("/proc/sys/kernel/random/boot_id").unwrap_or_default();
    let digits: String = text.chars().filter(char::is_ascii_hexdigit).collect();
    digits.parse::<base::RigId>().map(|id| id.0).unwrap_or_else(|_| super::random_id())
}

pub fn sleep_until(at: MonoTime) {
    let ns = i64::try_from(at.nanos()).unwrap_or(i64::MAX);
    let spec = TimeSpec::new(ns / 1_000_000_000, ns % 1_000_000_000);
    // A signal ends the sleep early: go on sleeping to the same instant.
    while clock_nanosleep(ClockId::CLOCK_MONOTONIC, ClockNanosleepFlags::TIMER_ABSTIME, &spec)
        == Err(nix::errno::Errno::EINTR)
    {}
}

pub fn least_timer_slack() {
    let _ = nix::sys::prctl::set_timerslack(1);
}

/// A thread with a nice value of its own, which is Linux's way and no standard's (sched(7)).
pub fn give_way() -> Result<(), String> {
    set_normal(thread_priority::NormalThreadSchedulePolicy::Batch)
}

/// SCHED_OTHER (sched(7)).
pub fn set_ordinary() -> Result<(), String> {
    set_normal(thread_priority::NormalThreadSchedulePolicy::Other)
}

fn set_normal(policy: thread_priority::NormalThreadSchedulePolicy) -> Result<(), String> {
    let least = thread_priority::ThreadPriority::Min;
    let policy = thread_priority::ThreadSchedulePolicy::Normal(policy);
    thread_priority::set_thread_priority_and_policy(thread_priority::thread_native_id(), least, policy)
        .map_err(|e| e.to_string())
}

/// `/proc/pid/fd` and `/proc/pid/maps` (proc(5)).
pub fn open_files(process: u32) -> Option<Vec<std::path::PathBuf>> {
    use std::os::unix::ffi::OsStrExt;
    let handles = std::fs::read_dir(format!("/proc/{process}/fd")).ok()?;
    let mut files: Vec<_> = handles.flatten().filter_map(|h| std::fs::read_link(h.path()).ok()).collect();
    let maps = std::fs::read(format!("/proc/{process}/maps")).unwrap_or_default();
    for line in maps.split(|b| *b == b'\n') {
        // Address, rights, offset, device, inode; then the path.
        let path = line.iter().position(|b| *b == b'/').map(|at| &line[at..]);
        files.extend(path.map(|p| std::path::PathBuf::from(std::ffi::OsStr::from_bytes(p))));
    }
    files.sort();
    files.dedup();
    Some(files)
}

/// The kernel counts a process's start in ticks since the computer was started, sleep included (proc_pid_stat(5), field 22): how long
/// that is ago is told by the same clock, so that neither loses what `btime` of proc_stat(5) and whole seconds cut off.
pub fn process_started(process: u32) -> Option<i64> {
    let stat = std::fs::read(format!("/proc/{process}/stat")).ok()?;
    let ticks = i128::from(start_ticks(&stat)?);
    let per_second = nix::unistd::sysconf(nix::unistd::SysconfVar::CLK_TCK).ok()??;
    // To the end of its tick: what was there before the process is not taken for later.
    let since_boot = (ticks + 1) * 1_000_000_000 / i128::from(per_second.max(1));
    let started = || {
        let before = read(ClockId::CLOCK_BOOTTIME)?;
        let wall = read(ClockId::CLOCK_REALTIME)?;
        let after = read(ClockId::CLOCK_BOOTTIME)?;
        Some((after - before, wall - (before + after) / 2 + since_boot))
    };
    // We may be held up between two readings: the narrowest of three is taken.
    let (_, wall) = (0..3).filter_map(|_| started()).min()?;
    i64::try_from(wall).ok()
}

/// Field 22 of `/proc/pid/stat`. The name in field 2 may hold anything, brackets and blanks too: the last bracket ends it.
fn start_ticks(stat: &[u8]) -> Option<u64> {
    let end = stat.iter().rposition(|b| *b == b')')?;
    std::str::from_utf8(stat.get(end + 1..)?).ok()?.split_ascii_whitespace().nth(19)?.parse().ok()
}

pub fn set_real_time(priority: thread_priority::ThreadPriority) -> Result<(), String> {
    use thread_priority::{RealtimeThreadSchedulePolicy, ThreadSchedulePolicy, set_thread_priority_and_policy};
    set_thread_priority_and_policy(
        thread_priority::thread_native_id(),
        priority,
        ThreadSchedulePolicy::Realtime(RealtimeThreadSchedulePolicy::Fifo),
    )
    .map_err(|e| format!("the system refused real-time scheduling: {e:?}"))
}

/// The sockets of one urgent thread, and what wakes it.
pub struct Gate {
    sockets: Vec<UdpSocket>,
    /// One a socket. The gate belongs to one thread: no lock.
    departures: Vec<RefCell<Departures>>,
    event: Arc<EventFd>,
}

/// Wakes the thread that waits at a [`Gate`].
#[derive(Clone)]
pub struct Waker(Arc<EventFd>);

impl Waker {
    /// Ends the present or the next wait. Never blocks.
    pub fn wake(&self) {
        // Full (2^64 - 2 pending wakes) means that a wake is pending anyway.
        let _ = self.0.write(1);
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
            setsockopt(&s, sockopt::ReceiveTimestampns, &true)?;
            // Half a second of beats from eight machines must fit while we are held up.
            let _ = setsockopt(&s, sockopt::RcvBuf, &(1 << 20));
            sockets.push(s);
        }
        let event = EventFd::from_value_and_flags(0, EfdFlags::EFD_NONBLOCK | EfdFlags::EFD_CLOEXEC)?;
        let departures = sockets.iter().map(|_| RefCell::default()).collect();
        Ok(Gate { sockets, departures, event: Arc::new(event) })
    }

    /// What wakes a wait here.
    pub fn waker(&self) -> Waker {
        Waker(self.event.clone())
    }

    /// The address that a socket got.
    pub fn local_addr(&self, socket: usize) -> Option<SocketAddr> {
        self.sockets.get(socket)?.local_addr().ok()
    }

    /// Asks for stamps of what a socket sends; false where the system has none. Nothing else changes then.
    pub fn stamp_sends(&self, socket: usize) -> bool {
        let (Some(s), Some(d)) = (self.sockets.get(socket), self.departures.get(socket)) else { return false };
        let flags = TimestampingFlag::SOF_TIMESTAMPING_TX_SOFTWARE
            | TimestampingFlag::SOF_TIMESTAMPING_SOFTWARE
            | TimestampingFlag::SOF_TIMESTAMPING_OPT_ID
            | TimestampingFlag::SOF_TIMESTAMPING_OPT_TSONLY;
        let on = setsockopt(s, sockopt::Timestamping, &flags).is_ok();
        d.borrow_mut().on = on;
        on
    }

    /// Waits for a datagram, a wake, or the instant `until`. A transmit stamp shows itself as an error of its socket: it is taken in
    /// here, and the wait goes on.
    pub fn wait(&self, until: Option<MonoTime>) {
        loop {
            let timeout = until.map(|u| {
                let ns = u.since(mono_now()).nanos().max(0);
                TimeSpec::from(Duration::from_nanos(ns as u64))
            });
            let mut fds: arrayvec::ArrayVec<PollFd<'_>, 8> = arrayvec::ArrayVec::new();
            fds.push(PollFd::new(self.event.as_fd(), PollFlags::POLLIN));
            for s in self.sockets.iter().take(7) {
                fds.push(PollFd::new(s.as_fd(), PollFlags::POLLIN));
            }
            if !matches!(ppoll(&mut fds, timeout, None), Ok(1..)) {
                return;
            }
            let mut only_stamps = true;
            for (i, fd) in fds.iter().enumerate() {
                let events = fd.revents().unwrap_or(PollFlags::empty());
                if events.is_empty() {
                    continue;
                }
                let stamps = i > 0 && events.contains(PollFlags::POLLERR) && self.take_stamps(i - 1);
                only_stamps &= stamps && events == PollFlags::POLLERR;
            }
            if fds.first().and_then(PollFd::any).unwrap_or(false) {
                let _ = self.event.read();
            }
            if !only_stamps {
                return;
            }
        }
    }

    /// Takes in the transmit stamps that wait in a socket's error queue; false when there was none.
    fn take_stamps(&self, socket: usize) -> bool {
        let (Some(s), Some(d)) = (self.sockets.get(socket), self.departures.get(socket)) else { return false };
        let mut d = d.borrow_mut();
        let mut any = false;
        // As many as a socket's memory can hold at the most; what is left then comes with the next look.
        for _ in 0..256 {
            let mut byte = [0u8; 1];
            let mut iov = [IoSliceMut::new(&mut byte)];
            let mut control = [0u8; CONTROL];
            let flags = MsgFlags::MSG_ERRQUEUE | MsgFlags::MSG_DONTWAIT;
            let msg = match recvmsg::<()>(s.as_raw_fd(), &mut iov, Some(&mut control), flags) {
                Ok(m) => m,
                Err(nix::errno::Errno::EINTR) => continue,
                Err(_) => break,
            };
            any = true;
            let (mut stamp, mut key) = (None, None);
            for c in msg.cmsgs().into_iter().flatten() {
                match c {
                    ControlMessageOwned::ScmTimestampsns(t) => stamp = Some(t.system),
                    ControlMessageOwned::Ipv4RecvErr(e, _) | ControlMessageOwned::Ipv6RecvErr(e, _)
                        if e.ee_origin == ORIGIN_TIMESTAMPING && e.ee_info == STAMP_OF_SENDING =>
                    {
                        key = Some(e.ee_data);
                    }
                    _ => {}
                }
            }
            if let (Some(key), (at, true)) = (key, on_monotonic(stamp)) {
                d.on_stamp(key, at);
            }
        }
        any
    }

    /// The next datagram of a socket, if one is there.
    pub fn receive(&self, socket: usize, buf: &mut [u8]) -> Option<Received> {
        let s = self.sockets.get(socket)?;
        loop {
            let mut iov = [IoSliceMut::new(buf)];
            let mut control = [0u8; CONTROL];
            let got = recvmsg::<SockaddrStorage>(s.as_raw_fd(), &mut iov, Some(&mut control), MsgFlags::MSG_DONTWAIT);
            let msg = match got {
                Ok(m) => m,
                Err(nix::errno::Errno::EINTR) => continue,
                // Nothing there, or the error of an earlier send (ICMP refusal), which is not about what comes in.
                Err(nix::errno::Errno::EAGAIN) => return None,
                Err(_) => return None,
            };
            let Some(from) = msg.address.as_ref().and_then(socket_addr) else { continue };
            let stamp = msg.cmsgs().ok().and_then(|mut c| {
                c.find_map(|c| match c {
                    ControlMessageOwned::ScmTimestampns(t) => Some(t),
                    _ => None,
                })
            });
            let (at, kernel_stamp) = on_monotonic(stamp);
            return Some(Received { len: msg.bytes, from, at, kernel_stamp });
        }
    }

    /// Sends a datagram; false when the system refused it (no route, buffer full).
    pub fn send(&self, socket: usize, bytes: &[u8], to: SocketAddr) -> bool {
        self.send_stamped(socket, bytes, to).is_some()
    }

    /// Sends a datagram and gives its number, by which [`Gate::departure`] tells later when it left; `None` when the system refused
    /// it.
    pub fn send_stamped(&self, socket: usize, bytes: &[u8], to: SocketAddr) -> Option<u32> {
        let (s, d) = (self.sockets.get(socket)?, self.departures.get(socket)?);
        let mut d = d.borrow_mut();
        let number = d.before_send(mono_now());
        let taken = s.send_to(bytes, to).is_ok();
        d.after_send(taken);
        taken.then_some(number)
    }

    /// When a datagram left, the oldest first, each once. Those without a stamp are never told of.
    pub fn departure(&self, socket: usize) -> Option<Departure> {
        let d = self.departures.get(socket)?;
        if !d.borrow().on {
            return None;
        }
        let known = d.borrow_mut().take();
        known.or_else(|| self.take_stamps(socket).then(|| d.borrow_mut().take()).flatten())
    }
}

/// Kernel stamps are of the wall clock, which may be stepped: carry one over by its age, read against both clocks at
/// once, and take our own reading when the age is absurd.
fn on_monotonic(stamp: Option<TimeSpec>) -> (MonoTime, bool) {
    let stamp = stamp.map(|t| i128::from(t.tv_sec()) * 1_000_000_000 + i128::from(t.tv_nsec()));
    let (now, wall) = both_clocks();
    match (wall, stamp) {
        (Some(w), Some(s)) if (-1_000..500_000_000).contains(&(w - s)) => {
            (now - Span::from_nanos((w - s) as i64), true)
        }
        _ => (now, false),
    }
}

/// Both clocks at one instant: the wall clock is read between two readings of ours and belongs to their middle. We may be held up
/// in between, which would make every stamp wrong by as much: the narrowest of three is taken then.
fn both_clocks() -> (MonoTime, Option<i128>) {
    let mut best: Option<(Span, MonoTime, Option<i128>)> = None;
    for _ in 0..3 {
        let before = mono_now();
        let wall = read(ClockId::CLOCK_REALTIME);
        let width = mono_now() - before;
        if best.is_none_or(|(narrowest, ..)| width < narrowest) {
            best = Some((width, before + Span::from_nanos(width.nanos() / 2), wall));
        }
        if width < Span::from_micros(1) {
            break;
        }
    }
    best.map_or_else(|| (mono_now(), None), |(_, now, wall)| (now, wall))
}

fn socket_addr(a: &SockaddrStorage) -> Option<SocketAddr> {
    a.as_sockaddr_in()
        .map(|v4| SocketAddr::from((v4.ip(), v4.port())))
        .or_else(|| a.as_sockaddr_in6().map(|v6| SocketAddr::from((v6.ip(), v6.port()))))
}

/// Word of changes at any network interface: a netlink socket in the group of link changes (rtnetlink(7)). What changed is asked of
/// [`links`].
#[derive(Debug)]
pub struct LinkNews(std::os::fd::OwnedFd);

/// `RTMGRP_LINK` of `linux/rtnetlink.h`.
const GROUP_OF_LINKS: u32 = 1;

impl LinkNews {
    pub fn open() -> Option<LinkNews> {
        use nix::sys::socket::{AddressFamily, NetlinkAddr, SockFlag, SockProtocol, SockType, bind, socket};
        let flags = SockFlag::SOCK_CLOEXEC | SockFlag::SOCK_NONBLOCK;
        let fd = socket(AddressFamily::Netlink, SockType::Raw, flags, SockProtocol::NetlinkRoute).ok()?;
        bind(fd.as_raw_fd(), &NetlinkAddr::new(0, GROUP_OF_LINKS)).ok()?;
        Some(LinkNews(fd))
    }

    /// Waits for a change, at most so long, and forgets what was said of it.
    pub fn wait(&self, at_most: Duration) {
        let mut fds = [PollFd::new(self.0.as_fd(), PollFlags::POLLIN)];
        let _ = ppoll(&mut fds, Some(TimeSpec::from_duration(at_most)), None);
        let mut words = [0u8; 8192];
        for _ in 0..64 {
            match nix::sys::socket::recv(self.0.as_raw_fd(), &mut words, MsgFlags::MSG_DONTWAIT) {
                // More was said than the socket could keep: what is so is asked anew anyway.
                Ok(1..) | Err(nix::errno::Errno::ENOBUFS) => {}
                Ok(0) | Err(_) => break,
            }
        }
    }
}

/// All addresses of all network interfaces.
pub fn links() -> Vec<super::Link> {
    use nix::net::if_::InterfaceFlags;
    let Ok(all) = nix::ifaddrs::getifaddrs() else { return Vec::new() };
    all.map(|i| super::Link {
        address: i.address.as_ref().and_then(|a| {
            let v4 = a.as_sockaddr_in().map(|a| a.ip().into());
            v4.or_else(|| a.as_sockaddr_in6().map(|a| a.ip().into()))
        }),
        carries: i.flags.contains(InterfaceFlags::IFF_UP | InterfaceFlags::IFF_RUNNING),
        loopback: i.flags.contains(InterfaceFlags::IFF_LOOPBACK),
        name: i.interface_name,
    })
    .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A stamp of the kernel's wall clock so many seconds from now.
    fn stamp(seconds: i64) -> Option<TimeSpec> {
        let now = read(ClockId::CLOCK_REALTIME)?;
        let then = now + i128::from(seconds) * 1_000_000_000;
        Some(TimeSpec::new((then / 1_000_000_000) as i64, (then % 1_000_000_000) as i64))
    }

    #[test]
    fn the_start_of_a_process_stands_in_the_twenty_second_field() {
        let line = b"4 (a) b (c)) S 1 4 4 0 -1 64 9 8 7 6 5 4 3 2 20 0 1 0 15042 9 8";
        assert_eq!(start_ticks(line), Some(15_042));
        assert_eq!(start_ticks(b"4 (a) S 1 4"), None, "cut off");
        assert_eq!(start_ticks(b"4 (a"), None);
        assert_eq!(start_ticks(b""), None);
    }

    #[test]
    fn a_wall_clock_that_jumped_since_the_stamp_moves_no_instant() {
        for jumped in [3_600, -3_600, 1, -1] {
            let before = mono_now();
            let (at, by_kernel) = on_monotonic(stamp(jumped));
            assert!(!by_kernel && at >= before && at <= mono_now(), "jumped by {jumped} s: {at:?}");
        }
        let before = mono_now();
        let (at, _) = on_monotonic(stamp(0));
        assert!(at + Span::from_millis(500) >= before && at <= mono_now());
    }
}
