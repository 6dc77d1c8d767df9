//! Every example in `config/` is one that works.
#![allow(clippy::unwrap_used, clippy::panic)]

use twinkeel_settings::{AgentFile, RigFile, ShowFile};

#[test]
fn the_shipped_examples_parse() {
    let rig =
        RigFile::parse("config/rig.toml", include_str!("../../../config/rig.toml")).unwrap_or_else(|e| panic!("{e}"));
    assert_eq!((rig.machines.len(), rig.outputs.len(), rig.listen.paths.len()), (2, 2, 2));
    let all = RigFile::parse("config/rig-outputs.toml", include_str!("../../../config/rig-outputs.toml"))
        .unwrap_or_else(|e| panic!("{e}"));
    let kinds: std::collections::BTreeSet<_> =
        all.outputs.iter().map(std::mem::discriminant).map(|d| format!("{d:?}")).collect();
    assert_eq!((all.outputs.len(), kinds.len(), all.buttons.len()), (7, 7, 4));
    let again = RigFile::parse("again", &toml::to_string(&all).unwrap()).unwrap_or_else(|e| panic!("{e}"));
    assert_eq!(again, all);
    let alone = RigFile::parse("config/rig-alone.toml", include_str!("../../../config/rig-alone.toml"))
        .unwrap_or_else(|e| panic!("{e}"));
    assert_eq!((alone.heard_by, alone.machines[0].sources.len()), (twinkeel_settings::rig::HeardBy::Supervisor, 2));
    assert_eq!(RigFile::parse("again", &toml::to_string(&alone).unwrap()).unwrap_or_else(|e| panic!("{e}")), alone);
    let agent = AgentFile::parse("config/agent.toml", include_str!("../../../config/agent.toml"))
        .unwrap_or_else(|e| panic!("{e}"));
    assert_eq!((agent.sources.len(), agent.triggers.len(), agent.folders.len()), (3, 3, 1));
    assert_eq!(agent.supervisor.rig, rig.rig_id);
    let show = ShowFile::parse("config/show.toml", include_str!("../../../config/show.toml"))
        .unwrap_or_else(|e| panic!("{e}"));
    assert_eq!((show.songs.len(), show.songs[1].patches.len(), show.songs[2].spare), (3, 1, true));
    assert_eq!(show.songs[0].sections.len(), 2);
}

#[test]
fn a_wrong_show_names_its_line() {
    let text = include_str!("../../../config/show.toml").replace("01:00:00:00", "01:00:00:31");
    let e = ShowFile::parse("show.toml", &text).unwrap_err().to_string();
    assert!(e.starts_with("show.toml:10:"), "{e}");
    assert!(e.contains("no timecode"), "{e}");
}

/// Outputs and buttons wrong in one way each: file, line, key, what and the mend.
#[test]
fn a_wrong_output_or_button_names_its_place() {
    let text = include_str!("../../../config/rig-outputs.toml");
    let line = |of: &str| text.lines().position(|l| l.starts_with(of)).unwrap_or_else(|| panic!("{of}")) + 1;
    for (from, to, key, words) in [
        ("select = [\"01 00\", \"01 01\"]", "select = [\"01 00\", \"01 00\"]", "output[1].select", "same command"),
        ("answer = [\"INPUT=1\", \"INPUT=2\"]", "answer = [\"INPUT=1\"]", "output[2].answer", "one answer for each"),
        ("ask = \"http://10.0.0.50/input\"", "ask = \"https://10.0.0.50/\"", "output[3].ask", "plain HTTP"),
        ("baud = 9600", "baud = 0", "output[4].baud", "no such speed"),
        (
            "program = \"/usr/local/bin/house-switch\"",
            "program = \"house-switch\"",
            "output[6].program",
            "not absolute",
        ),
        ("message = \"b0 40\"", "message = \"f8\"", "button[0].message", "no message of a button"),
        ("paired = \"3f8a61d2c4b7095ee1a2938475c6d0bb\"", "paired = \"sesame\"", "button[3].paired", "128 bits"),
        ("name = \"red button\"", "name = \"left foot\"", "button[1].name", "same name"),
    ] {
        let e = RigFile::parse("rig.toml", &text.replacen(from, to, 1)).unwrap_err().to_string();
        assert!(e.starts_with(&format!("rig.toml:{}:1: {key}: ", line(from))), "{e}");
        assert!(e.contains(words) && e.contains("mend: "), "{e}");
    }
}
