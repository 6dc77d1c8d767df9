//! A thread that a process cannot do without fails: the process begins anew in its own place, or ends if it had just begun.
#![cfg(unix)]
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::process::{Command, Output};
use std::time::Duration;

use twinkeel_ports::os::{began_anew_after, make_urgent, vital};

const LIVES: &str = "TWINKEEL_TEST_LIVES_MS";

/// Runs `the_child` of this file in a process of its own, whose thread fails after so long.
fn child(lives: Duration) -> Output {
    let own = std::env::current_exe().unwrap();
    Command::new(own)
        .args(["--exact", "the_child", "--ignored", "--nocapture"])
        .env(LIVES, lives.as_millis().to_string())
        .output()
        .unwrap()
}

#[test]
#[ignore = "run by the other tests of this file, in a process of its own"]
fn the_child() {
    let lives = Duration::from_millis(std::env::var(LIVES).unwrap().parse().unwrap());
    let own = std::process::id();
    let urgency = policy();
    if let Some(thread) = began_anew_after() {
        println!("process {own} after {thread}, {urgency}");
        std::process::exit(0);
    }
    println!("process {own} begins");
    let thread = vital("helmsman", move || {
        make_urgent(10);
        std::thread::sleep(lives);
        panic!("struck a rock");
    });
    let _ = thread.unwrap().join();
    println!("process {own} went on");
}

/// The calling thread's scheduling policy, a number (proc(5), `stat`, field 41).
fn policy() -> String {
    let stat = std::fs::read_to_string("/proc/self/stat").unwrap_or_default();
    let after_name = stat.rsplit(')').next().unwrap_or_default();
    after_name.split_whitespace().nth(38).map_or("policy 0".into(), |p| format!("policy {p}"))
}

#[test]
fn a_process_whose_vital_thread_fails_begins_anew_under_its_own_number_and_says_why() {
    let out = child(Duration::from_millis(3_200));
    let said = String::from_utf8_lossy(&out.stdout).into_owned();
    assert!(out.status.success(), "{out:?}");
    let number = said.split("process ").nth(1).unwrap().split(' ').next().unwrap();
    // Of ordinary urgency again: SCHED_OTHER is 0 (sched(7)).
    assert!(said.contains(&format!("process {number} after helmsman, policy 0")), "{said}");
    assert!(!said.contains("went on"), "{said}");
    assert!(String::from_utf8_lossy(&out.stderr).contains("struck a rock"), "{out:?}");
}

#[test]
fn one_that_fails_right_after_its_start_ends_the_process() {
    let out = child(Duration::ZERO);
    let said = String::from_utf8_lossy(&out.stdout).into_owned();
    assert!(!out.status.success() && !said.contains("after helmsman") && !said.contains("went on"), "{out:?}");
}
