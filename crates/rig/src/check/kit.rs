//! What the machines are made of, and whether their hosts leave them alone.

use super::{Found, Limits, MachineSeen, Seen, Verdict, all_the_same, together};

/// Machines that are heard: of the others [`super::Item::Heard`] speaks.
fn heard(seen: &Seen) -> impl Iterator<Item = &MachineSeen> {
    seen.machines.iter().filter(|m| m.heard)
}

fn equal(seen: &Seen, silent: &str, value: impl Fn(&MachineSeen) -> Option<String>) -> Found {
    all_the_same(heard(seen).map(|m| (m.machine, value(m))).collect(), silent)
}

fn each(seen: &Seen, part: impl Fn(&MachineSeen) -> (Verdict, String)) -> Found {
    together(
        heard(seen)
            .map(|m| {
                let (verdict, words) = part(m);
                (m.machine, verdict, words)
            })
            .collect(),
    )
}

/// A thing that should be so and that the system may not tell.
fn so(value: Option<bool>, wrong: Verdict, [yes, no, unknown]: [&str; 3]) -> (Verdict, String) {
    match value {
        Some(true) => (Verdict::Pass, yes.into()),
        Some(false) => (wrong, no.into()),
        None => (Verdict::NotTested, unknown.into()),
    }
}

/// Bytes as people read them.
pub fn bytes(b: u64) -> String {
    let b = b as f64;
    match b {
        b if b >= 1e9 => format!("{:.1} GB", b / 1e9),
        b => format!("{:.0} MB", b / 1e6),
    }
}

/// One version.
pub fn agents(seen: &Seen, _: &Limits) -> Found {
    equal(seen, "no agent has said its version", |m| m.agent.clone())
}

/// One build.
pub fn system(seen: &Seen, _: &Limits) -> Found {
    equal(seen, "no agent has said its system", |m| m.host.system.clone())
}

/// It is there.
pub fn player_runs(seen: &Seen, _: &Limits) -> Found {
    each(seen, |m| so(m.kit.player_runs, Verdict::Fail, ["runs", "does not run", "no player is watched"]))
}

/// One version.
pub fn player(seen: &Seen, _: &Limits) -> Found {
    equal(seen, "no agent knows its player's version", |m| m.kit.player.clone())
}

/// One rate.
pub fn sample_rate(seen: &Seen, _: &Limits) -> Found {
    equal(seen, "no machine has ears", |m| m.kit.sample_rate.map(|r| format!("{r} Hz")))
}

/// One size.
pub fn buffer(seen: &Seen, _: &Limits) -> Found {
    equal(seen, "no machine has ears", |m| m.kit.buffer.map(|b| format!("{b} samples")))
}

/// One kind of device.
pub fn device(seen: &Seen, _: &Limits) -> Found {
    equal(seen, "no agent knows its audio device", |m| m.kit.device.clone())
}

/// One clock.
pub fn clock_source(seen: &Seen, _: &Limits) -> Found {
    equal(seen, "the systems do not tell what clocks their devices", |m| m.kit.clock_source.clone())
}

/// One order.
pub fn channels(seen: &Seen, _: &Limits) -> Found {
    equal(seen, "no machine has ears", |m| (!m.kit.channels.is_empty()).then(|| m.kit.channels.join(", ")))
}

/// All that is configured is open.
pub fn sources(seen: &Seen, _: &Limits) -> Found {
    each(seen, |m| {
        let gone: Vec<&str> = m.sources.iter().filter(|s| !s.open).map(|s| s.name.as_str()).collect();
        match (m.sources.len(), gone.is_empty()) {
            (0, _) => (Verdict::NotTested, "its agent names no source".into()),
            (n, true) => (Verdict::Pass, format!("{n} of {n} open")),
            (_, false) => (Verdict::Fail, format!("{} is not there", gone.join(" and "))),
        }
    })
}

/// Not on its battery.
pub fn mains(seen: &Seen, _: &Limits) -> Found {
    each(seen, |m| {
        let mains = m.host.on_battery.map(|b| !b);
        so(mains, Verdict::Fail, ["on mains", "runs on its battery", "the system does not tell"])
    })
}

fn room(value: Option<u64>, warn: u64, fail: u64) -> (Verdict, String) {
    match value {
        None => (Verdict::NotTested, "the system does not tell".into()),
        Some(b) if b < fail => (Verdict::Fail, format!("only {} free", bytes(b))),
        Some(b) if b < warn => (Verdict::Warn, format!("{} free", bytes(b))),
        Some(b) => (Verdict::Pass, format!("{} free", bytes(b))),
    }
}

/// Room on the disk.
pub fn disk(seen: &Seen, l: &Limits) -> Found {
    each(seen, |m| room(m.host.disk_free, l.disk_warn, l.disk_fail))
}

/// Room in memory.
pub fn memory(seen: &Seen, l: &Limits) -> Found {
    each(seen, |m| room(m.host.memory_free, l.memory_warn, l.memory_fail))
}

/// Headroom. A warning at most: how much a player needs nobody here knows.
pub fn processor(seen: &Seen, l: &Limits) -> Found {
    each(seen, |m| match m.host.cpu_permille {
        None => (Verdict::NotTested, "the system does not tell".into()),
        Some(c) if c > l.cpu_warn => (Verdict::Warn, format!("{} % in use", c / 10)),
        Some(c) => (Verdict::Pass, format!("{} % in use", c / 10)),
    })
}

/// Cool enough.
pub fn temperature(seen: &Seen, l: &Limits) -> Found {
    each(seen, |m| match m.host.temperature_tenths {
        None => (Verdict::NotTested, "the system does not tell".into()),
        Some(t) if t >= l.hot_tenths => (Verdict::Warn, format!("{} \u{b0}C", t / 10)),
        Some(t) => (Verdict::Pass, format!("{} \u{b0}C", t / 10)),
    })
}

/// Ahead of other work.
pub fn priority(seen: &Seen, _: &Limits) -> Found {
    each(seen, |m| so(m.host.real_time, Verdict::Warn, ["has it", "has it not", "its agent has not said"]))
}

/// It stays awake.
pub fn sleep(seen: &Seen, _: &Limits) -> Found {
    each(seen, |m| {
        so(m.host.sleep_off, Verdict::Fail, ["cannot fall asleep", "may fall asleep", "the system does not tell"])
    })
}

/// It stays as it is.
pub fn updates(seen: &Seen, _: &Limits) -> Found {
    each(seen, |m| {
        so(m.host.updates_off, Verdict::Fail, ["off", "updates itself by itself", "the system does not tell"])
    })
}

/// It stays silent.
pub fn notifications(seen: &Seen, _: &Limits) -> Found {
    each(seen, |m| {
        so(m.host.notifications_off, Verdict::Warn, ["off", "shows notifications", "the system does not tell"])
    })
}

/// The same files.
pub fn session(seen: &Seen, _: &Limits) -> Found {
    let parts = seen.pairs.iter().filter_map(|p| {
        let s = p.session?;
        let counts =
            [(s.missing, "missing"), (s.extra, "too many"), (s.differs, "differing"), (s.unread, "not readable")];
        let wrong: Vec<String> = counts.iter().filter(|(n, _)| *n > 0).map(|(n, w)| format!("{n} {w}")).collect();
        Some(if wrong.is_empty() {
            (p.machine, Verdict::Pass, format!("{} files as on the first machine", s.files))
        } else {
            (p.machine, Verdict::Fail, format!("of {} files {}", s.files, wrong.join(", ")))
        })
    });
    let parts: Vec<_> = parts.collect();
    if parts.is_empty() {
        return Found::untested("no session folders are compared");
    }
    together(parts)
}

/// The session in the player is the one on the disk.
pub fn session_loaded(seen: &Seen, _: &Limits) -> Found {
    if heard(seen).all(|m| m.behind.is_none()) {
        return Found::untested("no session folders are watched");
    }
    each(seen, |m| match m.behind {
        None => (Verdict::NotTested, "it is not known when its player opened the session".into()),
        Some(0) => (Verdict::Pass, "nothing changed since it was opened".into()),
        Some(1) => (Verdict::Fail, "1 file changed after its player had opened it".into()),
        Some(n) => (Verdict::Fail, format!("{n} files changed after its player had opened them")),
    })
}
