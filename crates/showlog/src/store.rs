//! The database under a recorder: opening, one transaction at a time, and the room set aside.

use std::path::{Path, PathBuf};

use base::{MonoTime, ShowId, WallTime};
use rusqlite::{Connection, OptionalExtension, Transaction, TransactionBehavior, params};

use crate::boot::BootId;
use crate::crc::crc32;
use crate::meta::ShowMeta;
use crate::sound::Sound;
use crate::words::Event;
use crate::{ShowlogError, schema};

/// How a record's file name ends.
pub(crate) const ENDING: &str = "showlog";

/// Which lane a block belongs to.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Lane {
    /// 10 Hz, the whole show.
    Slow = 0,
    /// Full rate, round incidents.
    Full = 1,
}

/// An open record, for writing.
pub(crate) struct Store {
    pub(crate) path: PathBuf,
    db: Connection,
    /// This start of the writer.
    pub(crate) epoch: u32,
}

impl Store {
    /// Opens the record of this show in `dir`, or begins it; begins a new epoch.
    pub(crate) fn open(
        dir: &Path,
        meta: &ShowMeta,
        at: MonoTime,
        wall: WallTime,
        reserve: usize,
    ) -> Result<Store, ShowlogError> {
        std::fs::create_dir_all(dir).map_err(ShowlogError::file(dir))?;
        let path = match find(dir, meta.show)? {
            Some(path) => path,
            None => dir.join(file_name(meta, wall)),
        };
        let mut db = Connection::open(&path).map_err(ShowlogError::db(&path))?;
        let epoch = begin(&mut db, meta, at, wall, reserve).map_err(ShowlogError::db(&path))?;
        let found = schema::version(&db).map_err(ShowlogError::db(&path))?;
        if found > schema::CURRENT {
            let path = path.display().to_string();
            return Err(ShowlogError::Newer { path, found, known: schema::CURRENT });
        }
        Ok(Store { path, db, epoch })
    }

    /// How many bytes of full-rate blocks the show has from earlier epochs.
    pub(crate) fn full_rate_bytes(&self) -> u64 {
        let sql = "SELECT coalesce(sum(length(data)), 0) FROM blocks WHERE lane = ?1";
        self.db.query_row(sql, [Lane::Full as i64], |r| r.get::<_, i64>(0)).map_or(0, |n| n.max(0) as u64)
    }

    /// How many bytes of sound the show has.
    pub(crate) fn sound_bytes(&self) -> u64 {
        let sql = "SELECT coalesce(sum(length(data)), 0) FROM sounds";
        self.db.query_row(sql, [], |r| r.get::<_, i64>(0)).map_or(0, |n| n.max(0) as u64)
    }

    /// Runs `write` as one transaction that is on the disk when this returns (`synchronous=FULL`).
    pub(crate) fn commit<T>(&mut self, write: impl Fn(&Transaction) -> rusqlite::Result<T>) -> rusqlite::Result<T> {
        let tx = self.db.transaction_with_behavior(TransactionBehavior::Immediate)?;
        let result = write(&tx)?;
        tx.commit()?;
        Ok(result)
    }

    /// Gives up the room set aside; false when there is none left.
    pub(crate) fn release_reserve(&mut self) -> bool {
        self.commit(|tx| tx.execute("DELETE FROM reserve", [])).is_ok_and(|rows| rows > 0)
    }

    /// Takes room aside again, after a full disk has been cleared; false while there is none.
    pub(crate) fn renew_reserve(&mut self, bytes: usize) -> bool {
        self.commit(|tx| put_reserve(tx, bytes)).is_ok()
    }

    /// Marks the epoch as properly ended and folds the journal into the one file.
    pub(crate) fn close(mut self, at: MonoTime) {
        let epoch = self.epoch;
        let ended = self.commit(|tx| {
            tx.execute("UPDATE epochs SET ended = ?2 WHERE epoch = ?1", params![epoch, at.nanos() as i64])
        });
        if let Err(error) = ended {
            tracing::warn!(%error, "the record's end could not be written");
        }
        // Out of journal mode, so that reading it later leaves nothing beside it; refused while somebody reads, no harm.
        let _ = self.db.pragma_update(None, "journal_mode", "DELETE");
    }
}

/// The record of this show in `dir`, if there is one.
pub(crate) fn find(dir: &Path, show: ShowId) -> Result<Option<PathBuf>, ShowlogError> {
    let ending = format!("_{}.{ENDING}", short(show));
    for entry in std::fs::read_dir(dir).map_err(ShowlogError::file(dir))? {
        let path = entry.map_err(ShowlogError::file(dir))?.path();
        if path.file_name().and_then(|n| n.to_str()).is_some_and(|n| n.ends_with(&ending)) {
            let same = Connection::open_with_flags(&path, rusqlite::OpenFlags::SQLITE_OPEN_READ_ONLY)
                .and_then(|db| read_meta(&db))
                .is_ok_and(|m| m.is_some_and(|m| m.show == show));
            if same {
                return Ok(Some(path));
            }
        }
    }
    Ok(None)
}

/// The first half of a show's id: enough to name a file, not to prove it.
fn short(show: ShowId) -> String {
    show.to_string()[..16].to_owned()
}

/// The day, the title and the id, so that a person finds it too.
fn file_name(meta: &ShowMeta, wall: WallTime) -> String {
    let (year, month, day, ..) = crate::words::civil(wall);
    let mut title: String = meta
        .title
        .chars()
        .map(|c| if c.is_ascii_alphanumeric() { c.to_ascii_lowercase() } else { '-' })
        .take(40)
        .collect();
    if title.trim_matches('-').is_empty() {
        title = "show".to_owned();
    }
    format!("{year:04}-{month:02}-{day:02}_{}_{}.{ENDING}", title.trim_matches('-'), short(meta.show))
}

fn begin(db: &mut Connection, meta: &ShowMeta, at: MonoTime, wall: WallTime, reserve: usize) -> rusqlite::Result<u32> {
    db.busy_timeout(std::time::Duration::from_secs(2))?;
    db.pragma_update(None, "journal_mode", "WAL")?;
    db.pragma_update(None, "synchronous", "FULL")?;
    schema::migrate(db)?;
    if schema::version(db)? > schema::CURRENT {
        return Ok(0);
    }
    let tx = db.transaction_with_behavior(TransactionBehavior::Immediate)?;
    put_meta(&tx, "show", &serde_json::to_string(meta).unwrap_or_default())?;
    let epoch: u32 = tx.query_row("SELECT coalesce(max(epoch), 0) + 1 FROM epochs", [], |r| r.get(0))?;
    tx.execute(
        "INSERT INTO epochs(epoch, boot, mono, wall, written_by) VALUES (?1, ?2, ?3, ?4, ?5)",
        params![epoch, BootId::current().0, at.nanos() as i64, wall.0, meta.written_by],
    )?;
    put_reserve(&tx, reserve)?;
    tx.commit()?;
    Ok(epoch)
}

fn put_reserve(tx: &Transaction, bytes: usize) -> rusqlite::Result<()> {
    tx.execute("INSERT OR IGNORE INTO reserve(id, filling) VALUES (1, zeroblob(?1))", params![bytes as i64])?;
    Ok(())
}

pub(crate) fn put_meta(db: &Connection, key: &str, value: &str) -> rusqlite::Result<()> {
    db.execute(
        "INSERT INTO meta(key, value) VALUES (?1, ?2) ON CONFLICT(key) DO UPDATE SET value = excluded.value",
        params![key, value],
    )?;
    Ok(())
}

/// The show's meta, if the file has any.
pub(crate) fn read_meta(db: &Connection) -> rusqlite::Result<Option<ShowMeta>> {
    let text: Option<String> =
        db.query_row("SELECT value FROM meta WHERE key = 'show'", [], |r| r.get(0)).optional()?;
    Ok(text.and_then(|t| serde_json::from_str(&t).ok()))
}

/// Writes an event with its checksum.
pub(crate) fn put_event(tx: &Transaction, epoch: u32, sequence: u64, e: &Event) -> rusqlite::Result<()> {
    let detail = e.detail.to_string();
    let machine = e.machine.map(|m| m.index() as i64);
    let crc =
        event_crc(epoch, sequence, e.at.nanos() as i64, e.wall.0, e.kind.word(), machine, &e.code, &e.text, &detail);
    tx.prepare_cached(
        "INSERT OR IGNORE INTO events(epoch, sequence, mono, wall, kind, machine, code, text, detail, crc)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10)",
    )?
    .execute(params![
        epoch,
        sequence as i64,
        e.at.nanos() as i64,
        e.wall.0,
        e.kind.word(),
        machine,
        e.code,
        e.text,
        detail,
        crc
    ])?;
    Ok(())
}

/// The checksum over everything that an event's row says.
#[allow(clippy::too_many_arguments)]
pub(crate) fn event_crc(
    epoch: u32,
    sequence: u64,
    mono: i64,
    wall: i64,
    kind: &str,
    machine: Option<i64>,
    code: &str,
    text: &str,
    detail: &str,
) -> u32 {
    let (epoch, sequence) = (epoch.to_le_bytes(), sequence.to_le_bytes());
    let (mono, wall, machine) = (mono.to_le_bytes(), wall.to_le_bytes(), machine.unwrap_or(-1).to_le_bytes());
    let parts: [&[u8]; 12] = [
        &epoch,
        &sequence,
        &mono,
        &wall,
        &machine,
        kind.as_bytes(),
        &[0],
        code.as_bytes(),
        &[0],
        text.as_bytes(),
        &[0],
        detail.as_bytes(),
    ];
    crc32(&parts)
}

/// Writes a block of samples; its row id comes back.
pub(crate) fn put_block(
    tx: &Transaction,
    lane: Lane,
    epoch: u32,
    first: MonoTime,
    last: MonoTime,
    count: usize,
    data: &[u8],
) -> rusqlite::Result<i64> {
    tx.prepare_cached("INSERT INTO blocks(lane, epoch, first, last, count, data) VALUES (?1, ?2, ?3, ?4, ?5, ?6)")?
        .execute(params![lane as i64, epoch, first.nanos() as i64, last.nanos() as i64, count as i64, data])?;
    Ok(tx.last_insert_rowid())
}

/// Takes a block out again (its samples having gone into a larger one).
pub(crate) fn drop_block(tx: &Transaction, id: i64) -> rusqlite::Result<()> {
    tx.prepare_cached("DELETE FROM blocks WHERE id = ?1")?.execute(params![id])?;
    Ok(())
}

/// Marks an incident.
pub(crate) fn put_incident(tx: &Transaction, epoch: u32, at: MonoTime, event: u64) -> rusqlite::Result<()> {
    tx.execute(
        "INSERT OR IGNORE INTO incidents(epoch, mono, event) VALUES (?1, ?2, ?3)",
        params![epoch, at.nanos() as i64, event as i64],
    )?;
    Ok(())
}

/// Writes a stretch of sound with its checksum.
pub(crate) fn put_sound(tx: &Transaction, epoch: u32, s: &Sound) -> rusqlite::Result<()> {
    let data = s.bytes();
    tx.prepare_cached(
        "INSERT INTO sounds(epoch, first, heard_at, channel, rate_millihertz, data, crc) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
    )?
    .execute(params![
        epoch,
        s.at.nanos() as i64,
        s.heard_at.number(),
        s.channel,
        s.rate_millihertz,
        data,
        crc32(&[&data])
    ])?;
    Ok(())
}
