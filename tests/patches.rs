//! Patches follow the changeover, with real processes: the demo's simulated device writes down what it is sent.
#![cfg(target_os = "linux")]
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::process::Command;

use serde_json::Value;
use twinkeel_tests::twinkeel_bin;

fn lines(path: &std::path::Path) -> Vec<Value> {
    std::fs::read_to_string(path).unwrap().lines().map(|l| serde_json::from_str(l).unwrap()).collect()
}

/// The host on air loses power: the device gets, once, the bank and program that both machines had sent on each channel, and the record
/// has each byte with its reason.
#[test]
fn a_device_is_sent_what_is_in_force_once_when_the_host_on_air_dies() {
    let out = tempfile::tempdir().unwrap();
    let run = Command::new(twinkeel_bin())
        .args(["demo", "--headless", "--scenario", "on-air-power", "--seconds", "14", "--out"])
        .arg(out.path())
        .output()
        .unwrap();
    assert!(out.path().join("summary.json").exists(), "{}", String::from_utf8_lossy(&run.stderr));
    let events = lines(&out.path().join("shows/events.jsonl"));
    let of = |code: &str| events.iter().filter(|e| e["code"] == code).collect::<Vec<_>>();
    assert_eq!(of("patch-chase").len(), 1, "one changeover, one chase");
    let sent = of("patch-sent");
    assert_eq!(sent.len(), 1);
    let recorded: Vec<(&str, &str)> = sent[0]["detail"]["sent"]
        .as_array()
        .unwrap()
        .iter()
        .map(|l| (l["bytes"].as_str().unwrap(), l["why"].as_str().unwrap()))
        .collect();
    let heard = lines(&out.path().join("device.jsonl"));
    let heard: Vec<&str> = heard.iter().map(|l| l["bytes"].as_str().unwrap()).collect();
    assert_eq!(recorded.iter().map(|r| r.0).collect::<Vec<_>>(), heard, "the record has every byte");
    assert!(recorded.iter().all(|r| !r.1.is_empty()));
    // What both machines had sent before, by the words of the record.
    let last = |channel: u8| {
        let end = format!("on channel {channel}.");
        let said = of("patch").into_iter().rev().find(|e| e["text"].as_str().unwrap().ends_with(&end)).unwrap();
        let words: Vec<&str> = said["text"].as_str().unwrap().split(' ').collect();
        let program: u8 = words[3].parse().unwrap();
        let bank: u8 = words[6].split('/').next().unwrap().parse().unwrap();
        [
            format!("b{:x} 00 {bank:02x}", channel - 1),
            format!("b{:x} 20 00", channel - 1),
            format!("c{:x} {program:02x}", channel - 1),
        ]
    };
    // The machine that left may have been in the midst of a system exclusive message: it is ended first.
    let wanted: Vec<String> = std::iter::once("f7".to_owned()).chain((1..=2).flat_map(last)).collect();
    assert_eq!(heard, wanted, "bank before program, channel by channel");
    // What a follower of the timecode saw: the labels on either side and the count agree, at 30 frames a second.
    let code = &of("heard")[0]["detail"]["code"];
    let frames = |label: &str| {
        let parts: Vec<i64> = label.split([':', ';']).map(|p| p.parse().unwrap()).collect();
        ((parts[0] * 60 + parts[1]) * 60 + parts[2]) * 30 + parts[3]
    };
    let step = frames(code["to"].as_str().unwrap()) - frames(code["from"].as_str().unwrap()) - 1;
    assert_eq!((code["lost"].as_i64(), code["repeated"].as_i64()), (Some(step.max(0)), Some((-step).max(0))), "{code}");
    // No song was played to its end, so that none is learnt, and the show file stays.
    let show = std::fs::read_to_string(out.path().join("show.toml")).unwrap();
    let learnt = Command::new(twinkeel_bin())
        .args(["patches", "learn", "--write", "--events"])
        .args([out.path().join("shows/events.jsonl"), out.path().join("show.toml")])
        .output()
        .unwrap();
    assert_eq!(learnt.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&learnt.stderr).contains("it was not heard from end to end"));
    assert_eq!(std::fs::read_to_string(out.path().join("show.toml")).unwrap(), show);
    // Both machines play the same: nothing may be said to be missing.
    for code in ["patch-missing", "patch-late", "patch-different", "patch-doubled", "patch-extra"] {
        assert_eq!(of(code).len(), 0, "{code}");
    }
}

/// The player on air ends in the midst of what it sends to a device, and before and after a song's border: the device gets all of what the
/// other machine has in force, once.
#[test]
fn a_device_is_right_wherever_the_player_on_air_ends() {
    // Each part of a song sends bank (two messages) and program on two channels. The second part begins 15 s after the start.
    for (place, after, in_exclusive) in [
        ("between bank and program", 8, false),
        ("in a system exclusive message", 9, true),
        ("with the last message before a song's border", 12, false),
        ("with the first message after a song's border", 13, false),
    ] {
        let out = tempfile::tempdir().unwrap();
        let scenario = out.path().join("ends.toml");
        let text = format!(
            "about = \"The player on air ends {place}.\"\nreal = true\nlength = \"28s\"\n\
             [rig]\nends_in_patches = {{ after = {after}, in_exclusive = {in_exclusive} }}\n\
             [[step]]\nat = \"22s\"\nshow = \"stop\"\n[[step]]\nat = \"22.5s\"\nshow = {{ load = 2 }}\n\
             [[step]]\nat = \"23.5s\"\nshow = \"start\"\n[expect]\nchangeovers = 1\n"
        );
        std::fs::write(&scenario, text).unwrap();
        let run = Command::new(twinkeel_bin())
            .args(["demo", "--headless", "--scenario", scenario.to_str().unwrap(), "--out"])
            .arg(out.path())
            .output()
            .unwrap();
        let said = String::from_utf8_lossy(&[run.stdout, run.stderr].concat()).into_owned();
        let events = lines(&out.path().join("shows/events.jsonl"));
        let of = |code: &str| events.iter().filter(|e| e["code"] == code).collect::<Vec<_>>();
        assert_eq!(of("patch-chase").len(), 1, "{place}: one changeover, one chase\n{said}");
        let chased = of("patch-chase")[0]["mono_ns"].as_u64().unwrap();
        // What B had sent last on each channel until then, by the record.
        let last = |channel: u8| {
            let patch = of("patch").into_iter().rev().find(|e| {
                e["machine"] == "B" && e["detail"]["channel"] == channel && e["mono_ns"].as_u64().unwrap() <= chased
            });
            let d = patch.unwrap()["detail"].clone();
            (d["bank"][0].as_u64().unwrap(), d["program"].as_u64().unwrap())
        };
        let heard = lines(&out.path().join("device.jsonl"));
        let heard: Vec<&str> = heard.iter().map(|l| l["bytes"].as_str().unwrap()).collect();
        println!("{place}: {heard:?}");
        assert_eq!(heard[0], "f7", "{place}: {heard:?}");
        for channel in 1..=2u8 {
            let (bank, program) = last(channel);
            let at = |bytes: String| heard.iter().position(|h| *h == bytes);
            let bank = at(format!("b{:x} 00 {bank:02x}", channel - 1));
            let program = at(format!("c{:x} {program:02x}", channel - 1));
            assert!(bank.is_some() && bank < program, "{place}, channel {channel}: {heard:?}");
        }
        assert_eq!(heard.len(), 7, "{place}: nothing twice, nothing else: {heard:?}");
    }
}
