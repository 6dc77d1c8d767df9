//! How well a machine's clock is known over a link between hosts (network namespaces) that share one kernel clock, so that the true
//! offset is exactly zero: real agents, a real supervisor and what its snapshots say. Beside it chrony on the same link at the same
//! time.
//!
//! As root: `cargo build --release -p twinkeel && cargo bench -p twinkeel-tests --bench clock_link`. It prints and asserts nothing.
//! TWINKEEL_SECONDS (60) is the length of each row, TWINKEEL_CHRONYD another place of chrony's daemon.
#![allow(clippy::print_stdout, clippy::unwrap_used, clippy::expect_used, clippy::panic)]

fn main() {
    #[cfg(target_os = "linux")]
    linux::main();
    #[cfg(not(target_os = "linux"))]
    println!("This needs Linux and its network namespaces.");
}

#[cfg(target_os = "linux")]
mod linux {
    use std::net::Ipv4Addr;
    use std::sync::Arc;

    use base::{Machine, Span};
    use ports::os::{mono_now, sleep_until};
    use settings::duration::Duration;
    use stage::weather::Weather;
    use twinkeel_tests::burners::{self, Burners};
    use twinkeel_tests::chrony::Chrony;
    use twinkeel_tests::hosts::{Cables, Hosts};
    use twinkeel_tests::link_emulator::Rough;
    use twinkeel_tests::namespaces::possible_or_excused;
    use twinkeel_tests::stand::{line_up, look, scenario, with_rig};

    /// Snapshots are looked at this often.
    const LOOK_EVERY: Span = Span::from_millis(50);
    /// Both settle for so long.
    const SETTLE: Span = Span::from_secs(10);

    pub fn main() {
        burners::burn_if_asked();
        if !possible_or_excused("clocks over a link") {
            return;
        }
        let seconds = std::env::var("TWINKEEL_SECONDS").ok().and_then(|v| v.parse().ok()).unwrap_or(60);
        println!("Error of the clock offset in us (the truth is 0), {seconds} s each: median / p99 / max");
        println!("{:<34} {:>26} {:>9} {:>12} {:>26}", "", "ours", "in bound", "bound p50", "chrony 1/64 s, xleave");
        let clean = Cables::Virtual;
        let rough = Cables::Emulated { seed: 3 };
        let jitter =
            Rough { weather: Weather { jitter: Duration::millis(1), ..Weather::default() }, ..Rough::default() };
        row("clean link", clean, None, false, seconds);
        row("clean link, all cores busy", clean, None, true, seconds);
        row("emulated link, no weather", rough, None, false, seconds);
        row("emulated link, 1 ms of jitter each way", rough, Some(jitter), false, seconds);
    }

    fn row(name: &str, cables: Cables, rough: Option<Rough>, busy: bool, seconds: i64) {
        let mut s = scenario("quiet-show");
        s.rig.paths = 1;
        let hosts = Arc::new(Hosts::new(1, cables));
        if let Some(r) = rough {
            Machine::first(2).for_each(|m| hosts.rough(m, r));
        }
        let out = tempfile::tempdir().unwrap();
        let chrony = Chrony::start(&hosts.machines[0], Ipv4Addr::new(10, 77, 0, 2), &hosts.supervisor, out.path());
        let (mut errors, mut bounds, mut inside) = (Vec::new(), Vec::new(), 0);
        let mut others = Vec::new();
        with_rig(&s, &hosts, out.path(), |rig| {
            line_up(rig);
            let cores = std::thread::available_parallelism().map_or(2, usize::from);
            let burners = busy.then(|| Burners::start(cores));
            sleep_until(mono_now() + SETTLE);
            let known = chrony.as_ref().map_or(0, |c| c.estimates().len());
            let until = mono_now() + Span::from_secs(seconds);
            let mut next = mono_now();
            while next < until {
                for m in look(rig).machines {
                    let (Some(offset), Some(bound)) = (m.clock.offset, m.clock.bound) else { continue };
                    inside += usize::from(offset.0.abs() <= bound.0);
                    errors.push(offset.0.abs() * 1e3);
                    bounds.push(bound.0 * 1e3);
                }
                next += LOOK_EVERY;
                sleep_until(next);
            }
            others = chrony.as_ref().map_or_else(Vec::new, |c| c.estimates().split_off(known));
            drop(burners);
        });
        let others = others.iter().map(|s| s.millis_f64().abs() * 1e3).collect();
        let held = format!("{:.1} %", 100.0 * inside as f64 / errors.len().max(1) as f64);
        let half = format!("{:.1}", quantile(&mut bounds, 0.5));
        println!("{name:<34} {:>26} {held:>9} {half:>12} {:>26}", figures(errors), figures(others));
    }

    fn figures(mut all: Vec<f64>) -> String {
        if all.is_empty() {
            return "none".into();
        }
        let [half, most, max] = [0.5, 0.99, 1.0].map(|q| quantile(&mut all, q));
        format!("{half:.2} / {most:.2} / {max:.2}")
    }

    fn quantile(all: &mut [f64], q: f64) -> f64 {
        all.sort_by(f64::total_cmp);
        let last = all.len().saturating_sub(1);
        all.get((q * last as f64).round() as usize).copied().unwrap_or(f64::NAN)
    }
}
