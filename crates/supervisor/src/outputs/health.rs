//! How an output is: known to the watch thread without a lock, and to everybody else in words.

use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex};

use base::MonoTime;
use ports::os::mono_now;

use super::{OutputNews, Tell};

/// One output's health. Clones are of the same output.
#[derive(Clone)]
pub struct Health {
    output: usize,
    label: String,
    shared: Arc<Shared>,
    tell: Tell,
}

#[derive(Default)]
struct Shared {
    open: AtomicBool,
    sent: AtomicU64,
    failed: AtomicU64,
    words: Mutex<Words>,
}

#[derive(Default)]
struct Words {
    since: Option<MonoTime>,
    /// Why it is not open.
    gone: Option<String>,
    last_error: Option<(MonoTime, String)>,
}

/// What can be told of an output.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct HealthView {
    /// It could send now.
    pub open: bool,
    /// Since when it is open, or is not.
    pub since: Option<MonoTime>,
    /// Why it is not open: file, key, what is wrong and the mend.
    pub gone: Option<String>,
    /// The last thing that went wrong, and when.
    pub last_error: Option<(MonoTime, String)>,
    /// Commands that went out.
    pub sent: u64,
    /// Commands that did not, or were refused by the far end.
    pub failed: u64,
}

impl Health {
    pub(super) fn new(output: usize, label: String, tell: Tell) -> Health {
        Health { output, label, shared: Arc::default(), tell }
    }

    /// What can be told now.
    pub fn view(&self) -> HealthView {
        let words = self.shared.words.lock();
        let (since, gone, last_error) =
            words.map(|w| (w.since, w.gone.clone(), w.last_error.clone())).unwrap_or_default();
        let count = |c: &AtomicU64| c.load(Ordering::Relaxed);
        let (sent, failed) = (count(&self.shared.sent), count(&self.shared.failed));
        HealthView { open: self.is_open(), since, gone, last_error, sent, failed }
    }

    /// It could send now.
    pub fn is_open(&self) -> bool {
        self.shared.open.load(Ordering::Acquire)
    }

    pub(super) fn opened(&self) {
        if let Ok(mut w) = self.shared.words.lock() {
            w.since = Some(mono_now());
            w.gone = None;
        }
        self.shared.open.store(true, Ordering::Release);
        (self.tell)(OutputNews::Opened { output: self.output, label: self.label.clone() });
    }

    /// It is not open any more, or could not be opened; the same is said once.
    pub(super) fn gone(&self, why: String) {
        self.shared.open.store(false, Ordering::Release);
        let new = self.shared.words.lock().is_ok_and(|mut w| {
            let new = w.gone.as_ref() != Some(&why);
            if w.gone.is_none() {
                w.since = Some(mono_now());
            }
            if new {
                w.gone = Some(why.clone());
                w.last_error = Some((mono_now(), why.clone()));
            }
            new
        });
        if new {
            (self.tell)(OutputNews::Gone { output: self.output, label: self.label.clone(), why });
        }
    }

    pub(super) fn sent(&self) {
        self.shared.sent.fetch_add(1, Ordering::Relaxed);
    }

    /// A command failed on its way; from the watch thread itself, so without words.
    pub(super) fn count_failed(&self) {
        self.shared.failed.fetch_add(1, Ordering::Relaxed);
    }

    /// A command failed after it was taken.
    pub(super) fn failed(&self, number: u32, why: String) {
        self.count_failed();
        if let Ok(mut w) = self.shared.words.lock() {
            w.last_error = Some((mono_now(), why.clone()));
        }
        (self.tell)(OutputNews::Failed { output: self.output, number, label: self.label.clone(), why });
    }

    pub(super) fn heard(&self, view: base::SwitchView, at: MonoTime) {
        (self.tell)(OutputNews::Heard(view, at));
    }
}
