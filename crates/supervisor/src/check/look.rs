//! From what was noted to what the rules judge.

use base::{Machine, MonoTime, PlayerState, SourceKind, Span, SwitchView};
use rig::check::{
    ChangeoverSeen, ClockSeen, CodeSeen, Depth, HostSeen, KitSeen, Limits, MachineSeen, OutputSeen, PairSeen,
    RecordSeen, Seen, SourceSeen, SwitchSeen, TriggerSeen,
};
use settings::rig::Output;
use watch::{MachineFigures, WatchView};

use super::notebook::Notebook;
use super::passage::Passage;
use crate::parity::Parity;
use crate::scribe::Facts;
use crate::snapshot::{OutputState, Snapshot};

/// What is said of the tap and the switch is worth this long.
const WORTH: Span = Span::from_millis(700);

/// What a run found out besides what the notebook has.
#[derive(Default)]
pub struct Found {
    /// What was heard of a passage.
    pub passage: Passage,
    /// Changeovers that were made.
    pub changeovers: Vec<ChangeoverSeen>,
    /// What became of a test line in the record.
    pub record: RecordSeen,
    /// How the session folders compare.
    pub parity: Parity,
}

/// All that a check of this depth saw.
pub fn seen(depth: Depth, n: &Notebook, snapshot: &Snapshot, facts: &Facts, found: &Found) -> Seen {
    let Some(view) = &n.view else { return Seen { depth, ..Seen::default() } };
    let machines: Vec<Machine> = Machine::first(view.machines.len()).collect();
    Seen {
        depth,
        outside: facts.rig.heard_by == settings::rig::HeardBy::Supervisor,
        machines: machines.iter().map(|m| machine(*m, n, view, facts, found)).collect(),
        pairs: machines.iter().skip(1).map(|m| pair(*m, n, found)).collect(),
        switch: switch(view, snapshot, facts),
        record: found.record.clone(),
        changeovers: found.changeovers.clone(),
        trigger: trigger(&machines, n, found.passage.began),
        rolled: found.passage.rolled,
        longest_song: facts.show.as_ref().and_then(|s| s.songs.iter().map(|s| s.length.0).max()),
    }
}

/// The check's limits, with those of the show.
pub fn limits(facts: &Facts) -> Limits {
    let near = facts.rig.limits.near_offset.0;
    let warn = Limits::default().skew_warn;
    Limits { in_step: near, skew_warn: warn.min(near), ..Limits::default() }
}

fn machine(m: Machine, n: &Notebook, view: &WatchView, facts: &Facts, found: &Found) -> MachineSeen {
    let passage = &found.passage;
    let nothing = MachineSeen::new(m);
    let Some(f) = view.machines.get(m.index()) else { return nothing };
    let heard = matches!(f.heard, base::Heard::Well | base::Heard::OnePath);
    let out_of_service = view.rig.machines.get(m.index()).is_some_and(|r| r.out_of_service);
    if !heard {
        return MachineSeen { out_of_service, ..nothing };
    }
    let hello = n.hello.get(&m);
    let inventory = n.inventory.get(&m);
    let codes = passage.codes.get(&m).into_iter().flatten();
    MachineSeen {
        heard,
        out_of_service,
        agent: hello.map(|h| h.software.clone()),
        clock: Some(ClockSeen { state: f.clock.state, bound: f.clock.bound }),
        paths: f.paths.iter().take(facts.rig.listen.paths.len()).map(|p| p.alive).collect(),
        host: host(m, n),
        kit: kit(m, n, f, view.now),
        sources: inventory.map_or_else(Vec::new, |i| {
            let open = |s: wire::message::SourceState| s == wire::message::SourceState::Open;
            i.sources.iter().map(|s| SourceSeen { name: s.name.clone(), open: open(s.state) }).collect()
        }),
        pilot: pilot(m, f, view.now, facts),
        codes: codes.map(|(source, rolled)| CodeSeen { source: *source, rolled: *rolled }).collect(),
        codes_contradict: passage.rolled && f.evidence.codes_contradict,
        dropouts: passage.dropouts(m, f).filter(|_| inventory.is_some_and(|i| i.sample_rate > 0)),
        patches: n.patches.get(&m).cloned().unwrap_or_default(),
        behind: found.parity.behind(m),
        ..nothing
    }
}

/// Where the rig names a pilot tone, not hearing of it is not hearing it.
fn pilot(m: Machine, f: &MachineFigures, now: MonoTime, facts: &Facts) -> Option<bool> {
    let wanted = facts.rig.machines.get(m.index()).is_some_and(|e| e.pilot.is_some());
    let heard = f.evidence.pilot.and_then(|p| p.fresh(now));
    heard.or(wanted.then_some(false))
}

fn host(m: Machine, n: &Notebook) -> HostSeen {
    let (hello, health, kit) = (n.hello.get(&m), n.health.get(&m), n.kit.get(&m));
    let build = kit.and_then(|k| k.build.as_ref()).map(|b| format!(", {b}")).unwrap_or_default();
    HostSeen {
        system: hello.map(|h| format!("{}{build}", h.system)),
        boot: hello.map(|h| h.boot),
        on_battery: health.and_then(|h| h.on_battery),
        disk_free: health.and_then(|h| h.disk_free),
        memory_free: health.and_then(|h| h.memory_free),
        cpu_permille: n.least_cpu.get(&m).copied(),
        temperature_tenths: health.and_then(|h| h.temperature_tenths),
        real_time: n.inventory.get(&m).map(|i| i.real_time),
        sleep_off: kit.and_then(|k| k.sleep_off),
        updates_off: kit.and_then(|k| k.updates_off),
        notifications_off: kit.and_then(|k| k.notifications_off),
    }
}

fn kit(m: Machine, n: &Notebook, f: &MachineFigures, now: MonoTime) -> KitSeen {
    let (inventory, kit) = (n.inventory.get(&m), n.kit.get(&m));
    let rate = inventory.map(|i| i.sample_rate).filter(|r| *r > 0);
    let block = f.beat.as_ref().map(|b| b.block).filter(|b| *b > Span::ZERO);
    let frames = |(block, rate): (Span, u32)| (block.secs_f64() * f64::from(rate)).round() as u32;
    KitSeen {
        player_runs: match f.evidence.player.and_then(|p| p.fresh(now)) {
            Some(PlayerState::Running) => Some(true),
            Some(PlayerState::Gone) => Some(false),
            _ => None,
        },
        player: kit.and_then(|k| k.player.clone()),
        player_started: kit.and_then(|k| k.player_started).map(base::WallTime),
        sample_rate: rate,
        buffer: block.zip(rate).map(frames),
        device: kit.and_then(|k| k.device.clone()),
        clock_source: kit.and_then(|k| k.clock_source.clone()),
        channels: inventory.map(|i| i.channels.clone()).unwrap_or_default(),
    }
}

fn pair(m: Machine, n: &Notebook, found: &Found) -> PairSeen {
    let passage = &found.passage;
    let p = passage.pairs.get(&m).copied().unwrap_or_default();
    let channels = if passage.rolled { n.channels(m) } else { Vec::new() };
    PairSeen {
        start_skew: p.start_skew,
        offset: p.offset,
        drift: p.drift,
        channels,
        session: found.parity.session(m),
        ..PairSeen::new(m)
    }
}

fn switch(view: &WatchView, snapshot: &Snapshot, facts: &Facts) -> SwitchSeen {
    let answered = view.switch_reply.is_some_and(|r| r.fresh(view.now).is_some());
    let outputs = snapshot.switch.outputs.iter().zip(&facts.rig.outputs);
    SwitchSeen {
        on_air: match view.rig.on_air {
            SwitchView::On(m) => Some(m),
            _ => None,
        },
        conflict: view.rig.on_air == SwitchView::Conflict,
        latched: view.rig.latched.is_some(),
        outputs: outputs
            .map(|(o, configured)| OutputSeen {
                name: o.name.clone(),
                open: o.state != OutputState::Failed,
                answers: can_be_asked(configured).then_some(answered),
            })
            .collect(),
        tap: facts.rig.tap.is_some().then(|| view.tap.is_some_and(|t| view.now - t.at < WORTH)),
    }
}

/// One that only answers commands shows in a changeover whether it does.
fn can_be_asked(o: &Output) -> bool {
    matches!(o, Output::Osc { ask: Some(_), .. } | Output::Udp { ask: Some(_), .. } | Output::Tcp { ask: Some(_), .. })
}

/// The last trigger before the passage rolled, at each machine. An agent tells of it at once; the code takes a little longer.
fn trigger(machines: &[Machine], n: &Notebook, began: Option<MonoTime>) -> Vec<TriggerSeen> {
    const BEFORE: Span = Span::from_secs(3);
    const AFTER: Span = Span::from_secs(1);
    let Some(began) = began else { return Vec::new() };
    let near = |at: MonoTime| at >= began - BEFORE && at <= began + AFTER;
    let reached: Vec<(Machine, Option<MonoTime>)> = machines
        .iter()
        .map(|m| (*m, n.triggers.iter().rev().find(|(i, at)| i == m && near(*at)).map(|(_, at)| *at)))
        .collect();
    let Some(first) = reached.iter().filter_map(|(_, at)| *at).min() else { return Vec::new() };
    reached.into_iter().map(|(machine, at)| TriggerSeen { machine, after: at.map(|at| at - first) }).collect()
}

/// The codes that a machine's newest beat tells of, and whether each rolls.
pub fn codes(f: &MachineFigures) -> impl Iterator<Item = (SourceKind, bool)> + '_ {
    let positions = f.beat.iter().flat_map(|b| &b.positions);
    positions.map(|p| (p.source, p.state == base::TransportState::Rolling))
}
