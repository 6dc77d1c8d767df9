//! The shows that were recorded: their list, what each came to in figures, and their reports.
//!
//! A record is read anew for each report, one at a time and away from the runtime's own threads; a page that shows a whole tour asks for
//! one show after another. Figures are kept as long as the record does not grow.

use std::collections::BTreeMap;
use std::path::{Path as FilePath, PathBuf};
use std::sync::{Arc, Mutex};

use axum::Json;
use axum::extract::{Path, State};
use axum::http::{StatusCode, header};
use axum::response::{Html, IntoResponse, Response};
use base::{MachineId, Ppm, Span, WallTime};
use serde::{Deserialize, Serialize};
use showlog::detail::Priority;
use showlog::report::{Held, Made, Report, SongReport};
use showlog::shelf::Entry;
use showlog::{About, EventKind, Shelf, ShowlogError};

use super::Page;
use super::api::{aside, problem};
use crate::snapshot::Letter;

/// Of so many shows the figures are kept.
const MOST_KEPT: usize = 256;

/// So many events of a machine are told.
const MOST_TOLD: usize = 200;

/// One recorded show, at a glance.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct ShowLine {
    /// Its lasting id, 32 hexadecimal digits.
    pub id: String,
    /// Its title.
    pub title: String,
    /// What a person called it.
    pub label: Option<String>,
    /// When it began.
    #[serde(rename = "started_wall_ns")]
    pub started: Option<WallTime>,
    /// From its start to its newest event; `None` where that spans a restart of the computer.
    #[serde(rename = "length_ns")]
    pub length: Option<Span>,
    /// How many changeovers were made.
    pub changeovers: u64,
    /// Why it could not be read.
    pub error: Option<String>,
}

/// What a show came to.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct ShowFigures {
    /// `held`, `by-changeover`, `no` or `unknown`: did it hold?
    pub held: String,
    /// That in a sentence.
    pub sentence: String,
    /// How many songs were played.
    pub songs: usize,
    /// The part of the playing time in which a standby could have taken over, 0 to 1.
    pub fit: Option<f64>,
    /// How often alarms came, by priority.
    pub alarms: AlarmCount,
    /// The machines.
    pub machines: Vec<MachineFigures>,
}

/// How often alarms came.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct AlarmCount {
    /// Of high priority.
    pub high: usize,
    /// Of medium priority.
    pub medium: usize,
    /// Of low priority.
    pub low: usize,
}

/// What a show says of one machine. Its history follows its hardware, not its letter.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct MachineFigures {
    /// Its letter in that show.
    pub letter: Letter,
    /// Its name in that show.
    pub name: String,
    /// Its lasting id, 32 hexadecimal digits.
    pub id: String,
    /// Its drift against the first machine, the median of the songs; `None` for the first machine itself.
    #[serde(rename = "drift_ppm")]
    pub drift: Option<Ppm>,
    /// Alarms about it.
    pub alarms: usize,
    /// Stretches of missing sound.
    pub dropouts: usize,
}

/// What tonight's record says of one machine.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct MachineHistory {
    /// Which.
    pub machine: Letter,
    /// What happened, newest first; patches are left out.
    pub events: Vec<Happened>,
    /// There are older ones: the report has all.
    pub more: bool,
}

/// One thing that happened.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct Happened {
    /// When, on the wall clock.
    #[serde(rename = "at_wall_ns")]
    pub at: WallTime,
    /// What sort of thing.
    pub kind: EventKind,
    /// Its code, stable over versions.
    pub code: String,
    /// One sentence for people.
    pub text: String,
}

/// The shows behind the page.
#[derive(Default)]
pub(crate) struct Shows {
    /// One report is made at a time: the supervisor has other work.
    turn: tokio::sync::Mutex<()>,
    /// By record and size: a record that grew is another.
    figures: Mutex<BTreeMap<(PathBuf, u64), ShowFigures>>,
}

/// `GET /machines/{letter}/history`.
pub(crate) async fn of_machine(State(page): State<Arc<Page>>, Path(letter): Path<String>) -> Response {
    let none = |text: &str| problem(StatusCode::NOT_FOUND, text).into_response();
    let known = page.desk.snapshots().borrow().machines.iter().map(|m| m.letter).find(|l| l.to_string() == letter);
    let Some(machine) = known else { return none("the rig has no machine of this letter") };
    let Some(record) = page.desk.record() else { return none("nothing is recorded") };
    let told = |e: showlog::Recorded| Happened {
        at: e.event.wall,
        kind: e.event.kind,
        code: e.event.code,
        text: e.event.text,
    };
    let said = aside(move || {
        let about = About::read(&record, machine.0, MOST_TOLD)?;
        let events = about.events.into_iter().map(told).collect();
        Ok::<_, ShowlogError>(MachineHistory { machine, events, more: about.more })
    });
    said.await.map_or_else(|no| no, |history| Json(history).into_response())
}

/// `GET /shows`.
pub(crate) async fn list(State(page): State<Arc<Page>>) -> Response {
    let Some(dir) = page.desk.shows() else { return Json(Vec::<ShowLine>::new()).into_response() };
    let all = aside(move || Shelf::new(&dir).list()).await;
    all.map_or_else(|no| no, |all| Json(all.into_iter().map(line).collect::<Vec<_>>()).into_response())
}

fn line(e: Entry) -> ShowLine {
    ShowLine {
        id: e.show.to_string(),
        title: e.title,
        label: e.label,
        started: e.started,
        length: e.length,
        changeovers: e.changeovers,
        // Which folder it lies in is nobody's business.
        error: e.error.map(|why| match (e.path.to_str(), e.path.file_name().and_then(|n| n.to_str())) {
            (Some(path), Some(name)) => why.replace(path, name),
            _ => why,
        }),
    }
}

/// `GET /shows/{id}`.
pub(crate) async fn figures(State(page): State<Arc<Page>>, Path(id): Path<String>) -> Response {
    let made = with_record(&page, id, |page, entry| {
        let key = (entry.path.clone(), entry.bytes);
        if let Some(known) = page.shows.figures.lock().ok().and_then(|k| k.get(&key).cloned()) {
            return Ok(known);
        }
        let figures = ShowFigures::of(&made(&entry.path)?.report);
        if let Ok(mut kept) = page.shows.figures.lock() {
            kept.retain(|(path, _), _| *path != key.0);
            if kept.len() < MOST_KEPT {
                kept.insert(key, figures.clone());
            }
        }
        Ok(figures)
    });
    made.await.map_or_else(|no| no, |f| Json(f).into_response())
}

/// `GET /shows/{id}/report.html`: a page of its own, with no script and nothing from anywhere else.
pub(crate) async fn report_page(State(page): State<Arc<Page>>, Path(id): Path<String>) -> Response {
    const OWN: &str = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; frame-ancestors 'none'";
    let made = with_record(&page, id, |_, entry| Ok(made(&entry.path)?.html())).await;
    made.map_or_else(|no| no, |html| ([(header::CONTENT_SECURITY_POLICY, OWN)], Html(html)).into_response())
}

/// `GET /shows/{id}/report.pdf`.
pub(crate) async fn report_pdf(State(page): State<Arc<Page>>, Path(id): Path<String>) -> Response {
    let made = with_record(&page, id, |_, entry| made(&entry.path)?.pdf()).await;
    made.map_or_else(|no| no, |pdf| ([(header::CONTENT_TYPE, "application/pdf")], pdf).into_response())
}

fn made(record: &FilePath) -> Result<Made, ShowlogError> {
    Report::read(record)
}

/// Does something with the record of a show, named by its whole id: no text from outside ever becomes a file's name.
async fn with_record<T: Send + 'static>(
    page: &Arc<Page>,
    id: String,
    what: impl FnOnce(&Page, &Entry) -> Result<T, ShowlogError> + Send + 'static,
) -> Result<T, Response> {
    let none = || problem(StatusCode::NOT_FOUND, "there is no show of this id").into_response();
    let dir = page.desk.shows().ok_or_else(none)?;
    let _turn = page.shows.turn.lock().await;
    let here = page.clone();
    let done = aside(move || {
        let all = Shelf::new(&dir).list()?;
        let entry = all.iter().find(|e| e.error.is_none() && e.show.to_string() == id);
        entry.map(|e| what(&here, e)).transpose()
    });
    done.await?.ok_or_else(none)
}

impl ShowFigures {
    /// The figures of a report.
    fn of(r: &Report) -> ShowFigures {
        let held = match r.verdict.held {
            Held::Held => "held",
            Held::ByChangeover => "by-changeover",
            Held::No => "no",
            Held::Unknown => "unknown",
        };
        let count = |p: Priority| r.alarms.iter().filter(|a| a.priority == p).map(|a| a.times).sum();
        ShowFigures {
            held: held.into(),
            sentence: r.verdict.sentence.clone(),
            songs: r.songs.len(),
            fit: fit(&r.songs),
            alarms: AlarmCount {
                high: count(Priority::High),
                medium: count(Priority::Medium),
                low: count(Priority::Low),
            },
            machines: r.show.machines.iter().map(|m| machine(r, m.machine, &m.name, m.id)).collect(),
        }
    }
}

/// Fitness over the songs, each weighed by how long it was played.
fn fit(songs: &[SongReport]) -> Option<f64> {
    let known = songs.iter().filter_map(|s| s.standby.fit.map(|fit| (fit, (s.to - s.from).secs_f64())));
    let (part, whole) = known.fold((0.0, 0.0), |(part, whole), (fit, long)| (part + fit * long, whole + long));
    (whole > 0.0).then(|| part / whole)
}

fn machine(r: &Report, m: base::Machine, name: &str, id: MachineId) -> MachineFigures {
    let pairs = r.songs.iter().flat_map(|s| &s.pairs).filter(|p| p.machine == m);
    let mut drifts: Vec<f64> = pairs.filter_map(|p| p.drift.as_ref()).map(|d| d.drift.0).collect();
    drifts.sort_by(f64::total_cmp);
    MachineFigures {
        letter: Letter(m),
        name: name.to_owned(),
        id: id.to_string(),
        drift: median(&drifts).map(Ppm),
        alarms: r.alarms.iter().filter(|a| a.machine == Some(m)).map(|a| a.times).sum(),
        dropouts: r.songs.iter().flat_map(|s| &s.dropouts).filter(|d| d.machine == m).count(),
    }
}

/// Of sorted figures.
fn median(sorted: &[f64]) -> Option<f64> {
    let middle = sorted.len() / 2;
    let upper = sorted.get(middle)?;
    let lower = if sorted.len().is_multiple_of(2) { sorted.get(middle.wrapping_sub(1))? } else { upper };
    Some((lower + upper) / 2.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_median_is_that_of_the_middle() {
        for (figures, is) in [
            (&[][..], None),
            (&[3.0][..], Some(3.0)),
            (&[1.0, 4.0][..], Some(2.5)),
            (&[-9.0, 2.0, 70.0][..], Some(2.0)),
        ] {
            assert_eq!(median(figures), is);
        }
    }
}
