//! Whether this computer itself stood still: all hosts of a test share its cores, and a core that is taken away for longer than a few
//! beats (by whoever runs the virtual machine) is a fault that nobody ordered.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicI64, Ordering};

use base::Span;
use nix::sched::{CpuSet, sched_setaffinity};
use nix::unistd::Pid;
use ports::os::{make_urgent, mono_now, sleep_until};

/// Each core is looked at this often.
const EVERY: Span = Span::from_millis(2);

/// One urgent thread on each core that notes how late it is woken.
pub struct Stalls {
    longest: Arc<AtomicI64>,
    ending: Arc<AtomicBool>,
}

impl Stalls {
    /// Begins to look.
    pub fn watch() -> Stalls {
        let stalls = Stalls { longest: Arc::default(), ending: Arc::default() };
        for core in 0..std::thread::available_parallelism().map_or(1, usize::from) {
            let (longest, ending) = (stalls.longest.clone(), stalls.ending.clone());
            std::thread::spawn(move || {
                let mut cores = CpuSet::new();
                let _ = cores.set(core).and_then(|()| sched_setaffinity(Pid::from_raw(0), &cores));
                make_urgent(90);
                while !ending.load(Ordering::Relaxed) {
                    let due = mono_now() + EVERY;
                    sleep_until(due);
                    longest.fetch_max((mono_now() - due).nanos(), Ordering::Relaxed);
                }
            });
        }
        stalls
    }

    /// The longest stall so far.
    pub fn longest(&self) -> Span {
        Span::from_nanos(self.longest.load(Ordering::Relaxed))
    }
}

impl Drop for Stalls {
    fn drop(&mut self) {
        self.ending.store(true, Ordering::Relaxed);
    }
}
