//! A process that begins anew: with its own arguments, in its own place, under its own number, so that whoever looks after it need not
//! start another. It is asked to (another rig's files), or a thread failed that it cannot do without: a supervisor whose watch has ended
//! still answers, still shows a page, and protects nobody.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::thread::JoinHandle;

use base::Span;

use super::mono_now;

/// Names, in the new process, the thread whose failure it began anew for.
const WHY: &str = "TWINKEEL_ANEW_AFTER";
/// What fails again sooner after its start than this would fail for ever: the process ends then.
const LEAST_LIFE: Span = Span::from_secs(3);

/// A thread that the process cannot do without. When it panics, the process begins anew; when it panics right after its start, the
/// process ends.
///
/// # Errors
/// When the system starts no thread.
pub fn vital(name: &str, run: impl FnOnce() + Send + 'static) -> std::io::Result<JoinHandle<()>> {
    let born = mono_now();
    let own = name.to_owned();
    std::thread::Builder::new().name(name.into()).spawn(move || {
        // What it left half done is not looked at again: all that lives of this process is its number.
        if catch_unwind(AssertUnwindSafe(run)).is_err() {
            if mono_now() - born < LEAST_LIFE {
                tracing::error!("the thread \"{own}\" failed right after its start: this process ends");
            } else {
                tracing::error!("the thread \"{own}\" failed: this process begins anew");
                let why = begin_anew(Some(&own));
                tracing::error!("it cannot: {why}");
            }
            // Without a destructor run: as a process that is killed, which leaves the stage as it is.
            std::process::abort();
        }
    })
}

/// The thread whose failure this process began anew for, if it did.
pub fn began_anew_after() -> Option<String> {
    std::env::var(WHY).ok()
}

/// Takes this process's own place. Comes back only when that fails, with why.
#[cfg(unix)]
pub fn begin_anew(after: Option<&str>) -> String {
    use std::os::unix::process::CommandExt as _;
    let mut own = std::env::args_os();
    let Some(program) = std::env::current_exe().ok().map(Into::into).or_else(|| own.next()) else {
        return "the program cannot be found again: start it by hand".into();
    };
    // A new process has the urgency of the thread that called for it.
    if let Err(why) = super::sys::set_ordinary() {
        tracing::warn!("the scheduling stays as it is: {why}");
    }
    let mut new = std::process::Command::new(program);
    new.args(std::env::args_os().skip(1)).env_remove(WHY).envs(after.map(|name| (WHY, name)));
    new.exec().to_string()
}

/// Whoever looks after this process starts it again.
#[cfg(not(unix))]
pub fn begin_anew(_after: Option<&str>) -> String {
    "it must start anew: start it by hand".into()
}
