//! The report of a show: what a technician hands over afterwards.
//!
//! ```text
//! ShowFile -> runs (songs as played) -> song by song: offset, drift, steps, fitness, cost, dropouts
//!          -> events: changeovers, refusals, alarms, lines -> findings: the first page
//!          -> html | json | csv | pdf
//! ```

mod acts;
mod alarms;
mod clips;
mod columns;
mod draw;
mod findings;
mod fit;
mod fixes;
mod html;
mod html_events;
mod incident;
mod model;
mod paper;
mod pdf;
mod picture;
mod runs;
pub mod sheet;
mod song;
mod sound;
mod style;
mod tables;
mod text;
mod timeline;
mod units;
mod verdict;

use std::path::Path;

use base::Span;

use crate::ShowlogError;
use crate::read::ShowFile;
use crate::words::EventKind;
pub use incident::IncidentReport;
pub use model::*;
pub use sound::Heard;

/// A wall-clock time as lists show it: "2026-06-05 18:30".
pub fn wall_text(w: base::WallTime) -> String {
    units::rfc3339(w)[..16].replace('T', " ")
}

/// A length as lists show it: "3 h 0 min".
pub fn lasting_text(s: Span) -> String {
    units::lasting(s)
}

/// A show file with the report made from it.
#[derive(Debug)]
pub struct Made {
    /// The record.
    pub show: ShowFile,
    /// The report.
    pub report: Report,
}

impl Report {
    /// Reads a record and makes its report.
    ///
    /// # Errors
    /// Nothing of the file can be read.
    pub fn read(path: &Path) -> Result<Made, ShowlogError> {
        Ok(Made::of(ShowFile::read(path)?))
    }

    /// How long after its first instant a show ended.
    pub(crate) fn end_of(show: &ShowFile) -> Span {
        length(show, &runs::timed(show))
    }
}

impl Made {
    /// The report of a record.
    pub fn of(show: ShowFile) -> Made {
        let report = make(&show);
        Made { show, report }
    }

    /// A self-contained page: no script, no request to anywhere.
    pub fn html(&self) -> String {
        html::page(&self.show, &self.report)
    }

    /// The report on A4 paper.
    ///
    /// # Errors
    /// It could not be written; the error says why.
    pub fn pdf(&self) -> Result<Vec<u8>, ShowlogError> {
        pdf::pdf(&self.show, &self.report)
    }

    /// The report as JSON (`report.schema.json` in this crate tells its form).
    pub fn json(&self) -> String {
        serde_json::to_string_pretty(&self.report).unwrap_or_default()
    }

    /// The first page and a line for each song, in words.
    pub fn text(&self) -> String {
        text::text(&self.report)
    }

    /// One incident at full rate, by its number.
    ///
    /// # Errors
    /// There is none of that number, or the file cannot be read any more.
    pub fn incident(&self, number: i64) -> Result<IncidentReport<'_>, ShowlogError> {
        IncidentReport::read(&self.show, &self.report, number)
    }

    /// What was heard round a changeover (by its place in `report.changeovers`): at the house and at each machine.
    pub fn heard(&self, changeover: usize) -> Vec<Heard> {
        let c = self.report.changeovers.get(changeover);
        c.map_or_else(Vec::new, |c| sound::around(&self.show, c.event, &mut Vec::new()))
    }

    /// A folder of tables that a spreadsheet opens, and of the sound round each changeover.
    ///
    /// # Errors
    /// The folder cannot be written.
    pub fn csv(&self, dir: &Path) -> Result<(), ShowlogError> {
        tables::write(&self.show, &self.report, dir)
    }

    /// The same tables as Parquet files.
    ///
    /// # Errors
    /// The folder cannot be written.
    pub fn parquet(&self, dir: &Path) -> Result<(), ShowlogError> {
        columns::write(&self.show, &self.report, dir)
    }
}

fn make(show: &ShowFile) -> Report {
    let all = runs::timed(show);
    let songs: Vec<SongReport> = runs::runs(&all).into_iter().map(|r| song::song(show, &all, r)).collect();
    let length = length(show, &all);
    let changeovers = acts::changeovers(show, &songs);
    let refusals = acts::refusals(show, &songs);
    let alarms = alarms::alarms(show, length);
    let patches = alarms::patches(show, &songs);
    let basis = findings::Basis {
        show,
        all: &all,
        songs: &songs,
        changeovers: &changeovers,
        refusals: &refusals,
        alarms: &alarms,
        patches: &patches,
    };
    let (verdict, near_misses, fixes) = (verdict::verdict(&basis), findings::near_misses(&basis), fixes::fixes(&basis));
    let lines = |kinds: &[EventKind]| alarms::lines(show, &songs, kinds);
    Report {
        schema: 1,
        show: head(show, length),
        verdict,
        near_misses,
        fixes,
        operator: lines(&[EventKind::Operator, EventKind::Proposal]),
        health: lines(&[EventKind::Health]),
        checks: lines(&[EventKind::Check]),
        house: lines(&[EventKind::Switch, EventKind::Supervisor, EventKind::Record, EventKind::Other]),
        notes: lines(&[EventKind::Note]),
        incidents: alarms::incidents(show),
        damage: show.damage.clone(),
        cautions: cautions(),
        songs,
        changeovers,
        refusals,
        alarms,
        patches,
    }
}

fn length(show: &ShowFile, all: &[runs::Timed]) -> Span {
    let samples = all.last().map(|x| x.t);
    let events = show.events.iter().map(|e| show.since_start(e.id.epoch, e.event.at)).max();
    let ended = show.epochs.iter().filter_map(|e| Some(show.since_start(e.epoch, e.ended?))).max();
    [samples, events, ended].into_iter().flatten().max().unwrap_or(Span::ZERO)
}

fn head(show: &ShowFile, length: Span) -> Head {
    let machines = show.meta.machines.iter().enumerate();
    let limits = show.meta.limits;
    Head {
        id: show.meta.show,
        rig: show.meta.rig,
        title: show.meta.title.clone(),
        label: show.label.clone(),
        rig_name: show.meta.rig_name.clone(),
        machines: machines
            .filter_map(|(i, m)| {
                let machine = base::Machine::new(i)?;
                let before = show.meta.earlier.iter().filter(|e| e.machine == machine).map(|e| e.name.as_str());
                let before: Vec<&str> = before.collect();
                let name = if before.is_empty() {
                    m.name.clone()
                } else {
                    format!("{} (before: {})", m.name, before.join(", "))
                };
                Some(MachineHead { machine, name, id: m.id })
            })
            .collect(),
        started: show.epochs.first().map(|e| e.wall).or(show.events.first().map(|e| e.event.wall)),
        length,
        starts: show.epochs.len(),
        closed: show.epochs.last().is_some_and(|e| e.ended.is_some()),
        warning: limits.warning,
        candidate: limits.candidate,
        dead_air: limits.dead_air,
        baseline: limits.baseline,
        written_by: show.meta.written_by.clone(),
    }
}

fn cautions() -> Vec<String> {
    [
        "Twinkeel is not a safety system. It must never be the only thing between a timecode and something that can hurt: \
         moving scenery, flame, lasers, loud sound. The venue's rules, local codes and licensed operators come first.",
        "A changeover can make a level jump in in-ear monitors. The level figures here are what the agents measured, not what an ear received.",
        "What the audience heard is inferred from what the machines and the switch said, unless a tap is named as evidence.",
    ]
    .map(str::to_owned)
    .to_vec()
}
