//! The check before the show on the whole rig with real processes: a right rig passes three times in a row, a wrong one is named, and
//! `act` wants a pass or a person's word.
#![cfg(target_os = "linux")]
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use base::Machine;
use serde_json::Value;
use stage::demo::{DemoConfig, DemoRig, Loopback};
use stage::scenario::{Fault, Show, builtin};
use supervisor::page::{ActOutcome, DeskAct};
use supervisor::snapshot::Mode;
use twinkeel_tests::{twinkeel_bin, wait_until};

/// Two rigs at once would take each other's time.
static ONE_AT_A_TIME: Mutex<()> = Mutex::new(());

struct Stand {
    rig: DemoRig,
    out: tempfile::TempDir,
    _alone: MutexGuard<'static, ()>,
}

impl Stand {
    fn start() -> Stand {
        let alone = ONE_AT_A_TIME.lock().unwrap_or_else(PoisonError::into_inner);
        let out = tempfile::tempdir().unwrap();
        let mut scenario = builtin("quiet-show").unwrap().unwrap();
        scenario.rig.mode = settings::rig::Mode::Observe;
        let network = Loopback::start(scenario.rig.paths, 1).unwrap();
        let config =
            DemoConfig { program: twinkeel_bin(), out: out.path().join("rig"), seed: 1, scenario, page_port: None };
        Stand { rig: DemoRig::start(&config, Arc::new(network)).unwrap(), out, _alone: alone }
    }

    fn check(&self, arguments: &[&str]) -> Child {
        Command::new(twinkeel_bin())
            .args(["check", "--by", "Mara", "--json", "--page", &self.rig.layout.page.to_string()])
            .args(arguments)
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap()
    }

    /// Exit code and sheet.
    fn sheet(child: Child) -> (i32, Value) {
        let out = child.wait_with_output().unwrap();
        let text = String::from_utf8_lossy(&out.stdout).into_owned();
        (out.status.code().unwrap(), serde_json::from_str(&text).unwrap_or(Value::String(text)))
    }

    /// What the check asks of a person now; none: it runs and asks nothing. An error: no check runs.
    fn asks(&self) -> Result<Option<String>, ()> {
        let url = format!("http://{}/api/v1/check", self.rig.layout.page);
        let view: Value =
            serde_json::from_str(&ureq::get(&url).call().unwrap().into_body().read_to_string().unwrap()).unwrap();
        if view["running"].is_null() { Err(()) } else { Ok(view["running"]["ask"].as_str().map(str::to_owned)) }
    }

    /// A full check in which a person does what is asked.
    fn full(&mut self, song: u16) -> (i32, Value) {
        let parked = "lighting,video,automation,effects";
        let mut child = self.check(&["--full", "--warned", "--level", "lowered", "--parked", parked]);
        let mut started = false;
        while child.try_wait().unwrap().is_none() {
            match self.asks() {
                Ok(Some(ask)) if ask.starts_with("Stop") => self.rig.show(Show::Stop),
                Ok(Some(ask)) if ask.starts_with("Load") && !started => {
                    started = true;
                    self.rig.show(Show::Load(song));
                    std::thread::sleep(Duration::from_secs(2));
                    self.rig.show(Show::Start);
                }
                _ => {}
            }
            std::thread::sleep(Duration::from_millis(200));
        }
        Stand::sheet(child)
    }

    fn mode(&self) -> Mode {
        self.rig.snapshot().unwrap().mode
    }
}

fn row<'a>(sheet: &'a Value, code: &str) -> &'a Value {
    sheet["rows"].as_array().unwrap().iter().find(|r| r["code"] == code).unwrap()
}

fn failed(sheet: &Value) -> Vec<&str> {
    let rows = sheet["rows"].as_array().unwrap().iter();
    rows.filter(|r| r["verdict"] == "fail").map(|r| r["code"].as_str().unwrap()).collect()
}

#[test]
fn a_right_rig_passes_three_times_in_a_row_and_a_wrong_one_is_named() {
    let mut stand = Stand::start();
    let act = |s: &Stand, act: DeskAct| s.rig.act(&act).unwrap();
    let refused = act(&stand, DeskAct::SetMode { mode: Mode::Act });
    assert!(matches!(&refused, ActOutcome::Refused { rule, can_force: true, .. } if rule == "no-check"), "{refused:?}");

    for song in 1..=3 {
        let (code, sheet) = stand.full(song);
        assert_eq!(
            (code, &sheet["outcome"]),
            (0, &Value::from("passed")),
            "song {song}: {:?}, {sheet:#}",
            failed(&sheet)
        );
        for must in [
            "changeover",
            "timecode",
            "offset",
            "start-skew",
            "trigger",
            "sound",
            "level",
            "polarity",
            "pilot",
            "session",
            "session-loaded",
        ] {
            assert_eq!(row(&sheet, must)["verdict"], "pass", "song {song}: {:#}", row(&sheet, must));
        }
        let heard = row(&sheet, "changeover-heard")["measured"].as_str().unwrap();
        assert!(heard.contains("hole") && heard.contains("jump"), "it was not measured: {heard}");
        println!("song {song}: {heard}; {}", row(&sheet, "offset")["measured"]);
        let s = stand.rig.snapshot().unwrap();
        assert_eq!(
            (s.on_air.map(|l| l.0), s.latched.is_some()),
            (Some(Machine::A), false),
            "it is left as it was found"
        );
    }
    wait_until("a rig that passed proposes", Duration::from_secs(5), || (stand.mode() == Mode::Propose, stand.mode()));
    let done = act(&stand, DeskAct::SetMode { mode: Mode::Act });
    assert!(matches!(done, ActOutcome::Done { .. }), "{done:?}");
    let record = std::fs::read_to_string(stand.rig.layout.shows.join("events.jsonl")).unwrap();
    assert_eq!(
        record.lines().filter(|l| l.contains("\"kind\":\"check\"") && l.contains("\"code\":\"passed\"")).count(),
        3
    );

    // An edit after soundcheck, in B's session only, while no song rolls: the pass is void at once, and the check names it.
    stand.rig.show(Show::Stop);
    let session = stand.rig.layout.shows.parent().unwrap().join("B/session");
    let song = std::fs::read_dir(&session).unwrap().next().unwrap().unwrap().path();
    let was = std::fs::read(&song).unwrap();
    std::fs::write(&song, "another tempo").unwrap();
    act(&stand, DeskAct::SetMode { mode: Mode::Propose });
    wait_until("the pass is void", Duration::from_secs(30), || {
        let refused = act(&stand, DeskAct::SetMode { mode: Mode::Act });
        let void =
            matches!(&refused, ActOutcome::Refused { text, .. } if text.contains("Files in B's `session` changed"));
        if !void {
            act(&stand, DeskAct::SetMode { mode: Mode::Propose });
        }
        (void, refused)
    });
    let (code, sheet) = Stand::sheet(stand.check(&["--quick"]));
    assert_eq!((code, failed(&sheet)), (1, vec!["session", "session-loaded"]), "{sheet:#}");
    assert_eq!(row(&sheet, "session")["measured"], "B: of 3 files 1 differing");
    std::fs::write(&song, was).unwrap();
    let quick = |stand: &Stand, want: &[&str]| {
        wait_until("both sessions are the same again", Duration::from_secs(60), || {
            let (_, sheet) = Stand::sheet(stand.check(&["--quick"]));
            let bad: Vec<String> = failed(&sheet).iter().map(|c| row(&sheet, c).to_string()).collect();
            (failed(&sheet) == want, bad.join("\n"))
        })
    };
    quick(&stand, &["session-loaded"]);
    let opened = act(&stand, DeskAct::SessionLoaded { machine: supervisor::snapshot::Letter(Machine::B) });
    assert!(matches!(opened, ActOutcome::Done { .. }), "{opened:?}");
    quick(&stand, &[]);

    // B's player ends: the check names it, and the pass is void.
    stand.rig.break_it(Fault::PlayerGone, &[Machine::B]).unwrap();
    std::thread::sleep(Duration::from_secs(2));
    let (code, sheet) = Stand::sheet(stand.check(&["--quick"]));
    assert_eq!((code, failed(&sheet)), (1, vec!["player-runs", "sources"]), "{sheet:#}");
    assert_eq!(row(&sheet, "player-runs")["measured"], "B: does not run");
    stand.rig.mend(Fault::PlayerGone, &[Machine::B]).unwrap();
    act(&stand, DeskAct::SetMode { mode: Mode::Propose });
    let refused = act(&stand, DeskAct::SetMode { mode: Mode::Act });
    assert!(matches!(&refused, ActOutcome::Refused { text, .. } if text.contains("B's ")), "{refused:?}");
    let by_word = act(&stand, DeskAct::ActUnchecked);
    assert!(matches!(by_word, ActOutcome::Done { .. }), "{by_word:?}");
    wait_until("the mode that a person's word gave", Duration::from_secs(5), || {
        (stand.mode() == Mode::Act, stand.mode())
    });

    // The sheet as a page and on paper, from the last one.
    let (page, paper) = (stand.out.path().join("s.html"), stand.out.path().join("s.pdf"));
    let files = ["--last", "--html", page.to_str().unwrap(), "--pdf", paper.to_str().unwrap()];
    assert_eq!(Stand::sheet(stand.check(&files)).0, 1, "the last one failed");
    assert!(std::fs::read_to_string(page).unwrap().contains("B: does not run"));
    assert!(std::fs::read(paper).unwrap().starts_with(b"%PDF-"));
    stand.rig.end();
}

#[test]
fn without_the_words_nothing_begins() {
    let stand = Stand::start();
    for (arguments, code) in [(&["--fast"][..], 2), (&["--full", "--warned"][..], 2), (&["--full", "--fast"][..], 2)] {
        assert_eq!(stand.check(arguments).wait_with_output().unwrap().status.code(), Some(code), "{arguments:?}");
    }
    assert!(stand.asks().is_err());
    stand.rig.end();
}
