//! What the real-time half asks of the operating system beyond `ports`: an end together with the parent.

pub use ports::os::{make_urgent, mono_now as now, sleep_until};

/// Set in a child's environment to the parent's process id when the child shall not outlive it.
pub const PARENT_VARIABLE: &str = "TWINKEEL_ENDS_WITH";

/// Where the environment asks for it ([`PARENT_VARIABLE`]), ties this process to its parent: the system kills it when the thread
/// that started it ends, however that came about. To be called first thing in `main`.
pub fn end_with_parent_if_asked() {
    let Ok(parent) = std::env::var(PARENT_VARIABLE) else {
        return;
    };
    #[cfg(target_os = "linux")]
    {
        let _ = nix::sys::prctl::set_pdeathsig(nix::sys::signal::Signal::SIGKILL);
    }
    // The parent may have died before the line above.
    #[cfg(unix)]
    if parent.parse::<i32>().is_ok_and(|p| p != nix::unistd::getppid().as_raw()) {
        std::process::exit(0);
    }
    #[cfg(not(unix))]
    let _ = parent;
}
