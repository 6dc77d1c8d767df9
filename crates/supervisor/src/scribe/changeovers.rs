//! A changeover in the record: its stages, from the command that went out to what was heard of it.

use base::{Machine, MonoTime};
use showlog::{EventKind, detail};

use super::{Scribe, event};
use crate::snapshot::Tone;

impl Scribe {
    pub(super) fn changeover_detail(&self, stage: detail::Stage, to: Machine, rule: &str) -> detail::Changeover {
        let from = self.kept.memory.on_air.filter(|f| *f != to);
        detail::Changeover {
            number: self.state.changeovers,
            stage,
            to,
            from,
            rule: rule.into(),
            forced: false,
            by: None,
            fault_at: None,
            jump: None,
            level: None,
            gap: None,
            evidence: Vec::new(),
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
        let text = heard.say();
        let d = detail::Changeover {
            jump: heard.jump,
            level: heard.level,
            gap: Some(heard.gap),
            evidence: vec![detail::Seen { at, text: text.clone() }],
            ..self.changeover_detail(detail::Stage::Heard, to, "")
        };
        self.write(event(at, EventKind::Changeover, "heard", text).about(to).with(&d), Tone::Neutral, None);
    }
}
