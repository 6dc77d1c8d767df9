//! `twinkeel parity` on two folders, as a script sees it.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::path::Path;
use std::process::{Command, Output};

fn parity(dir: &Path, args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_twinkeel")).current_dir(dir).arg("parity").args(args).output().unwrap()
}

#[test]
fn the_exit_code_says_whether_they_are_the_same_and_the_json_what_differs() {
    let dir = tempfile::tempdir().unwrap();
    for side in ["a", "b"] {
        std::fs::create_dir_all(dir.path().join(side).join("songs")).unwrap();
        std::fs::write(dir.path().join(side).join("songs/1.wav"), b"the same").unwrap();
    }
    let same = parity(dir.path(), &["a", "b", "--json"]);
    let v: serde_json::Value = serde_json::from_slice(&same.stdout).unwrap();
    assert_eq!((same.status.code(), &v["same"]), (Some(0), &true.into()));
    assert_eq!(v["a"]["content_blake3"], v["b"]["content_blake3"]);

    std::fs::write(dir.path().join("b/songs/1.wav"), b"other").unwrap();
    std::fs::write(dir.path().join("b/songs/1.pk"), b"peaks").unwrap();
    let other = parity(dir.path(), &["a", "b", "--json", "--ignore", "*.pk"]);
    let v: serde_json::Value = serde_json::from_slice(&other.stdout).unwrap();
    assert_eq!(other.status.code(), Some(1));
    assert_eq!(v["differences"].as_array().unwrap().len(), 1, "{v:#}");
    let d = &v["differences"][0];
    assert_eq!((&d["path"], &d["kind"]), (&"songs/1.wav".into(), &"differs".into()));
    assert_eq!((&d["a"]["bytes"], &d["b"]["bytes"]), (&8.into(), &5.into()));

    let text = String::from_utf8(parity(dir.path(), &["a", "b"]).stdout).unwrap();
    assert!(text.lines().all(|l| l.chars().count() <= 80), "{text}");
    assert!(text.contains("+ 1.pk  only on B (5 B)") && text.contains("! 1.wav  differs"), "{text}");

    let wrong = parity(dir.path(), &["a", "nowhere"]);
    assert_eq!(wrong.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&wrong.stderr).contains("nowhere: no such file"), "{wrong:?}");
    assert_eq!(parity(dir.path(), &["a", "b", "--ignore", "a//b"]).status.code(), Some(2));
}
