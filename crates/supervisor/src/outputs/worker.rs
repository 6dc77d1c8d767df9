//! An output that may block: its own pre-started thread behind a ring, so that it holds up nobody. The thread opens its way to the
//! switch beforehand, and again for ever when it is lost.
//!
//! What was to be sent while it was closed is not sent late, nor what waited behind something slow: by then the judgement has tried
//! the next output, and an old "go to A" must not come after a new "go to B".

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::Thread;
use std::time::Duration;

use base::{Machine, MonoTime, Span};
use ports::os::mono_now;

use super::health::Health;

/// Between two tries to open.
const AGAIN: Duration = Duration::from_millis(500);
/// An idle thread looks after its link this often.
const LOOK: Duration = Duration::from_millis(50);
/// A command older than this is not sent: the time after which it counts as unconfirmed.
const LATE: Span = Span::from_millis(100);
const COMMANDS: usize = 16;

/// A way to the switch, as its thread owns it.
pub trait Way: Send + 'static {
    /// What is open.
    type Link;

    /// Opens it. Whoever listens on another thread rings the bell when the far end is gone.
    ///
    /// # Errors
    /// Why not, in words.
    fn open(&mut self, bell: Bell) -> Result<Self::Link, String>;

    /// Sends the command to go to a machine.
    ///
    /// # Errors
    /// It was not sent, or the far end refused it.
    fn send(&mut self, link: &mut Self::Link, to: Machine) -> Result<(), Failure>;

    /// Looks after the link while nothing is to be sent: asks, keeps it alive.
    ///
    /// # Errors
    /// It is lost, and why.
    fn idle(&mut self, link: &mut Self::Link, now: MonoTime) -> Result<(), String> {
        let _ = (link, now);
        Ok(())
    }
}

/// Why a command failed.
pub enum Failure {
    /// The far end refused it; the link stands.
    Refused(String),
    /// The link is lost.
    Broken(String),
}

/// Rung by a listener when the far end is gone.
#[derive(Clone)]
pub struct Bell {
    lost: Arc<AtomicBool>,
    thread: Thread,
    /// To tell what was heard.
    pub health: Health,
}

impl Bell {
    /// The far end is gone.
    pub fn ring(&self) {
        self.lost.store(true, Ordering::Release);
        self.thread.unpark();
    }
}

/// One command in the ring.
struct Job {
    to: Machine,
    number: u32,
    at: MonoTime,
}

/// The watch thread's end.
pub struct Worker {
    ring: rtrb::Producer<Job>,
    thread: Thread,
    health: Health,
}

impl Worker {
    /// Starts the thread.
    ///
    /// # Errors
    /// No thread could be started.
    pub fn start(name: &str, health: Health, way: impl Way) -> std::io::Result<Worker> {
        let (ring, jobs) = rtrb::RingBuffer::new(COMMANDS);
        let of_thread = health.clone();
        let thread = std::thread::Builder::new().name(name.into()).spawn(move || {
            ports::os::make_urgent(40);
            run(&of_thread, way, jobs);
        })?;
        Ok(Worker { ring, thread: thread.thread().clone(), health })
    }

    /// Hands a command over. False: the way is not open, or its thread is held up by an earlier command.
    pub fn select(&mut self, to: Machine, number: u32) -> bool {
        let free = self.ring.slots() == COMMANDS;
        let taken = free && self.health.is_open() && self.ring.push(Job { to, number, at: mono_now() }).is_ok();
        self.thread.unpark();
        taken
    }

    #[cfg(test)]
    pub fn waiting(&self) -> usize {
        COMMANDS - self.ring.slots()
    }
}

fn run(health: &Health, mut way: impl Way, mut jobs: rtrb::Consumer<Job>) {
    while !jobs.is_abandoned() {
        let bell = Bell { lost: Arc::default(), thread: std::thread::current(), health: health.clone() };
        match way.open(bell.clone()) {
            Ok(mut link) => {
                // What slipped in while it closed would be late by now.
                while jobs.pop().is_ok() {}
                health.opened();
                if let Some(why) = serve(health, &mut way, &mut link, &bell, &mut jobs) {
                    health.gone(why);
                }
            }
            Err(why) => {
                health.gone(why);
                rest(&jobs);
            }
        }
    }
}

/// Sends until the link is lost: why. None: nobody commands any more.
fn serve<W: Way>(
    health: &Health,
    way: &mut W,
    link: &mut W::Link,
    bell: &Bell,
    jobs: &mut rtrb::Consumer<Job>,
) -> Option<String> {
    loop {
        if jobs.is_abandoned() {
            return None;
        }
        if bell.lost.load(Ordering::Acquire) {
            return Some("the far end is gone".into());
        }
        let Ok(&Job { to, number, at }) = jobs.peek() else {
            if let Err(why) = way.idle(link, mono_now()) {
                return Some(why);
            }
            // Whatever came meanwhile has unparked us.
            std::thread::park_timeout(LOOK);
            continue;
        };
        let done = match mono_now() - at {
            age if age > LATE => Err(Failure::Refused(format!("held up for {} ms: not sent", age.millis_f64() as u64))),
            _ => way.send(link, to),
        };
        // Only now is there room for another: a full ring is how a held-up output is known.
        let _ = jobs.pop();
        match done {
            Ok(()) => health.sent(),
            Err(Failure::Refused(why)) => health.failed(number, why),
            Err(Failure::Broken(why)) => {
                health.failed(number, why.clone());
                return Some(why);
            }
        }
    }
}

/// Waits before another try; ends early with the supervisor. Commands that wake the thread change nothing.
fn rest(jobs: &rtrb::Consumer<Job>) {
    let until = std::time::Instant::now() + AGAIN;
    while let Some(left) = until.checked_duration_since(std::time::Instant::now()) {
        if jobs.is_abandoned() {
            return;
        }
        std::thread::park_timeout(left);
    }
}
