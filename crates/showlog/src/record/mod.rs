//! Writing a record: the recorder, its thread, and the handle by which others speak to it.
//!
//! ```text
//! RecordSender --events (never dropped)--> writer thread --one transaction each time it wakes--> SQLite, WAL, FULL
//!              --samples (bounded, dropped and counted)-->      |-- 10 Hz lane: small tails, folded into minutes
//!                                                               '-- full-rate ring of 30 s, written round incidents
//! ```
//!
//! What a kill at any moment may cost: the samples of the last half second (they are committed twice a second), and the
//! events that were handed in and not yet committed, that is, some milliseconds' worth. [`Recorder::flush`] returns
//! when everything handed in before is on the disk.

mod lanes;
mod sender;
mod writer;

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::mpsc;
use std::thread::JoinHandle;
use std::time::Duration;

use base::{MonoTime, Span, WallTime};

use crate::ShowlogError;
use crate::meta::ShowMeta;
use crate::store::Store;
use sender::{Message, Shared};
pub use sender::{RecordHealth, RecordSender};

/// How a recorder goes about it. The defaults serve a show.
#[derive(Clone, Copy, Debug)]
pub struct RecorderConfig {
    /// How far apart the samples of the slow lane are.
    pub slow_interval: Span,
    /// How often samples are committed: what a kill may cost.
    pub commit_interval: Span,
    /// What is kept at full rate before and after an incident.
    pub around_incident: Span,
    /// How many bytes of full-rate blocks one show may have.
    pub full_rate_budget: u64,
    /// How many bytes of sound one show may have.
    pub sound_budget: u64,
    /// Room set aside in the file for the events of a full disk, in bytes.
    pub reserve: usize,
    /// How many samples may wait for the writer (200 make a second).
    pub sample_queue: usize,
}

impl Default for RecorderConfig {
    fn default() -> RecorderConfig {
        RecorderConfig {
            slow_interval: Span::from_millis(100),
            commit_interval: Span::from_millis(500),
            around_incident: Span::from_secs(30),
            full_rate_budget: 14 << 20,
            sound_budget: 32 << 20,
            reserve: 1 << 20,
            sample_queue: 2_000,
        }
    }
}

/// Writes one show's record on its own thread. Dropping it closes the record properly.
#[derive(Debug)]
pub struct Recorder {
    sender: RecordSender,
    path: PathBuf,
    thread: Option<JoinHandle<()>>,
}

impl Recorder {
    /// Opens the record of `meta.show` in the folder `dir`, which is made when missing: a new file for a new show, or
    /// the next epoch of one that was begun. `at` and `wall` are now, on the clocks that events and samples use.
    ///
    /// # Errors
    /// The folder or file cannot be written, is damaged beyond opening, or is of a later version. A show can be
    /// watched without a record: report it and go on.
    pub fn open(dir: &Path, meta: &ShowMeta, at: MonoTime, wall: WallTime) -> Result<Recorder, ShowlogError> {
        Recorder::open_with(dir, meta, at, wall, RecorderConfig::default())
    }

    /// The same with another configuration.
    ///
    /// # Errors
    /// As [`Recorder::open`].
    pub fn open_with(
        dir: &Path,
        meta: &ShowMeta,
        at: MonoTime,
        wall: WallTime,
        config: RecorderConfig,
    ) -> Result<Recorder, ShowlogError> {
        let store = Store::open(dir, meta, at, wall, config.reserve)?;
        let path = store.path.clone();
        let (messages, incoming) = mpsc::channel();
        let (samples, sampled) = mpsc::sync_channel(config.sample_queue);
        let shared = Arc::new(Shared::new(store.epoch));
        let writer = writer::Writer::new(store, config, incoming, sampled, Arc::clone(&shared));
        let thread = std::thread::Builder::new()
            .name("record".to_owned())
            .spawn(move || writer.run())
            .map_err(ShowlogError::file(&path))?;
        let sender = RecordSender::new(messages, samples, shared, thread.thread().clone());
        Ok(Recorder { sender, path, thread: Some(thread) })
    }

    /// A handle for whoever has something to record. Cheap; clone it further.
    pub fn handle(&self) -> RecordSender {
        self.sender.clone()
    }

    /// The file.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Waits until everything handed in before is on the disk.
    ///
    /// # Errors
    /// It is not: the disk is full or gone ([`RecordHealth`] says), or the writer has stopped, or `patience` ran out.
    pub fn flush(&self, patience: Duration) -> Result<(), ShowlogError> {
        self.sender.flush(patience)
    }

    /// Writes what is left and closes the record properly.
    pub fn close(mut self) {
        self.stop();
    }

    fn stop(&mut self) {
        if let Some(thread) = self.thread.take() {
            self.sender.send(Message::Stop);
            let _ = thread.join();
        }
    }
}

impl Drop for Recorder {
    fn drop(&mut self) {
        self.stop();
    }
}
