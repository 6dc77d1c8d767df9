#![allow(clippy::unwrap_used)]

use std::collections::BTreeSet;

use base::{Machine, Span};

use super::*;

#[test]
fn every_file_parses_and_every_file_is_held() {
    let held: BTreeSet<String> = names().map(str::to_owned).collect();
    let dir = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/scenarios");
    let mut there = BTreeSet::new();
    for entry in std::fs::read_dir(dir).unwrap() {
        let name = entry.unwrap().file_name().into_string().unwrap();
        there.insert(name.strip_suffix(".toml").unwrap().to_owned());
    }
    assert_eq!(there, held);
    for name in names() {
        let s = builtin(name).unwrap().unwrap_or_else(|e| unreachable!("{e}"));
        assert_eq!(s.name, name);
        assert!(s.about.ends_with('.'), "{name}");
        if !s.real {
            assert!(s.expect != Expect::default(), "{name} expects nothing");
        }
        let moments = s.moments();
        assert!(moments.windows(2).all(|p| p[0].at <= p[1].at));
    }
    assert!(builtin("no-such").is_none());
}

/// The faults that must be in the catalogue, by the name of their file.
#[test]
fn the_catalogue_is_whole() {
    for name in [
        "on-air-power",
        "on-air-agent-gone",
        "on-air-agent-frozen",
        "on-air-player-gone",
        "player-gone-sound-on",
        "on-air-player-frozen",
        "on-air-os-frozen",
        "midi-port-lost",
        "on-air-audio-lost",
        "on-air-silent",
        "one-stem-silent",
        "on-air-noise",
        "channel-shift",
        "rate-flip",
        "device-fallback",
        "media-disk-gone",
        "on-air-glitch",
        "standby-gone",
        "both-gone",
        "both-players-gone",
        "dead-air-rule",
        "cable-on-air",
        "cable-supervisor",
        "starved",
        "supervisor-killed",
        "switch-by-hand",
        "switch-by-itself",
        "switch-power-lost",
        "switch-half",
        "output-dead",
        "clock-step",
        "suspend",
        "bad-network",
        "clumped-code",
        "stop-both",
        "stop-one",
        "start-missed",
        "wrong-song",
        "section-jump",
        "vamp-exit-missed",
        "jump-straddle",
        "drift-out",
        "flapping",
        "out-of-service",
        "on-battery",
        "hot",
        "disk-full",
        "forged",
    ] {
        assert!(names().any(|n| n == name), "{name} is missing");
    }
}

const PLAIN: &str = r#"
about = "It breaks."
length = "20s"
[[step]]
at = "10s"
machine = "on-air"
fault = "power"
[expect]
changeovers = 1
to = "b"
alarms = ["host-silent"]
"#;

#[test]
fn errors_name_place_and_mend() {
    assert!(Scenario::parse("x.toml", PLAIN).is_ok());
    let cases: [(&str, &str, &str, &str); 9] = [
        ("fault = \"power\"", "fault = \"smoke\"", "x.toml:7", "unknown variant"),
        ("fault = \"power\"", "fault = \"power\"\nmend = \"power\"", "x.toml:5:1", "exactly one thing"),
        ("machine = \"on-air\"\n", "", "x.toml:4:1", "hits a machine"),
        ("fault = \"power\"", "fault = \"supervisor-killed\"", "x.toml:6:1", "hits no machine"),
        ("at = \"10s\"", "at = \"30s\"", "x.toml:5:1", "after the end"),
        ("\"host-silent\"", "\"host-silnt\"", "x.toml:11:1", "no alarm is called"),
        ("changeovers = 1", "changeovers = 0", "x.toml:9:1", "none is expected"),
        ("length = \"20s\"", "lenght = \"20s\"", "x.toml:3:1", "unknown field"),
        ("length = \"20s\"", "length = \"20s\"\n[rig]\nweather = { loss = 2.0 }", "x.toml:5:1", "chance"),
    ];
    for (from, to, place, words) in cases {
        let e = Scenario::parse("x.toml", &PLAIN.replacen(from, to, 1)).unwrap_err().to_string();
        assert!(e.starts_with(place), "{to}: {e}");
        assert!(e.contains(words), "{to}: {e}");
        assert!(e.contains("mend: "), "{to}: {e}");
    }
    let unreal = PLAIN.replacen("about", "real = true\nabout", 1).replacen("\"power\"", "\"hot\"", 1);
    assert!(Scenario::parse("x.toml", &unreal).unwrap_err().to_string().contains("real processes cannot"));
}

#[test]
fn repetitions_and_mends_are_moments() {
    let text =
        PLAIN.replacen("fault = \"power\"", "fault = \"agent-gone\"\nlasts = \"500ms\"\nevery = \"1s\"\ntimes = 3", 1);
    let s = Scenario::parse("x.toml", &text).unwrap();
    let deeds: Vec<(i64, Deed)> = s.moments().iter().skip(2).map(|m| (m.at.nanos() / 1_000_000, m.deed)).collect();
    let (b, m) = (Deed::Break(Fault::AgentGone), Deed::Mend(Fault::AgentGone));
    assert_eq!(deeds, [(10_000, b), (10_500, m), (11_000, b), (11_500, m), (12_000, b), (12_500, m)]);
    assert_eq!(s.moments()[1], Moment { at: Span::from_secs(3), machine: None, deed: Deed::Show(Show::Start) });
    assert_eq!(s.first_fault(), Some(Duration::secs(10)));
}

#[test]
fn machines_are_found_by_what_is_on_air() {
    assert_eq!(Who::OnAir.among(2, Machine::B), [Machine::B]);
    assert_eq!(Who::Standby.among(2, Machine::B), [Machine::A]);
    assert_eq!(Who::All.among(2, Machine::B), [Machine::A, Machine::B]);
    assert_eq!(Who::A.among(2, Machine::B), [Machine::A]);
}
