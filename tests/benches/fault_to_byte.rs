//! From a fault to the first byte of the changeover command, the whole way: real processes on hosts of their own (network
//! namespaces), the command stamped by the kernel as it comes in before the switch. Beside it, on the same host and link and struck by
//! the same fault, a plain fixed timeout of 3 x 10 ms. Then a rig on a computer with all cores busy, and how often either was
//! mistaken.
//!
//! As root: `cargo build --release -p twinkeel && cargo bench -p twinkeel-tests --bench fault_to_byte`. It prints and asserts nothing.
//! `-- kill stop ...` takes only those faults; TWINKEEL_TRIALS (25) and TWINKEEL_LOADED_SECONDS (600) make it shorter.
#![allow(clippy::print_stdout, clippy::unwrap_used, clippy::expect_used, clippy::panic)]

fn main() {
    #[cfg(target_os = "linux")]
    linux::main();
    #[cfg(not(target_os = "linux"))]
    println!("This needs Linux and its network namespaces.");
}

#[cfg(target_os = "linux")]
mod linux {
    use std::io::Write;
    use std::net::Ipv4Addr;
    use std::process::{Child, Command, Stdio};
    use std::sync::Arc;

    use base::{Machine, MonoTime, Span};
    use ports::os::{mono_now, sleep_until, wall_now};
    use settings::rig::OnLinkLoss;
    use stage::demo::{DemoRig, Network};
    use stage::scenario::{Fault, Scenario};
    use stage::seed::Sequence;
    use twinkeel_tests::burners::{self, Burners};
    use twinkeel_tests::hosts::{Cables, Hosts};
    use twinkeel_tests::namespaces::possible_or_excused;
    use twinkeel_tests::plain_beats::{self, PlainBeats};
    use twinkeel_tests::stand::{line_up, look, scenario, with_rig};
    use twinkeel_tests::switch_front::SwitchFront;

    /// Nothing that is decided takes longer.
    const PATIENCE: Span = Span::from_millis(600);

    #[derive(Clone, Copy, PartialEq, Debug)]
    enum Kind {
        Power,
        Kill,
        Stop,
        LinkDown,
        Blackhole,
    }

    const KINDS: [(Kind, &str, &str); 5] = [
        (Kind::Power, "power", "host vanishes: nothing of it comes through, its processes die"),
        (Kind::Kill, "kill", "SIGKILL of agent and player, the host answers"),
        (Kind::Stop, "stop", "SIGSTOP of agent and player, all sockets open"),
        (Kind::LinkDown, "link-down", "the only cable of the host, by order; policy: changeover"),
        (Kind::Blackhole, "blackhole", "the only path swallows everything; policy: changeover"),
    ];

    pub fn main() {
        plain_beats::send_if_asked();
        burners::burn_if_asked();
        if !possible_or_excused("fault to byte") {
            return;
        }
        let number = |name: &str, or: u64| std::env::var(name).ok().and_then(|v| v.parse().ok()).unwrap_or(or);
        let (trials, loaded) = (number("TWINKEEL_TRIALS", 25), number("TWINKEEL_LOADED_SECONDS", 600));
        let wanted: Vec<String> = std::env::args().skip(1).filter(|a| !a.starts_with('-')).collect();
        let is_wanted = |name: &str| wanted.is_empty() || wanted.iter().any(|w| w == name);
        println!("Fault to first byte of the changeover command in ms, {trials} trials each: min / median / max");
        println!("{:<64} {:>22} {:>22}", "", "ours, 5 ms beats", "plain, 3 x 10 ms");
        for (kind, name, words) in KINDS {
            if is_wanted(name) {
                let (ours, plain, missed) = faults(kind, trials);
                let missed = if missed > 0 { format!("  ({missed} not acted on)") } else { String::new() };
                println!("{:<64} {:>22} {:>22}{missed}", format!("{name}: {words}"), range(&ours), range(&plain));
            }
        }
        println!(
            "measured elsewhere, on another machine of this kind: routing daemons with BFD (RFC 5880) at 10 ms x 3"
        );
        println!(
            "  bird 2: kill 22.3 / 26.2 / 30.3, stop 21.9 / 25.8 / 31.0, blackhole 21.8 / 25.7 / 30.2, link down 23.3 / 28.3 / 33.3"
        );
        if is_wanted("loaded") && loaded > 0 {
            mistakes(loaded);
        }
    }

    /// Ours, the plain way's, and how often nothing came of it.
    fn faults(kind: Kind, trials: u64) -> (Vec<Span>, Vec<Span>, u64) {
        let mut s = scenario("quiet-show");
        if matches!(kind, Kind::LinkDown | Kind::Blackhole) {
            (s.rig.paths, s.rig.tap, s.rig.on_link_loss) = (1, false, Some(OnLinkLoss::Changeover));
        }
        with_front(&s, |rig, hosts, front, plain| {
            let (mut ours, mut others, mut missed) = (Vec::new(), Vec::new(), 0);
            let mut luck = Sequence::new(kind as u64 + 1);
            for _ in 0..trials {
                if kind == Kind::Blackhole {
                    // It begins at a whole second, which must fall anywhere between two beats.
                    for m in Machine::first(2) {
                        sleep_until(mono_now() + Span::from_micros((luck.unit() * 10_000.0) as i64));
                        rig.mend(Fault::AgentGone, &[m]).unwrap();
                        plain[m.index()].restart();
                    }
                }
                let m = line_up(rig);
                sleep_until(mono_now() + Span::from_secs_f64(0.5 + luck.unit()));
                front.commands();
                let watched = &mut plain[m.index()];
                watched.verdicts();
                let at = strike(kind, m, rig, hosts, watched);
                sleep_until(at + PATIENCE);
                let first = |all: Vec<MonoTime>| all.into_iter().find(|t| *t >= at).map(|t| t - at);
                match first(front.commands()) {
                    Some(took) => ours.push(took),
                    None => {
                        missed += 1;
                        let s = look(rig);
                        let told = s.events.iter().take(8).map(|e| (e.at - at, e.text.clone())).collect::<Vec<_>>();
                        println!("  not acted on: {} {told:#?}", s.headline.text);
                    }
                }
                others.extend(first(watched.verdicts()));
                mend(kind, m, rig, hosts, watched);
            }
            (ours, others, missed)
        })
    }

    /// Breaks it; returns when. Where the system takes a moment for it, that is when it was told to.
    fn strike(kind: Kind, m: Machine, rig: &mut DemoRig, hosts: &Hosts, plain: &PlainBeats) -> MonoTime {
        match kind {
            Kind::Power => {
                let at = dark(hosts, m);
                rig.strike(m);
                plain.strike();
                at
            }
            Kind::Blackhole => dark(hosts, m),
            Kind::Kill => {
                let at = mono_now();
                rig.strike(m);
                plain.strike();
                at
            }
            Kind::Stop => {
                let at = rig.break_it(Fault::OsFrozen, &[m]).unwrap();
                plain.freeze(true);
                at
            }
            Kind::LinkDown => {
                let mut ip = ready_ip(hosts);
                sleep_until(mono_now() + Span::from_millis(100));
                let at = mono_now();
                ip.stdin.take().unwrap().write_all(hosts.cut_words(m).as_bytes()).unwrap();
                let _ = ip.wait();
                at
            }
        }
    }

    /// Darkness from the next whole second on, which the filter keeps to the nanosecond. Returns after it has begun.
    fn dark(hosts: &Hosts, m: Machine) -> MonoTime {
        let second = (wall_now().0 + 150_000_000) / 1_000_000_000 + 1;
        hosts.dark_from(m, second as u64);
        let at = mono_now() + Span::from_nanos(second * 1_000_000_000 - wall_now().0);
        sleep_until(at);
        at
    }

    fn mend(kind: Kind, m: Machine, rig: &mut DemoRig, hosts: &Hosts, plain: &mut PlainBeats) {
        match kind {
            Kind::Power | Kind::Kill => {
                if kind == Kind::Power {
                    hosts.light();
                }
                rig.mend(Fault::PlayerGone, &[m]).unwrap();
                rig.mend(Fault::AgentGone, &[m]).unwrap();
                plain.restart();
            }
            Kind::Stop => {
                rig.mend(Fault::OsFrozen, &[m]).unwrap();
                plain.freeze(false);
            }
            Kind::LinkDown => hosts.cut_all(m, false),
            Kind::Blackhole => hosts.light(),
        }
    }

    /// An `ip` at the Ethernet switches that waits for its words: starting one takes longer than a beat.
    fn ready_ip(hosts: &Hosts) -> Child {
        let words = hosts.net_words();
        Command::new(&words[0]).args(&words[1..]).args(["ip", "-batch", "-"]).stdin(Stdio::piped()).spawn().unwrap()
    }

    /// A living rig while every core is busy.
    fn mistakes(seconds: u64) {
        let (mut ours, mut plain_ones) = (0, 0);
        let cores = std::thread::available_parallelism().map_or(2, usize::from);
        let mut watched_for = Span::ZERO;
        with_front(&scenario("quiet-show"), |rig, _, front, plain| {
            let burners = Burners::start(cores);
            while watched_for < Span::from_secs(seconds as i64) {
                line_up(rig);
                front.commands();
                plain.iter().for_each(|p| drop(p.verdicts()));
                let piece = Span::from_secs(60).min(Span::from_secs(seconds as i64) - watched_for);
                sleep_until(mono_now() + piece);
                watched_for += piece;
                ours += front.commands().len();
                plain_ones += plain.iter().map(|p| p.verdicts().len()).sum::<usize>();
            }
            drop(burners);
        });
        println!("\n{cores} cores busy for {seconds} s, nothing broken:");
        println!("  ours: {ours} changeovers; plain 3 x 10 ms on two hosts: {plain_ones} verdicts");
        println!(
            "  measured elsewhere: BFD at 10 ms x 3 had 7 (bird) and 24 (frr) in one loaded run of 45 s, none in 135 s later"
        );
    }

    /// Runs something with a rig, what stands before its switch, and plain beats of each machine.
    fn with_front<T: Send>(
        s: &Scenario,
        f: impl FnOnce(&mut DemoRig, &Hosts, &SwitchFront, &mut [PlainBeats]) -> T + Send,
    ) -> T {
        let front = SwitchFront::default();
        let opened = front.clone();
        let hosts = Hosts::new(s.rig.paths, Cables::Virtual).with_front(move |own| opened.open(own));
        let hosts = Arc::new(hosts);
        let out = tempfile::tempdir().unwrap();
        let address = Ipv4Addr::new(10, 77, 0, 1);
        with_rig(s, &hosts, out.path(), |rig| {
            let mut plain: Vec<_> = (0u16..)
                .zip(&hosts.machines)
                .map(|(i, host)| PlainBeats::start(host, &hosts.supervisor, address, 7300 + i))
                .collect();
            f(rig, &hosts, &front, &mut plain)
        })
    }

    fn range(all: &[Span]) -> String {
        let mut ms: Vec<f64> = all.iter().map(|s| s.millis_f64()).collect();
        ms.sort_by(f64::total_cmp);
        match (ms.first(), ms.get(ms.len() / 2), ms.last()) {
            (Some(min), Some(median), Some(max)) => format!("{min:.1} / {median:.1} / {max:.1}"),
            _ => "none".into(),
        }
    }
}
