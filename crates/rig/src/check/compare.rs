//! What a rig is made of, as facts that can be held against those of the last good check.

use base::Machine;
use serde::{Deserialize, Serialize};

use super::{Row, Seen, Verdict};

/// One thing that should not change from day to day.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct Fact {
    /// Of which machine; none: of the rig.
    pub machine: Option<Machine>,
    /// What: "buffer".
    pub what: String,
    /// What it is.
    pub value: String,
}

/// The facts of what was seen; what was not seen is none.
pub fn facts(seen: &Seen) -> Vec<Fact> {
    let mut all = Vec::new();
    for m in seen.machines.iter().filter(|m| m.heard) {
        let k = &m.kit;
        let of = [
            ("agent", m.agent.clone()),
            ("system", m.host.system.clone()),
            ("player", k.player.clone()),
            ("sample rate", k.sample_rate.map(|r| format!("{r} Hz"))),
            ("buffer", k.buffer.map(|b| b.to_string())),
            ("audio device", k.device.clone()),
            ("clock source", k.clock_source.clone()),
            ("channels", (!k.channels.is_empty()).then(|| k.channels.join(", "))),
            (
                "sources",
                (!m.sources.is_empty())
                    .then(|| m.sources.iter().map(|s| s.name.as_str()).collect::<Vec<_>>().join(", ")),
            ),
        ];
        all.extend(
            of.into_iter()
                .filter_map(|(what, value)| Some(Fact { machine: Some(m.machine), what: what.into(), value: value? })),
        );
    }
    let outputs: Vec<&str> = seen.switch.outputs.iter().map(|o| o.name.as_str()).collect();
    if !outputs.is_empty() {
        all.push(Fact { machine: None, what: "outputs".into(), value: outputs.join(", ") });
    }
    all
}

/// What is new since the last good check, in sentences: "B's buffer is 512, was 128". First facts, then items whose verdict has
/// become worse.
pub fn compare(before: (&[Fact], &[Row]), now: (&[Fact], &[Row])) -> Vec<String> {
    let mut told = Vec::new();
    for f in now.0 {
        let was = before.0.iter().find(|b| b.machine == f.machine && b.what == f.what);
        let Some(was) = was.filter(|b| b.value != f.value) else { continue };
        let whose = f.machine.map_or("The rig's".into(), |m| format!("{m}'s"));
        let verb = if f.what.ends_with('s') && f.what != "clocks" { "are" } else { "is" };
        let past = if verb == "are" { "were" } else { "was" };
        told.push(format!("{whose} {} {verb} {}, {past} {}", f.what, f.value, was.value));
    }
    for r in now.1.iter().filter(|r| r.verdict > Verdict::NotTested) {
        let was = before.1.iter().find(|b| b.code == r.code);
        if let Some(was) = was.filter(|b| b.verdict < r.verdict && b.verdict != Verdict::NotTested) {
            told.push(format!("{}: {} now ({}), was {}", r.title, r.verdict.word(), r.measured, was.measured));
        }
    }
    told
}
