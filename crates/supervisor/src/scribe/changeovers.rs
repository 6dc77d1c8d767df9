//! A changeover in the record: its stages, from the command that went out to what was heard of it.

use base::{AudioState, Heard, Machine, MonoTime, PlayerState, TransportState};
use showlog::{EventKind, detail};
use watch::WatchView;

use super::{Scribe, event};
use crate::snapshot::{CodeCutView, Letter, Tone};

impl Scribe {
    pub(super) fn changeover_detail(&self, stage: detail::Stage, to: Machine, rule: &str) -> detail::Changeover {
        let from = self.kept.memory.on_air.filter(|f| *f != to);
        detail::Changeover {
            number: self.state.changeovers,
            from,
            rule: rule.into(),
            ..detail::Changeover::at_stage(stage, to)
        }
    }

    pub(super) fn on_commanded(
        &mut self,
        to: Machine,
        verdict: MonoTime,
        sent: MonoTime,
        fault: Option<MonoTime>,
        output: usize,
        went_out: bool,
    ) {
        self.state.outputs_failed.insert(output, !went_out);
        let d = detail::Changeover { fault_at: fault, ..self.changeover_detail(detail::Stage::Sent, to, "") };
        let text = if went_out {
            format!(
                "The command to go to {to} left output {} {:.2} ms after the verdict.",
                output + 1,
                (sent - verdict).millis_f64()
            )
        } else {
            format!("Output {} could not send the command to go to {to}.", output + 1)
        };
        let code = if went_out { "sent" } else { "not-sent" };
        let tone = if went_out { Tone::Neutral } else { Tone::Danger };
        self.write(event(sent, EventKind::Changeover, code, text).about(to).with(&d), tone, None);
        if went_out {
            self.wishes.wish(sent, to);
        }
    }

    pub(super) fn on_heard(&mut self, to: Machine, at: MonoTime, heard: &crate::house::Heard) {
        if let Ok(mut n) = self.check.notebook.lock() {
            n.on_heard(to, at, heard);
        }
        let text = heard.say();
        if let Some(code) = heard.code {
            self.state.code_cut =
                Some(CodeCutView { at, to: Letter(to), lost: code.lost, repeated: code.repeated, text: code.say() });
        }
        let d = detail::Changeover {
            jump: heard.jump,
            level: heard.level,
            gap: Some(heard.gap),
            code: heard.code.map(|c| detail::CodeCut {
                from: c.from.to_string(),
                to: c.to.to_string(),
                lost: c.lost,
                repeated: c.repeated,
            }),
            evidence: vec![detail::Seen { at, text: text.clone() }],
            ..self.changeover_detail(detail::Stage::Heard, to, "")
        };
        self.write(event(at, EventKind::Changeover, "heard", text).about(to).with(&d), Tone::Neutral, None);
    }
}

/// What was known of the machine that left, and of the one that came, when the verdict fell: each with its instant, the oldest first.
pub(super) fn evidence(view: &WatchView, from: Option<Machine>, to: Machine) -> Vec<detail::Seen> {
    let now = view.now;
    let mut seen: Vec<detail::Seen> = Vec::new();
    let mut saw = |at: Option<MonoTime>, text: String| {
        if let Some(at) = at.filter(|at| *at <= now) {
            seen.push(detail::Seen { at, text });
        }
    };
    if let Some((m, f)) = from.and_then(|m| Some((m, view.machines.get(m.index())?))) {
        let e = &f.evidence;
        let ears = if e.outside.is_some() { "the supervisor's own input" } else { "its own agent" };
        saw(e.last_sound, format!("{m}'s last sound, by {ears}."));
        if matches!(e.heard, Heard::Silent | Heard::AgentLost | Heard::Goodbye) {
            saw(e.last_sent, format!("{m}'s last beat was sent."));
            saw(e.first_missed, format!("{m}'s first missed beat was due."));
        } else {
            let told = |what: bool, at: MonoTime| what.then_some(at);
            let player = e.player.and_then(|r| told(r.value == PlayerState::Gone, r.as_of));
            saw(player, format!("{m}'s agent says that its player is gone."));
            let still = e.transport.filter(|t| matches!(t.value, TransportState::Stalled | TransportState::Lost));
            saw(still.map(|_| e.transport_since), format!("{m}'s code stood still."));
            let audio = e.audio.map(|r| (r.value, r.as_of));
            let words = match audio.map(|a| a.0) {
                Some(AudioState::Ceased) => Some("no more audio"),
                Some(AudioState::Silent | AudioState::Quiet) => Some("only silence"),
                Some(AudioState::Wrong) => Some("noise"),
                _ => None,
            };
            if let (Some(words), Some((_, at))) = (words, audio) {
                let ears = if e.outside.is_some() {
                    format!("The supervisor's own input hears {words} from {m}.")
                } else {
                    format!("{m}'s agent hears {words} from its player.")
                };
                saw(Some(at), ears);
            }
        }
    }
    if let Some(tap) = &view.tap {
        saw(tap.last_sound, "The last sound on the tap.".to_owned());
    }
    if let Some(f) = view.machines.get(to.index()) {
        saw(f.evidence.last_sent, format!("{to}'s newest beat was sent: it lives."));
        if f.evidence.audio.is_some_and(|a| a.value == AudioState::Sounding) {
            saw(f.evidence.last_sound, format!("{to}'s newest sound."));
        }
    }
    seen.sort_by_key(|s| s.at);
    seen
}
