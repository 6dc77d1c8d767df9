//! The check before the show in the record, and what ends its pass.

use base::Machine;
use rig::check::{Outcome, SessionIs, Sheet};
use showlog::EventKind;
use wire::Up;

use super::{Scribe, event};
use crate::snapshot::Tone;

impl Scribe {
    pub(super) fn on_checked(&mut self, sheet: &Sheet) {
        let (code, came_to, tone) = match sheet.outcome {
            Outcome::Passed => ("passed", "passed", Tone::Good),
            Outcome::Incomplete => ("incomplete", "is no pass", Tone::Abnormal),
            Outcome::Failed => ("failed", "failed", Tone::Abnormal),
        };
        let text = format!("The {} check before the show {}. {}", sheet.depth.word(), came_to, sheet.text);
        let e = event(ports::os::mono_now(), EventKind::Check, code, text).with(sheet);
        self.write(e, tone, Some(sheet.by.clone()));
    }

    /// Notes what lies in the session folders; a changed one ends a standing pass.
    pub(super) fn note_sessions(&mut self, is: Vec<SessionIs>) {
        if let Ok(mut store) = self.check.store.lock() {
            store.on_sessions(&is);
        }
        if let Ok(mut n) = self.check.notebook.lock() {
            n.sessions = is;
        }
    }

    /// Notes an agent's message; one that ends a standing pass is told once.
    pub(super) fn note_for_check(&mut self, m: Machine, up: &Up) {
        let why = self.check.notebook.lock().ok().and_then(|mut n| n.on_up(m, up));
        if let (Some(why), Ok(mut store)) = (why, self.check.store.lock()) {
            store.void(&why);
        }
    }
}
