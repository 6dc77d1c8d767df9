//! Damaged files are read as far as they go, say so, and never show what was not recorded.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod common;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use base::{MonoTime, Span};
use common::synth;
use rusqlite::Connection;
use twinkeel_showlog::report::Made;
use twinkeel_showlog::{Sample, ShowFile, ShowlogError};

struct Bench {
    dir: tempfile::TempDir,
    whole: ShowFile,
    by_instant: BTreeMap<MonoTime, Sample>,
    bytes: Vec<u8>,
}

fn bench() -> Bench {
    let dir = tempfile::tempdir().unwrap();
    let [mut first, mut second, ..] = synth::set_list()[..] else { unreachable!() };
    (first.seconds, first.unfit) = (90, Some((20, 25)));
    (second.seconds, second.unfit, second.changeover) = (90, None, Some(50));
    let path = synth::write(dir.path(), &[first, second], Span::from_millis(20));
    let whole = ShowFile::read(&path).unwrap();
    let bytes = std::fs::read(&path).unwrap();
    let by_instant = whole.samples.iter().map(|p| (p.sample.at, p.sample.clone())).collect();
    Bench { dir, whole, by_instant, bytes }
}

impl Bench {
    fn file(&self, bytes: &[u8]) -> PathBuf {
        let path = self.dir.path().join("damaged.showlog");
        std::fs::write(&path, bytes).unwrap();
        path
    }
    fn with_sql(&self, sql: &str) -> PathBuf {
        let path = self.file(&self.bytes);
        let db = Connection::open(&path).unwrap();
        db.execute_batch(sql).unwrap();
        path
    }
    /// What was read must have been recorded, and a report can be made of it.
    fn honest(&self, path: &Path) -> Result<ShowFile, ShowlogError> {
        let show = ShowFile::read(path)?;
        assert!(show.events.iter().all(|e| self.whole.events.iter().any(|w| w.id == e.id && w.event == e.event)));
        assert!(show.samples.iter().all(|s| self.by_instant.get(&s.sample.at) == Some(&s.sample)));
        let made = Made::of(show);
        assert!(made.html().ends_with("</html>\n"));
        Ok(made.show)
    }
}

fn refused(r: Result<ShowFile, ShowlogError>, why: &str) {
    let e = r.expect_err("nothing can be read of it").to_string();
    assert!(e.contains(why), "{e}");
}

#[test]
fn files_that_are_no_record_are_refused_in_words() {
    let b = bench();
    refused(b.honest(&b.file(b"")), "the file is empty");
    refused(b.honest(&b.file(b"RIFF....WAVEfmt and so on, for a while")), "another kind of file");
    refused(b.honest(&b.file(&b.bytes[..10])), "cut off within its first bytes");
    let mut zeroed = b.bytes.clone();
    zeroed[..4096].fill(0);
    refused(b.honest(&b.file(&zeroed)), "its first page is lost");
    refused(b.honest(b.dir.path()), "directory");
    let other = b.dir.path().join("other.showlog");
    Connection::open(&other).unwrap().execute_batch("CREATE TABLE t(x)").unwrap();
    refused(b.honest(&other), "not the record of a show");
}

#[test]
fn a_file_cut_off_is_read_up_to_there() {
    let b = bench();
    for share in [95, 75, 50] {
        let show = b.honest(&b.file(&b.bytes[..b.bytes.len() * share / 100])).unwrap();
        assert!(!show.damage.is_empty(), "{share} %");
        assert!(!show.samples.is_empty() || !show.events.is_empty(), "{share} %: {:?}", show.damage);
    }
}

#[test]
fn a_lost_page_costs_only_what_it_held() {
    let b = bench();
    let pages = b.bytes.len() / 4096;
    let (mut said, mut kept) = (0, 0);
    for page in 1..pages {
        let mut bytes = b.bytes.clone();
        bytes[page * 4096..(page + 1) * 4096].fill(0);
        let Ok(show) = b.honest(&b.file(&bytes)) else { continue };
        let complete = show.events.len() == b.whole.events.len() && show.samples.len() == b.whole.samples.len();
        assert!(complete || !show.damage.is_empty(), "page {page} is missed in silence");
        said += usize::from(!show.damage.is_empty());
        kept += usize::from(show.samples.len() * 2 > b.whole.samples.len());
    }
    assert!(said > 10 && kept * 10 > said * 8, "{said} damaged, {kept} mostly kept, of {pages}");
}

#[test]
fn flipped_bits_are_noticed_or_do_not_matter() {
    let b = bench();
    for i in 0..300u64 {
        let mut bytes = b.bytes.clone();
        let at = (synth::noise(i) + 1.0) / 2.0 * (bytes.len() - 200) as f64 + 100.0;
        bytes[at as usize] ^= 1 << (i % 8);
        if let Ok(show) = b.honest(&b.file(&bytes)) {
            let complete = show.events.len() == b.whole.events.len() && show.samples.len() == b.whole.samples.len();
            assert!(complete || !show.damage.is_empty(), "flip {i} is missed in silence");
        }
    }
}

#[test]
fn changed_rows_are_told_by_their_checksums() {
    let b = bench();
    let show = b.honest(&b.with_sql("UPDATE events SET text = 'Nothing happened.' WHERE kind = 'alarm'")).unwrap();
    assert!(show.damage.iter().any(|d| d.contains("do not match their checksums")), "{:?}", show.damage);
    let show = b
        .honest(
            &b.with_sql("UPDATE blocks SET data = zeroblob(40) WHERE id = (SELECT min(id) FROM blocks WHERE lane = 0)"),
        )
        .unwrap();
    assert!(show.damage.iter().any(|d| d.contains("1 blocks of samples")), "{:?}", show.damage);
    let show = b.honest(&b.with_sql("DELETE FROM events WHERE sequence = 3")).unwrap();
    assert!(show.damage.iter().any(|d| d.contains("1 events are missing")), "{:?}", show.damage);
}

#[test]
fn missing_tables_and_later_versions_are_named() {
    let b = bench();
    let show = b.honest(&b.with_sql("DELETE FROM meta")).unwrap();
    assert!(show.damage.iter().any(|d| d.contains("title and set list")), "{:?}", show.damage);
    let show = ShowFile::read(&b.with_sql("DROP TABLE epochs")).unwrap();
    assert!(show.damage.iter().any(|d| d.contains("starts of the recorder")), "{:?}", show.damage);
    let _ = Made::of(show).html();
    let show = b.honest(&b.with_sql("PRAGMA user_version = 99")).unwrap();
    assert!(show.damage.iter().any(|d| d.contains("later version")), "{:?}", show.damage);
    assert_eq!(show.samples.len(), b.whole.samples.len());
}
