//! A rig without agents with real processes: nothing runs on the machines but their players, and the supervisor's own interface hears
//! them. Times are not judged here, since a test must not depend on how busy the computer is; they are printed.
#![cfg(target_os = "linux")]
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::process::{Command, Stdio};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use serde_json::Value;
use stage::demo::{DemoConfig, DemoRig, Loopback};
use stage::scenario::{Show, builtin};
use twinkeel_tests::{Ended, raised, twinkeel_bin};

/// Two rigs at once would take each other's time.
static ONE_AT_A_TIME: Mutex<()> = Mutex::new(());

fn alone() -> MutexGuard<'static, ()> {
    ONE_AT_A_TIME.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Plays a scenario and returns its summary and its report.
fn play(arguments: &[&str], seconds: &str) -> (Value, String) {
    let out = tempfile::tempdir().unwrap();
    let run = Command::new(twinkeel_bin())
        .args(["demo", "--headless", "--seconds", seconds, "--out"])
        .arg(out.path())
        .args(arguments)
        .output()
        .unwrap();
    let read = |file: &str| {
        std::fs::read_to_string(out.path().join(file)).unwrap_or_else(|e| {
            panic!(
                "{arguments:?}: no {file} ({e}):\n{}{}",
                String::from_utf8_lossy(&run.stdout),
                String::from_utf8_lossy(&run.stderr)
            )
        })
    };
    assert!(!out.path().join("A/agent.toml").exists(), "no agent has a configuration");
    assert!(!out.path().join("agent-A.log").exists(), "and none was started");
    (serde_json::from_str(&read("summary.json")).unwrap(), read("report.html"))
}

/// Scenario, changeovers, on air at the end, whether a person is asked, an alarm that must be there.
const CASES: [(&str, u64, &str, bool, Option<&str>); 9] = [
    ("alone-player-gone", 1, "B", false, Some("changed-over")),
    ("alone-power-no-tap", 1, "B", false, Some("changed-over")),
    ("alone-player-silent", 1, "B", false, Some("audio-lost")),
    ("alone-code-lost", 0, "A", false, Some("midi-lost")),
    ("alone-both-stopped", 0, "A", false, None),
    ("alone-interface-lost", 0, "A", false, Some("ears-lost")),
    ("alone-plug-pulled", 0, "A", false, Some("audio-lost")),
    ("alone-plug-pulled-no-tap", 0, "A", true, None),
    ("alone-standby-gone", 0, "A", false, Some("stalled")),
];

#[test]
fn what_must_happen_happens_and_nothing_else() {
    let _alone = alone();
    for (scenario, changeovers, on_air, asked, alarm) in CASES {
        let (s, report) = play(&["--scenario", scenario], "14");
        let ended = Ended { changeovers, on_air, latched: changeovers == 1, alarm };
        ended.check(scenario, &s);
        assert_eq!(s["proposed"], asked, "{scenario}: {s:#}");
        for never in ["agent-lost", "host-silent", "player-gone", "clock-unknown", "path-lost", "supervisor-cut-off"] {
            assert!(!raised(&s, never), "{scenario}: nobody can know of {never}: {s:#}");
        }
        if changeovers == 1 {
            assert!(report.contains("Changeover"), "{scenario}: the report tells of it");
        }
    }
}

/// The players' crystals are 23 ppm apart, and B starts 3 ms late: so the scenario has it.
#[test]
fn a_quiet_show_moves_nothing_and_offset_and_drift_are_measured() {
    let _alone = alone();
    let (s, report) = play(&["--scenario", "quiet-show", "--heard-by", "supervisor"], "20");
    assert_eq!((&s["changeovers"], &s["proposed"]), (&Value::from(0), &Value::from(false)), "{s:#}");
    assert_eq!(s["alarms"].as_array().unwrap().len(), 0, "{s:#}");
    let (offset, drift) = (s["offset_ms"].as_f64().unwrap(), s["drift_ppm"].as_f64().unwrap());
    let wanted = s["drift_expected_ppm"].as_f64().unwrap();
    println!("offset {offset} ms (3 ms and what 17 s of drift add), drift {drift} ppm ({wanted} ppm)");
    assert!((offset - 3.0 - wanted * 17e-3).abs() < 0.3, "{offset} ms");
    assert!((drift - wanted).abs() < 1.0, "{drift} ppm of {wanted}");
    assert!(report.contains("Opening") || report.contains("song"), "the report tells of the song");
}

#[test]
fn a_fault_that_only_an_agent_can_tell_of_is_refused() {
    for scenario in ["cable-on-air", "on-air-agent-gone"] {
        let out = tempfile::tempdir().unwrap();
        let run = Command::new(twinkeel_bin())
            .args(["demo", "--headless", "--scenario", scenario, "--heard-by", "supervisor", "--out"])
            .arg(out.path())
            .output()
            .unwrap();
        assert_eq!(run.status.code(), Some(2), "{scenario}");
        let words = String::from_utf8_lossy(&run.stderr).into_owned();
        assert!(words.contains(scenario) && words.contains("cannot have"), "{words}");
    }
}

/// A full check passes, tests all that can be heard, and says of the rest that nobody can know it.
#[test]
fn a_full_check_passes_and_says_what_cannot_be_known() {
    let _alone = alone();
    let out = tempfile::tempdir().unwrap();
    let mut scenario = builtin("quiet-show").unwrap().unwrap();
    scenario.set_heard_by(settings::rig::HeardBy::Supervisor).unwrap();
    scenario.rig.mode = settings::rig::Mode::Observe;
    let network = Loopback::start(scenario.rig.paths, 1).unwrap();
    let config =
        DemoConfig { program: twinkeel_bin(), out: out.path().join("rig"), seed: 1, scenario, page_port: None };
    let mut rig = DemoRig::start(&config, Arc::new(network)).unwrap();
    let snapshot = rig.snapshot().unwrap();
    assert!(snapshot.machines.iter().all(|m| m.link.outside && m.player == base::PlayerState::Unknown));
    let mut child = Command::new(twinkeel_bin())
        .args(["check", "--by", "Mara", "--json", "--page", &rig.layout.page.to_string(), "--full", "--warned"])
        .args(["--level", "lowered", "--parked", "lighting,video,automation,effects"])
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let mut started = false;
    while child.try_wait().unwrap().is_none() {
        let url = format!("http://{}/api/v1/check", rig.layout.page);
        let text = ureq::get(&url).call().unwrap().into_body().read_to_string().unwrap();
        let view: Value = serde_json::from_str(&text).unwrap();
        match view["running"]["ask"].as_str() {
            Some(ask) if ask.starts_with("Stop") => rig.show(Show::Stop),
            Some(ask) if ask.starts_with("Load") && !started => {
                started = true;
                rig.show(Show::Load(1));
                std::thread::sleep(Duration::from_secs(2));
                rig.show(Show::Start);
            }
            _ => {}
        }
        std::thread::sleep(Duration::from_millis(200));
    }
    let done = child.wait_with_output().unwrap();
    let sheet: Value = serde_json::from_slice(&done.stdout).unwrap();
    let row = |code: &str| sheet["rows"].as_array().unwrap().iter().find(|r| r["code"] == code).unwrap();
    assert_eq!((done.status.code(), &sheet["outcome"]), (Some(0), &Value::from("passed")), "{sheet:#}");
    for must in [
        "heard",
        "clocks",
        "sources",
        "changeover",
        "timecode",
        "offset",
        "start-skew",
        "trigger",
        "sound",
        "level",
        "pilot",
    ] {
        assert_eq!(row(must)["verdict"], "pass", "{must}: {:#}", row(must));
    }
    for unknown in ["player-runs", "system", "mains", "session", "device", "sleep"] {
        assert_eq!(row(unknown)["verdict"], "not-tested", "{:#}", row(unknown));
        assert_eq!(row(unknown)["measured"], "not known: heard by the supervisor alone", "{:#}", row(unknown));
    }
    println!("offset {}, drift {}", row("offset")["measured"], row("drift")["measured"]);
    rig.end();
}
