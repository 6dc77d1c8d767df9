//! Opening a file that may be whole, damaged, on a read-only disk, being written to, or no record at all.

use std::io::Read;
use std::path::Path;

use rusqlite::{Connection, OpenFlags};

use crate::{ShowlogError, schema};

/// Opens for reading. Ways are tried from the plain to the desperate; what had to be forgiven goes into `damage`.
pub(crate) fn open(path: &Path, damage: &mut Vec<String>) -> Result<Connection, ShowlogError> {
    recognise(path)?;
    let plain = connect(path, false).and_then(|db| probe(&db).map(|()| db));
    let error = match plain {
        Ok(db) => return checked(db, path, damage),
        Err(error) => error,
    };
    // A journal on a disk that cannot be written to: read the main file alone.
    if let Ok(db) = connect(path, true).and_then(|db| probe(&db).map(|()| db)) {
        note(damage, "its journal could not be used: the last seconds may be missing");
        return checked(db, path, damage);
    }
    // A file that is shorter than its header says is refused by SQLite unless the schema is declared to be in doubt.
    for immutable in [false, true] {
        let forgiving = connect(path, immutable).and_then(|db| {
            db.execute_batch("PRAGMA writable_schema=ON")?;
            probe(&db).map(|()| db)
        });
        if let Ok(db) = forgiving {
            note(damage, "the file is cut off or its header is wrong: what is left is read");
            return checked(db, path, damage);
        }
    }
    Err(ShowlogError::Database { path: path.display().to_string(), source: error })
}

/// Says in words what is wrong with a file that is no SQLite file at all.
fn recognise(path: &Path) -> Result<(), ShowlogError> {
    let mut head = Vec::new();
    let file = std::fs::File::open(path).map_err(ShowlogError::file(path))?;
    file.take(16).read_to_end(&mut head).map_err(ShowlogError::file(path))?;
    let why = match head.as_slice() {
        [] => "the file is empty",
        h if h == b"SQLite format 3\0" => return Ok(()),
        h if h.len() < 16 => "the file is cut off within its first bytes",
        h if h.iter().all(|b| *b == 0) => "the file begins with zeros: its first page is lost",
        _ => "it does not begin like a record: its first page is lost, or it is another kind of file",
    };
    Err(ShowlogError::NotARecord { path: path.display().to_string(), why: why.to_owned() })
}

fn connect(path: &Path, immutable: bool) -> rusqlite::Result<Connection> {
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let db = if immutable {
        let name: String = path.display().to_string().chars().map(escaped).collect();
        Connection::open_with_flags(format!("file:{name}?immutable=1"), flags | OpenFlags::SQLITE_OPEN_URI)?
    } else {
        Connection::open_with_flags(path, flags)?
    };
    db.busy_timeout(std::time::Duration::from_secs(2))?;
    Ok(db)
}

/// The characters that mean something in a URI.
fn escaped(c: char) -> String {
    match c {
        '%' => "%25".to_owned(),
        '?' => "%3f".to_owned(),
        '#' => "%23".to_owned(),
        c => c.to_string(),
    }
}

fn probe(db: &Connection) -> rusqlite::Result<()> {
    db.query_row("SELECT count(*) FROM sqlite_schema", [], |_| Ok(()))
}

fn checked(db: Connection, path: &Path, damage: &mut Vec<String>) -> Result<Connection, ShowlogError> {
    let application: i64 = db.query_row("PRAGMA application_id", [], |r| r.get(0)).unwrap_or(0);
    if application != schema::APPLICATION {
        let tables: i64 = db
            .query_row("SELECT count(*) FROM sqlite_schema WHERE name IN ('events', 'blocks', 'epochs')", [], |r| {
                r.get(0)
            })
            .unwrap_or(0);
        if tables < 3 {
            let why = "it is a database, but not the record of a show".to_owned();
            return Err(ShowlogError::NotARecord { path: path.display().to_string(), why });
        }
        note(damage, "its mark is wrong, but it has the tables of a record");
    }
    let found = schema::version(&db).unwrap_or(0);
    if found > schema::CURRENT {
        note(
            damage,
            &format!(
                "it was written by a later version (schema {found}, this one knows {}): some of it may not be shown",
                schema::CURRENT
            ),
        );
    }
    Ok(db)
}

fn note(damage: &mut Vec<String>, text: &str) {
    if !damage.iter().any(|d| d == text) {
        damage.push(text.to_owned());
    }
}
