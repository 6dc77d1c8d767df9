//! The folder of records. Its listing is the index: each file's head is read when asked, which takes well under a
//! millisecond a show, so that nothing can disagree with the files.

use std::path::{Path, PathBuf};

use base::{EventId, ShowId, Span, WallTime};
use rusqlite::{Connection, OptionalExtension, TransactionBehavior, params};
use serde::Serialize;

use crate::meta::ShowMeta;
use crate::read::ShowFile;
use crate::report::Report;
use crate::store::{self, ENDING};
use crate::words::{Event, EventKind};
use crate::{ShowlogError, detail, schema};

/// A folder of records.
#[derive(Clone, Debug)]
pub struct Shelf {
    dir: PathBuf,
}

/// One record, at a glance.
#[derive(Clone, Debug, Serialize)]
pub struct Entry {
    /// The file.
    pub path: PathBuf,
    /// The show.
    pub show: ShowId,
    /// Its title.
    pub title: String,
    /// What a person called it.
    pub label: Option<String>,
    /// The rig's name.
    pub rig_name: String,
    /// When it began, in nanoseconds since 1970.
    pub started: Option<WallTime>,
    /// From its first start to its newest event or sample block, in nanoseconds; `None` where that spans boots.
    pub length: Option<Span>,
    /// How many events it has.
    pub events: u64,
    /// How many changeovers were made.
    pub changeovers: u64,
    /// How large the file is, in bytes.
    pub bytes: u64,
    /// Why it could not be read.
    pub error: Option<String>,
}

impl Shelf {
    /// The folder at `dir`.
    pub fn new(dir: &Path) -> Shelf {
        Shelf { dir: dir.to_owned() }
    }

    /// All records, newest first; those that cannot be read come last and say why. A missing folder holds none.
    ///
    /// # Errors
    /// The folder is there and cannot be read.
    pub fn list(&self) -> Result<Vec<Entry>, ShowlogError> {
        let listing = match std::fs::read_dir(&self.dir) {
            Ok(l) => l,
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Ok(Vec::new()),
            Err(e) => return Err(ShowlogError::file(&self.dir)(e)),
        };
        let mut out = Vec::new();
        for entry in listing {
            let path = entry.map_err(ShowlogError::file(&self.dir))?.path();
            if path.extension().is_some_and(|e| e == ENDING) {
                out.push(glance(&path));
            }
        }
        out.sort_by(|a, b| b.started.cmp(&a.started).then_with(|| a.path.cmp(&b.path)));
        Ok(out)
    }

    /// The one record that `which` means: a file's path, `last`, its place in the list (1 is the newest), the beginning of its
    /// id, or part of its title, label or file name.
    ///
    /// # Errors
    /// None, or more than one: the error names them.
    pub fn find(&self, which: &str) -> Result<PathBuf, ShowlogError> {
        let as_path = Path::new(which);
        if as_path.is_file() {
            return Ok(as_path.to_owned());
        }
        let all = self.list()?;
        if all.is_empty() {
            return Err(ShowlogError::Which(format!("there is no record in {}", self.dir.display())));
        }
        let place = if which == "last" { Some(1) } else { which.parse::<usize>().ok().filter(|n| *n <= all.len()) };
        if let Some(entry) = place.and_then(|n| all.get(n.checked_sub(1)?)) {
            return Ok(entry.path.clone());
        }
        let wanted = which.to_lowercase();
        let id_like = wanted.len() >= 4 && wanted.chars().all(|c| c.is_ascii_hexdigit());
        let meant: Vec<&Entry> = all
            .iter()
            .filter(|e| {
                let name = e.path.file_name().map(|n| n.to_string_lossy().to_lowercase()).unwrap_or_default();
                let label = e.label.as_deref().unwrap_or("").to_lowercase();
                id_like && e.show.to_string().starts_with(&wanted)
                    || e.title.to_lowercase().contains(&wanted)
                    || label.contains(&wanted)
                    || name.contains(&wanted)
            })
            .collect();
        match meant.as_slice() {
            [one] => Ok(one.path.clone()),
            [] => Err(ShowlogError::Which(format!(
                "no show is called {which:?}: see `twinkeel shows` for those that there are"
            ))),
            several => {
                let names: Vec<String> = several.iter().map(|e| e.path.display().to_string()).collect();
                Err(ShowlogError::Which(format!("{which:?} may mean any of these: {}", names.join(", "))))
            }
        }
    }

    /// Records that began before `before`, oldest last.
    ///
    /// # Errors
    /// As [`Shelf::list`].
    pub fn older_than(&self, before: WallTime) -> Result<Vec<Entry>, ShowlogError> {
        Ok(self.list()?.into_iter().filter(|e| e.started.is_some_and(|s| s < before)).collect())
    }
}

fn glance(path: &Path) -> Entry {
    let mut entry = Entry {
        path: path.to_owned(),
        show: ShowId::default(),
        title: String::new(),
        label: None,
        rig_name: String::new(),
        started: None,
        length: None,
        events: 0,
        changeovers: 0,
        bytes: std::fs::metadata(path).map_or(0, |m| m.len()),
        error: None,
    };
    if let Err(error) = fill(path, &mut entry) {
        entry.error = Some(error.to_string());
    }
    entry
}

fn fill(path: &Path, entry: &mut Entry) -> Result<(), ShowlogError> {
    let mut damage = Vec::new();
    let db = crate::read::open_read_only(path, &mut damage)?;
    if let Ok(Some(ShowMeta { show, title, rig_name, .. })) = store::read_meta(&db) {
        (entry.show, entry.title, entry.rig_name) = (show, title, rig_name);
    }
    let of = |e| ShowlogError::db(path)(e);
    entry.label =
        db.query_row("SELECT value FROM meta WHERE key = 'label'", [], |r| r.get(0)).optional().map_err(of)?;
    let first: Option<(i64, i64, Vec<u8>)> = db
        .query_row("SELECT wall, mono, boot FROM epochs ORDER BY epoch LIMIT 1", [], |r| {
            Ok((r.get(0)?, r.get(1)?, r.get(2)?))
        })
        .optional()
        .map_err(of)?;
    if let Some((wall, mono, boot)) = first {
        entry.started = Some(WallTime(wall));
        let boots: i64 =
            db.query_row("SELECT count(*) FROM epochs WHERE boot <> ?1", [boot], |r| r.get(0)).map_err(of)?;
        let last: Option<i64> = db
            .query_row(
                "SELECT max(coalesce((SELECT max(last) FROM blocks), 0), coalesce((SELECT max(mono) FROM events WHERE epoch > 0), 0))",
                [],
                |r| r.get(0),
            )
            .map_err(of)?;
        entry.length = last.filter(|l| boots == 0 && *l >= mono).map(|l| Span::from_nanos(l - mono));
    }
    let count = |sql: &str| db.query_row(sql, [], |r| r.get::<_, i64>(0)).map(|n| n.max(0) as u64);
    entry.events = count("SELECT count(*) FROM events").map_err(of)?;
    entry.changeovers =
        count("SELECT count(*) FROM events WHERE kind = 'changeover' AND code = 'confirmed'").map_err(of)?;
    entry.error = (!damage.is_empty()).then(|| damage.join("; "));
    Ok(())
}

/// Opens a closed record to add to it. Migrated first, so that old shows can be labelled for ever.
fn writable(path: &Path) -> Result<Connection, ShowlogError> {
    let mut damage = Vec::new();
    drop(crate::read::open_read_only(path, &mut damage)?);
    let mut db = Connection::open(path).map_err(ShowlogError::db(path))?;
    db.busy_timeout(std::time::Duration::from_secs(2)).map_err(ShowlogError::db(path))?;
    let found = schema::version(&db).map_err(ShowlogError::db(path))?;
    if found > schema::CURRENT {
        return Err(ShowlogError::Newer { path: path.display().to_string(), found, known: schema::CURRENT });
    }
    schema::migrate(&mut db).map_err(ShowlogError::db(path))?;
    Ok(db)
}

/// Gives a record a name of its own; an empty one takes it away.
///
/// # Errors
/// The record cannot be written.
pub fn label(path: &Path, label: &str) -> Result<(), ShowlogError> {
    let db = writable(path)?;
    let done = if label.is_empty() {
        db.execute("DELETE FROM meta WHERE key = 'label'", []).map(|_| ())
    } else {
        store::put_meta(&db, "label", label)
    };
    done.map_err(ShowlogError::db(path))
}

/// Writes a note into a record after the show. Such notes are events of epoch 0, whose instants count from the show's
/// first; they stand at its end.
///
/// # Errors
/// The record cannot be written.
pub fn note(path: &Path, who: &str, text: &str, now: WallTime) -> Result<EventId, ShowlogError> {
    let end = Report::end_of(&ShowFile::read(path)?);
    let mut db = writable(path)?;
    let of = |e| ShowlogError::db(path)(e);
    let tx = db.transaction_with_behavior(TransactionBehavior::Immediate).map_err(of)?;
    let sequence: i64 = tx
        .query_row("SELECT coalesce(max(sequence), 0) + 1 FROM events WHERE epoch = ?1", params![0], |r| r.get(0))
        .map_err(of)?;
    let detail = detail::Operator { who: who.to_owned(), through: String::new() };
    let event = Event::new(base::MonoTime::ZERO + end, now, EventKind::Note, "afterwards", text).with(&detail);
    store::put_event(&tx, 0, sequence as u64, &event).map_err(of)?;
    tx.commit().map_err(of)?;
    Ok(EventId { epoch: 0, sequence: sequence as u64 })
}

/// Copies a record, whole and compact, to `to`: also one that is being written.
///
/// # Errors
/// `to` is there already, or one of the two cannot be read or written.
pub fn export(path: &Path, to: &Path) -> Result<(), ShowlogError> {
    if to.exists() {
        return Err(ShowlogError::Which(format!("{} is there already", to.display())));
    }
    let mut damage = Vec::new();
    let db = crate::read::open_read_only(path, &mut damage)?;
    db.execute("VACUUM INTO ?1", [to.display().to_string()]).map_err(ShowlogError::db(path))?;
    // The copy needs no room set aside.
    let copy = Connection::open(to).map_err(ShowlogError::db(to))?;
    copy.execute_batch("DELETE FROM reserve; VACUUM;").map_err(ShowlogError::db(to))
}

/// Deletes a record with its journal.
///
/// # Errors
/// It cannot be deleted.
pub fn delete(path: &Path) -> Result<(), ShowlogError> {
    for beside in ["-wal", "-shm"] {
        let mut name = path.as_os_str().to_owned();
        name.push(beside);
        match std::fs::remove_file(PathBuf::from(name)) {
            Ok(()) => {}
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => {}
            Err(e) => return Err(ShowlogError::file(path)(e)),
        }
    }
    std::fs::remove_file(path).map_err(ShowlogError::file(path))
}
