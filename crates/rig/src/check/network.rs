//! Who is there: agents, clocks, paths.

use base::ClockState;

use super::{Found, Limits, Seen, Verdict, together};

/// Every machine's beats come.
pub fn heard(seen: &Seen, _: &Limits) -> Found {
    let silent: Vec<_> = seen.machines.iter().filter(|m| !m.heard).map(|m| m.machine).collect();
    if seen.machines.is_empty() {
        return Found::untested("the rig has no machine");
    }
    if silent.is_empty() {
        return Found::pass(format!("{} machines", seen.machines.len()));
    }
    let names: Vec<String> = silent.iter().map(ToString::to_string).collect();
    Found::fail(format!("{} is not heard", names.join(" and "))).about(silent)
}

/// Nobody took one out.
pub fn in_service(seen: &Seen, _: &Limits) -> Found {
    let out: Vec<_> = seen.machines.iter().filter(|m| m.out_of_service).map(|m| m.machine).collect();
    if out.is_empty() {
        return Found::pass("all of them");
    }
    let names: Vec<String> = out.iter().map(ToString::to_string).collect();
    Found::fail(format!("{} is out of service", names.join(" and "))).about(out)
}

/// Clocks are tracked, within the limit.
pub fn clocks(seen: &Seen, limits: &Limits) -> Found {
    let heard = seen.machines.iter().filter(|m| m.heard);
    together(
        heard
            .map(|m| {
                let (verdict, words) = match m.clock {
                    Some(c) if c.state == ClockState::Tracking && c.bound <= limits.clock_bound => {
                        (Verdict::Pass, format!("known to \u{b1}{:.3} ms", c.bound.millis_f64()))
                    }
                    Some(c) if c.state == ClockState::Tracking => {
                        (Verdict::Fail, format!("known only to \u{b1}{:.3} ms", c.bound.millis_f64()))
                    }
                    Some(_) => (Verdict::Fail, "not tracked".into()),
                    None => (Verdict::NotTested, "nothing is known of its clock".into()),
                };
                (m.machine, verdict, words)
            })
            .collect(),
    )
}

/// Beats come over every configured path.
pub fn paths(seen: &Seen, _: &Limits) -> Found {
    let heard = seen.machines.iter().filter(|m| m.heard);
    together(
        heard
            .map(|m| {
                let dead: Vec<String> =
                    m.paths.iter().enumerate().filter(|(_, on)| !**on).map(|(i, _)| (i + 1).to_string()).collect();
                let (verdict, words) = match (m.paths.len(), dead.is_empty()) {
                    (0, _) => (Verdict::NotTested, "its paths are not known".into()),
                    (1, true) => (Verdict::Pass, "its only path works".into()),
                    (n, true) => (Verdict::Pass, format!("all {n} paths work")),
                    (n, false) => (Verdict::Fail, format!("no beats over path {} of {n}", dead.join(" and "))),
                };
                (m.machine, verdict, words)
            })
            .collect(),
    )
}
