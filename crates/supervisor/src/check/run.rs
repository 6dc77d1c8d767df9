//! A run through its stages. It is a task of the page's runtime: nothing of the live path waits for it.

use std::sync::Arc;
use std::time::{Duration, Instant};

use ports::os::{mono_now, wall_now};
use rig::check::{CAUTION, Depth, Outcome, RecordSeen, Sheet, compare, facts, judge, outcome, sentence};

use super::look::{self, Found};
use super::{CheckRequest, Progress};
use crate::desk::SupervisorDesk;
use crate::page::ActOutcome;
use crate::scribe::ToScribe;
use crate::snapshot::Mode;
use crate::to_watch::ToWatch;

/// For two looks at each host's health, and for the switch to be asked some times.
const LOOK_AROUND: Duration = Duration::from_secs(5);
/// For a line of the record to reach the disk.
const RECORD: Duration = Duration::from_secs(5);
/// A pass is told to the judge without anybody waiting for the answer.
const NO_TICKET: u64 = 0;

fn refused(rule: &str, text: String) -> ActOutcome {
    ActOutcome::Refused { rule: rule.into(), text, can_force: false }
}

impl SupervisorDesk {
    /// Begins a check, if all is said that must be.
    pub fn begin_check(self: &Arc<Self>, request: CheckRequest, by: String) -> ActOutcome {
        let lacks = request.word.lacks(request.depth);
        if !lacks.is_empty() {
            let text = format!("Before a {} check somebody must say: {}.", request.depth.word(), lacks.join("; "));
            return refused("check-word", text);
        }
        let depth = request.depth;
        if depth > Depth::Quick {
            let s = self.snapshots.borrow().clone();
            let song = s.song.as_ref().is_some_and(|r| r.value.rolling && r.value.number > 0);
            if s.mode == Mode::Act && song {
                let text = "A song rolls and the mode is act: this looks like a show. Choose another mode first.";
                return refused("check-in-show", text.into());
            }
        }
        let progress = Progress { depth, stage: "Beginning".into(), ask: None, done: 0.0, by: by.clone() };
        if !self.check.begin(progress) {
            return refused("check-runs", "A check runs already.".into());
        }
        let desk = self.clone();
        tokio::spawn(async move {
            let sheet = desk.run_check(&request, &by).await;
            desk.finish_check(sheet).await;
            desk.check.end();
        });
        ActOutcome::Done { text: format!("A {} check begins.", depth.word()) }
    }

    async fn run_check(self: &Arc<Self>, request: &CheckRequest, by: &str) -> Sheet {
        let (began, depth) = (mono_now(), request.depth);
        if let Ok(mut n) = self.check.notebook.lock() {
            n.begin();
        }
        let mut found = Found { record: self.try_record(depth).await, ..Found::default() };
        self.look_around(depth).await;
        if depth == Depth::Full && !self.check.is_stopped() {
            found.passage = self.check.passage().await;
        }
        let on_air_only = depth == Depth::Full && !found.passage.rolled;
        if depth > Depth::Quick && !self.check.is_stopped() && !on_air_only {
            let latched = self.snapshots.borrow().latched.is_some();
            found.changeovers = self.there_and_back(by).await;
            if !latched && self.snapshots.borrow().latched.is_some() {
                // The latch is of our own making.
                let _ = self.act_by(crate::page::DeskAct::Release, by.to_owned(), "check").await;
            }
        }
        self.check.stage(0.97, "Judging", None);
        // For the figures of what was done last, and for the latch to be gone from them.
        tokio::time::sleep(Duration::from_millis(400)).await;
        found.parity = self.parity.found();
        self.sheet(request, by, began, &found)
    }

    /// A line into the record, and whether it reached the disk.
    async fn try_record(&self, depth: Depth) -> RecordSeen {
        self.check.stage(0.02, "Writing to the record", None);
        let text = format!("A {} check begins.", depth.word());
        self.scribe.tell(ToScribe::Said { code: "check-begins", text });
        let Some(record) = self.record.clone() else {
            return RecordSeen { written: Some(false), why: "there is no record".into() };
        };
        // The scribe hands the line on within its own round.
        tokio::time::sleep(Duration::from_millis(200)).await;
        let flushed = tokio::task::spawn_blocking(move || record.flush(RECORD)).await;
        match flushed {
            Ok(Ok(())) => RecordSeen { written: Some(true), why: String::new() },
            Ok(Err(e)) => RecordSeen { written: Some(false), why: e.to_string() },
            Err(e) => RecordSeen { written: Some(false), why: e.to_string() },
        }
    }

    async fn look_around(&self, depth: Depth) {
        let share = if depth == Depth::Quick { 0.9 } else { 0.2 };
        let began = Instant::now();
        while began.elapsed() < LOOK_AROUND && !self.check.is_stopped() {
            let done = share * began.elapsed().as_secs_f64() / LOOK_AROUND.as_secs_f64();
            self.check.stage(done, "Looking at machines, clocks, paths and the switch", None);
            tokio::time::sleep(super::passage::LOOK).await;
        }
    }

    fn sheet(&self, request: &CheckRequest, by: &str, began: base::MonoTime, found: &Found) -> Sheet {
        let (facts_of_rig, depth) = (&self.facts, request.depth);
        let snapshot = self.snapshots.borrow().clone();
        let seen = match self.check.notebook.lock() {
            Ok(n) => look::seen(depth, &n, &snapshot, facts_of_rig, found),
            Err(_) => rig::check::Seen { depth, ..Default::default() },
        };
        let rows = judge(&seen, &look::limits(facts_of_rig));
        let facts = facts(&seen);
        let stopped = self.check.is_stopped();
        let outcome = match outcome(&rows, depth) {
            Outcome::Passed if stopped => Outcome::Incomplete,
            o => o,
        };
        let store = self.check.store.lock().ok();
        let good = store.as_ref().and_then(|s| s.good());
        let new = good.map(|g| compare((&g.facts, &g.rows), (&facts, &rows))).unwrap_or_default();
        let good = good.map(|g| g.at);
        let said = sentence(outcome, &rows, depth);
        let text = if stopped { format!("Stopped by a person. {said}") } else { said };
        Sheet {
            depth,
            at: wall_now(),
            took: mono_now() - began,
            title: snapshot.title.clone(),
            rig: facts_of_rig.rig.name.clone(),
            machines: facts_of_rig.rig.machines.iter().map(|m| m.name.clone()).collect(),
            by: by.to_owned(),
            word: request.word.clone(),
            outcome,
            text,
            rows,
            facts,
            new,
            good,
            caution: CAUTION.into(),
        }
    }

    /// Stores the sheet, tells the record, and, where it is a first pass, the judge.
    async fn finish_check(&self, sheet: Sheet) {
        let ids: Vec<_> = self.facts.rig.machines.iter().map(|m| m.id).collect();
        let is = self.check.notebook.lock().map(|n| n.identity(&ids)).unwrap_or_default();
        let store = self.check.store.clone();
        let passed = sheet.outcome == Outcome::Passed && sheet.depth > Depth::Quick;
        let stored = sheet.clone();
        let _ = tokio::task::spawn_blocking(move || {
            if let Ok(mut s) = store.lock() {
                s.on_sheet(&stored, is);
            }
        })
        .await;
        if passed {
            self.watch.tell(ToWatch::Act(rig::Act::CheckPassed, NO_TICKET));
        }
        self.scribe.tell(ToScribe::Checked(Box::new(sheet)));
    }

    /// Whether the mode `act` may be entered without a person's word.
    pub fn check_stands(&self) -> Result<(), String> {
        let ids: Vec<_> = self.facts.rig.machines.iter().map(|m| m.id).collect();
        let view = self.check.view(&ids);
        if view.valid { Ok(()) } else { Err(view.text) }
    }
}

const _: () = assert!(LOOK_AROUND.as_secs() < 30, "a quick check takes half a minute at most");
