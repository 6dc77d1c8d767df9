//! Session folders of two machines, with real processes: two agents, a supervisor and the command that asks it.
#![cfg(target_os = "linux")]
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::path::Path;
use std::process::{Command, Output};
use std::time::Duration;

use twinkeel_tests::{Running, made_rig, twinkeel_bin, wait_until};

/// A rig as `twinkeel init` makes it, on ports of its own, with a session folder for each machine.
struct Rig {
    dir: tempfile::TempDir,
    page: String,
    processes: Vec<Running>,
}

const SESSION: &str =
    "\n[[folder]]\nname = \"session\"\npath = \"session\"\nignore = [\"*.tmp\"]\n[hashing]\nevery = \"1s\"\n";

impl Rig {
    fn start() -> Rig {
        let dir = tempfile::tempdir().unwrap();
        let rig = dir.path().join("rig");
        let page = made_rig(&rig, 1);
        for file in ["A/agent.toml", "B/agent.toml"] {
            let path = rig.join(file);
            let text = std::fs::read_to_string(&path).unwrap();
            let from = text.find("[[source]]").unwrap();
            // The player is this test's own child.
            let text = text[..from].replace("[player]\n", "");
            std::fs::write(&path, format!("{text}\n[player]\nprocess = \"twinkeel-holder\"\n{SESSION}")).unwrap();
        }
        for m in ["A", "B"] {
            for i in 0..40u8 {
                write(&rig.join(m).join("session"), &format!("songs/{:02}/take.wav", i), &[i; 5_000]);
            }
            write(&rig.join(m).join("session"), "set.session", b"the set");
            as_old(&rig.join(m).join("session"));
        }
        let start = |part: &str, folder: &str| {
            let config = rig.join(folder).join(if part == "agent" { "agent.toml" } else { "rig.toml" });
            let log = dir.path().join(format!("{folder}.log"));
            Running::start(&twinkeel_bin(), &[part, "--config", config.to_str().unwrap()], &[], &log)
        };
        let processes = vec![start("supervisor", "supervisor"), start("agent", "A"), start("agent", "B")];
        Rig { dir, page: format!("127.0.0.1:{page}"), processes }
    }

    fn session(&self, m: &str) -> std::path::PathBuf {
        self.dir.path().join("rig").join(m).join("session")
    }

    fn ask(&self, args: &[&str]) -> Output {
        let mut c = Command::new(twinkeel_bin());
        c.arg("parity").args(args).args(["--page", &self.page]).output().unwrap()
    }

    /// Waits until this alarm stands in the record.
    fn raised(&self, code: &str) {
        wait_until(code, Duration::from_secs(20), || {
            let path = self.dir.path().join("rig/supervisor/shows/events.jsonl");
            let events = std::fs::read_to_string(path).unwrap_or_default();
            let is = |l: &&str| l.contains("\"kind\":\"alarm\"") && l.contains(&format!("\"code\":\"{code}\""));
            (events.lines().any(|l| is(&l)), events)
        });
    }

    /// Asks until the answer holds these words, and gives all of it with its exit code.
    fn until(&self, words: &str) -> (String, Option<i32>) {
        wait_until(words, Duration::from_secs(40), || {
            let answer = self.ask(&[]);
            let text = String::from_utf8_lossy(&answer.stdout).into_owned();
            // Long sentences go over two lines.
            let plain = text.split_whitespace().collect::<Vec<_>>().join(" ");
            (plain.contains(words), (text, answer.status.code()))
        })
    }
}

fn write(dir: &Path, name: &str, content: &[u8]) {
    let path = dir.join(name);
    std::fs::create_dir_all(path.parent().unwrap()).unwrap();
    std::fs::write(path, content).unwrap();
}

/// All files of one time.
fn as_old(dir: &Path) {
    for e in std::fs::read_dir(dir).unwrap() {
        let path = e.unwrap().path();
        if path.is_dir() {
            as_old(&path);
        } else {
            let at = std::time::SystemTime::UNIX_EPOCH + Duration::from_secs(1_000_000_000);
            std::fs::File::options().write(true).open(&path).unwrap().set_modified(at).unwrap();
        }
    }
}

#[test]
fn what_differs_between_two_machines_is_named_and_a_session_that_was_not_opened_again_too() {
    let rig = Rig::start();
    let (text, code) = rig.until("session: The same.");
    assert_eq!(code, Some(0), "{text}");

    // An edit on A that has not been carried to B, and something of B's own.
    std::thread::sleep(Duration::from_millis(2_100));
    write(&rig.session("A"), "songs/07/take.wav", &[77; 5_000]);
    write(&rig.session("A"), "songs/12/new.wav", &[1; 100]);
    write(&rig.session("A"), "songs/12/not.tmp", b"left out");
    write(&rig.session("B"), "spare.wav", &[2; 100]);
    let (text, code) = rig.until("1 missing on B, 1 only on B, 1 differs");
    assert_eq!(code, Some(1), "{text}");
    for line in ["+ spare.wav  only on B (100 B)", "- new.wav  missing on B (100 B)", "! take.wav  differs: 5.0 kB"] {
        assert!(text.contains(line), "{line}:\n{text}");
    }
    assert!(text.contains("session: B: 2 files behind since ") && !text.contains("not.tmp"), "{text}");
    assert!(text.lines().all(|l| l.chars().count() <= 80), "{text}");

    rig.raised("session-differs");

    // A player opens the session on each machine (one process stands for both here, since they share a computer), and only then B's
    // files are made the same.
    let holder = rig.dir.path().join("twinkeel-holder");
    std::fs::copy(std::env::current_exe().unwrap(), &holder).unwrap();
    let mut child = Command::new(&holder)
        .args(["--exact", "role"])
        .env(ROLE, rig.session("B").join("set.session"))
        .stdin(std::process::Stdio::piped())
        .stdout(std::process::Stdio::null())
        .spawn()
        .unwrap();
    std::thread::sleep(Duration::from_millis(2_500));
    for name in ["songs/07/take.wav", "songs/12/new.wav"] {
        std::fs::copy(rig.session("A").join(name), rig.session("B").join(name)).unwrap();
    }
    std::fs::remove_file(rig.session("B").join("spare.wav")).unwrap();
    let (text, code) = rig.until("before 2 files changed");
    assert_eq!(code, Some(1), "{text}");
    rig.raised("session-stale");
    rig.until("session: The same");
    // A person says that it has been opened again.
    let said = rig.ask(&["--loaded", "B"]);
    assert!(said.status.success(), "{said:?}");
    let (text, code) = wait_until("the word is taken", Duration::from_secs(20), || {
        let answer = rig.ask(&[]);
        let text = String::from_utf8_lossy(&answer.stdout).into_owned();
        (answer.status.code() == Some(0), (text, answer.status.code()))
    });
    assert_eq!(code, Some(0), "{text}");

    // The file that the player holds open is replaced, as programs save: the player surely has the old one.
    write(&rig.session("B"), "set.new", b"the set");
    std::fs::rename(rig.session("B").join("set.new"), rig.session("B").join("set.session")).unwrap();
    let (text, code) = rig.until("B's player holds 1 file that other files have replaced");
    assert_eq!(code, Some(1), "{text}");
    child.kill().unwrap();
    child.wait().unwrap();

    let events = std::fs::read_to_string(rig.dir.path().join("rig/supervisor/shows/events.jsonl")).unwrap();
    for code in ["session-same", "session-differs", "session-stale"] {
        assert!(events.contains(&format!("\"code\":\"{code}\"")), "{code} is not in the record:\n{events}");
    }
    assert!(events.contains("command line: B's player has the session as it lies on its disk: done"), "{events}");
}

#[test]
fn a_spare_takes_a_machines_place_and_what_still_differs_is_said() {
    let mut rig = Rig::start();
    rig.until("session: The same.");
    // B dies, and a spare is made for its place; its session lacks a take.
    drop(rig.processes.pop());
    let dir = rig.dir.path().join("rig");
    let at = |p: &str| dir.join(p).to_str().unwrap().to_owned();
    let began = std::time::Instant::now();
    let replace = Command::new(twinkeel_bin())
        .args([
            "replace",
            "b",
            "--rig",
            &at("supervisor/rig.toml"),
            "--agent",
            &at("B/agent.toml"),
            "--name",
            "heron 2",
        ])
        .args(["--out", &at("spare"), "--page", &rig.page, "--wait", "40"])
        .stdout(std::process::Stdio::piped())
        .spawn()
        .unwrap();
    let made = dir.join("spare/agent.toml");
    wait_until("the spare's settings", Duration::from_secs(20), || (made.exists(), ()));
    for i in 0..39u8 {
        write(&dir.join("spare/session"), &format!("songs/{:02}/take.wav", i), &[i; 5_000]);
    }
    write(&dir.join("spare/session"), "set.session", b"the set");
    as_old(&dir.join("spare/session"));
    let log = rig.dir.path().join("spare.log");
    rig.processes.push(Running::start(&twinkeel_bin(), &["agent", "--config", made.to_str().unwrap()], &[], &log));
    let out = replace.wait_with_output().unwrap();
    let text = String::from_utf8_lossy(&out.stdout).into_owned();
    println!("replaced in {:.1} s:\n{text}", began.elapsed().as_secs_f64());
    assert!(text.contains("B is heard."), "{text}");
    assert!(text.lines().all(|l| l.chars().count() <= 80 || l.contains(dir.to_str().unwrap())), "{text}");
    let (tree, _) = rig.until("1 missing on B");
    assert!(tree.contains("- take.wav  missing on B (5.0 kB)") || tree.contains("missing on B"), "{tree}");

    // The rig file has the spare and nothing else anew; the computer that was B is a stranger from now on.
    let (new, old) = (at("supervisor/rig.toml"), at("supervisor/rig.before-B.toml"));
    let (new, old) = (std::fs::read_to_string(new).unwrap(), std::fs::read_to_string(old).unwrap());
    let changed: Vec<(&str, &str)> = new.lines().zip(old.lines()).filter(|(n, o)| n != o).collect();
    assert_eq!((changed.len(), new.lines().count()), (3, old.lines().count()), "{changed:?}");
    assert!(new.contains("heron 2"));
    let old_agent = [&at("B/agent.toml")];
    let log = rig.dir.path().join("old.log");
    rig.processes.push(Running::start(&twinkeel_bin(), &["agent", "--config", old_agent[0].as_str()], &[], &log));
    let events = dir.join("supervisor/shows/events.jsonl");
    wait_until("the old one is a stranger", Duration::from_secs(20), || {
        let text = std::fs::read_to_string(&events).unwrap();
        let said = text.contains("`heron 2` takes B's place; that was `B`.");
        (said && text.contains("stranger"), text)
    });
    let report =
        Command::new(twinkeel_bin()).args(["report", "--shows", &at("supervisor/shows"), "--json", "-"]).output();
    let report = String::from_utf8_lossy(&report.unwrap().stdout).into_owned();
    assert!(report.contains("heron 2 (before: B)"), "{report}");

    // A letter that the rig has not, and a folder that is there already, change nothing.
    for (letter, out, why) in [("D", "other", "it has A, B"), ("A", "spare", "exists already")] {
        let refused = Command::new(twinkeel_bin())
            .args(["replace", letter, "--rig", &at("supervisor/rig.toml"), "--agent", &at("B/agent.toml")])
            .args(["--out", &at(out), "--page", &rig.page])
            .output()
            .unwrap();
        let said = String::from_utf8_lossy(&refused.stderr).into_owned();
        assert!(refused.status.code() == Some(2) && said.contains(why), "{said}");
        assert_eq!(std::fs::read_to_string(at("supervisor/rig.toml")).unwrap(), new);
    }
}

/// Names the file that this test's copy holds open as the player.
const ROLE: &str = "TWINKEEL_TEST_HOLDS";

/// What this test's copy does as the player; a plain test run passes through.
#[test]
fn role() {
    if let Some(path) = std::env::var_os(ROLE) {
        let _held = std::fs::File::open(path).unwrap();
        let _ = std::io::stdin().read_line(&mut String::new());
    }
}
