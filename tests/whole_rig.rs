//! The whole rig with real processes: what must and what must not happen. Times are not judged here, since a test must not depend on
//! how busy the computer is; `twinkeel demo --headless` prints them.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::process::Command;

use serde_json::Value;
use twinkeel_tests::{Ended, twinkeel_bin};

/// Plays a scenario, half as long as its file says, and returns its summary.
fn play(scenario: &str, seconds: &str) -> Value {
    let out = tempfile::tempdir().unwrap();
    let run = Command::new(twinkeel_bin())
        .args(["demo", "--headless", "--scenario", scenario, "--seconds", seconds, "--out"])
        .arg(out.path())
        .output()
        .unwrap();
    let text = std::fs::read_to_string(out.path().join("summary.json")).unwrap_or_else(|e| {
        panic!(
            "{scenario}: no summary ({e}):\n{}{}",
            String::from_utf8_lossy(&run.stdout),
            String::from_utf8_lossy(&run.stderr)
        )
    });
    assert!(
        out.path().join("house.wav").exists() && out.path().join("report.html").exists(),
        "{scenario}: files are missing"
    );
    serde_json::from_str(&text).unwrap()
}

/// Scenario, changeovers, on air at the end, latched at the end, an alarm that must be there.
const CASES: [(&str, u64, &str, bool, Option<&str>); 15] = [
    ("on-air-power", 1, "B", true, Some("host-silent")),
    ("on-air-player-gone", 1, "B", true, Some("player-gone")),
    ("on-air-player-frozen", 1, "B", true, Some("changed-over")),
    ("on-air-os-frozen", 1, "B", true, Some("host-silent")),
    ("midi-port-lost", 0, "A", false, Some("midi-lost")),
    ("codes-contradict", 0, "A", false, Some("codes-contradict")),
    ("on-air-agent-gone", 0, "A", false, Some("agent-lost")),
    ("on-air-agent-frozen", 0, "A", false, Some("host-silent")),
    ("standby-gone", 0, "A", false, Some("host-silent")),
    ("both-gone", 0, "A", false, Some("supervisor-cut-off")),
    ("supervisor-killed", 0, "A", false, None),
    ("starved", 0, "A", false, None),
    ("cable-on-air", 0, "A", false, None),
    ("cable-supervisor", 0, "A", false, Some("supervisor-cut-off")),
    ("stop-both", 0, "A", false, None),
];

#[test]
fn what_must_happen_happens_and_nothing_else() {
    for (scenario, changeovers, on_air, latched, alarm) in CASES {
        let s = play(scenario, "14");
        let ended = Ended { changeovers, on_air, latched, alarm };
        ended.check(scenario, &s);
        assert_eq!(s["mode_at_end"], "act", "{scenario}: {s:#}");
    }
}
