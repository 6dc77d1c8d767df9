//! The sheet of a check: what is stored with the show, shown, and printed. And what a person must say before anything sounds.

use base::{Machine, Span, WallTime};
use serde::{Deserialize, Serialize};

use super::{Depth, Fact, Outcome, Row, Verdict};

/// On every sheet.
pub const CAUTION: &str = "Twinkeel is not a safety system: it must never be the only thing between a timecode and something that \
    can hurt. The venue's rules, local codes and licensed operators come first.";

/// What follows timecode and may hurt somebody: each must be parked before a passage rolls.
pub const FOLLOWERS: [&str; 4] = ["lighting", "video", "automation", "effects"];

/// At which level a full check sounds.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Level {
    /// The desk's and the in-ear transmitters' masters were turned down for it.
    Lowered,
    /// As in the show.
    Show,
}

/// What a person said before the check began.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Word {
    /// The desk is muted: a changeover is heard by nobody.
    pub desk_muted: bool,
    /// Everybody on stage and in in-ear monitors knows that a passage will sound.
    pub warned: bool,
    /// At which level.
    pub level: Option<Level>,
    /// Which of [`FOLLOWERS`] has its timecode parked, or is not there.
    pub parked: Vec<String>,
}

impl Word {
    /// What is still to be said before a check of this depth may begin; each a sentence to say.
    pub fn lacks(&self, depth: Depth) -> Vec<String> {
        let mut lacks = Vec::new();
        match depth {
            Depth::Quick => {}
            Depth::Fast => {
                if !self.desk_muted {
                    lacks.push("the desk is muted".into());
                }
            }
            Depth::Full => {
                if !self.warned {
                    lacks.push("everybody on stage and in in-ear monitors is warned".into());
                }
                if self.level.is_none() {
                    lacks.push("the level is lowered, or is to be the show's".into());
                }
                let open = FOLLOWERS.iter().filter(|f| !self.parked.iter().any(|p| p == *f));
                lacks.extend(open.map(|f| format!("{f}: timecode parked")));
            }
        }
        lacks
    }
}

/// What a check of this depth does in the room.
pub const fn announcement(depth: Depth) -> &'static str {
    match depth {
        Depth::Quick => "Nothing sounds and nothing moves.",
        Depth::Fast => {
            "The switch goes to the other machine and back. With the desk muted nobody hears it; with players rolling the \
             tap measures it."
        }
        Depth::Full => {
            "A passage of your choice sounds wherever the desk sends it: PA, wedges, in-ear monitors. Timecode and MIDI roll \
             with it, and in the passage the switch goes to the other machine and back: its jump sounds in real ears."
        }
    }
}

/// The sheet.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct Sheet {
    /// How deep it went.
    pub depth: Depth,
    /// When it ended, on the wall.
    #[serde(rename = "at_wall_ns")]
    pub at: WallTime,
    /// How long it took.
    #[serde(rename = "took_ns")]
    pub took: Span,
    /// The show.
    pub title: String,
    /// The rig.
    pub rig: String,
    /// The machines' names in the rig's order.
    pub machines: Vec<String>,
    /// Who asked for it.
    pub by: String,
    /// What they said before.
    pub word: Word,
    /// What it comes to.
    pub outcome: Outcome,
    /// In one sentence.
    pub text: String,
    /// Item by item.
    pub rows: Vec<Row>,
    /// What the rig is made of.
    pub facts: Vec<Fact>,
    /// What is new since the last good check.
    pub new: Vec<String>,
    /// When that was.
    #[serde(rename = "good_wall_ns")]
    pub good: Option<WallTime>,
    /// [`CAUTION`].
    pub caution: String,
}

/// What stands behind the outcome, in words.
pub fn sentence(outcome: Outcome, rows: &[Row], depth: Depth) -> String {
    let of = |v: Verdict| rows.iter().filter(move |r| r.verdict == v);
    let (warned, untested) = (of(Verdict::Warn).count(), of(Verdict::NotTested).count());
    let rest = match (warned, untested) {
        (0, 0) => String::new(),
        (0, n) => format!(" {n} not tested."),
        (w, 0) => format!(" {w} to look at."),
        (w, n) => format!(" {w} to look at, {n} not tested."),
    };
    let text = match (outcome, depth) {
        (Outcome::Passed, Depth::Quick) => "All is well as far as a quick check goes: it proves no changeover.".into(),
        (Outcome::Passed, Depth::Fast) => "The rig changes over and back; what it plays was not heard.".into(),
        (Outcome::Passed, Depth::Full) => "The rig plays in step, and changes over and back.".into(),
        (Outcome::Incomplete, _) => "What a pass rests on could not be tested.".to_owned(),
        (Outcome::Failed, _) => {
            let titles: Vec<&str> = of(Verdict::Fail).map(|r| r.title.as_str()).collect();
            format!("To mend: {}.", titles.join("; "))
        }
    };
    format!("{text}{rest}")
}

/// Machines that a row is about, for a reader's eye: "B", "A and B".
pub fn letters(machines: &[Machine]) -> String {
    machines.iter().map(ToString::to_string).collect::<Vec<_>>().join(" and ")
}
