//! The changeover switch in words: what it carries, by what that is known, and how its outputs are.

use base::SwitchView;
use watch::WatchView;
use watch::tap::{Carries, TapSign};

use super::State;
use super::names::Facts;
use super::picture::WORTH;
use crate::snapshot::{Letter, OutputState, OutputView, SwitchStatus};

pub(super) fn switch(view: &WatchView, state: &State, facts: &Facts) -> SwitchStatus {
    let reply = view.switch_reply.and_then(|r| r.fresh(view.now));
    let tap = view.carries.filter(|t| view.now - t.at < WORTH);
    let ear = |c: Carries| match c.by {
        TapSign::Pilot => "by ear: its pilot",
        TapSign::Place => "by ear: the place of its timecode",
        TapSign::Sound => "by ear: it alone sounds",
    };
    let text = match (view.rig.on_air, reply, tap) {
        (SwitchView::On(m), Some(_), Some(c)) if c.machine == m => format!("on {m}, by its own word and {}", ear(c)),
        (SwitchView::On(m), Some(_), _) => format!("on {m}, by its own word"),
        (SwitchView::On(m), None, Some(c)) if c.machine == m => format!("on {m}, {}", ear(c)),
        (SwitchView::On(m), None, _) => format!("on {m}, as a person said or as last commanded"),
        (SwitchView::Conflict, Some(SwitchView::On(m)), Some(c)) if c.machine != m => {
            format!("it says {m}, its output carries {}, {}", c.machine, ear(c))
        }
        (SwitchView::Conflict, ..) => "its word and its sound disagree, or only a part of it moved".into(),
        (SwitchView::Unknown, ..) => "says nothing".into(),
    };
    let outputs = facts.rig.outputs.iter().enumerate().map(|(i, o)| {
        let name = o.label();
        let health = state.outputs.get(i).map(crate::outputs::Health::view);
        let closed = health.as_ref().is_some_and(|h| !h.open);
        let state = match state.outputs_failed.get(&i) {
            _ if closed => OutputState::Failed,
            Some(true) => OutputState::Failed,
            Some(false) if view.rig.pending.is_some() => OutputState::Unconfirmed,
            Some(false) => OutputState::Ready,
            None if reply.is_some() => OutputState::Ready,
            None => OutputState::Unknown,
        };
        let why = health.filter(|h| !h.open).map(|h| h.gone.unwrap_or_else(|| "it is being opened".into()));
        if let Some(text) = why {
            return OutputView { name, state, text };
        }
        let text = match state {
            OutputState::Ready => "ready",
            OutputState::Unconfirmed => "its last command is not confirmed",
            OutputState::Failed => "its last command could not be sent",
            OutputState::Unknown => "not heard from yet",
        };
        OutputView { name, state, text: text.into() }
    });
    SwitchStatus {
        text,
        conflict: view.rig.on_air == SwitchView::Conflict,
        confirmed_at: view.switch_reply.map(|r| r.as_of).max(state.last_confirmed),
        asked: view.rig.pending.map(Letter),
        outputs: outputs.collect(),
    }
}
