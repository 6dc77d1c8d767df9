//! The real changeover, there and back, by the way that a person's goes: the judge may refuse it, and then it does not happen.

use std::sync::Arc;
use std::time::{Duration, Instant};

use base::{Dbfs, Machine, Span};
use rig::check::ChangeoverSeen;

use super::passage::{LOOK, rolling};
use crate::desk::SupervisorDesk;
use crate::page::{ActOutcome, DeskAct};
use crate::snapshot::Letter;

/// The switch confirms within milliseconds; later it did not.
const CONFIRM: Duration = Duration::from_secs(2);
/// The tap is measured a second and a half after the command.
const MEASURE: Duration = Duration::from_secs(5);
/// For the machine that was left to be a candidate again.
const READY: Duration = Duration::from_secs(6);
/// Below this nothing sounds.
const SILENT: Dbfs = Dbfs(-60.0);

impl SupervisorDesk {
    /// Goes to the other machine and back. Whatever comes of the first way, the way back is tried.
    pub(super) async fn there_and_back(self: &Arc<Self>, by: &str) -> Vec<ChangeoverSeen> {
        let home = self.snapshots.borrow().on_air.map(|l| l.0);
        let Some(home) = home else { return Vec::new() };
        // The best candidate stands first; without one the first other machine is asked for, so that the refusal says why.
        let other = self.snapshots.borrow().takeovers.first().map(|t| t.to.0);
        let Some(other) = other else { return Vec::new() };
        let mut made = Vec::new();
        self.check.stage(0.75, format!("Changing over from {home} to {other}"), None);
        let there = self.go(home, other, by).await;
        let went = self.snapshots.borrow().on_air != Some(Letter(home));
        made.push(there);
        if went {
            let until = Instant::now() + READY;
            while Instant::now() < until && !self.may_go(home) {
                tokio::time::sleep(LOOK).await;
            }
            self.check.stage(0.85, format!("Changing back from {other} to {home}"), None);
            made.push(self.go(other, home, by).await);
        }
        made
    }

    fn may_go(&self, to: Machine) -> bool {
        self.snapshots.borrow().takeovers.iter().any(|t| t.to.0 == to && t.possible)
    }

    async fn go(self: &Arc<Self>, from: Machine, to: Machine, by: &str) -> ChangeoverSeen {
        let mut seen = ChangeoverSeen { from, to, confirmed: None, refused: None, gap: None, jump: None };
        let programme = self
            .check
            .looked()
            .is_some_and(|v| rolling(&v) == v.machines.len() && v.tap.is_some_and(|t| t.level.0 > SILENT.0));
        let (confirmed_before, heard_before) = self.counts();
        let act = DeskAct::Changeover { to: Letter(to), forced: false };
        if let ActOutcome::Refused { text, .. } = self.act_by(act, by.to_owned(), "check").await {
            seen.refused = Some(text);
            return seen;
        }
        let until = Instant::now() + CONFIRM;
        while Instant::now() < until && seen.confirmed.is_none() {
            tokio::time::sleep(Duration::from_millis(20)).await;
            seen.confirmed = self.confirmed(to, confirmed_before);
        }
        if programme && seen.confirmed.is_some() {
            let until = Instant::now() + MEASURE;
            while Instant::now() < until && seen.gap.is_none() {
                tokio::time::sleep(LOOK).await;
                if let Some(heard) = self.heard(to, heard_before) {
                    seen.gap = Some(heard.gap);
                    seen.jump = heard.jump;
                }
            }
        } else {
            // Long enough for the machine on air to be believed there.
            tokio::time::sleep(Duration::from_secs(2)).await;
        }
        seen
    }

    fn counts(&self) -> (usize, usize) {
        self.check.notebook.lock().map_or((0, 0), |n| (n.confirmed.len(), n.heard.len()))
    }

    fn confirmed(&self, to: Machine, since: usize) -> Option<Span> {
        let n = self.check.notebook.lock().ok()?;
        n.confirmed.iter().skip(since).find(|(m, _)| *m == to).map(|(_, after)| *after)
    }

    fn heard(&self, to: Machine, since: usize) -> Option<crate::house::Heard> {
        let n = self.check.notebook.lock().ok()?;
        n.heard.iter().skip(since).find(|(m, ..)| *m == to).map(|(.., heard)| *heard)
    }
}
