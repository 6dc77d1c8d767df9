//! `twinkeel init --heard-by supervisor`: a rig without agents, made without a question, that reads back as one.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::process::Command;

use settings::RigFile;
use settings::agent::Source;
use settings::rig::HeardBy;

#[test]
fn a_rig_without_agents_is_one_folder_that_reads_back() {
    let dir = tempfile::tempdir().unwrap();
    let rig = dir.path().join("rig");
    let init = |more: &[&str]| {
        let mut c = Command::new(env!("CARGO_BIN_EXE_twinkeel"));
        c.args(["init", "--heard-by", "supervisor", "--machines", "3", "--dir"]).arg(&rig).args(more).output().unwrap()
    };
    let refused = init(&["--supervisor", "10.0.0.10"]);
    assert_eq!(refused.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&refused.stderr).contains("nobody from outside"));
    assert_eq!(init(&[]).status.code(), Some(0));
    let made: Vec<_> = std::fs::read_dir(&rig).unwrap().map(|e| e.unwrap().file_name()).collect();
    assert_eq!(made, ["supervisor"], "no folder for a machine");
    let text = std::fs::read_to_string(rig.join("supervisor/rig.toml")).unwrap();
    let file = RigFile::parse("rig.toml", &text).unwrap();
    assert_eq!((file.heard_by, file.machines.len()), (HeardBy::Supervisor, 3));
    // Parsing refuses channels that two machines share; each has its four.
    for m in &file.machines {
        let Some(Source::Audio { channels, .. }) = m.sources.first() else { panic!("no audio") };
        assert_eq!(channels.iter().filter(|c| !c.is_empty()).count(), 4);
    }
}
