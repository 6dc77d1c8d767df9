//! Keeps a source open for ever.
//!
//! Each attempt runs on a thread of its own that opens the device, holds it and closes it, so that a host that hangs while
//! opening or closing takes nobody with it, and a device need not be movable between threads. The keeper gives it a time
//! limit, watches its callbacks, and says each change of state.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::thread;
use std::time::{Duration, Instant};

use base::Span;

use crate::arrivals::{Arrivals, Format, Sink, SourceState, Teller, Wake, source};
use crate::error::PortError;
use crate::os::mono_now;
use crate::quiet;

/// How long opening may take.
pub(crate) const OPENING: Duration = Duration::from_secs(5);
/// How often the keeper looks.
const LOOK: Duration = Duration::from_millis(20);
/// The first wait before another attempt; each later one doubles it.
const FIRST_WAIT: Duration = Duration::from_millis(250);
const LONGEST_WAIT: Duration = Duration::from_secs(2);
/// Callbacks that stay away for so long are said to have stalled, at least.
const STALLED: Span = Span::from_millis(100);
/// And so many of their own periods.
const STALLED_PERIODS: i64 = 8;
/// After this the device is closed and opened again.
const LOST: Span = Span::from_secs(2);

/// An open device. Dropping it closes it.
pub(crate) struct Opened {
    pub format: Format,
    /// Time between callbacks, if they come by themselves without anything to tell.
    pub period: Option<Span>,
    pub guard: Box<dyn Guard>,
}

/// Holds a device open.
pub(crate) trait Guard {
    /// Looks whether it is still there; if not, why. Called every few milliseconds on the thread that opened it.
    fn gone(&mut self) -> Option<String> {
        None
    }
}

pub(crate) type Open = Arc<dyn Fn(Sink) -> Result<Opened, PortError> + Send + Sync>;

/// Starts a keeper.
pub(crate) fn keep(name: &str, wake: Option<Wake>, open: Open) -> std::io::Result<Arrivals> {
    let (teller, arrivals) = source(wake);
    thread::Builder::new().name(name.into()).spawn(move || Keeper { teller, open, said: None }.run())?;
    Ok(arrivals)
}

struct Keeper {
    teller: Teller,
    open: Open,
    /// Why it was gone, as it was last said, so that the same is not said again and again.
    said: Option<String>,
}

enum Told {
    Opened(Format, Option<Span>),
    Gone(String),
}

impl Keeper {
    fn run(mut self) {
        let mut wait = FIRST_WAIT;
        self.teller.say(SourceState::Opening);
        while !self.closed() {
            let stop = Arc::new(AtomicBool::new(false));
            let was_open = match self.attempt(&stop) {
                Ok(told) => {
                    let (why, was_open) = self.hold(&told);
                    self.gone(why);
                    was_open
                }
                Err(e) => {
                    self.gone(format!("no thread could be started: {e}"));
                    false
                }
            };
            stop.store(true, Ordering::Release);
            wait = if was_open { FIRST_WAIT } else { (wait * 2).min(LONGEST_WAIT) };
            self.rest(wait);
        }
    }

    fn attempt(&mut self, stop: &Arc<AtomicBool>) -> std::io::Result<Receiver<Told>> {
        let (tell, told) = channel();
        let (open, sink, stop) = (Arc::clone(&self.open), self.teller.sink(), Arc::clone(stop));
        thread::Builder::new().name("port".into()).spawn(move || hold_open(&open, sink, &tell, &stop))?;
        Ok(told)
    }

    /// Sees one attempt through to its end: why it ended, and whether the device was open.
    fn hold(&mut self, told: &Receiver<Told>) -> (String, bool) {
        let begun = Instant::now();
        let (format, period) = loop {
            match told.recv_timeout(LOOK) {
                Ok(Told::Opened(format, period)) => break (format, period),
                Ok(Told::Gone(why)) => return (why, false),
                Err(RecvTimeoutError::Disconnected) => return ("the device library failed".into(), false),
                // Another attempt beside one that hangs would only hang too: say it once and wait on.
                Err(RecvTimeoutError::Timeout) if begun.elapsed() > OPENING => {
                    let e = PortError::TimedOut { what: "opening it".into(), seconds: OPENING.as_secs() };
                    self.gone(e.to_string());
                }
                Err(RecvTimeoutError::Timeout) => {}
            }
            if self.closed() {
                return (String::new(), false);
            }
        };
        self.said = None;
        self.teller.say(SourceState::Open(format.clone()));
        (self.watch(told, &format, period), true)
    }

    fn watch(&mut self, told: &Receiver<Told>, format: &Format, period: Option<Span>) -> String {
        let opened = mono_now();
        let mut stalled = false;
        loop {
            match told.recv_timeout(LOOK) {
                Ok(Told::Gone(why)) => return why,
                Ok(Told::Opened(..)) | Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => return "the device library failed".into(),
            }
            if self.closed() {
                return String::new();
            }
            let Some(period) = period else { continue };
            let silent = mono_now() - self.teller.shared().pulse().unwrap_or(opened);
            if silent > LOST {
                return "its callbacks ceased".into();
            }
            let now_stalled = silent > STALLED.max(period.times(STALLED_PERIODS));
            if now_stalled != stalled {
                stalled = now_stalled;
                self.teller.say(if stalled { SourceState::Stalled } else { SourceState::Open(format.clone()) });
            }
        }
    }

    fn gone(&mut self, why: String) {
        if !self.closed() && self.said.as_ref() != Some(&why) {
            self.teller.say(SourceState::Gone { why: why.clone() });
            self.said = Some(why);
        }
    }

    fn rest(&self, wait: Duration) {
        let until = Instant::now() + wait;
        while !self.closed() && Instant::now() < until {
            thread::sleep(LOOK);
        }
    }

    fn closed(&self) -> bool {
        self.teller.shared().is_closed()
    }
}

fn hold_open(open: &Open, sink: Sink, tell: &Sender<Told>, stop: &AtomicBool) {
    quiet::this_thread();
    // Sending fails when the keeper has given up: then the device is closed at once.
    match open(sink) {
        Err(e) => drop(tell.send(Told::Gone(e.to_string()))),
        Ok(mut opened) => {
            if tell.send(Told::Opened(opened.format.clone(), opened.period)).is_err() {
                return;
            }
            while !stop.load(Ordering::Acquire) {
                if let Some(why) = opened.guard.gone() {
                    drop(tell.send(Told::Gone(why)));
                    return;
                }
                thread::sleep(LOOK);
            }
        }
    }
}

/// Runs something that may hang, with a limit. What hangs is left behind.
pub(crate) fn limited<T: Send + 'static>(
    what: &str,
    work: impl FnOnce() -> Result<T, PortError> + Send + 'static,
) -> Result<T, PortError> {
    let (to, from) = channel();
    let run = move || {
        quiet::this_thread();
        drop(to.send(work()));
    };
    thread::Builder::new().name("port".into()).spawn(run).map_err(|e| PortError::host(what, e))?;
    match from.recv_timeout(OPENING) {
        Ok(done) => done,
        Err(RecvTimeoutError::Timeout) => Err(PortError::TimedOut { what: what.into(), seconds: OPENING.as_secs() }),
        Err(RecvTimeoutError::Disconnected) => Err(PortError::host(what, "the device library failed")),
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used, clippy::panic)]
mod tests {
    use super::*;
    use crate::arrivals::Arrival;
    use std::sync::atomic::AtomicU32;

    struct UntilTold(Arc<AtomicBool>);
    impl Guard for UntilTold {
        fn gone(&mut self) -> Option<String> {
            self.0.load(Ordering::Acquire).then(|| "unplugged".into())
        }
    }

    fn next_state(arrivals: &mut Arrivals) -> SourceState {
        let begun = Instant::now();
        while begun.elapsed() < Duration::from_secs(20) {
            if let Some(Arrival::State { state, .. }) = arrivals.pop() {
                return state;
            }
            thread::sleep(Duration::from_millis(2));
        }
        panic!("no change of state in 20 s")
    }

    #[test]
    fn a_device_that_goes_is_opened_again_and_failure_is_said_once() {
        let attempts = Arc::new(AtomicU32::new(0));
        let unplug = Arc::new(AtomicBool::new(false));
        let (count, plug) = (Arc::clone(&attempts), Arc::clone(&unplug));
        let open: Open = Arc::new(move |mut sink: Sink| {
            let n = count.fetch_add(1, Ordering::SeqCst);
            // There at the first attempt, away for two, and back.
            if n == 1 || n == 2 {
                return Err(PortError::host("test", "not plugged in"));
            }
            plug.store(false, Ordering::Release);
            sink.midi(mono_now(), &[n as u8]);
            let format = Format { name: format!("opened {n}"), ..Format::default() };
            Ok(Opened { format, period: None, guard: Box::new(UntilTold(Arc::clone(&plug))) })
        });
        let mut arrivals = keep("test", None, open).unwrap();
        assert_eq!(next_state(&mut arrivals), SourceState::Opening);
        assert!(matches!(next_state(&mut arrivals), SourceState::Open(f) if f.name == "opened 0"));
        unplug.store(true, Ordering::Release);
        assert_eq!(next_state(&mut arrivals), SourceState::Gone { why: "unplugged".into() });
        assert_eq!(next_state(&mut arrivals), SourceState::Gone { why: "test: not plugged in".into() });
        assert!(matches!(next_state(&mut arrivals), SourceState::Open(f) if f.name == "opened 3"));
        assert_eq!(attempts.load(Ordering::SeqCst), 4);
    }

    #[test]
    fn callbacks_that_cease_are_noticed() {
        let open: Open = Arc::new(|sink: Sink| {
            sink.pulse(mono_now());
            struct Holds(#[allow(dead_code)] Sink);
            impl Guard for Holds {}
            Ok(Opened { format: Format::default(), period: Some(Span::from_millis(5)), guard: Box::new(Holds(sink)) })
        });
        let mut arrivals = keep("test", None, open).unwrap();
        assert_eq!(next_state(&mut arrivals), SourceState::Opening);
        assert!(matches!(next_state(&mut arrivals), SourceState::Open(_)));
        assert_eq!(next_state(&mut arrivals), SourceState::Stalled);
        assert_eq!(next_state(&mut arrivals), SourceState::Gone { why: "its callbacks ceased".into() });
    }
}
