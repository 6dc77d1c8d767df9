//! The check before the show: what was seen of a rig is judged item by item, and a sheet comes of it.
//!
//! [`TABLE`] lists the items in the order in which a person mends them: who is there, then what they are made of, then the switch,
//! then what is heard while a passage rolls. Each item has its words (what, why it matters, the mend) and a judge of its own over
//! [`Seen`] and [`Limits`]. What was not seen is *not tested*, never fine; where a pass rests on an item ([`Entry::must`]), a run that
//! should have tested it and could not is incomplete.
//!
//! None of this is on the live path: sentences are made here.

mod compare;
mod kit;
mod limits;
mod network;
mod seen;
mod sheet;
mod sound;
mod standing;
mod switch;
mod table;

use base::Machine;
use serde::{Deserialize, Serialize};

pub use compare::{Fact, compare, facts};
pub use limits::Limits;
pub use seen::{
    ChangeoverSeen, ChannelSeen, ClockSeen, CodeSeen, HostSeen, KitSeen, Likeness, MachineSeen, OutputSeen, PairSeen,
    PatchSeen, RecordSeen, Seen, SessionSeen, SourceSeen, SwitchSeen, TriggerSeen,
};
pub use sheet::{CAUTION, FOLLOWERS, Level, Sheet, Word, announcement, letters, sentence};
pub use standing::{Identity, LASTS, Pass, SessionIs, Void, changed_session, standing};
pub use table::{Entry, Item, OUTSIDE, TABLE};

/// How deep a check goes.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Depth {
    /// Half a minute: nothing sounds, nothing moves.
    #[default]
    Quick,
    /// A minute and a half: pilot tones and the real switch, with the desk muted.
    Fast,
    /// A passage rolls, and the rig changes over in it.
    Full,
}

impl Depth {
    /// Its word.
    pub const fn word(self) -> &'static str {
        match self {
            Depth::Quick => "quick",
            Depth::Fast => "fast",
            Depth::Full => "full",
        }
    }
}

/// What an item's judge found.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// As it should be.
    Pass,
    /// It was not looked at, or could not be told.
    NotTested,
    /// Worth a look; the show can go on.
    Warn,
    /// To be mended before doors.
    Fail,
}

impl Verdict {
    /// Its word.
    pub const fn word(self) -> &'static str {
        match self {
            Verdict::Pass => "pass",
            Verdict::NotTested => "not tested",
            Verdict::Warn => "warn",
            Verdict::Fail => "FAIL",
        }
    }
}

/// A judge's answer: the verdict, what was measured, and on which machines it fell.
#[derive(Clone, PartialEq, Debug)]
pub struct Found {
    /// The verdict.
    pub verdict: Verdict,
    /// In words, with the figures.
    pub measured: String,
    /// The machines that are not as they should be; none: the rig, or all is well.
    pub machines: Vec<Machine>,
}

/// One line of the sheet.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct Row {
    /// The item's code, stable over versions.
    pub code: String,
    /// What was looked at.
    pub title: String,
    /// What came of it.
    pub verdict: Verdict,
    /// What was measured, in words.
    pub measured: String,
    /// The limit, in words; empty where there is none.
    pub limit: String,
    /// Why it matters.
    pub why: String,
    /// What to do about it; empty where nothing is the matter.
    pub mend: String,
    /// The machines that are not as they should be.
    pub machines: Vec<Machine>,
}

/// The whole of it.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Outcome {
    /// Nothing failed, and all that a pass of this depth rests on was tested.
    Passed,
    /// Nothing failed, but something that a pass rests on could not be tested.
    Incomplete,
    /// Something failed.
    Failed,
}

/// Judges what was seen: one row an item, in the order of the table.
pub fn judge(seen: &Seen, limits: &Limits) -> Vec<Row> {
    TABLE.iter().map(|entry| entry.row(seen, limits)).collect()
}

/// What the rows come to in a run of this depth.
pub fn outcome(rows: &[Row], depth: Depth) -> Outcome {
    let missing = |r: &Row| {
        let entry = TABLE.iter().find(|e| e.code == r.code);
        let waits = |e: &Entry| e.must && e.from <= depth && !(e.item.is_inside() && r.measured == OUTSIDE);
        r.verdict == Verdict::NotTested && entry.is_none_or(waits)
    };
    if rows.iter().any(|r| r.verdict == Verdict::Fail) {
        Outcome::Failed
    } else if rows.iter().any(missing) {
        Outcome::Incomplete
    } else {
        Outcome::Passed
    }
}

// What the judges share.

impl Found {
    fn pass(measured: impl Into<String>) -> Found {
        Found { verdict: Verdict::Pass, measured: measured.into(), machines: Vec::new() }
    }
    fn fail(measured: impl Into<String>) -> Found {
        Found { verdict: Verdict::Fail, ..Found::pass(measured) }
    }
    fn untested(why: impl Into<String>) -> Found {
        Found { verdict: Verdict::NotTested, ..Found::pass(why) }
    }
    fn about(mut self, machines: impl IntoIterator<Item = Machine>) -> Found {
        self.machines = machines.into_iter().collect();
        self
    }
}

/// One machine's part of an item: the verdict and its words.
type Part = (Machine, Verdict, String);

/// The worst of the machines' parts speaks for the item, and names the machines it speaks of. What is well is told in one breath.
fn together(parts: Vec<Part>) -> Found {
    let Some(worst) = parts.iter().map(|(_, v, _)| *v).max() else { return Found::untested("no machine is heard") };
    let spoken: Vec<_> = parts.iter().filter(|(_, v, _)| *v == worst).collect();
    // Machines of which the same is so share their words.
    let mut said: Vec<String> = Vec::new();
    for (i, (_, _, words)) in spoken.iter().enumerate() {
        if spoken[..i].iter().all(|(_, _, earlier)| earlier != words) {
            let of: Vec<Machine> = spoken.iter().filter(|(_, _, w)| w == words).map(|(m, ..)| *m).collect();
            said.push(format!("{}: {words}", letters(&of)));
        }
    }
    let at_fault = parts.iter().filter(|(_, v, _)| *v == worst && worst > Verdict::NotTested).map(|(m, ..)| *m);
    Found { verdict: worst, measured: said.join("; "), machines: at_fault.collect() }
}

/// A thing that must be the same on all machines. Machines that do not tell leave it untested, unless the others differ already.
fn all_the_same(values: Vec<(Machine, Option<String>)>, silent: &str) -> Found {
    let known: Vec<(Machine, &String)> = values.iter().filter_map(|(m, v)| Some((*m, v.as_ref()?))).collect();
    let Some((_, first)) = known.first() else { return Found::untested(silent) };
    let list = || known.iter().map(|(m, v)| format!("{m}: {v}")).collect::<Vec<_>>().join("; ");
    if known.iter().any(|(_, v)| v != first) {
        // Of two nobody can say which is right; of more, those that differ from the first are named.
        let others = known.iter().filter(|(_, v)| v != first).map(|(m, _)| *m);
        return Found::fail(list()).about(others);
    }
    let quiet: Vec<String> = values.iter().filter(|(_, v)| v.is_none()).map(|(m, _)| m.to_string()).collect();
    if !quiet.is_empty() {
        return Found::untested(format!("{} ({} does not tell)", list(), quiet.join(", ")));
    }
    if known.len() < 2 {
        return Found::untested(format!("{}: there is no other to compare with", list()));
    }
    Found::pass((*first).clone())
}
