//! The switch, what commands it, the changeover itself, and the record.

use base::Span;

use super::{ChangeoverSeen, Found, Limits, Seen, Verdict, together};

/// It says what is on air, and nothing contradicts it.
pub fn on_air(seen: &Seen, _: &Limits) -> Found {
    match (seen.switch.on_air, seen.switch.conflict) {
        (_, true) => Found::fail("the switch, its units or the tap contradict each other"),
        (Some(m), false) => Found::pass(format!("{m} is on air")),
        (None, false) => Found::fail("nobody knows what is on air"),
    }
}

/// Nothing is latched.
pub fn latch(seen: &Seen, _: &Limits) -> Found {
    if seen.switch.latched { Found::fail("latched: unprotected") } else { Found::pass("not latched") }
}

/// Every output is open, and those that can answer do.
pub fn outputs(seen: &Seen, _: &Limits) -> Found {
    let outputs = &seen.switch.outputs;
    if outputs.is_empty() {
        return Found::fail("there is no output: nothing can change over");
    }
    let wrong: Vec<String> = outputs
        .iter()
        .filter_map(|o| match (o.open, o.answers) {
            (false, _) => Some(format!("{} cannot be used", o.name)),
            (true, Some(false)) => Some(format!("{} does not answer", o.name)),
            (true, _) => None,
        })
        .collect();
    if !wrong.is_empty() {
        return Found::fail(wrong.join("; "));
    }
    let silent = outputs.iter().filter(|o| o.answers.is_none()).count();
    match silent {
        0 => Found::pass(format!("{} of {} answer", outputs.len(), outputs.len())),
        n => Found::pass(format!("{} open; {n} cannot answer, a changeover shows whether it works", outputs.len())),
    }
}

/// Something comes from it.
pub fn tap(seen: &Seen, _: &Limits) -> Found {
    match seen.switch.tap {
        None => Found::untested("this rig has no tap"),
        Some(true) => Found::pass("heard"),
        Some(false) => Found::fail("nothing comes from the tap"),
    }
}

/// An event reached the disk.
pub fn record(seen: &Seen, _: &Limits) -> Found {
    match seen.record.written {
        None => Found::untested("it was not tried"),
        Some(true) => Found::pass("a test line reached the disk"),
        Some(false) => Found::fail(if seen.record.why.is_empty() { "it cannot be written" } else { &seen.record.why }),
    }
}

fn way(c: &ChangeoverSeen) -> String {
    format!("{} to {}", c.from, c.to)
}

/// There and back, each confirmed in time.
pub fn changeover(seen: &Seen, l: &Limits) -> Found {
    let back = |c: &ChangeoverSeen| seen.changeovers.iter().any(|b| b.from == c.to && b.to == c.from);
    if seen.changeovers.is_empty() {
        return Found::untested("none was made");
    }
    let mut words = Vec::new();
    let mut at_fault = Vec::new();
    for c in &seen.changeovers {
        let wrong = match (&c.refused, c.confirmed) {
            (Some(why), _) => Some(format!("refused: {why}")),
            (None, None) => Some("the switch did not confirm".into()),
            (None, Some(after)) if after > l.confirm => {
                Some(format!("confirmed only after {:.0} ms", after.millis_f64()))
            }
            (None, Some(_)) => None,
        };
        if let Some(w) = wrong {
            words.push(format!("{}: {w}", way(c)));
            at_fault.push(c.to);
        }
    }
    if !words.is_empty() {
        return Found::fail(words.join("; ")).about(at_fault);
    }
    if !seen.changeovers.iter().all(back) {
        return Found::fail("one way only");
    }
    let said = seen.changeovers.iter().map(|c| format!("{} in {:.1} ms", way(c), ms(c.confirmed)));
    Found::pass(said.collect::<Vec<_>>().join(", "))
}

fn ms(span: Option<Span>) -> f64 {
    span.map_or(0.0, Span::millis_f64)
}

/// What the tap heard, while programme played.
pub fn changeover_heard(seen: &Seen, l: &Limits) -> Found {
    let measured: Vec<_> = seen.changeovers.iter().filter(|c| c.gap.is_some()).collect();
    if measured.is_empty() {
        return Found::untested("no programme was heard on a tap while it changed over");
    }
    let parts = measured.iter().map(|c| {
        let (gap, jump) = (c.gap.unwrap_or_default(), c.jump);
        let verdict = match (gap, jump) {
            (g, _) if g > l.gap_fail => Verdict::Fail,
            (_, Some(j)) if j.abs() > l.in_step => Verdict::Fail,
            (g, _) if g > l.gap_warn => Verdict::Warn,
            _ => Verdict::Pass,
        };
        let jump = jump.map_or("jump not known".into(), |j| format!("jump {:+.1} ms", j.millis_f64()));
        (c.to, verdict, format!("{}: hole {:.1} ms, {jump}", way(c), gap.millis_f64()))
    });
    let parts: Vec<_> = parts.collect();
    let worst = parts.iter().map(|p| p.1).max().unwrap_or(Verdict::Pass);
    let said: Vec<String> = parts.iter().filter(|p| p.1 == worst).map(|p| p.2.clone()).collect();
    let at_fault = parts.iter().filter(|p| p.1 == worst && worst > Verdict::NotTested).map(|p| p.0);
    Found { verdict: worst, measured: said.join("; "), machines: at_fault.collect() }
}

/// The trigger reached every machine, at the same time.
pub fn trigger(seen: &Seen, l: &Limits) -> Found {
    if seen.trigger.iter().all(|t| t.after.is_none()) {
        return Found::untested("no trigger was heard: the passage was started by other means");
    }
    together(
        seen.trigger
            .iter()
            .map(|t| match t.after {
                None => (t.machine, Verdict::Fail, "not reached".into()),
                Some(after) if after > l.trigger => {
                    (t.machine, Verdict::Warn, format!("reached {:.1} ms after the first", after.millis_f64()))
                }
                Some(Span::ZERO) => (t.machine, Verdict::Pass, "reached first".into()),
                Some(after) => (t.machine, Verdict::Pass, format!("reached {:.1} ms later", after.millis_f64())),
            })
            .collect(),
    )
}
