//! Every scenario of the catalogue in virtual time. `TWINKEEL_SCENARIO=name` plays one alone; `TWINKEEL_LONG=1` plays those that
//! last longer in virtual time (an hour, a day) to their end instead of ten minutes.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use base::Span;
use twinkeel_stage::scenario::{Scenario, builtin, names};
use twinkeel_stage::virtual_rig::VirtualRig;

/// Longer ones are cut here unless asked for.
const LONGEST: Span = Span::from_secs(600);

fn length(s: &Scenario) -> Span {
    let whole = s.virtual_length.unwrap_or(s.length).0;
    if std::env::var_os("TWINKEEL_LONG").is_some() { whole } else { whole.min(LONGEST) }
}

#[test]
fn every_scenario_ends_as_it_should() {
    let only = std::env::var("TWINKEEL_SCENARIO").ok();
    let mut wrong = Vec::new();
    let mut played = 0;
    for name in names().filter(|n| only.as_deref().is_none_or(|o| o == *n)) {
        let s = builtin(name).unwrap().unwrap_or_else(|e| panic!("{e}"));
        let seen = VirtualRig::new(&s, 1).run(length(&s));
        played += 1;
        let differences = s.expect.differences(&seen);
        let after = seen.changeovers.first().zip(seen.fault).map(|(c, f)| c.at - f);
        println!("{name:28} {} {after:?}", if differences.is_empty() { "as it should" } else { "NOT AS IT SHOULD" });
        for d in differences {
            println!("    {d}");
            wrong.push(format!("{name}: {d}"));
        }
    }
    println!("{played} scenarios in virtual time");
    assert!(played > 0, "no scenario was played");
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}
