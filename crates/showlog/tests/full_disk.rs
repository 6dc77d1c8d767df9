//! A full disk: events of that hour are kept, the record says so, and goes on when there is room. Needs a small tmpfs of
//! its own, that is, root on Linux; elsewhere it is skipped with a loud line.
#![cfg(target_os = "linux")]
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod common;

use std::process::Command;
use std::time::{Duration, Instant};

use base::Span;
use common::*;
use twinkeel_showlog::{Recorder, RecorderConfig, ShowFile};

struct Small(tempfile::TempDir);

impl Small {
    fn mount() -> Option<Small> {
        let dir = tempfile::tempdir().unwrap();
        let done = Command::new("mount").args(["-t", "tmpfs", "-o", "size=8m", "tmpfs"]).arg(dir.path()).output();
        done.is_ok_and(|o| o.status.success()).then_some(Small(dir))
    }
}

impl Drop for Small {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg(self.0.path()).output();
    }
}

fn wait(what: &str, mut until: impl FnMut() -> bool) {
    let patience = Instant::now() + Duration::from_secs(40);
    while !until() {
        assert!(Instant::now() < patience, "{what}");
        std::thread::sleep(Duration::from_millis(20));
    }
}

#[test]
fn a_full_disk_loses_no_event() {
    let Some(small) = Small::mount() else {
        eprintln!("SKIPPED: a_full_disk_loses_no_event needs root to mount a small tmpfs");
        return;
    };
    let dir = small.0.path().join("shows");
    let recorder = Recorder::open_with(&dir, &meta(), START, WALL, RecorderConfig::default()).unwrap();
    let sender = recorder.handle();
    sender.event(note(1));
    recorder.flush(Duration::from_secs(10)).unwrap();
    // All but a few pages are taken by somebody else.
    let ballast = small.0.path().join("ballast");
    let taken =
        Command::new("dd").args(["if=/dev/zero", "bs=4096"]).arg(format!("of={}", ballast.display())).output().unwrap();
    assert!(!taken.status.success(), "the disk is full by now");
    // Ten minutes of the show, with an event each second.
    let mut n = 1;
    for second in 0..600i64 {
        n += 1;
        sender.event(note(n));
        for k in 0..10 {
            sender.sample(sample(Span::from_millis(second * 1_000 + k * 100)));
        }
        if second % 50 == 0 {
            let _ = recorder.flush(Duration::from_secs(5));
        }
    }
    wait("the disk is noticed to be full", || sender.health().disk_full);
    assert_eq!(sender.health().events_dropped, 0);
    // Room again.
    std::fs::remove_file(&ballast).unwrap();
    wait("the record is written again", || sender.health().failing.is_none() && sender.health().events_waiting == 0);
    sender.event(note(n + 1));
    let path = recorder.path().to_owned();
    recorder.close();
    let show = ShowFile::read(&path).unwrap();
    let notes = show.events.iter().filter(|e| e.event.code == "test").count() as u64;
    assert_eq!(notes, n + 1, "{:?}", show.damage);
    assert!(show.events.iter().any(|e| e.event.code == "writing-again"));
    assert_eq!(show.damage, Vec::<String>::new());
}
