//! The whole rig over real links: supervisor, machine A and machine B are hosts of their own (network namespaces) with real
//! interfaces, and what breaks are cables, filters and processes. What must come of it is what the scenario files say; times are
//! judged generously, since a test must not depend on how busy the computer is.
//!
//! Needs root, iproute2 and nftables; see `namespaces::possible_or_excused`.
#![cfg(target_os = "linux")]
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::path::Path;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use base::{ClockState, Machine, Span};
use ports::os::OwnLinks;
use settings::duration::Duration;
use stage::demo::{Network, Summary, run_headless_over};
use stage::relay::Way;
use stage::scenario::Scenario;
use stage::weather::Weather;
use supervisor::snapshot::Letter;
use twinkeel_tests::hosts::{Cables, Hosts};
use twinkeel_tests::namespaces::possible_or_excused;
use twinkeel_tests::stalls::Stalls;
use twinkeel_tests::{say, stand};

/// Two rigs at once would take each other's time.
fn alone() -> MutexGuard<'static, ()> {
    static ONE_AT_A_TIME: Mutex<()> = Mutex::new(());
    ONE_AT_A_TIME.lock().unwrap_or_else(PoisonError::into_inner)
}

/// A scenario of the catalogue, with limits of time that hold on a busy computer.
fn scenario(name: &str) -> Scenario {
    let mut s = stand::scenario(name);
    let e = &mut s.expect;
    for limit in [&mut e.within, &mut e.within_real, &mut e.gap, &mut e.jump, &mut e.alarm_within] {
        *limit = limit.map(|l| l.max(Duration::secs(1)));
    }
    s
}

/// Plays it over these hosts for so long (scaled, if shorter than it is) and returns what came of it.
fn play(scenario: &Scenario, hosts: &Arc<Hosts>, lasts: Span, out: &Path) -> Summary {
    let network: Arc<dyn Network> = hosts.clone();
    let config = stand::config(scenario, out);
    hosts.supervisor.inside(|| {
        let ran = run_headless_over(&config, network, Some(lasts), &mut |line| println!("{line}"));
        ran.unwrap_or_else(|e| panic!("{}: {e}", scenario.name))
    })
}

/// A computer whose cores stood still for longer than this did what it was not told to: the run is no evidence.
const STOOD_STILL: Span = Span::from_millis(6);

/// Plays a scenario; panics when it ends otherwise than its file says. A run that does while the computer itself stood still is played
/// again, twice at most.
fn holds(scenario: &Scenario, hosts: &dyn Fn() -> Hosts, lasts: Span) -> (Summary, Arc<Hosts>) {
    for again in (0..3).rev() {
        let (out, hosts, stalls) = (tempfile::tempdir().unwrap(), Arc::new(hosts()), Stalls::watch());
        let s = play(scenario, &hosts, lasts, out.path());
        say(&format!(
            "{}: command after {:?} ms, the house missed {:?} ms, clocks known to {:?} us",
            scenario.name, s.command_after_ms, s.house_gap_ms, s.clock_bound_us
        ));
        if s.differences.is_empty() {
            return (s, hosts);
        }
        let stood = stalls.longest();
        assert!(stood > STOOD_STILL && again > 0, "{} (cores stood for {stood:?}): {s:#?}", scenario.name);
        say(&format!("PLAYED AGAIN: a core stood still for {stood:?}: {:?}", s.differences));
    }
    unreachable!("the last run returns or fails")
}

/// Those of the catalogue that are about network and processes.
const CATALOGUE: [&str; 21] = [
    "on-air-power",
    "on-air-agent-gone",
    "on-air-agent-frozen",
    "on-air-player-gone",
    "on-air-player-frozen",
    "on-air-os-frozen",
    "standby-gone",
    "standby-agent-gone",
    "midi-port-lost",
    "both-gone",
    "both-players-gone",
    "cable-on-air",
    "cable-on-air-one-path",
    "cable-on-air-hold",
    "cable-on-air-changeover",
    "cable-supervisor",
    "starved",
    "supervisor-killed",
    "output-dead",
    "power-and-back",
    "forged",
];

#[test]
fn the_catalogue_holds_between_hosts() {
    if !possible_or_excused("the fault catalogue between hosts") {
        return;
    }
    let _alone = alone();
    let only = std::env::var("TWINKEEL_SCENARIO").ok();
    for name in CATALOGUE.iter().filter(|n| only.as_ref().is_none_or(|o| o == *n)) {
        let s = scenario(name);
        holds(&s, &|| Hosts::new(s.rig.paths, Cables::Virtual), s.length.0.min(Span::from_secs(11)));
    }
}

/// One song of that scenario, for so long.
fn a_song_in_bad_weather(lasts: Duration) -> Scenario {
    let mut s = scenario("bad-network");
    s.length = lasts;
    s.steps.clear();
    s
}

/// `TWINKEEL_LONG=1`: for ten minutes, with the songs of the file.
#[test]
fn nothing_moves_in_bad_weather() {
    if !possible_or_excused("bad weather between hosts") {
        return;
    }
    let _alone = alone();
    let long = std::env::var("TWINKEEL_LONG").is_ok_and(|v| v == "1");
    let s = if long { scenario("bad-network") } else { a_song_in_bad_weather(Duration::secs(60)) };
    let (summary, hosts) = holds(&s, &|| Hosts::new(s.rig.paths, Cables::Emulated { seed: 5 }), s.length.0);
    let [carried, lost, _] = total(&hosts);
    let share = lost as f64 / (lost + carried) as f64;
    say(&format!(
        "bad-network, {}: {carried} frames came through, {lost} were lost; alarms: {:?}",
        s.length, summary.alarms
    ));
    // One in twenty, and a burst of 50 ms in each 10 s.
    assert!((0.03..0.08).contains(&share), "the links lost {share} of all frames");
}

/// The first beats of a session overtake each other there, and the words of its beginning come late, in another order each time.
#[test]
fn a_rig_comes_up_in_bad_weather_each_time() {
    if !possible_or_excused("starts in bad weather between hosts") {
        return;
    }
    let _alone = alone();
    let s = a_song_in_bad_weather(Duration::millis(500));
    for seed in 1..=8 {
        holds(&s, &|| Hosts::new(s.rig.paths, Cables::Emulated { seed }), s.length.0);
    }
}

fn total(hosts: &Hosts) -> [u64; 3] {
    hosts.counts().iter().fold([0; 3], |sum, c| {
        let n = c.so_far();
        std::array::from_fn(|i| sum[i] + n[i])
    })
}

/// The supervisor knows of its own cable from the system, before and after any silence.
#[test]
fn the_supervisors_own_cable_is_known_by_its_carrier() {
    if !possible_or_excused("the supervisor's own cable") {
        return;
    }
    let _alone = alone();
    let hosts = Hosts::new(2, Cables::Virtual);
    let addresses: Vec<_> = (0..2).filter_map(|i| hosts.supervisor(Way::Path(i))).collect();
    hosts.supervisor.inside(|| {
        let mut links = OwnLinks::watch(&addresses).unwrap();
        assert!(!links.down());
        // One of two cables is not all of them.
        hosts.net_link(0, false);
        links.wait(std::time::Duration::from_millis(1_500));
        assert!(!links.down(), "the other one carries");
        let mut becomes = |down: bool, what: &str| {
            let until = std::time::Instant::now() + std::time::Duration::from_secs(20);
            while links.down() != down {
                assert!(std::time::Instant::now() < until, "{what}");
                links.wait(std::time::Duration::from_millis(200));
            }
        };
        hosts.net_link(1, false);
        becomes(true, "the far ends of both are out");
        hosts.net_link(0, true);
        becomes(false, "one is in again");
        hosts.net_link(1, true);
        hosts.cut_supervisor(true);
        becomes(true, "both are switched off here");
        hosts.cut_supervisor(false);
        becomes(false, "both are on again");
    });
}

/// One datagram in twenty is dropped by the supervisor's filter, then the host on air vanishes.
#[test]
fn a_lossy_filter_hides_no_death() {
    if !possible_or_excused("loss between hosts") {
        return;
    }
    let _alone = alone();
    let mut s = scenario("on-air-power");
    s.rig.weather = Weather { loss: 0.05, ..Weather::default() };
    holds(&s, &|| Hosts::new(s.rig.paths, Cables::Virtual), Span::from_secs(12));
}

/// All hosts here have one kernel clock, so the true offset is zero, and it must lie within what is claimed: at least 99 times in a
/// hundred. When replies are lost but beats come through, the clock is no longer called known, and nobody is condemned for it.
#[test]
fn the_truth_lies_within_the_stated_bound_and_lost_replies_condemn_nobody() {
    if !possible_or_excused("clocks between hosts") {
        return;
    }
    let _alone = alone();
    let out = tempfile::tempdir().unwrap();
    let hosts = Arc::new(Hosts::new(2, Cables::Virtual));
    stand::with_rig(&scenario("quiet-show"), &hosts, out.path(), |rig| {
        let on_air = stand::line_up(rig);
        let (mut inside, mut outside, mut worst) = (0, 0, 0.0f64);
        for _ in 0..150 {
            for m in stand::look(rig).machines {
                let (Some(offset), Some(bound)) = (m.clock.offset, m.clock.bound) else { continue };
                *(if offset.0.abs() <= bound.0 { &mut inside } else { &mut outside }) += 1;
                worst = worst.max(offset.0.abs());
            }
            std::thread::sleep(std::time::Duration::from_millis(20));
        }
        say(&format!(
            "clocks between hosts: {inside} readings within their bound, {outside} without; worst {:.1} us",
            worst * 1e3
        ));
        assert!(inside >= 250 && outside * 100 <= inside + outside, "{inside} within, {outside} without");

        hosts.one_way(on_air, true);
        std::thread::sleep(std::time::Duration::from_secs(4));
        let s = stand::look(rig);
        let a = &s.machines[on_air.index()];
        assert_eq!(a.link.heard, base::Heard::Well, "its beats come through: {:?}", a.link);
        assert_ne!(a.clock.state, ClockState::Tracking, "nothing comes back to it");
        assert_eq!((s.on_air, s.latched.is_some()), (Some(Letter(on_air)), false));
        hosts.one_way(on_air, false);
        assert_ne!(stand::line_up(rig), Machine::B);
    });
}
