//! The tables, and how a file of any older version becomes one of this version.

use rusqlite::{Connection, TransactionBehavior};

/// "TWKL": tells a record from any other SQLite file (`PRAGMA application_id`).
pub(crate) const APPLICATION: i64 = 0x5457_4B4C;

/// Step `n` brings a file from version `n` to `n + 1` (`PRAGMA user_version`). Append only: shipped steps never change.
pub(crate) const STEPS: &[&str] = &[
    // 0 -> 1
    "
    CREATE TABLE meta(key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
    -- One row for each start of the writer. ended is NULL until it closed the record properly.
    CREATE TABLE epochs(epoch INTEGER PRIMARY KEY, boot BLOB NOT NULL, mono INTEGER NOT NULL, wall INTEGER NOT NULL,
                        written_by TEXT NOT NULL, ended INTEGER);
    CREATE TABLE events(epoch INTEGER NOT NULL, sequence INTEGER NOT NULL, mono INTEGER NOT NULL, wall INTEGER NOT NULL,
                        kind TEXT NOT NULL, machine INTEGER, code TEXT NOT NULL, text TEXT NOT NULL,
                        detail TEXT NOT NULL, crc INTEGER NOT NULL, PRIMARY KEY(epoch, sequence)) WITHOUT ROWID;
    -- lane 0: 10 Hz, the whole show. lane 1: full rate, round incidents.
    CREATE TABLE blocks(id INTEGER PRIMARY KEY, lane INTEGER NOT NULL, epoch INTEGER NOT NULL, first INTEGER NOT NULL,
                        last INTEGER NOT NULL, count INTEGER NOT NULL, data BLOB NOT NULL);
    CREATE TABLE incidents(number INTEGER PRIMARY KEY, epoch INTEGER NOT NULL, mono INTEGER NOT NULL,
                           event INTEGER NOT NULL, UNIQUE(epoch, event));
    -- Room set aside, given up when the disk is full so that the events of that hour still find a place.
    CREATE TABLE reserve(id INTEGER PRIMARY KEY, filling BLOB NOT NULL);
    ",
    // 1 -> 2: blocks are asked for by lane and time when one incident of a long show is drawn.
    "
    CREATE INDEX blocks_by_time ON blocks(lane, epoch, first);
    ",
    // 2 -> 3: sound round changeovers. heard_at is a machine's place in the rig, or -1 for the house.
    "
    CREATE TABLE sounds(id INTEGER PRIMARY KEY, epoch INTEGER NOT NULL, first INTEGER NOT NULL, heard_at INTEGER NOT NULL,
                        channel TEXT NOT NULL, rate_millihertz INTEGER NOT NULL, data BLOB NOT NULL, crc INTEGER NOT NULL);
    CREATE INDEX sounds_by_time ON sounds(epoch, first);
    ",
];

/// The version that this program writes.
pub(crate) const CURRENT: i64 = STEPS.len() as i64;

/// A file's version.
pub(crate) fn version(db: &Connection) -> rusqlite::Result<i64> {
    db.query_row("PRAGMA user_version", [], |r| r.get(0))
}

/// Brings a file to the current version, each step in its own transaction. A newer file is left as it is.
pub(crate) fn migrate(db: &mut Connection) -> rusqlite::Result<()> {
    migrate_to(db, CURRENT)
}

pub(crate) fn migrate_to(db: &mut Connection, target: i64) -> rusqlite::Result<()> {
    loop {
        let tx = db.transaction_with_behavior(TransactionBehavior::Immediate)?;
        let found = version(&tx)?;
        let Some(step) = usize::try_from(found).ok().and_then(|v| STEPS.get(v)).filter(|_| found < target) else {
            return Ok(());
        };
        tx.execute_batch(step)?;
        tx.pragma_update(None, "user_version", found + 1)?;
        tx.pragma_update(None, "application_id", APPLICATION)?;
        tx.commit()?;
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn shape(db: &Connection) -> Vec<String> {
        let mut q =
            db.prepare("SELECT type || ' ' || name || coalesce(sql, '') FROM sqlite_schema ORDER BY 1").unwrap();
        let rows = q.query_map([], |r| r.get(0)).unwrap();
        rows.map(Result::unwrap).collect()
    }

    #[test]
    fn from_every_older_version_the_same_tables_come_and_the_rows_stay() {
        let mut fresh = Connection::open_in_memory().unwrap();
        migrate(&mut fresh).unwrap();
        for older in 1..CURRENT {
            let mut db = Connection::open_in_memory().unwrap();
            migrate_to(&mut db, older).unwrap();
            assert_eq!(version(&db).unwrap(), older);
            db.execute("INSERT INTO events VALUES (1, 1, 5, 6, 'note', NULL, 'c', 't', 'null', 0)", []).unwrap();
            migrate(&mut db).unwrap();
            assert_eq!(version(&db).unwrap(), CURRENT);
            assert_eq!(shape(&db), shape(&fresh));
            let rows: i64 = db.query_row("SELECT count(*) FROM events", [], |r| r.get(0)).unwrap();
            assert_eq!(rows, 1);
        }
    }

    #[test]
    fn a_newer_file_is_left_alone() {
        let mut db = Connection::open_in_memory().unwrap();
        db.pragma_update(None, "user_version", CURRENT + 3).unwrap();
        migrate(&mut db).unwrap();
        assert_eq!(version(&db).unwrap(), CURRENT + 3);
    }
}
