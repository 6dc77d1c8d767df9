//! House rules that no lint can express.
#![allow(clippy::unwrap_used, clippy::panic)]

use std::path::{Path, PathBuf};

fn sources(dir: &Path, found: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(dir).unwrap_or_else(|e| panic!("{}: {e}", dir.display())) {
        let path = entry.unwrap().path();
        if path.is_dir() {
            sources(&path, found);
        } else if path.extension().is_some_and(|e| e == "rs") {
            found.push(path);
        }
    }
}

fn lines_with(dir: &str, words: &[&str]) -> Vec<String> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).parent().unwrap().join(dir);
    let mut files = Vec::new();
    sources(&root, &mut files);
    assert!(!files.is_empty(), "{dir} has no sources");
    let mut hits = Vec::new();
    for f in files {
        let text = std::fs::read_to_string(&f).unwrap();
        for (i, line) in text.lines().enumerate() {
            let code = line.split("//").next().unwrap_or("");
            if words.iter().any(|w| code.contains(w)) {
                hits.push(format!("{}:{}: {}", f.display(), i + 1, line.trim()));
            }
        }
    }
    hits
}

/// The agent's mind is pure though its crate is not: the virtual rig runs it with a clock of its own.
#[test]
fn the_agents_core_reads_no_clock_and_does_no_io() {
    let hits = lines_with(
        "crates/agent/src/core",
        &["Instant::now", "SystemTime", "mono_now", "wall_now", "std::net::", "std::fs", "std::thread", "ports::"],
    );
    assert!(hits.is_empty(), "{}", hits.join("\n"));
}

/// A beat must not wait in somebody's queue on its way to a command.
#[test]
fn the_watch_thread_knows_no_tokio() {
    let hits: Vec<_> = lines_with("crates/supervisor/src", &["tokio::"])
        .into_iter()
        .filter(|h| ["watch_thread", "outputs", "to_watch", "from_watch", "tap.rs"].iter().any(|w| h.contains(w)))
        .collect();
    assert!(hits.is_empty(), "{}", hits.join("\n"));
}

/// What the operating systems do differently is asked in `ports` (and where the demo starts processes), nowhere else.
#[test]
fn system_differences_stay_in_their_rooms() {
    let hits: Vec<_> =
        ["base", "timecode", "measure", "wire", "rig", "watch", "settings", "showlog", "agent", "supervisor"]
            .iter()
            .flat_map(|c| lines_with(&format!("crates/{c}/src"), &["cfg(unix)", "cfg(windows)", "target_os"]))
            .collect();
    assert!(hits.is_empty(), "{}", hits.join("\n"));
}

/// The wall clock may jump by an hour at any time (a person, a time server, the end of summer time). It is read for display and the
/// record, and to name what is on disk; whatever watches, judges or commands counts by the monotonic clock.
#[test]
fn nothing_that_decides_reads_the_wall_clock() {
    // Each place, and what it does with the time.
    let allowed = [
        (
            "agent/src/folders/keeper.rs",
            "tells whether a file was changed so lately that its time may not show the next change",
        ),
        ("agent/src/kit.rs", "tells when a player was started and its files changed"),
        ("agent/src/player.rs", "its test holds a process's start against the clock"),
        ("ports/src/local/", "asks the system when a process was started"),
        ("ports/src/os/mod.rs", "reads it"),
        ("ports/src/os/linux.rs", "carries the kernel's stamps over by their age, unless that is absurd"),
        ("supervisor/src/lib.rs", "dates a show's record"),
        ("supervisor/src/parity/mod.rs", "says of which day a file's time is"),
        (
            "supervisor/src/check/",
            "dates a sheet; asked by a person for `act`, says whether a pass is older than half a day",
        ),
        ("supervisor/src/scribe/", "dates events and snapshots"),
        ("twinkeel/src/", "prints dates"),
    ];
    let hits: Vec<_> = lines_with("crates", &["wall_now", "SystemTime", "UNIX_EPOCH", "CLOCK_REALTIME"])
        .into_iter()
        .filter(|h| h.contains("/src/") && !allowed.iter().any(|(place, _)| h.contains(place)))
        .collect();
    assert!(hits.is_empty(), "{}", hits.join("\n"));
}
