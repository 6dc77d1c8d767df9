//! The record of a show and the report made from it.
//!
//! * [`Recorder`] writes: one SQLite file a show, on its own thread, fed through a [`RecordSender`] that never waits.
//! * [`ShowFile`] reads a record back, as far as it goes, and says where it is damaged.
//! * [`Shelf`] is the folder of records: list, label, note, export, prune.
//! * [`report::Report`] is what a technician hands over after the show.
//!
//! Time in the record is (epoch, boot id, nanoseconds of the monotonic clock); the wall clock is kept beside it for
//! display only. An *epoch* is one start of the writer, so an event's id, (epoch, sequence), is never given twice.

mod boot;
mod crc;
pub mod detail;
mod meta;
mod schema;
mod sound;
mod store;
mod words;

pub mod codec;
pub mod read;
pub mod record;
pub mod report;
pub mod shelf;

pub use boot::BootId;
pub use meta::{EarlierMachine, Limits, MachineMeta, ShowMeta, SongMeta};
pub use read::{About, ShowFile};
pub use record::{RecordHealth, RecordSender, Recorder, RecorderConfig};
pub use report::Report;
pub use shelf::Shelf;
pub use sound::{HeardAt, Sound};

pub use words::{Event, EventKind, Fitness, MachineSample, Mode, Recorded, Sample, Stamp, Takeover};

/// What can go wrong with a record.
#[derive(Debug, thiserror::Error)]
pub enum ShowlogError {
    /// The database said no.
    #[error("{path}: {source}")]
    Database {
        /// The file.
        path: String,
        /// What SQLite said.
        #[source]
        source: rusqlite::Error,
    },
    /// A file or folder could not be read or written.
    #[error("{path}: {source}")]
    File {
        /// The file.
        path: String,
        /// What the system said.
        #[source]
        source: std::io::Error,
    },
    /// The file is no record of a show, or nothing of it can be read.
    #[error("{path}: {why}")]
    NotARecord {
        /// The file.
        path: String,
        /// Why not.
        why: String,
    },
    /// Written by a later version of this program.
    #[error(
        "{path} was written by a later version (schema {found}; this one knows up to {known}): update before writing to it"
    )]
    Newer {
        /// The file.
        path: String,
        /// Its schema.
        found: i64,
        /// Ours.
        known: i64,
    },
    /// No such show, or more than one.
    #[error("{0}")]
    Which(String),
    /// The recorder's thread is gone.
    #[error("the recorder has stopped")]
    Stopped,
}

impl ShowlogError {
    pub(crate) fn db(path: &std::path::Path) -> impl FnOnce(rusqlite::Error) -> ShowlogError {
        let path = path.display().to_string();
        move |source| ShowlogError::Database { path, source }
    }
    pub(crate) fn file(path: &std::path::Path) -> impl FnOnce(std::io::Error) -> ShowlogError {
        let path = path.display().to_string();
        move |source| ShowlogError::File { path, source }
    }
}
