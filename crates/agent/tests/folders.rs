//! Real folders: looked at, looked at again, and laid side by side.
#![cfg(unix)]
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::ffi::OsStr;
use std::fs;
use std::os::unix::ffi::OsStrExt;
use std::path::{Path, PathBuf};
use std::time::{Duration, SystemTime};

use settings::ignore::Ignore;
use twinkeel_agent::folders::{AtOnce, Done, Look, LookError, Looked, Pace, Tree, count, look};
use wire::manifest::{Comparison, Differences, What, tell};

fn wall_ns() -> i64 {
    ports::os::wall_now().0
}

/// As if some time had passed since the files were written.
fn later_ns() -> i64 {
    wall_ns() + 60_000_000_000
}

fn scratch() -> fs::File {
    tempfile::tempfile().unwrap()
}

fn looked(root: &Path, old: Option<&Tree>, ignore: &Ignore) -> Looked {
    let what = Look { root, ignore, old, trust_marks: true, changed_after_ns: None, wall_ns: later_ns };
    look(&what, scratch(), &mut AtOnce).unwrap()
}

fn compare(a: &Tree, b: &Tree) -> Differences {
    let mut c = Comparison::new(a.sum(), b.sum(), 1_000, true);
    while let Some(want) = c.wants() {
        let tree = [a, b][want.half as usize];
        // Small parts, so that their seams are met.
        let page = tree.page(want.block, want.from, 3);
        c.on_part(want.half, page.entries, page.next);
    }
    c.finish()
}

fn told(a: &Path, b: &Path) -> Vec<String> {
    let none = Ignore::default();
    let (x, y) = (looked(a, None, &none), looked(b, None, &none));
    tell(&compare(&x.tree, &y.tree), ["A", "B"], 0).iter().map(|l| l.trim().to_owned()).collect()
}

fn write(dir: &Path, name: impl AsRef<OsStr>, content: &[u8]) -> PathBuf {
    let path = dir.join(Path::new(name.as_ref()));
    fs::create_dir_all(path.parent().unwrap()).unwrap();
    fs::write(&path, content).unwrap();
    path
}

fn set_time(path: &Path, secs: u64) {
    let at = SystemTime::UNIX_EPOCH + Duration::from_secs(secs);
    fs::File::options().write(true).open(path).unwrap().set_modified(at).unwrap();
}

/// Two folders that hold the same.
fn twins() -> (tempfile::TempDir, PathBuf, PathBuf) {
    let dir = tempfile::tempdir().unwrap();
    let (a, b) = (dir.path().join("a"), dir.path().join("b"));
    for d in [&a, &b] {
        for i in 0..7 {
            let p = write(d, format!("songs/quay/{i}.wav"), &[i; 3_000]);
            set_time(&p, 1_000_000_000);
        }
        for name in ["set.session", "songs/notes.txt"] {
            set_time(&write(d, name, name.as_bytes()), 1_000_000_000);
        }
        fs::create_dir_all(d.join("empty")).unwrap();
    }
    (dir, a, b)
}

#[test]
fn every_kind_of_difference_is_told() {
    let (_dir, a, b) = twins();
    assert_eq!(told(&a, &b), [""; 0]);

    fs::remove_file(b.join("songs/quay/1.wav")).unwrap();
    write(&b, "songs/quay/9.wav", b"new");
    set_time(&write(&b, "songs/quay/2.wav", &[9; 3_000]), 1_000_000_000);
    set_time(&write(&b, "songs/quay/3.wav", &[3; 3_000]), 1_000_000_100);
    fs::remove_dir(b.join("empty")).unwrap();
    fs::remove_file(b.join("set.session")).unwrap();
    fs::create_dir(b.join("set.session")).unwrap();
    let name = OsStr::from_bytes(b"caf\xe9 \x1b.wav");
    write(&a, name, b"x");
    std::os::unix::fs::symlink("songs/notes.txt", a.join("link")).unwrap();
    std::os::unix::fs::symlink("../../outside", b.join("link")).unwrap();
    nix_pipe(&a.join("pipe"));
    nix_pipe(&b.join("pipe"));

    let lines = told(&a, &b);
    assert_eq!(
        lines,
        [
            r"- caf\xe9 \x1b.wav  missing on B (1 B)",
            "- empty/  missing on B (empty)",
            "! link  differs: a link to songs/notes.txt on A, a link to ../../outside on B",
            "+ set.session/  only on B (empty)",
            "- set.session  missing on B (11 B)",
            "songs/",
            "quay/",
            "- 1.wav  missing on B (3.0 kB)",
            "! 2.wav  differs: 3.0 kB, of the same time",
            "~ 3.wav  only times differ",
            "+ 9.wav  only on B (3 B)",
        ]
    );
    let none = Ignore::default();
    let found = compare(&looked(&a, None, &none).tree, &looked(&b, None, &none).tree);
    assert_eq!(found.leaving, 1, "B's link points out of its folder");
    assert_eq!(looked(&b, None, &none).done.files, 10, "the link is one, and nothing behind it");
}

fn nix_pipe(path: &Path) {
    assert!(std::process::Command::new("mkfifo").arg(path).status().unwrap().success());
}

/// Root may read everything, so what is unreadable here is so for root too: a folder whose path is too long for the system (PATH_MAX,
/// 4,096 bytes on Linux).
#[test]
fn what_cannot_be_read_is_never_the_same() {
    let (_dir, a, b) = twins();
    for d in [&a, &b] {
        // From the inside out, since so long a path cannot be named.
        let name = "n".repeat(200);
        let (inner, outer) = (d.with_extension("inner"), d.with_extension("outer"));
        fs::create_dir(&inner).unwrap();
        for _ in 0..22 {
            fs::create_dir(&outer).unwrap();
            fs::rename(&inner, outer.join(&name)).unwrap();
            fs::rename(&outer, &inner).unwrap();
        }
        fs::rename(&inner, d.join("deep")).unwrap();
    }
    let none = Ignore::default();
    let (x, y) = (looked(&a, None, &none), looked(&b, None, &none));
    assert_eq!((x.tree.sum().troubles, y.tree.sum().troubles), (1, 1));
    let found = compare(&x.tree, &y.tree);
    assert_eq!(found.counts.unread, 1, "{found:?}");
    let text = tell(&found, ["A", "B"], 0).join("\n");
    assert!(text.contains("cannot be read on A: file name too long"), "{text}");
}

/// By rights, where they count: another user than root.
#[test]
fn a_file_without_the_right_to_read_is_told() {
    use std::os::unix::fs::PermissionsExt;
    let (_dir, a, b) = twins();
    let locked = b.join("songs/notes.txt");
    fs::set_permissions(&locked, fs::Permissions::from_mode(0o000)).unwrap();
    let lines = told(&a, &b);
    if fs::File::open(&locked).is_ok() {
        // Root: the rights do not count, and the file is the same.
        assert_eq!(lines, [""; 0]);
    } else {
        assert_eq!(lines, ["songs/", "? notes.txt  cannot be read on B: permission denied"]);
    }
}

/// Counts what was read.
#[derive(Default)]
struct Counting {
    read: usize,
    give_up_after: Option<usize>,
}

impl Pace for Counting {
    fn on_progress(&mut self, _: &Done, read_now: usize) -> bool {
        self.read += read_now;
        self.give_up_after.is_none_or(|most| self.read <= most)
    }
}

/// Looks again, with what the tree's file holds after a restart, and says how much was read.
fn again(root: &Path, old: &Path, trust_marks: bool, wall_ns: fn() -> i64) -> (Looked, usize) {
    let old = Tree::open(fs::File::open(old).unwrap()).unwrap();
    let none = Ignore::default();
    let what = Look { root, ignore: &none, old: Some(&old), trust_marks, changed_after_ns: None, wall_ns };
    let mut pace = Counting::default();
    (look(&what, scratch(), &mut pace).unwrap(), pace.read)
}

#[test]
fn what_did_not_change_is_not_read_again_and_what_did_is() {
    let (dir, a, _) = twins();
    let kept = dir.path().join("tree");
    let first = {
        let none = Ignore::default();
        let what =
            Look { root: &a, ignore: &none, old: None, trust_marks: true, changed_after_ns: None, wall_ns: later_ns };
        let file = fs::File::options().read(true).write(true).create_new(true).open(&kept).unwrap();
        look(&what, file, &mut AtOnce).unwrap()
    };
    assert_eq!(first.done.files, 9);
    let sum = *first.tree.sum();
    drop(first);
    let (same, read) = again(&a, &kept, true, later_ns);
    assert_eq!((read, same.done.changed), (0, 0));
    assert_eq!((same.tree.sum().content, same.tree.sum().times), (sum.content, sum.times));
    let (_, all) = again(&a, &kept, false, later_ns);
    assert_eq!(all as u64, same.done.bytes, "asked to read everything, it reads everything");

    // An edit that keeps the length, and then sets the old time again: the system's own time tells.
    let song = a.join("songs/quay/4.wav");
    let old = fs::metadata(&song).unwrap().modified().unwrap();
    std::thread::sleep(Duration::from_millis(20));
    fs::write(&song, [77; 3_000]).unwrap();
    fs::File::options().write(true).open(&song).unwrap().set_modified(old).unwrap();
    let (edited, read) = again(&a, &kept, true, later_ns);
    assert_eq!((read, edited.done.changed), (3_000, 1));
    assert_ne!(edited.tree.sum().content, sum.content);

    // A file replaced by another of the same length and time (as copying programs do).
    let other = write(dir.path(), "other", &[78; 3_000]);
    fs::File::options().write(true).open(&other).unwrap().set_modified(old).unwrap();
    fs::rename(&other, &song).unwrap();
    let (replaced, read) = again(&a, &kept, true, later_ns);
    assert_eq!((read, replaced.done.changed), (3_000, 1));
    assert_ne!(replaced.tree.sum().content, edited.tree.sum().content);
}

#[test]
fn a_file_just_written_is_read_again_since_its_time_may_not_tell() {
    let (dir, a, _) = twins();
    let kept = dir.path().join("tree");
    let none = Ignore::default();
    let what = Look { root: &a, ignore: &none, old: None, trust_marks: true, changed_after_ns: None, wall_ns };
    look(&what, fs::File::options().read(true).write(true).create_new(true).open(&kept).unwrap(), &mut AtOnce).unwrap();
    let (_, read) = again(&a, &kept, true, wall_ns);
    assert!(read > 0, "all of it was written within the last two seconds");
}

#[test]
fn a_damaged_or_unfinished_list_is_none_or_costs_a_reading_but_never_lies() {
    let (dir, a, _) = twins();
    let kept = dir.path().join("tree");
    let none = Ignore::default();
    let what =
        Look { root: &a, ignore: &none, old: None, trust_marks: true, changed_after_ns: None, wall_ns: later_ns };
    let file = fs::File::options().read(true).write(true).create_new(true).open(&kept).unwrap();
    let right = *look(&what, file, &mut AtOnce).unwrap().tree.sum();
    let whole = fs::read(&kept).unwrap();
    let mut opened = 0;
    for at in 0..whole.len() {
        let mut bytes = whole.clone();
        bytes[at] ^= 0x55;
        fs::write(&kept, &bytes).unwrap();
        let Some(old) = Tree::open(fs::File::open(&kept).unwrap()) else { continue };
        opened += 1;
        let what = Look { old: Some(&old), ..what };
        let found = look(&what, scratch(), &mut AtOnce).unwrap();
        assert_eq!((found.tree.sum().content, found.tree.sum().times), (right.content, right.times), "byte {at}");
        // Whatever block is asked for, nothing but entries comes out.
        for block in [at as u64, u64::MAX, u64::MAX - 3] {
            old.page(block, 0, 10);
        }
    }
    assert!(opened > whole.len() / 2, "{opened}");
    for cut in [0, 7, 8, 30, whole.len() - 1] {
        fs::write(&kept, &whole[..cut]).unwrap();
        assert!(Tree::open(fs::File::open(&kept).unwrap()).is_none(), "{cut}");
    }
}

/// Changes the file each time it is read.
struct Meddling<'a> {
    path: &'a Path,
    times: usize,
}

impl Pace for Meddling<'_> {
    fn on_progress(&mut self, _: &Done, read_now: usize) -> bool {
        if read_now > 0 && self.times > 0 {
            self.times -= 1;
            fs::write(self.path, [self.times as u8; 4_000]).unwrap();
        }
        true
    }
}

#[test]
fn a_file_that_changes_while_it_is_read_is_told_and_one_that_comes_to_rest_is_read() {
    let dir = tempfile::tempdir().unwrap();
    let path = write(dir.path(), "take.wav", &[1; 3_000]);
    let none = Ignore::default();
    let what = Look { root: dir.path(), ignore: &none, old: None, trust_marks: true, changed_after_ns: None, wall_ns };
    let restless = look(&what, scratch(), &mut Meddling { path: &path, times: 100 }).unwrap().tree;
    let entry = restless.page(restless.sum().block, 0, 10).entries.remove(0);
    assert!(matches!(entry.what, What::Unsteady { .. }), "{entry:?}");
    assert_eq!(restless.sum().troubles, 1);
    assert_eq!(compare(&restless, &restless).counts.unread, 1, "it is the same as nothing, not even itself");

    let at_rest = look(&what, scratch(), &mut Meddling { path: &path, times: 1 }).unwrap().tree;
    let entry = at_rest.page(at_rest.sum().block, 0, 10).entries.remove(0);
    assert_eq!(entry.what, What::File { size: 4_000, content: *blake3::hash(&[0; 4_000]).as_bytes() });
}

#[test]
fn what_changed_after_the_player_was_started_is_counted() {
    let (dir, a, _) = twins();
    let kept = dir.path().join("tree");
    let none = Ignore::default();
    let what =
        Look { root: &a, ignore: &none, old: None, trust_marks: true, changed_after_ns: None, wall_ns: later_ns };
    look(&what, fs::File::options().read(true).write(true).create_new(true).open(&kept).unwrap(), &mut AtOnce).unwrap();
    std::thread::sleep(Duration::from_millis(30));
    let started = wall_ns();
    std::thread::sleep(Duration::from_millis(30));
    // Copied in with an old time of its own; and one only touched: its content is the same.
    set_time(&write(&a, "songs/quay/5.wav", b"another mix"), 1_000_000_000);
    set_time(&a.join("songs/quay/6.wav"), 1_800_000_000);
    let old = Tree::open(fs::File::open(&kept).unwrap()).unwrap();
    let what = Look { old: Some(&old), changed_after_ns: Some(started), ..what };
    let since = look(&what, scratch(), &mut AtOnce).unwrap().since.unwrap();
    assert_eq!((since.files, since.example.as_slice()), (1, b"songs/quay/5.wav".as_slice()));
    assert!(since.first_ns > started && since.last_ns < wall_ns(), "{since:?}");
}

#[test]
fn what_is_ignored_is_neither_counted_nor_read() {
    let (_dir, a, b) = twins();
    write(&b, "songs/quay/peaks/1.pk", b"x");
    write(&b, "songs/a.tmp", b"x");
    let ignore = Ignore::new(vec!["peaks/".into(), "*.tmp".into()]);
    let (x, y) = (looked(&a, None, &ignore), looked(&b, None, &ignore));
    assert!(x.tree.sum().is_same(y.tree.sum()));
    assert_eq!(count(&b, &ignore), Done { read: 0, changed: 0, ..y.done });
}

#[test]
fn a_look_can_be_given_up() {
    let (_dir, a, _) = twins();
    let none = Ignore::default();
    let what = Look { root: &a, ignore: &none, old: None, trust_marks: true, changed_after_ns: None, wall_ns };
    let mut pace = Counting { give_up_after: Some(4_000), ..Counting::default() };
    assert!(matches!(look(&what, scratch(), &mut pace), Err(LookError::GivenUp)));
    let gone = Look { root: &a.join("nowhere"), ..what };
    let why = look(&gone, scratch(), &mut AtOnce).err().unwrap().to_string();
    assert!(why.ends_with("nowhere: no such file or directory"), "{why}");
}

/// The official test vectors of BLAKE3 (github.com/BLAKE3-team/BLAKE3, test_vectors/test_vectors.json): the input is 0, 1, ... 250, 0, 1, ...
#[test]
fn digests_are_those_of_the_official_vectors() {
    let vectors = [
        (0, "af1349b9f5f9a1a6a0404dea36dcc9499bcb25c9adc112b7cc9a93cae41f3262"),
        (1, "2d3adedff11b61f14c886e35afa036736dcd87a74d27b5c1510225d0f592e213"),
        (1_023, "10108970eeda3eb932baac1428c7a2163b0e924c9a9e25b35bba72b28f70bd11"),
        (1_024, "42214739f095a406f3fc83deb889744ac00df831c10daa55189b5d121c855af7"),
        (1_025, "d00278ae47eb27b34faecf67b4fe263f82d5412916c1ffd97c8cb7fb814b8444"),
        (4_097, "9b4052b38f1c5fc8b1f9ff7ac7b27cd242487b3d890d15c96a1c25b8aa0fb995"),
        (7_169, "a003fc7a51754a9b3c7fae0367ab3d782dccf28855a03d435f8cfe74605e7817"),
    ];
    let dir = tempfile::tempdir().unwrap();
    for (len, _) in vectors {
        write(dir.path(), format!("{len:05}"), &(0..len).map(|i| (i % 251) as u8).collect::<Vec<_>>());
    }
    let tree = looked(dir.path(), None, &Ignore::default()).tree;
    let entries = tree.page(tree.sum().block, 0, 100).entries;
    assert_eq!(entries.len(), vectors.len());
    for (e, (len, hex)) in entries.iter().zip(vectors) {
        let What::File { size, content } = &e.what else { panic!("{e:?}") };
        assert_eq!((*size, blake3::Hash::from_bytes(*content).to_hex().as_str()), (len, hex));
    }
}
