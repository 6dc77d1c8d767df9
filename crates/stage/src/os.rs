//! What the real-time half asks of the operating system: the monotonic clock, sleep to an absolute instant, a thread that
//! is on time, and an end together with the parent. Every `cfg` of this crate's real-time half stands here.

use base::MonoTime;

/// Now, on the clock that all processes of one computer share.
#[cfg(any(target_os = "linux", target_os = "android"))]
pub fn now() -> MonoTime {
    use nix::time::{ClockId, clock_gettime};
    match clock_gettime(ClockId::CLOCK_MONOTONIC) {
        Ok(t) => MonoTime::from_nanos(t.tv_sec() as u64 * 1_000_000_000 + t.tv_nsec() as u64),
        Err(_) => MonoTime::ZERO,
    }
}

/// Now, since this process first asked: enough where parts are threads of one process.
#[cfg(not(any(target_os = "linux", target_os = "android")))]
#[allow(clippy::disallowed_methods)]
pub fn now() -> MonoTime {
    static ZERO: std::sync::OnceLock<std::time::Instant> = std::sync::OnceLock::new();
    MonoTime::from_nanos(ZERO.get_or_init(std::time::Instant::now).elapsed().as_nanos() as u64)
}

/// Sleeps until that instant; an instant that has passed returns at once.
#[cfg(any(target_os = "linux", target_os = "android"))]
pub fn sleep_until(at: MonoTime) {
    use nix::sys::time::TimeSpec;
    use nix::time::{ClockId, ClockNanosleepFlags, clock_nanosleep};
    let t = TimeSpec::new((at.nanos() / 1_000_000_000) as _, (at.nanos() % 1_000_000_000) as _);
    while clock_nanosleep(ClockId::CLOCK_MONOTONIC, ClockNanosleepFlags::TIMER_ABSTIME, &t) == Err(nix::errno::Errno::EINTR) {}
}

/// Sleeps until that instant; an instant that has passed returns at once.
#[cfg(not(any(target_os = "linux", target_os = "android")))]
pub fn sleep_until(at: MonoTime) {
    let left = at - now();
    if left.nanos() > 0 {
        std::thread::sleep(std::time::Duration::from_nanos(left.nanos() as u64));
    }
}

/// How punctual a thread could be made.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Punctuality {
    /// A real-time policy: it runs before everything ordinary.
    RealTime,
    /// The system refused; it competes with everything else.
    Ordinary,
}

impl std::fmt::Display for Punctuality {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Punctuality::RealTime => "real-time priority",
            Punctuality::Ordinary => "ordinary priority",
        })
    }
}

/// Makes the calling thread as punctual as the system allows: SCHED_FIFO at this priority (1..=99) and a timer slack of 1 ns.
#[cfg(unix)]
pub fn be_punctual(priority: u8) -> Punctuality {
    use thread_priority::{
        RealtimeThreadSchedulePolicy, ThreadPriority, ThreadPriorityValue, ThreadSchedulePolicy,
        set_thread_priority_and_policy, thread_native_id,
    };
    #[cfg(any(target_os = "linux", target_os = "android"))]
    let _ = nix::sys::prctl::set_timerslack(1);
    let Ok(value) = ThreadPriorityValue::try_from(priority) else {
        return Punctuality::Ordinary;
    };
    let fifo = ThreadSchedulePolicy::Realtime(RealtimeThreadSchedulePolicy::Fifo);
    match set_thread_priority_and_policy(thread_native_id(), ThreadPriority::Crossplatform(value), fifo) {
        Ok(()) => Punctuality::RealTime,
        Err(_) => Punctuality::Ordinary,
    }
}

/// Set in a child's environment to the parent's process id when the child shall not outlive it.
pub const PARENT_VARIABLE: &str = "TWINKEEL_ENDS_WITH";

/// Where the environment asks for it ([`PARENT_VARIABLE`]), ties this process to its parent: it is killed when the thread that
/// started it ends. To be called first thing in `main`.
#[cfg(unix)]
pub fn end_with_parent_if_asked() {
    let Ok(parent) = std::env::var(PARENT_VARIABLE) else {
        return;
    };
    #[cfg(any(target_os = "linux", target_os = "android"))]
    let _ = nix::sys::prctl::set_pdeathsig(nix::sys::signal::Signal::SIGKILL);
    // The parent may have died before the line above.
    if parent.parse::<i32>().is_ok_and(|p| p != nix::unistd::getppid().as_raw()) {
        std::process::exit(0);
    }
}
