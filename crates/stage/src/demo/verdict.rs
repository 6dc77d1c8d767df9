//! Whether a run came out as its scenario expects.

use base::Span;
use settings::duration::Duration;

use super::outcome::Summary;
use crate::scenario::{Scenario, Who};

impl Summary {
    /// Every expectation of the scenario that was not met, in words; empty when all were.
    pub fn unmet(&self, s: &Scenario) -> Vec<String> {
        let e = &s.expect;
        let mut out = Vec::new();
        if self.changeovers != e.changeovers {
            out.push(format!("{} changeovers, expected {}", self.changeovers, e.changeovers));
        }
        if self.false_changeovers > 0 {
            out.push(format!("{} false changeovers", self.false_changeovers));
        }
        let at_most = |out: &mut Vec<String>, what: &str, ms: Option<f64>, limit: Option<Duration>| {
            let Some(limit) = limit else { return };
            match ms {
                None => out.push(format!("{what}: not measured, expected at most {limit}")),
                Some(ms) if Span::from_secs_f64(ms.abs() / 1e3) > limit.0 => {
                    out.push(format!("{what}: {ms:.1} ms, expected at most {limit}"));
                }
                Some(_) => {}
            }
        };
        at_most(&mut out, "fault to command", self.command_after_ms, e.within_real.or(e.within));
        at_most(&mut out, "gap", self.house_gap_ms, e.gap);
        at_most(&mut out, "jump", self.house_jump_ms, e.jump);
        if let (Some(least), Some(ms)) = (e.not_before, self.command_after_ms)
            && Span::from_secs_f64(ms / 1e3) < least.0
        {
            out.push(format!("fault to command: {ms:.1} ms, expected at least {least}"));
        }
        let raised = |code: &String| self.alarms.iter().any(|a| a.code == *code);
        out.extend(e.alarms.iter().filter(|c| !raised(c)).map(|c| format!("no alarm {c}")));
        out.extend(e.no_alarms.iter().filter(|c| raised(c)).map(|c| format!("an alarm {c}")));
        if e.quiet {
            let extra = self.alarms.iter().filter(|a| !e.alarms.contains(&a.code));
            out.extend(extra.map(|a| format!("an alarm {} at {:.3} s", a.code, a.at_s)));
        }
        if let (Some(limit), Some(fault), Some(code)) = (e.alarm_within, self.fault_at_s, e.alarms.first()) {
            let first = self.alarms.iter().filter(|a| a.code == *code && a.at_s >= fault).map(|a| a.at_s).next();
            at_most(&mut out, &format!("fault to alarm {code}"), first.map(|at| (at - fault) * 1e3), Some(limit));
        }
        if e.proposed.is_some_and(|p| p != self.proposed) {
            out.push(if self.proposed { "a proposal".into() } else { "no proposal".into() });
        }
        let letter = |w: Who| w.fixed().map(|m| m.to_string());
        if e.on_air_at_end.is_some() && e.on_air_at_end.and_then(letter) != self.on_air_at_end {
            out.push(format!("on air at the end: {}", self.on_air_at_end.as_deref().unwrap_or("unknown")));
        }
        if e.latched_at_end.is_some() && e.latched_at_end != self.latched_at_end {
            out.push(format!("latched at the end: {:?}", self.latched_at_end));
        }
        out
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::demo::outcome::AlarmRaised;
    use crate::scenario::builtin;

    fn good() -> Summary {
        let alarm =
            |code: &str| AlarmRaised { code: code.into(), priority: "high".into(), at_s: 10.011, machine: None };
        Summary {
            scenario: "on-air-power".into(),
            seed: 1,
            fault_at_s: Some(10.0),
            verdict_after_ms: Some(11.0),
            command_after_ms: Some(11.1),
            house_gap_ms: Some(12.9),
            house_jump_ms: Some(-3.1),
            changeovers: 1,
            false_changeovers: 0,
            alarms: vec![alarm("host-silent"), alarm("changed-over")],
            proposed: false,
            on_air_at_end: Some("B".into()),
            mode_at_end: None,
            latched_at_end: Some(true),
            offset_ms: Some(3.2),
            drift_ppm: Some(23.0),
            clock_bound_us: Some(15.0),
            drift_expected_ppm: 23.0,
        }
    }

    #[test]
    fn each_miss_is_told() {
        let s = builtin("on-air-power").unwrap().unwrap();
        assert_eq!(good().unmet(&s), Vec::<String>::new());
        let miss = |change: fn(&mut Summary), words: &str| {
            let mut summary = good();
            change(&mut summary);
            let unmet = summary.unmet(&s);
            assert!(unmet.iter().any(|u| u.contains(words)), "{words}: {unmet:?}");
        };
        miss(|s| s.changeovers = 0, "0 changeovers, expected 1");
        miss(|s| s.false_changeovers = 1, "1 false");
        miss(|s| s.command_after_ms = Some(31.0), "fault to command: 31.0 ms");
        miss(|s| s.command_after_ms = None, "not measured");
        miss(|s| s.house_gap_ms = Some(41.0), "gap");
        miss(|s| s.house_jump_ms = Some(-25.0), "jump");
        miss(|s| s.alarms.clear(), "no alarm host-silent");
        miss(|s| s.alarms[0].code = "not-confirmed".into(), "an alarm not-confirmed");
        miss(|s| s.on_air_at_end = Some("A".into()), "on air at the end: A");
        miss(|s| s.latched_at_end = Some(false), "latched");
        let quiet = builtin("quiet-show").unwrap().unwrap();
        assert!(good().unmet(&quiet).iter().any(|u| u.starts_with("an alarm host-silent at")));
    }
}
