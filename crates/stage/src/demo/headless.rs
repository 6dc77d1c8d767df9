//! Plays a scenario without anybody at the page.

use std::path::Path;
use std::sync::Arc;

use base::{Machine, Span};

use super::layout::MACHINES;
use super::network::{Loopback, Network};
use super::outcome::{Run, Summary};
use super::rig::DemoRig;
use super::{DemoConfig, DemoError};
use crate::os::{now, sleep_until};
use crate::scenario::{Deed, Fault, Moment, Who};

/// The rig is looked at this long before something breaks.
const LOOK_AHEAD: Span = Span::from_millis(60);

/// Plays the scenario to its end (or for `lasts`) and writes `summary.json`. `say` gets a line for whatever happens.
///
/// # Errors
/// What could not be started or written.
pub fn run_headless(c: &DemoConfig, lasts: Option<Span>, say: &mut dyn FnMut(&str)) -> Result<Summary, DemoError> {
    let network = Loopback::start(c.scenario.rig.paths, c.seed)?;
    run_headless_over(c, Arc::new(network), lasts, say)
}

/// The same over another network than the relay on loopback. The supervisor and the switch are on the caller's host.
///
/// # Errors
/// What could not be started or written.
pub fn run_headless_over(
    c: &DemoConfig,
    network: Arc<dyn Network>,
    lasts: Option<Span>,
    say: &mut dyn FnMut(&str),
) -> Result<Summary, DemoError> {
    let length = lasts.unwrap_or(c.scenario.length.0);
    let mut rig = DemoRig::start(c, network)?;
    say(&format!("the rig is up; its page is at http://{}", rig.layout.page));
    let began = now();
    let mut run = Run { began, ended: began, faults: Vec::new(), before: None, last: None };
    let mut broken: Vec<(Fault, Vec<Machine>)> = Vec::new();
    for moment in moments(c, length) {
        let at = began + moment.at;
        sleep_until(at - LOOK_AHEAD);
        if run.faults.is_empty() && matches!(moment.deed, Deed::Break(_)) {
            run.before = rig.snapshot();
        }
        let machines = meant(&rig, moment.machine);
        sleep_until(at);
        match moment.deed {
            Deed::Break(fault) => {
                let broke = rig.break_it(fault, &machines)?;
                run.faults.push(broke);
                say(&format!("{:7.3} s  broken: {fault:?} {}", moment.at.secs_f64(), letters(&machines)));
                broken.push((fault, machines));
            }
            Deed::Mend(fault) => {
                let (mended, left) = broken.into_iter().partition(|(f, _)| f.same_kind(&fault));
                broken = left;
                for (f, machines) in mended {
                    rig.mend(f, &machines)?;
                    say(&format!("{:7.3} s  mended: {f:?} {}", moment.at.secs_f64(), letters(&machines)));
                }
            }
            Deed::Show(show) => {
                rig.show(show);
                say(&format!("{:7.3} s  show: {show:?}", moment.at.secs_f64()));
            }
            Deed::Act(act) => {
                rig.person(act, moment.machine);
                say(&format!("{:7.3} s  a person: {act:?}", moment.at.secs_f64()));
            }
        }
    }
    sleep_until(began + length);
    run.ended = now();
    run.last = rig.snapshot();
    run.before = run.before.or_else(|| run.last.clone());
    let (shows, house) = (rig.layout.shows.clone(), rig.layout.house.clone());
    rig.end();
    let summary = Summary::of(&c.scenario, c.seed, &run, &shows, &house);
    let path = c.out.join("summary.json");
    let text = serde_json::to_string_pretty(&summary).unwrap_or_default();
    std::fs::write(&path, text).map_err(DemoError::of(path.display()))?;
    if let Err(why) = report(c, &shows) {
        say(&format!("no report: {why}"));
    }
    for miss in &summary.differences {
        say(&format!("not as the scenario expects: {miss}"));
    }
    Ok(summary)
}

/// Which machines a step means now. The page is asked only where that depends on what is on air: it may be slow to answer.
fn meant(rig: &DemoRig, who: Option<Who>) -> Vec<Machine> {
    let Some(who) = who else { return Vec::new() };
    let on_air = if matches!(who, Who::OnAir | Who::Standby) { rig.on_air() } else { Machine::A };
    who.among(MACHINES, on_air)
}

/// The report of the show, by the same command that a person would give.
fn report(c: &DemoConfig, shows: &Path) -> Result<(), String> {
    let page = c.out.join("report.html");
    let made = std::process::Command::new(&c.program)
        .args(["report", "last", "--shows"])
        .arg(shows)
        .arg("--html")
        .arg(&page)
        .stdin(std::process::Stdio::null())
        .output()
        .map_err(|e| e.to_string())?;
    // Exit code 1 says that the show did not hold, which a scenario may well want.
    if page.exists() && matches!(made.status.code(), Some(0 | 1)) {
        return Ok(());
    }
    Err(String::from_utf8_lossy(&made.stderr).trim().to_owned())
}

/// The scenario's moments; in a run shorter than the scenario, what happens after the start is moved together so that all of it
/// still happens.
fn moments(c: &DemoConfig, length: Span) -> Vec<Moment> {
    let (start, whole) = (c.scenario.start.0, c.scenario.length.0);
    let scale = if length < whole && whole > start {
        ((length - start).secs_f64() / (whole - start).secs_f64()).max(0.0)
    } else {
        1.0
    };
    let moved = |at: Span| if at > start { start + (at - start).scaled(scale) } else { at };
    c.scenario.moments().into_iter().map(|m| Moment { at: moved(m.at), ..m }).filter(|m| m.at <= length).collect()
}

fn letters(machines: &[Machine]) -> String {
    machines.iter().map(|m| m.to_string()).collect::<Vec<_>>().join(" ")
}
