//! kill -9 while writing: no event that was acknowledged is lost, and at most a second of samples.
//! 20 times; TWINKEEL_KILLS=200 for more.
#![cfg(unix)]
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod common;

use std::io::{BufRead, BufReader, Write};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use base::Span;
use common::*;
use twinkeel_showlog::{Recorder, ShowFile};

const CHILD: &str = "TWINKEEL_KILLED_CHILD";

/// Not a test of its own: the process that is killed. Samples at their real pace; an event acknowledged every few.
#[test]
fn the_child() {
    let Some(dir) = std::env::var_os(CHILD) else { return };
    let began = Instant::now();
    let now = || Span::from_nanos(began.elapsed().as_nanos() as i64);
    let recorder = Recorder::open(std::path::Path::new(&dir), &meta(), START, WALL).unwrap();
    let sender = recorder.handle();
    let mut out = std::io::stdout();
    for n in 1.. {
        sender.event(note(n));
        for _ in 0..4 {
            std::thread::sleep(Duration::from_millis(5));
            let since = now();
            sender.sample(sample(since));
            writeln!(out, "S {}", since.nanos()).unwrap();
        }
        if n % 3 == 0 {
            sender.flush(Duration::from_secs(10)).unwrap();
            writeln!(out, "E {n}").unwrap();
        }
        out.flush().unwrap();
    }
}

#[test]
fn kill_9_loses_no_acknowledged_event_and_at_most_a_second_of_samples() {
    let times: u64 = std::env::var("TWINKEEL_KILLS").ok().and_then(|t| t.parse().ok()).unwrap_or(20);
    for k in 0..times {
        let dir = tempfile::tempdir().unwrap();
        let mut child = Command::new(std::env::current_exe().unwrap())
            .args(["the_child", "--exact", "--nocapture", "--test-threads=1"])
            .env(CHILD, dir.path())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let lines = BufReader::new(child.stdout.take().unwrap());
        let reader = std::thread::spawn(move || {
            let (mut event, mut newest) = (0u64, 0i64);
            for line in lines.lines().map_while(Result::ok) {
                match line.split_once(' ') {
                    Some(("E", n)) => event = n.parse().unwrap(),
                    Some(("S", ns)) => newest = ns.parse().unwrap(),
                    _ => {}
                }
            }
            (event, newest)
        });
        // Spread over the life of tails, blocks and checkpoints.
        std::thread::sleep(Duration::from_millis(40 + (k * 137) % 1_200));
        child.kill().unwrap();
        child.wait().unwrap();
        let (event, newest) = reader.join().unwrap();
        let Some(path) = std::fs::read_dir(dir.path())
            .unwrap()
            .flatten()
            .map(|e| e.path())
            .find(|p| p.extension().is_some_and(|e| e == "showlog"))
        else {
            assert_eq!(event, 0, "an event was acknowledged and there is no file");
            continue;
        };
        if event == 0 {
            // Killed before the tables were there: nothing was promised.
            continue;
        }
        let show = ShowFile::read(&path).unwrap();
        assert_eq!(show.damage, Vec::<String>::new(), "round {k}");
        assert!(show.events.len() as u64 >= event, "round {k}: {} of {event} events", show.events.len());
        assert!(show.events.iter().zip(1u64..).all(|(e, n)| e.id.sequence == n && e.event == note(n)));
        let last = show.samples.last().map_or(Span::ZERO, |p| p.sample.at.since(START));
        assert!(Span::from_nanos(newest) - last <= Span::from_secs(1), "round {k}: newest {newest}, kept {last:?}");
        let db = rusqlite::Connection::open(&path).unwrap();
        let sound: String = db.query_row("PRAGMA integrity_check", [], |r| r.get(0)).unwrap();
        assert_eq!(sound, "ok", "round {k}");
        drop(db);
        // And the next start goes on.
        let again = Recorder::open(dir.path(), &meta(), START + Span::from_secs(9), WALL).unwrap();
        assert_eq!(again.handle().event(note(1)).epoch, 2);
    }
}
