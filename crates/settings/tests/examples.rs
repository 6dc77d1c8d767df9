//! Every example in `config/` is one that works.
#![allow(clippy::unwrap_used, clippy::panic)]

use twinkeel_settings::{AgentFile, RigFile, ShowFile};

#[test]
fn the_shipped_examples_parse() {
    let rig =
        RigFile::parse("config/rig.toml", include_str!("../../../config/rig.toml")).unwrap_or_else(|e| panic!("{e}"));
    assert_eq!((rig.machines.len(), rig.outputs.len(), rig.listen.paths.len()), (2, 2, 2));
    let agent = AgentFile::parse("config/agent.toml", include_str!("../../../config/agent.toml"))
        .unwrap_or_else(|e| panic!("{e}"));
    assert_eq!((agent.sources.len(), agent.triggers.len()), (3, 2));
    assert_eq!(agent.supervisor.rig, rig.rig_id);
    let show = ShowFile::parse("config/show.toml", include_str!("../../../config/show.toml"))
        .unwrap_or_else(|e| panic!("{e}"));
    assert_eq!(show.songs.len(), 2);
    assert_eq!(show.songs[0].sections.len(), 2);
}

#[test]
fn a_wrong_show_names_its_line() {
    let text = include_str!("../../../config/show.toml").replace("01:00:00:00", "01:00:00:31");
    let e = ShowFile::parse("show.toml", &text).unwrap_err().to_string();
    assert!(e.starts_with("show.toml:10:"), "{e}");
    assert!(e.contains("no timecode"), "{e}");
}
