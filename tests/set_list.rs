//! Tonight's set is changed on a running supervisor, by real commands; a restart keeps it, and the record says who did it.
#![cfg(target_os = "linux")]
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::path::Path;
use std::process::{Command, Output};
use std::time::Duration;

use twinkeel_tests::{Running, made_rig, twinkeel_bin, wait_until};

const SHOW: &str = "title = \"Lanterns\"\nframe_rate = \"25\"\nhour_per_song = true\n\
    [[song]]\nname = \"Quillwater Ferry\"\nlength = \"3:20\"\n\
    [[song]]\nname = \"Nine Brass Herons\"\nlength = \"4:05\"\n\
    [[song]]\nname = \"Salt and Tallow\"\nlength = \"2:50\"\n\
    [[song]]\nname = \"Last Lamp but One\"\nlength = \"5:10\"\nspare = true\n";

struct Desk {
    page: String,
}

impl Desk {
    fn show(&self, args: &[&str]) -> Output {
        Command::new(twinkeel_bin()).arg("show").args(args).args(["--page", &self.page]).output().unwrap()
    }

    /// The set as places, names and states.
    fn set(&self) -> Vec<(u64, String, String)> {
        let answer = self.show(&["list", "--json"]);
        let set: serde_json::Value = serde_json::from_slice(&answer.stdout).unwrap_or_default();
        let text = |v: &serde_json::Value| v.as_str().unwrap_or_default().to_owned();
        let all = set.as_array().cloned().unwrap_or_default();
        all.iter().map(|e| (e["place"].as_u64().unwrap_or(0), text(&e["name"]), text(&e["state"]))).collect()
    }

    fn until(&self, wanted: &[(&str, &str)]) {
        let wanted: Vec<_> = (1..).zip(wanted).map(|(i, (n, s))| (i, (*n).to_owned(), (*s).to_owned())).collect();
        wait_until("the set", Duration::from_secs(20), || {
            let set = self.set();
            (set == wanted, set)
        });
    }

    fn does(&self, args: &[&str]) {
        let done = self.show(args);
        assert!(done.status.success(), "{args:?}: {done:?}");
    }
}

fn start(rig: &Path, log: &Path) -> Running {
    let config = rig.join("supervisor/rig.toml");
    Running::start(&twinkeel_bin(), &["supervisor", "--config", config.to_str().unwrap()], &[], log)
}

#[test]
fn the_set_is_changed_without_a_restart_and_kept_over_one() {
    let dir = tempfile::tempdir().unwrap();
    let rig = dir.path().join("rig");
    let page = made_rig(&rig, 1);
    std::fs::write(rig.join("supervisor/show.toml"), SHOW).unwrap();
    let desk = Desk { page: format!("127.0.0.1:{page}") };
    let nobody = desk.show(&["list"]);
    assert_eq!(nobody.status.code(), Some(3), "{nobody:?}");

    let running = start(&rig, &dir.path().join("first.log"));
    desk.until(&[("Quillwater Ferry", "next"), ("Nine Brass Herons", "to-come"), ("Salt and Tallow", "to-come")]);
    desk.does(&["move", "3", "1"]);
    desk.until(&[("Salt and Tallow", "next"), ("Quillwater Ferry", "to-come"), ("Nine Brass Herons", "to-come")]);
    desk.does(&["skip", "1"]);
    desk.does(&["add", "4"]);
    let set = [
        ("Salt and Tallow", "skipped"),
        ("Quillwater Ferry", "next"),
        ("Nine Brass Herons", "to-come"),
        ("Last Lamp but One", "to-come"),
    ];
    desk.until(&set);
    for (wrong, code) in [(["move", "9", "1"], 2), (["move", "1", "9"], 1), (["add", "5", "--page"], 2)] {
        let said = if wrong[2] == "--page" { desk.show(&["add", "70000"]) } else { desk.show(&wrong) };
        assert_eq!(said.status.code(), Some(code), "{wrong:?}: {said:?}");
    }
    let unknown = desk.show(&["add", "5"]);
    assert_eq!(unknown.status.code(), Some(1), "{unknown:?}");
    assert!(String::from_utf8_lossy(&unknown.stdout).contains("no song 5"), "{unknown:?}");

    drop(running);
    let _again = start(&rig, &dir.path().join("second.log"));
    desk.until(&set);
    desk.does(&["play", "1"]);
    desk.does(&["restore"]);
    desk.until(&[("Quillwater Ferry", "next"), ("Nine Brass Herons", "to-come"), ("Salt and Tallow", "to-come")]);

    let events = std::fs::read_to_string(rig.join("supervisor/shows/events.jsonl")).unwrap();
    for words in [
        "command line: Salt and Tallow moved to place 1 of the set: done",
        "command line: Salt and Tallow skipped tonight: done",
        "command line: Last Lamp but One added at the end of the set: done",
        "command line: song 5 added at the end of the set: refused: the show file has no song 5.",
        "command line: the set is as the show file has it: done",
    ] {
        assert!(events.contains(words), "{words}:\n{events}");
    }
}
