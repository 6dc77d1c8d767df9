//! Reading a record back: as far as it goes, and saying where it does not.

mod open;
mod rows;

use std::path::{Path, PathBuf};

use base::{Machine, MonoTime, Span, WallTime};
use serde::Serialize;

use crate::ShowlogError;
use crate::boot::BootId;
use crate::meta::ShowMeta;
use crate::sound::Sound;
use crate::store::Lane;
use crate::words::{Recorded, Sample};
pub(crate) use open::open as open_read_only;

/// One start of the writer.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
pub struct Epoch {
    /// Its number, from 1.
    pub epoch: u32,
    /// The boot its monotonic times count in.
    pub boot: BootId,
    /// When it began, on the monotonic clock ...
    pub mono: MonoTime,
    /// ... and on the wall.
    pub wall: WallTime,
    /// When it closed the record properly; `None`: it was killed, the power went, or it still runs.
    pub ended: Option<MonoTime>,
}

/// A stretch kept at full rate.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
pub struct Incident {
    /// Counts from 1 in the whole show.
    pub number: i64,
    /// The epoch that it lies in.
    pub epoch: u32,
    /// Its middle.
    pub at: MonoTime,
    /// The number of the event that asked for it.
    pub event: u64,
}

/// A sample with the epoch that it lies in.
#[derive(Clone, PartialEq, Debug)]
pub struct Placed {
    /// The epoch.
    pub epoch: u32,
    /// The sample.
    pub sample: Sample,
}

/// What a record says of one machine.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct About {
    /// Newest first.
    pub events: Vec<Recorded>,
    /// There are older ones.
    pub more: bool,
}

impl About {
    /// The newest events about a machine, at most so many; patches are left out. The record may be being written.
    ///
    /// # Errors
    /// The file cannot be opened as a record.
    pub fn read(path: &Path, machine: Machine, most: usize) -> Result<About, ShowlogError> {
        let mut damage = Vec::new();
        let db = open::open(path, &mut damage)?;
        let epochs = rows::epochs(&db, &mut damage);
        let (events, more) = rows::events_about(&db, &epochs, machine, most);
        Ok(About { events, more })
    }
}

/// A record, read.
#[derive(Clone, Debug)]
pub struct ShowFile {
    /// The file.
    pub path: PathBuf,
    /// The show. Empty when that part of the file is lost.
    pub meta: ShowMeta,
    /// What a person called it afterwards.
    pub label: Option<String>,
    /// The starts of the writer, in order.
    pub epochs: Vec<Epoch>,
    /// All events, in the order of their ids.
    pub events: Vec<Recorded>,
    /// The 10 Hz lane, in the order of time within each epoch.
    pub samples: Vec<Placed>,
    /// The incidents.
    pub incidents: Vec<Incident>,
    /// What could not be read, in sentences; empty for a sound file.
    pub damage: Vec<String>,
}

impl ShowFile {
    /// Reads all of it but the full-rate lane.
    ///
    /// # Errors
    /// Nothing at all can be read; the error says why.
    pub fn read(path: &Path) -> Result<ShowFile, ShowlogError> {
        let mut damage = Vec::new();
        let db = open::open(path, &mut damage)?;
        let meta = rows::meta(&db, &mut damage);
        let label = rows::label(&db);
        let epochs = rows::epochs(&db, &mut damage);
        let events = rows::events(&db, &epochs, &mut damage);
        let samples = rows::samples(&db, Lane::Slow, None, &mut damage);
        let incidents = rows::incidents(&db, &mut damage);
        if !damage.is_empty() && meta.is_none() && events.is_empty() && samples.is_empty() {
            let why = format!("nothing of it can be read: {}", damage.join("; "));
            return Err(ShowlogError::NotARecord { path: path.display().to_string(), why });
        }
        let path = path.to_owned();
        let meta = meta.unwrap_or_default();
        Ok(ShowFile { path, meta, label, epochs, events, samples, incidents, damage })
    }

    /// The full-rate samples of one stretch, in the order of time; what could not be read is added to `damage`.
    ///
    /// # Errors
    /// The file cannot be opened any more.
    pub fn full_rate(
        &self,
        epoch: u32,
        from: MonoTime,
        to: MonoTime,
        damage: &mut Vec<String>,
    ) -> Result<Vec<Sample>, ShowlogError> {
        let db = open::open(&self.path, damage)?;
        let placed = rows::samples(&db, Lane::Full, Some((epoch, from, to)), damage);
        Ok(placed.into_iter().map(|p| p.sample).filter(|s| s.at >= from && s.at <= to).collect())
    }

    /// The sound kept of one stretch, in the order of time; what could not be read is added to `damage`.
    ///
    /// # Errors
    /// The file cannot be opened any more.
    pub fn sounds(
        &self,
        epoch: u32,
        from: MonoTime,
        to: MonoTime,
        damage: &mut Vec<String>,
    ) -> Result<Vec<Sound>, ShowlogError> {
        let db = open::open(&self.path, damage)?;
        Ok(rows::sounds(&db, epoch, from, to, damage))
    }

    /// How long after the show's first instant this one was. Within one boot by the monotonic clock; from one boot to
    /// the next there is only the wall clock.
    pub fn since_start(&self, epoch: u32, at: MonoTime) -> Span {
        let (Some(first), Some(own)) = (self.epochs.first(), self.epochs.iter().find(|e| e.epoch == epoch)) else {
            return at.since(MonoTime::ZERO);
        };
        if own.boot.same_clock(first.boot) || own.epoch == first.epoch {
            at.since(first.mono)
        } else {
            Span::from_nanos(own.wall.0.saturating_sub(first.wall.0)) + at.since(own.mono)
        }
    }

    /// The wall clock at an instant, carried from the start of its epoch.
    pub fn wall(&self, epoch: u32, at: MonoTime) -> Option<WallTime> {
        let own = self.epochs.iter().find(|e| e.epoch == epoch)?;
        Some(WallTime(own.wall.0.saturating_add(at.since(own.mono).nanos())))
    }
}
