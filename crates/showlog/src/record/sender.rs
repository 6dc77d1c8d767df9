//! The handle by which others speak to the writer: it never waits for the disk.

use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::mpsc::{self, SyncSender, TrySendError};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::Thread;
use std::time::Duration;

use base::{EventId, MonoTime};

use crate::ShowlogError;
use crate::sound::Sound;
use crate::words::{Event, EventKind, Sample};

/// What the writer is told, in order.
#[derive(Debug)]
pub(super) enum Message {
    /// Record this.
    Event(u64, Event),
    /// Keep this sound.
    Sound(Sound),
    /// Keep the full rate round this instant, because of the event of this number.
    Mark(MonoTime, u64),
    /// Answer when all before this is on the disk.
    Flush(SyncSender<bool>),
    /// Write what is left and end.
    Stop,
}

/// How the record fares, for an alarm and for the page.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct RecordHealth {
    /// Why nothing can be written at present; `None` when all is well.
    pub failing: Option<String>,
    /// Whether that is for want of room.
    pub disk_full: bool,
    /// Samples that found the queue full or the disk full, since the start.
    pub samples_dropped: u64,
    /// Events that could not be kept even in memory, since the start.
    pub events_dropped: u64,
    /// Events waiting for the disk.
    pub events_waiting: u64,
    /// The number of the newest event that is on the disk, in this epoch.
    pub committed: u64,
}

/// What senders and writer share.
#[derive(Debug)]
pub(super) struct Shared {
    pub(super) epoch: u32,
    next: AtomicU64,
    pub(super) waiting: AtomicU64,
    pub(super) samples_dropped: AtomicU64,
    pub(super) events_dropped: AtomicU64,
    pub(super) committed: AtomicU64,
    pub(super) failing: Mutex<Option<(String, bool)>>,
}

impl Shared {
    pub(super) fn new(epoch: u32) -> Shared {
        Shared {
            epoch,
            next: AtomicU64::new(1),
            waiting: AtomicU64::new(0),
            samples_dropped: AtomicU64::new(0),
            events_dropped: AtomicU64::new(0),
            committed: AtomicU64::new(0),
            failing: Mutex::new(None),
        }
    }
    pub(super) fn number(&self) -> u64 {
        self.next.fetch_add(1, Ordering::Relaxed)
    }
}

/// More events than this are not kept waiting for a disk that hangs: memory has an end too.
pub(super) const MOST_WAITING: u64 = 100_000;

/// Hands events and samples to the recorder. No call waits for the disk.
#[derive(Clone, Debug)]
pub struct RecordSender {
    messages: mpsc::Sender<Message>,
    samples: SyncSender<Sample>,
    shared: Arc<Shared>,
    writer: Thread,
}

impl RecordSender {
    pub(super) fn new(
        messages: mpsc::Sender<Message>,
        samples: SyncSender<Sample>,
        shared: Arc<Shared>,
        writer: Thread,
    ) -> RecordSender {
        RecordSender { messages, samples, shared, writer }
    }

    /// Records an event; the id is what it will be called. Allocates: not for the watch thread, whose actions are made
    /// into words elsewhere. A changeover's first stage (code `intent`)
    /// marks an incident by itself.
    pub fn event(&self, event: Event) -> EventId {
        let sequence = self.shared.number();
        let incident = (event.kind == EventKind::Changeover && event.code == "intent").then_some(event.at);
        if self.shared.waiting.fetch_add(1, Ordering::Relaxed) >= MOST_WAITING {
            self.shared.waiting.fetch_sub(1, Ordering::Relaxed);
            self.shared.events_dropped.fetch_add(1, Ordering::Relaxed);
        } else {
            self.send(Message::Event(sequence, event));
            if let Some(at) = incident {
                self.send(Message::Mark(at, sequence));
            }
        }
        EventId { epoch: self.shared.epoch, sequence }
    }

    /// Keeps the full rate from 30 s before to 30 s after `at`, under the name of that event.
    pub fn mark(&self, event: EventId, at: MonoTime) {
        self.send(Message::Mark(at, event.sequence));
    }

    /// Records a sample. Never waits, allocates or locks; when the queue is full the sample is dropped and counted.
    /// Hand them in in the order of time, from one thread.
    pub fn sample(&self, sample: Sample) {
        if let Err(TrySendError::Full(_)) = self.samples.try_send(sample) {
            self.shared.samples_dropped.fetch_add(1, Ordering::Relaxed);
        }
    }

    /// Keeps a stretch of sound, if the show's room for sound is not used up. For what is heard round a changeover.
    pub fn sound(&self, sound: Sound) {
        self.send(Message::Sound(sound));
    }

    /// How the record fares.
    pub fn health(&self) -> RecordHealth {
        let failing = self.shared.failing.lock().unwrap_or_else(PoisonError::into_inner).clone();
        let disk_full = failing.as_ref().is_some_and(|(_, full)| *full);
        RecordHealth {
            failing: failing.map(|(why, _)| why),
            disk_full,
            samples_dropped: self.shared.samples_dropped.load(Ordering::Relaxed),
            events_dropped: self.shared.events_dropped.load(Ordering::Relaxed),
            events_waiting: self.shared.waiting.load(Ordering::Relaxed),
            committed: self.shared.committed.load(Ordering::Relaxed),
        }
    }

    /// Waits until everything handed in before is on the disk.
    ///
    /// # Errors
    /// As [`super::Recorder::flush`].
    pub fn flush(&self, patience: Duration) -> Result<(), ShowlogError> {
        let (answer, answered) = mpsc::sync_channel(1);
        self.send(Message::Flush(answer));
        match answered.recv_timeout(patience) {
            Ok(true) => Ok(()),
            Ok(false) => {
                let why = self.health().failing.unwrap_or_else(|| "it could not be written".to_owned());
                Err(ShowlogError::NotARecord { path: "the record".to_owned(), why })
            }
            Err(_) => Err(ShowlogError::Stopped),
        }
    }

    pub(super) fn send(&self, message: Message) {
        // A writer that has stopped loses nothing that it acknowledged.
        if self.messages.send(message).is_ok() {
            self.writer.unpark();
        }
    }
}
