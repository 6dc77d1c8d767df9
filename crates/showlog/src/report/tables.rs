//! The report as a folder of CSV tables (RFC 4180, UTF-8, a header line, a point in numbers, nothing for what is
//! unknown). `samples.csv` is what all figures were made from, so that they can be made again elsewhere.

use std::path::Path;

use base::{Dbfs, Machine, Span, SwitchView};
use csv::Writer;

use super::findings::fitness_word;
use super::model::Report;
use super::{runs, sound};
use crate::ShowlogError;
use crate::read::ShowFile;
use crate::words::{MachineSample, Mode, Sample};

/// Where a table goes.
pub(super) type Out<'o> = Box<dyn std::io::Write + 'o>;
type Table<'o> = Writer<Out<'o>>;
/// Fills one table.
pub(super) type Fill<'f> = Box<dyn Fn(&mut Table<'_>) -> csv::Result<()> + 'f>;

/// All tables with their names.
pub(super) fn all<'f>(show: &'f ShowFile, r: &'f Report) -> [(&'static str, Fill<'f>); 8] {
    [
        ("songs", Box::new(|t| songs(r, t))),
        ("samples", Box::new(|t| samples(show, r, t))),
        ("events", Box::new(|t| events(show, t))),
        ("changeovers", Box::new(|t| changeovers(r, t))),
        ("alarms", Box::new(|t| alarms(r, t))),
        ("steps", Box::new(|t| steps(r, t))),
        ("standby_gaps", Box::new(|t| gaps(r, t))),
        ("dropouts", Box::new(|t| dropouts(r, t))),
    ]
}

/// Writes all tables into the folder, which is made when missing.
pub(super) fn write(show: &ShowFile, r: &Report, dir: &Path) -> Result<(), ShowlogError> {
    std::fs::create_dir_all(dir).map_err(ShowlogError::file(dir))?;
    for (name, fill) in all(show, r) {
        let path = dir.join(format!("{name}.csv"));
        let mut out = open(&path)?;
        fill(&mut out).map_err(|e| io(&path, e))?;
        out.flush().map_err(ShowlogError::file(&path))?;
    }
    sounds(show, r, dir)
}

fn open(path: &Path) -> Result<Table<'static>, ShowlogError> {
    let file = std::fs::File::create(path).map_err(ShowlogError::file(path))?;
    Ok(Writer::from_writer(Box::new(file)))
}

/// `sound/changeover-1-a.wav` and so on: what was heard round each changeover.
fn sounds(show: &ShowFile, r: &Report, dir: &Path) -> Result<(), ShowlogError> {
    let dir = dir.join("sound");
    for (i, c) in r.changeovers.iter().enumerate() {
        for heard in sound::around(show, c.event, &mut Vec::new()) {
            std::fs::create_dir_all(&dir).map_err(ShowlogError::file(&dir))?;
            let place = heard.at.to_string().to_lowercase();
            let path = dir.join(format!("changeover-{}-{place}.wav", i + 1));
            std::fs::write(&path, heard.wav()?).map_err(ShowlogError::file(&path))?;
        }
    }
    Ok(())
}

fn io(path: &Path, error: csv::Error) -> ShowlogError {
    let source = match error.into_kind() {
        csv::ErrorKind::Io(e) => e,
        other => std::io::Error::other(format!("{other:?}")),
    };
    ShowlogError::file(path)(source)
}

/// Words from outside: a spreadsheet must not take them for a formula.
fn words(text: &str) -> String {
    if is_formula(text) { format!("'{text}") } else { text.to_owned() }
}
pub(super) fn is_formula(text: &str) -> bool {
    text.starts_with(['=', '+', '-', '@', '\t', '\r'])
}
fn seconds(s: Span) -> String {
    format!("{:.6}", s.secs_f64())
}
fn millis(s: Span) -> String {
    format!("{:.4}", s.millis_f64())
}
fn or_nothing<T>(v: Option<T>, text: impl Fn(T) -> String) -> String {
    v.map_or_else(String::new, text)
}
fn letter(m: Option<Machine>) -> String {
    or_nothing(m, |m| m.to_string())
}

fn songs(r: &Report, t: &mut Table<'_>) -> csv::Result<()> {
    t.write_record([
        "song_index",
        "number",
        "name",
        "from_s",
        "to_s",
        "machine",
        "start_skew_ms",
        "median_ms",
        "worst_ms",
        "worst_at_s",
        "bound_ms",
        "offset_known",
        "drift_ppm",
        "drift_uncertainty_ppm",
        "drift_means",
        "steps",
        "standby_fit",
        "takeover_median_ms",
        "takeover_worst_ms",
        "takeover_known",
    ])?;
    for (i, s) in r.songs.iter().enumerate() {
        for p in &s.pairs {
            t.write_record([
                i.to_string(),
                s.number.to_string(),
                words(&s.name),
                seconds(s.from),
                seconds(s.to),
                p.machine.to_string(),
                or_nothing(p.start_skew, millis),
                or_nothing(p.median, millis),
                or_nothing(p.worst, millis),
                or_nothing(p.worst_at, seconds),
                or_nothing(p.bound, millis),
                format!("{:.6}", p.known),
                or_nothing(p.drift, |d| format!("{:.6}", d.drift.0)),
                or_nothing(p.drift, |d| format!("{:.6}", d.uncertainty.0)),
                or_nothing(p.drift, |d| d.seconds.to_string()),
                p.steps.len().to_string(),
                or_nothing(s.standby.fit, |f| format!("{f:.6}")),
                or_nothing(s.takeover.median, millis),
                or_nothing(s.takeover.worst, millis),
                format!("{:.6}", s.takeover.known),
            ])?;
        }
    }
    Ok(())
}

const PER_MACHINE: [&str; 16] = [
    "fitness",
    "heard",
    "player",
    "transport",
    "audio",
    "clock",
    "paths",
    "song",
    "offset_ms",
    "bound_ms",
    "drift_ppm",
    "peak_dbfs",
    "rms_dbfs",
    "beats_lost",
    "lateness_ms",
    "host",
];

fn samples(show: &ShowFile, r: &Report, t: &mut Table<'_>) -> csv::Result<()> {
    put_samples(r, &runs::timed(show), t)
}

/// Samples of another lane, as one table of that name.
pub(super) fn write_samples(r: &Report, all: &[runs::Timed], dir: &Path, name: &str) -> Result<(), ShowlogError> {
    std::fs::create_dir_all(dir).map_err(ShowlogError::file(dir))?;
    let path = dir.join(name);
    let mut out = open(&path)?;
    put_samples(r, all, &mut out).map_err(|e| io(&path, e))?;
    out.flush().map_err(ShowlogError::file(&path))
}

fn put_samples(r: &Report, all: &[runs::Timed], t: &mut Table<'_>) -> csv::Result<()> {
    let machines = all.iter().map(|x| x.s.machines.len()).max().unwrap_or(0);
    let mut header: Vec<String> = [
        "t_s",
        "epoch",
        "song_index",
        "song",
        "song_at_s",
        "on_air",
        "mode",
        "latched",
        "takeover_to",
        "takeover_jump_ms",
        "takeover_level_db",
    ]
    .map(str::to_owned)
    .to_vec();
    for m in Machine::first(machines) {
        header.extend(PER_MACHINE.iter().map(|n| format!("{}_{n}", m.letter().to_ascii_lowercase())));
    }
    t.write_record(&header)?;
    let mut row: Vec<String> = Vec::with_capacity(header.len());
    let mut song = 0;
    for x in all {
        while r.songs.get(song).is_some_and(|s| x.t > s.to) {
            song += 1;
        }
        let inside = r.songs.get(song).is_some_and(|s| x.t >= s.from);
        row.clear();
        row.push(seconds(x.t));
        row.push(x.epoch.to_string());
        row.push(if inside { song.to_string() } else { String::new() });
        of_rig(x.s, &mut row);
        for m in 0..machines {
            of_machine(&x.s.machines.get(m).copied().unwrap_or_default(), &mut row);
        }
        t.write_record(&row)?;
    }
    Ok(())
}

fn of_rig(s: &Sample, row: &mut Vec<String>) {
    row.push(or_nothing(s.song, |n| n.to_string()));
    row.push(or_nothing(s.song_at, seconds));
    row.push(match s.on_air {
        SwitchView::On(m) => m.to_string(),
        SwitchView::Conflict => "conflict".to_owned(),
        SwitchView::Unknown => String::new(),
    });
    row.push(match s.mode {
        Mode::Observe => "observe".to_owned(),
        Mode::Propose => "propose".to_owned(),
        Mode::Act => "act".to_owned(),
    });
    row.push(u8::from(s.latched).to_string());
    row.push(letter(s.takeover.to));
    row.push(or_nothing(s.takeover.jump, millis));
    row.push(or_nothing(s.takeover.level, |l| format!("{:.2}", l.0)));
}

fn of_machine(m: &MachineSample, row: &mut Vec<String>) {
    // The same words as in JSON.
    let word = |v: serde_json::Result<serde_json::Value>| {
        v.ok().and_then(|v| v.as_str().map(str::to_owned)).unwrap_or_default()
    };
    let level = |l: Dbfs| if l.0.is_finite() { format!("{:.2}", l.0) } else { "-inf".to_owned() };
    row.push(fitness_word(m.fitness).replace(' ', "-"));
    row.push(word(serde_json::to_value(m.heard)));
    row.push(word(serde_json::to_value(m.player)));
    row.push(word(serde_json::to_value(m.transport)));
    row.push(word(serde_json::to_value(m.audio)));
    row.push(word(serde_json::to_value(m.clock)));
    row.push(m.paths_alive.to_string());
    row.push(or_nothing(m.song, |n| n.to_string()));
    row.push(or_nothing(m.offset, millis));
    row.push(or_nothing(m.bound, millis));
    row.push(or_nothing(m.drift, |d| format!("{:.3}", d.0)));
    row.push(or_nothing(m.peak, level));
    row.push(or_nothing(m.rms, level));
    row.push(or_nothing(m.beats_lost, |n| n.to_string()));
    row.push(or_nothing(m.lateness, millis));
    row.push(m.host.to_string());
}

fn events(show: &ShowFile, t: &mut Table<'_>) -> csv::Result<()> {
    t.write_record(["epoch", "sequence", "t_s", "wall", "kind", "machine", "code", "text", "detail"])?;
    for e in &show.events {
        t.write_record([
            e.id.epoch.to_string(),
            e.id.sequence.to_string(),
            seconds(show.since_start(e.id.epoch, e.event.at)),
            super::units::rfc3339(e.event.wall),
            e.event.kind.word().to_owned(),
            letter(e.event.machine),
            words(&e.event.code),
            words(&e.event.text),
            if e.event.detail.is_null() { String::new() } else { e.event.detail.to_string() },
        ])?;
    }
    Ok(())
}

fn changeovers(r: &Report, t: &mut Table<'_>) -> csv::Result<()> {
    t.write_record([
        "at_s",
        "song_index",
        "from",
        "to",
        "rule",
        "why",
        "forced",
        "by",
        "verdict_after_ms",
        "sent_after_ms",
        "confirmed_after_ms",
        "confirmed",
        "jump_ms",
        "level_db",
    ])?;
    for c in &r.changeovers {
        t.write_record([
            seconds(c.at),
            or_nothing(c.song, |s| s.to_string()),
            letter(c.from),
            c.to.to_string(),
            words(&c.rule),
            words(&c.why),
            u8::from(c.forced).to_string(),
            words(c.by.as_deref().unwrap_or("")),
            or_nothing(c.verdict_after, millis),
            or_nothing(c.sent_after, millis),
            or_nothing(c.confirmed_after, millis),
            or_nothing(c.confirmed, |c| u8::from(c).to_string()),
            or_nothing(c.jump, millis),
            or_nothing(c.level, |l| format!("{:.2}", l.0)),
        ])?;
    }
    Ok(())
}

fn alarms(r: &Report, t: &mut Table<'_>) -> csv::Result<()> {
    t.write_record([
        "code",
        "machine",
        "priority",
        "text",
        "cause",
        "mend",
        "times",
        "first_s",
        "last_s",
        "standing_s",
        "cleared",
        "acknowledged",
    ])?;
    for a in &r.alarms {
        t.write_record([
            words(&a.code),
            letter(a.machine),
            format!("{:?}", a.priority).to_lowercase(),
            words(&a.text),
            words(a.cause.as_deref().unwrap_or("")),
            words(a.mend.as_deref().unwrap_or("")),
            a.times.to_string(),
            seconds(a.first),
            seconds(a.last),
            seconds(a.standing),
            u8::from(a.cleared).to_string(),
            a.acknowledged.to_string(),
        ])?;
    }
    Ok(())
}

fn steps(r: &Report, t: &mut Table<'_>) -> csv::Result<()> {
    t.write_record(["song_index", "machine", "at_s", "by_ms"])?;
    for (i, s) in r.songs.iter().enumerate() {
        for p in &s.pairs {
            for step in &p.steps {
                t.write_record([i.to_string(), p.machine.to_string(), seconds(step.at), millis(step.by)])?;
            }
        }
    }
    Ok(())
}

fn gaps(r: &Report, t: &mut Table<'_>) -> csv::Result<()> {
    t.write_record(["song_index", "from_s", "to_s", "machine", "fitness", "why"])?;
    for (i, s) in r.songs.iter().enumerate() {
        for g in &s.standby.gaps {
            t.write_record([
                i.to_string(),
                seconds(g.from),
                seconds(g.to),
                letter(g.machine),
                fitness_word(g.fitness).to_owned(),
                words(&g.why),
            ])?;
        }
    }
    Ok(())
}

fn dropouts(r: &Report, t: &mut Table<'_>) -> csv::Result<()> {
    t.write_record(["song_index", "machine", "from_s", "length_s", "what", "on_air"])?;
    for (i, s) in r.songs.iter().enumerate() {
        for d in &s.dropouts {
            t.write_record([
                i.to_string(),
                d.machine.to_string(),
                seconds(d.from),
                seconds(d.length),
                words(&d.what),
                u8::from(d.on_air).to_string(),
            ])?;
        }
    }
    Ok(())
}
