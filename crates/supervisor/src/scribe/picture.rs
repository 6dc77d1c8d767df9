//! The snapshot: all figures of the watch in the form that the page and `twinkeel status` show.

use base::{
    Dbfs, Machine, Millis, MonoTime, Reading, Samples, ShowPosition, Span, SwitchView, TransportState, WallTime,
};
use rig::{AlarmCode, Reason as Why, Whose};
use showlog::RecordHealth;
use timecode::Timecode;
use watch::{MachineFigures, WatchView};
use wire::HostFlags;

use super::State;
use super::causes;
use super::events::on_air;
use super::names::{Facts, RigNames};
use crate::memory::Kept;
use crate::setlist::{Entry, SetList};
use crate::snapshot::{
    AlarmState, AlarmView, ClockView, Drift, Fitness, Forecast, Headline, HostView, Latched, Letter, LevelView,
    LinkView, MachineView, Mode, NextSong, OffsetLimits, OffsetNow, OffsetView, PathView, Priority, Proposal, Reason,
    Role, RuleRow, SetEntry, SetState, Snapshot, Song, SourceView, Takeover, Tone,
};

/// Figures of the watch are worth this long on the page.
pub(super) const WORTH: Span = Span::from_millis(700);

/// What belongs to tonight's show.
pub struct Tonight<'a> {
    /// The open show.
    pub kept: &'a Kept,
    /// Its set.
    pub set: &'a SetList,
}

/// The picture as it is.
pub fn snapshot(
    view: &WatchView,
    state: &State,
    facts: &Facts,
    tonight: &Tonight<'_>,
    record: Option<RecordHealth>,
    now: MonoTime,
    wall: WallTime,
) -> Snapshot {
    let names = RigNames(facts);
    let latched = view.rig.latched.map(|l| Latched {
        since: state.latched_at.unwrap_or(now),
        text: if state.latched_text.is_empty() {
            format!("Unprotected since the switch went to {}.", l.to)
        } else {
            state.latched_text.clone()
        },
        release_offered: view.rig.release_offered,
    });
    let mut alarms: Vec<AlarmView> = view.rig.alarms.iter().map(|a| alarm(a, state, &names, now, wall)).collect();
    if let Some(r) = record.filter(|r| r.failing.is_some()) {
        alarms.insert(0, record_alarm(&r, now, wall));
    }
    Snapshot {
        format: crate::snapshot::FORMAT,
        epoch: state.epoch,
        sequence: state.sequence,
        now,
        wall,
        title: tonight.kept.title.clone(),
        mode: mode(view.rig.mode),
        on_air: on_air(view).map(Letter),
        latched,
        headline: headline(view, &names),
        takeovers: takeovers(view, facts, &names),
        song: song(view, facts),
        next: next(facts, tonight.set),
        set: set(view, facts, tonight.set),
        songs: facts.show.iter().flat_map(|s| &s.songs).map(|s| s.name.clone()).collect(),
        offsets: Machine::first(view.machines.len()).skip(1).map(|m| offset(view, m, facts)).collect(),
        machines: view
            .machines
            .iter()
            .enumerate()
            .map(|(i, f)| machine(view, i, f, state, facts, &names, wall))
            .collect(),
        switch: super::switch::switch(view, state, facts),
        alarms,
        proposal: view.rig.proposal.map(|p| Proposal {
            id: p.since.nanos(),
            to: Letter(p.to),
            text: format!(
                "Change over to {}? {} You would hear {}.",
                p.to,
                p.reason.say(&names),
                view.rig.takeover.say()
            ),
        }),
        events: state.events.iter().cloned().collect(),
        rules: view
            .why
            .iter()
            .map(|r| RuleRow {
                id: r.rule.code().into(),
                holds: r.holds,
                text: format!("{}{}", if r.decides { "Decides: " } else { "" }, r.sentence.say(&names)),
            })
            .collect(),
        report: None,
        devices: Vec::new(),
        code_cut: state.code_cut.clone(),
        buttons: Vec::new(),
        cue_lights: Vec::new(),
        alarm_sound: None,
        parity: state.parity.clone(),
    }
}

fn headline(view: &WatchView, names: &RigNames<'_>) -> Headline {
    let h = view.rig.headline;
    let mut text = h.say(names);
    if let Some(because) = view.rig.because {
        text = format!("{text} {}", because.say(names));
    }
    if h.reason == Why::CanTakeOver && view.rig.latched.is_some() {
        text = format!("{text} By hand only: the rig is latched.");
    }
    let tone = match h.reason {
        Why::CanTakeOver | Why::CanTakeOverAtRest if view.rig.latched.is_some() => Tone::Abnormal,
        Why::CanTakeOver | Why::CanTakeOverAtRest => Tone::Good,
        Why::ProposalStands => Tone::Action,
        Why::CanReplaceDeadAir | Why::CannotTakeOverYet | Why::CommandPending => Tone::Abnormal,
        _ => Tone::Danger,
    };
    Headline { code: h.reason.code().into(), text, tone }
}

fn takeovers(view: &WatchView, facts: &Facts, names: &RigNames<'_>) -> Vec<Takeover> {
    let on_air = on_air(view);
    let mut list: Vec<Takeover> = Vec::new();
    for m in Machine::first(view.machines.len()).filter(|m| Some(*m) != on_air) {
        let best = view.rig.standby == Some(m);
        let possible = best && view.rig.standby_good_for == rig::StandbyFor::Anything;
        let cost = if best { view.rig.takeover } else { rig::TakeoverCost::default() };
        let reasons = view.rig.machines.get(m.index()).map(|v| &v.reasons);
        let why_not = reasons.and_then(|r| r.first()).map(|r| r.say(names));
        let text = match (possible, why_not) {
            (true, _) => format!("You would hear {}.", cost.say()),
            (false, Some(why)) => why,
            (false, None) => format!("{m} cannot take over."),
        };
        list.push(Takeover {
            to: Letter(m),
            possible,
            jump: cost.jump.map(Millis::from),
            jump_samples: cost.samples.map(|s| Samples(s.0.round())),
            level: cost.level,
            text,
            forced_text: forced_text(view, on_air, m, facts),
            expires: view.now + WORTH,
        });
    }
    list.sort_by_key(|t| !t.possible);
    list
}

/// What a forced changeover does to whatever follows the timecode.
fn forced_text(view: &WatchView, from: Option<Machine>, to: Machine, _facts: &Facts) -> String {
    let code = |m: Machine| view.machines.get(m.index()).and_then(|f| f.position).and_then(|(p, _)| label(p));
    match (from.and_then(code), code(to)) {
        (Some(a), Some(b)) => format!("Timecode jumps from {a} to {b}. Whatever follows it jumps too."),
        _ => "Where the timecode jumps to is not known.".into(),
    }
}

/// A position as timecode.
fn label(p: ShowPosition) -> Option<String> {
    match p {
        ShowPosition::Timecode { rate, at } => Some(Timecode::at(rate, at).0.to_string()),
        ShowPosition::Song { at, .. } => Some(clock(at)),
        ShowPosition::Clocks { millis } => Some(format!("beat {:.1}", millis as f64 / 24_000.0)),
    }
}

fn clock(at: Span) -> String {
    let s = at.nanos().max(0) / 1_000_000_000;
    format!("{}:{:02}", s / 60, s % 60)
}

fn song(view: &WatchView, facts: &Facts) -> Option<Reading<Song>> {
    let f = view.machines.get(on_air(view)?.index())?;
    let place = f.place?;
    let (position, report) = f.position?;
    let listed = facts.song(place.value.song)?;
    let at = place.value.at;
    let placed = facts.songs.place(ShowPosition::Song { number: place.value.song, at }, None);
    let bar = placed.and_then(|p| p.bar_beat).map(|b| format!("bar {}, beat {}", b.bar, b.beat));
    let value = Song {
        number: place.value.song,
        name: listed.name.clone(),
        at,
        left: Some((listed.length.0 - at).max(Span::ZERO)),
        timecode: label(position),
        bar,
        rolling: report.state == TransportState::Rolling,
    };
    Some(Reading { value, as_of: place.as_of, expires: place.as_of + WORTH })
}

/// The song that the machine on air is in; 0: none.
fn song_now(view: &WatchView) -> u16 {
    on_air(view).and_then(|m| view.machines.get(m.index())?.place).map_or(0, |p| p.value.song)
}

fn next(facts: &Facts, set: &SetList) -> Option<NextSong> {
    let (place, entry) = set.next()?;
    let s = facts.song(entry.song)?;
    Some(NextSong {
        number: entry.song,
        name: s.name.clone(),
        start: format!("at {}", s.start),
        place: place as u16 + 1,
    })
}

fn set(view: &WatchView, facts: &Facts, set: &SetList) -> Vec<SetEntry> {
    let next = set.next().map(|n| n.0);
    let now = song_now(view);
    let one = |(i, e): (usize, &Entry)| {
        let s = facts.song(e.song)?;
        let state = match set.at() {
            _ if e.skipped => SetState::Skipped,
            Some(at) if at == i && now == e.song => SetState::Now,
            Some(at) if i <= at => SetState::Played,
            _ if next == Some(i) => SetState::Next,
            _ => SetState::ToCome,
        };
        let place = u16::try_from(i + 1).ok()?;
        Some(SetEntry { place, number: e.song, name: s.name.clone(), start: s.start.clone(), state, added: e.added })
    };
    set.entries().iter().enumerate().filter_map(one).collect()
}

fn offset(view: &WatchView, m: Machine, facts: &Facts) -> OffsetView {
    let f = &view.machines[m.index()];
    let l = &facts.rig.limits;
    let fresh = f.offset.filter(|o| view.now - o.2 < WORTH);
    let value = fresh.map(|o| (f.offset_fit.map_or(o.0, |fit| fit.offset), o.1, o.2));
    let drift = f.offset_fit.and_then(|v| v.drift);
    let forecast = f.offset_fit.filter(|_| fresh.is_some()).and_then(|v| Some((v.forecast(l.warn_offset.0)?, v)));
    let side = |o: Span| if o.is_negative() { (m, Machine::A) } else { (Machine::A, m) };
    let text = match value {
        None => format!("A and {m} cannot be compared now."),
        Some((o, _, _)) if o.abs() < Span::from_micros(100) => format!("A and {m} are in step."),
        Some((o, _, _)) => {
            let (ahead, behind) = side(o);
            format!("{ahead} is {:.1} ms ahead of {behind}.", o.abs().millis_f64())
        }
    };
    OffsetView {
        of: Letter(Machine::A),
        against: Letter(m),
        now: value.map(|(o, bound, at)| Reading {
            value: OffsetNow { value: Millis::from(o), bound: Millis::from(bound) },
            as_of: at,
            expires: at + WORTH,
        }),
        baseline: None,
        limits: OffsetLimits {
            warning: Millis::from(l.warn_offset.0),
            changeover: Millis::from(l.near_offset.0),
            dead_air: Millis::from(l.far_offset.0),
        },
        drift: drift.map(|(rate, sigma)| Drift { rate, uncertainty: base::Ppm(2.0 * sigma.0) }),
        forecast: forecast.filter(|(f, _)| f.reached_in > Span::ZERO && f.reached_in < Span::from_secs(3600)).map(
            |(f, v)| {
                let sign = v.drift.map_or(1.0, |d| d.0.0.signum());
                Forecast {
                    limit: Millis(sign * Millis::from(l.warn_offset.0).0),
                    within: f.reached_in,
                    earliest: f.earliest,
                    latest: f.latest,
                    text: causes::forecast(&f, l.warn_offset.0),
                }
            },
        ),
        text,
        hints: f.hints.iter().map(|h| causes::hint(h, m)).collect(),
    }
}

fn machine(
    view: &WatchView,
    i: usize,
    f: &MachineFigures,
    state: &State,
    facts: &Facts,
    names: &RigNames<'_>,
    wall: WallTime,
) -> MachineView {
    let m = view.rig.machines.get(i).map_or(Machine::A, |r| r.machine);
    let r = view.rig.machines.get(i);
    let out = r.is_some_and(|r| r.out_of_service);
    let role = match view.rig.on_air {
        SwitchView::On(o) if o == m => Role::OnAir,
        _ if out => Role::OutOfService,
        SwitchView::On(_) => Role::Standby,
        _ => Role::Unknown,
    };
    let e = &f.evidence;
    let fresh = |t: Option<MonoTime>| t.is_some_and(|t| view.now - t < WORTH);
    MachineView {
        letter: Letter(m),
        name: facts.machine(m),
        role,
        fitness: r.map_or(Fitness::Unknown, |r| match r.fitness {
            rig::Fitness::Fit => Fitness::Fit,
            rig::Fitness::Degraded => Fitness::Degraded,
            rig::Fitness::Unfit => Fitness::Unfit,
            rig::Fitness::Unknown => Fitness::Unknown,
        }),
        reasons: r.map_or_else(Vec::new, |r| {
            r.reasons.iter().map(|s| Reason { code: s.reason.code().into(), text: s.say(names) }).collect()
        }),
        out_of_service: out.then(|| state.out_of_service.get(&m.into()).cloned().unwrap_or_default()),
        link: LinkView {
            heard: f.heard,
            paths: f
                .paths
                .iter()
                .enumerate()
                .filter(|(p, figures)| *p < facts.rig.listen.paths.len() && figures.known)
                .map(|(p, figures)| PathView {
                    name: format!("path {}", p + 1),
                    alive: figures.alive,
                    round_trip: figures.round_trip.map(Millis::from),
                })
                .collect(),
            beats_lost: f.beats_lost,
            outside: facts.rig.heard_by == settings::rig::HeardBy::Supervisor,
        },
        player: e.player.and_then(|p| p.fresh(view.now)).unwrap_or_default(),
        audio: e.audio.and_then(|a| a.fresh(view.now)).unwrap_or_default(),
        sources: sources(f, fresh(f.beat_at)),
        levels: f.beat_at.map(|at| Reading {
            value: levels(f.levels.all(), state.channels.get(&m.into())),
            as_of: at,
            expires: at + WORTH,
        }),
        clock: ClockView {
            state: f.clock.state,
            bound: (f.beat.is_some()).then(|| Millis::from(f.clock.bound)).filter(|b| b.0 < 1_000.0),
            offset: (f.clock.state == base::ClockState::Tracking).then(|| Millis::from(f.clock.offset)),
            skew: (f.clock.state == base::ClockState::Tracking).then_some(f.clock.skew),
        },
        host: host(f, state.health.get(&m.into())),
        channels: state.channels.get(&m.into()).map_or_else(Vec::new, |n| state.heard.shown(m, n, view.now, wall)),
    }
}

fn sources(f: &MachineFigures, fresh: bool) -> Vec<SourceView> {
    let Some(beat) = f.beat.as_ref() else { return Vec::new() };
    let one = |p: &base::PositionReport| SourceView {
        name: p.source.name().into(),
        state: if fresh { p.state } else { TransportState::Unknown },
        position: label(p.position).filter(|_| fresh),
    };
    beat.positions.iter().map(one).collect()
}

fn levels(of: &[wire::ChannelLevel], names: Option<&Vec<String>>) -> Vec<LevelView> {
    let name = |i: usize| names.and_then(|n| n.get(i)).cloned().unwrap_or_else(|| format!("channel {}", i + 1));
    let one = |(i, l): (usize, &wire::ChannelLevel)| LevelView {
        name: name(i),
        peak: Dbfs::from(l.peak),
        rms: Dbfs::from(l.rms),
    };
    of.iter().enumerate().map(one).collect()
}

fn host(f: &MachineFigures, health: Option<&wire::Health>) -> HostView {
    let flag = |h: HostFlags| f.beat.as_ref().is_some_and(|b| b.host.has(h));
    let mut words = Vec::new();
    if let Some(h) = health {
        words.extend(h.on_battery.map(|b| if b { "battery".to_string() } else { "mains".to_string() }));
        words.extend(h.temperature_tenths.map(|t| format!("{} °C", t / 10)));
        words.extend(h.disk_free.map(|b| format!("{} GB free", b / 1_000_000_000)));
        words.extend(h.cpu_permille.map(|c| format!("processor {} %", c / 10)));
    }
    HostView {
        on_battery: flag(HostFlags::ON_BATTERY),
        hot: flag(HostFlags::HOT),
        disk_low: flag(HostFlags::DISK_LOW),
        cpu_high: flag(HostFlags::CPU_HIGH),
        text: words.join(", "),
    }
}

/// An alarm's number on the page: its code and whose it is, so that the same alarm keeps it.
pub fn alarm_id(code: AlarmCode, whose: Whose) -> u64 {
    let of = |n: u64| u64::from(code.number()) * 16 + n;
    match whose {
        Whose::Rig => of(0),
        Whose::Machine(m) => of(m.index() as u64 + 1),
        Whose::Device(d) => OF_DEVICES + u64::from(code.number()) * 256 + u64::from(d),
    }
}

/// Above the numbers of all machines' alarms.
const OF_DEVICES: u64 = 1 << 32;

/// The alarm with this number.
pub fn alarm_of(id: u64) -> Option<(AlarmCode, Whose)> {
    let with = |n: u64| AlarmCode::ALL.iter().copied().find(|c| u64::from(c.number()) == n);
    if let Some(id) = id.checked_sub(OF_DEVICES) {
        return Some((with(id / 256)?, Whose::Device((id % 256) as u8)));
    }
    let machine = match id % 16 {
        0 => None,
        n => Some(Machine::new(n as usize - 1)?),
    };
    Some((with(id / 16)?, Whose::of(machine)))
}

/// Whose an alarm is.
pub fn whose(machine: Option<Machine>, device: Option<u8>) -> Whose {
    device.map_or(Whose::of(machine), Whose::Device)
}

fn alarm(a: &rig::AlarmView, state: &State, names: &RigNames<'_>, now: MonoTime, wall: WallTime) -> AlarmView {
    let id = alarm_id(a.code, whose(a.machine, a.device));
    AlarmView {
        id,
        code: a.code.code().into(),
        machine: a.machine.map(Letter),
        priority: match a.priority {
            rig::Priority::Low => Priority::Low,
            rig::Priority::Medium => Priority::Medium,
            rig::Priority::High => Priority::High,
        },
        state: match a.state {
            _ if a.shelved_until.is_some_and(|t| now < t) => AlarmState::Shelved,
            rig::AlarmState::Acknowledged => AlarmState::Acknowledged,
            rig::AlarmState::Returned | rig::AlarmState::Normal => AlarmState::ReturnedToNormal,
            rig::AlarmState::Unacknowledged => AlarmState::Unacknowledged,
        },
        text: super::particulars::with(
            super::particulars::with(a.say(names), state.particulars.get(&id)),
            super::particulars::not_compared(state, a.code, a.machine, now).as_ref(),
        ),
        advice: super::advice::advice(a.code).into(),
        since: a.raised_at,
        since_wall: wall - (now - a.raised_at),
        acknowledged_by: state.acknowledged.get(&id).cloned().filter(|_| a.state == rig::AlarmState::Acknowledged),
        shelved_until: a.shelved_until,
    }
}

/// Of each device its alarms in the judge's journal.
pub fn mark_devices(devices: &mut [crate::snapshot::DeviceView], alarms: &[AlarmView]) {
    for a in alarms {
        let Some((_, Whose::Device(d))) = alarm_of(a.id) else { continue };
        if let Some(d) = devices.get_mut(usize::from(d)) {
            d.alarms.push(crate::snapshot::DeviceAlarm { code: a.code.clone(), text: a.text.clone(), since: a.since });
        }
    }
}

/// The record's own trouble: shown as an alarm that no one can shelve.
fn record_alarm(r: &RecordHealth, now: MonoTime, wall: WallTime) -> AlarmView {
    AlarmView {
        id: 0,
        code: "record-failing".into(),
        machine: None,
        priority: Priority::High,
        state: AlarmState::Unacknowledged,
        text: format!("The record is not being written: {}.", r.failing.clone().unwrap_or_default()),
        advice: "The watch goes on. Make room on the supervisor's disk.".into(),
        since: now,
        since_wall: wall,
        acknowledged_by: None,
        shelved_until: None,
    }
}

/// The mode as the page has it.
pub const fn mode(m: rig::Mode) -> Mode {
    match m {
        rig::Mode::Observe => Mode::Observe,
        rig::Mode::Propose => Mode::Propose,
        rig::Mode::Act => Mode::Act,
    }
}
