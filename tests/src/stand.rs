//! A rig over hosts that a test or a bench holds in its hand.

use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, Instant};

use base::{ClockState, Machine, Span};
use stage::demo::{DemoConfig, DemoRig, Network};
use stage::scenario::{Act, Scenario, Show, builtin};
use supervisor::snapshot::{Fitness, Snapshot};

use crate::hosts::Hosts;
use crate::{twinkeel_bin, wait_until};

/// A rig may take this long to be ready on a computer that is busy with other things.
const PATIENCE: Duration = Duration::from_secs(60);
/// A rig's `fit_hold` as it comes, and a little more.
const HOLD: Duration = Duration::from_millis(2_300);

/// A scenario of the catalogue.
///
/// # Panics
/// When there is none of this name.
pub fn scenario(name: &str) -> Scenario {
    builtin(name).unwrap_or_else(|| panic!("no scenario {name}")).unwrap()
}

/// How a scenario is played, with everything written below `out`.
pub fn config(scenario: &Scenario, out: &Path) -> DemoConfig {
    DemoConfig { program: twinkeel_bin(), out: out.into(), seed: 1, scenario: scenario.clone(), page_port: None }
}

/// Starts a scenario's rig over hosts, its supervisor and `f` on the supervisor's host, and ends it after.
///
/// # Panics
/// When it does not come up.
pub fn with_rig<T: Send>(
    scenario: &Scenario,
    hosts: &Arc<Hosts>,
    out: &Path,
    f: impl FnOnce(&mut DemoRig) -> T + Send,
) -> T {
    let network: Arc<dyn Network> = hosts.clone();
    hosts.supervisor.inside(|| {
        let mut rig = DemoRig::start(&config(scenario, out), network).unwrap();
        let came_of_it = f(&mut rig);
        rig.end();
        came_of_it
    })
}

/// What the supervisor shows now.
///
/// # Panics
/// When it does not answer.
pub fn look(rig: &DemoRig) -> Snapshot {
    wait_until("an answer of the page", PATIENCE, || {
        let s = rig.snapshot();
        (s.is_some(), s)
    })
    .unwrap()
}

/// Starts song 1 anew on all machines, releases a latch, and waits until the machine that is not on air would take over.
/// Returns the machine on air.
///
/// # Panics
/// When that does not come about.
pub fn line_up(rig: &mut DemoRig) -> Machine {
    for cue in [Show::Stop, Show::Load(1), Show::Start] {
        rig.show(cue);
        std::thread::sleep(Duration::from_millis(500));
    }
    let summary = |s: &Snapshot| {
        let machines: Vec<_> = s.machines.iter().map(|m| (m.fitness, m.reasons.clone(), m.clock.state)).collect();
        (s.headline.text.clone(), machines)
    };
    let ready = |s: &Snapshot| {
        let fit = |m: &supervisor::snapshot::MachineView| {
            m.fitness == Fitness::Fit && m.clock.state == ClockState::Tracking && m.link.paths.iter().all(|p| p.alive)
        };
        s.machines.iter().all(fit) && s.song.as_ref().is_some_and(|x| x.value.rolling && x.value.at > Span::ZERO)
    };
    wait_until("two fit machines", PATIENCE, || {
        let s = look(rig);
        (ready(&s), summary(&s))
    });
    rig.person(Act::Release, None);
    // Fitness must have held before anything happens by itself.
    let mut since: Option<Instant> = None;
    wait_until("a rig that is protected", PATIENCE, || {
        let s = look(rig);
        let protected = s.latched.is_none() && s.takeovers.first().is_some_and(|t| t.possible) && ready(&s);
        since = if protected { since.or(Some(Instant::now())) } else { None };
        (s.on_air.is_some() && since.is_some_and(|t| t.elapsed() > HOLD), s.on_air)
    })
    .unwrap()
    .0
}
