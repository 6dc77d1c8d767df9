//! What was seen of a run, and whether it is what the scenario expects: one judgement for virtual time and for real processes.

use base::{Machine, Span};

use super::{Expect, Who};

/// A changeover that was commanded.
#[derive(Clone, PartialEq, Debug)]
pub struct SeenChangeover {
    /// When, from the beginning.
    pub at: Span,
    /// To which machine.
    pub to: Machine,
    /// The rule that asked for it.
    pub rule: String,
    /// A person did it.
    pub by_person: bool,
}

/// An alarm that was raised.
#[derive(Clone, PartialEq, Debug)]
pub struct SeenAlarm {
    /// When, from the beginning.
    pub at: Span,
    /// Its code.
    pub code: String,
    /// About which machine.
    pub machine: Option<Machine>,
}

/// What was seen.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Seen {
    /// When the first fault happened, from the beginning.
    pub fault: Option<Span>,
    /// Commands.
    pub changeovers: Vec<SeenChangeover>,
    /// Whether a changeover was proposed.
    pub proposed: bool,
    /// Alarms.
    pub alarms: Vec<SeenAlarm>,
    /// What the house missed, where it was measured.
    pub gap: Option<Span>,
    /// How far the programme skipped, where it was measured.
    pub jump: Option<Span>,
    /// What was on air at the end.
    pub on_air_at_end: Option<Machine>,
    /// Whether the rig was latched at the end.
    pub latched_at_end: Option<bool>,
    /// Real processes on a machine that others use too: the wider limit counts.
    pub real: bool,
}

impl Expect {
    /// Everything that is not as expected, in words; nothing: all is well.
    pub fn differences(&self, seen: &Seen) -> Vec<String> {
        let mut wrong = Vec::new();
        let own: Vec<&SeenChangeover> = seen.changeovers.iter().filter(|c| !c.by_person).collect();
        if own.len() != self.changeovers as usize {
            let list: Vec<String> = own.iter().map(|c| format!("at {:?} to {} by {}", c.at, c.to, c.rule)).collect();
            wrong.push(format!(
                "{} changeovers by itself instead of {}: {}",
                own.len(),
                self.changeovers,
                list.join("; ")
            ));
        }
        if let (Some(to), Some(c)) = (self.to.and_then(Who::fixed), own.last())
            && c.to != to
        {
            wrong.push(format!("the changeover went to {} instead of {to}", c.to));
        }
        if let (Some(c), Some(fault)) = (own.first(), seen.fault) {
            let after = c.at - fault;
            let within = if seen.real { self.within_real.or(self.within) } else { self.within };
            if let Some(w) = within.filter(|w| after > w.0) {
                wrong.push(format!("the command came {after:?} after the fault, later than {w}"));
            }
            if let Some(n) = self.not_before.filter(|n| after < n.0) {
                wrong.push(format!("the command came {after:?} after the fault, before {n}"));
            }
            if after.is_negative() {
                wrong.push("the changeover came before the fault".into());
            }
        }
        for (what, limit, measured) in [("gap", self.gap, seen.gap), ("jump", self.jump, seen.jump)] {
            if let (Some(l), Some(m)) = (limit, measured)
                && m.abs() > l.0
            {
                wrong.push(format!("a {what} of {m:?}, more than {l}"));
            }
            if seen.real && limit.is_some() && measured.is_none() {
                wrong.push(format!("the {what} could not be measured"));
            }
        }
        if let Some(p) = self.proposed.filter(|p| *p != seen.proposed) {
            wrong.push(format!("{} proposal", if p { "no" } else { "a" }));
        }
        let raised = |code: &String| seen.alarms.iter().any(|a| a.code == *code);
        wrong.extend(self.alarms.iter().filter(|c| !raised(c)).map(|c| format!("no alarm {c}")));
        wrong.extend(self.no_alarms.iter().filter(|c| raised(c)).map(|c| format!("an alarm {c}")));
        if self.quiet {
            let others = seen.alarms.iter().filter(|a| !self.alarms.contains(&a.code));
            wrong.extend(others.map(|a| format!("an alarm {} of {:?} at {:?}", a.code, a.machine, a.at)));
        }
        if let (Some(limit), Some(fault)) = (self.alarm_within, seen.fault) {
            let first = seen
                .alarms
                .iter()
                .filter(|a| self.alarms.contains(&a.code) && a.at >= fault)
                .map(|a| a.at - fault)
                .min();
            if let Some(late) = first.filter(|f| *f > limit.0) {
                wrong.push(format!("the first alarm came {late:?} after the fault, later than {limit}"));
            }
        }
        if let Some(m) = self.on_air_at_end.and_then(Who::fixed).filter(|m| seen.on_air_at_end != Some(*m)) {
            wrong.push(format!("{:?} on air at the end instead of {m}", seen.on_air_at_end));
        }
        if let Some(l) = self.latched_at_end.filter(|l| seen.latched_at_end != Some(*l)) {
            wrong.push(format!("latched at the end: {:?} instead of {l}", seen.latched_at_end));
        }
        wrong
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::scenario::builtin;

    fn good() -> Seen {
        let ms = Span::from_millis;
        let alarm = |code: &str| SeenAlarm { at: ms(10_011), code: code.into(), machine: None };
        Seen {
            fault: Some(ms(10_000)),
            changeovers: vec![SeenChangeover {
                at: ms(10_011),
                to: Machine::B,
                rule: "host-gone-silent".into(),
                by_person: false,
            }],
            proposed: false,
            alarms: vec![alarm("host-silent"), alarm("changed-over")],
            gap: Some(ms(13)),
            jump: Some(ms(-3)),
            on_air_at_end: Some(Machine::B),
            latched_at_end: Some(true),
            real: true,
        }
    }

    #[test]
    fn each_difference_is_told() {
        let expect = builtin("on-air-power").unwrap().unwrap().expect;
        assert_eq!(expect.differences(&good()), Vec::<String>::new());
        let tells = |change: fn(&mut Seen), words: &str| {
            let mut seen = good();
            change(&mut seen);
            let told = expect.differences(&seen);
            assert!(told.iter().any(|t| t.contains(words)), "{words}: {told:?}");
        };
        tells(|s| s.changeovers.clear(), "0 changeovers by itself instead of 1");
        tells(|s| s.changeovers[0].by_person = true, "0 changeovers by itself");
        tells(|s| s.changeovers[0].to = Machine::A, "went to A instead of B");
        tells(|s| s.changeovers[0].at = Span::from_millis(10_031), "later than 30ms");
        tells(|s| s.changeovers[0].at = Span::from_millis(9_990), "before the fault");
        tells(|s| s.gap = Some(Span::from_millis(41)), "a gap of");
        tells(|s| s.gap = None, "the gap could not be measured");
        tells(|s| s.jump = Some(Span::from_millis(-25)), "a jump of");
        tells(|s| s.alarms.clear(), "no alarm host-silent");
        tells(|s| s.alarms[0].code = "not-confirmed".into(), "an alarm not-confirmed");
        tells(|s| s.on_air_at_end = Some(Machine::A), "on air at the end");
        tells(|s| s.latched_at_end = Some(false), "latched at the end");
        let mut virtual_run = good();
        (virtual_run.real, virtual_run.gap) = (false, None);
        assert!(expect.differences(&virtual_run).is_empty(), "virtual time measures no house");
        let quiet = builtin("quiet-show").unwrap().unwrap().expect;
        assert!(quiet.differences(&good()).iter().any(|t| t.starts_with("an alarm host-silent of")));
    }
}
