//! The brain: datagrams, lane messages, the switch's word and a person's acts in; the judge's actions and replies out.
//!
//! It has no thread and no clock. A shell drains its sockets into [`Brain::on_datagram`], then calls [`Brain::settle`] once,
//! carries out the actions, and sleeps until [`Brain::next_deadline`]. Draining before judging is part of the safety: a
//! supervisor that woke late must first hear what had come in time.

use core::net::SocketAddr;

use arrayvec::ArrayVec;
use base::ids::MAX_MACHINES;
use base::{Machine, MonoTime, Reading, ShowPosition, SourceKind, Span, SwitchView, TransportState};
use rig::{Act, ActAnswer, Actions, ChannelTrouble, Judge, Memory, Place, RigEvidence};
use wire::message::TriggerKind;
use wire::{BeatReply, MAX_BEAT, Session};

use crate::apart::time_of_clocks;
use crate::carried::Plays;
use crate::channels::{ChannelBook, Roles};
use crate::machine::{MAX_PATHS, MachineWatch, PerMachine, offset_reading};
use crate::pair::Pair;
use crate::setup::Setup;
use crate::tap::{TAP_IS_WORTH, Tap, TapReport, TapSign, alone_sounds};
use crate::view::{MachineFigures, PathFigures, WatchView};

/// Machines are compared this often.
const COMPARE_EVERY: Span = Span::from_millis(20);
/// A wake-up later than this makes the supervisor doubt itself ...
const LATE: Span = Span::from_millis(20);
/// ... for this long.
const DOUBT: Span = Span::from_millis(100);
/// After our own sleep it doubts itself for this long: network links need a second or two to come up (common practice, no source).
const DOUBT_AFTER_SLEEP: Span = Span::from_secs(3);
/// What the switch said is worth something for this long; it is asked each second.
const SWITCH_IS_WORTH: Span = Span::from_millis(2_500);
/// A machine that the switch told once that it is on air is so until another is told: nobody can be asked.
const TOLD_ONCE_IS_WORTH: Span = Span::from_secs(12 * 3600);
/// A player's own word of its place, sent a few times a second, and its code may be this far apart (common practice, no source).
const SONG_APART: Span = Span::from_millis(500);

/// How a machine's channels compare with the reference machine's, by excerpts.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct LikenessReport {
    /// When a channel was last found to be alike.
    pub alike: Option<MonoTime>,
    /// Some channel is another sound than it was.
    pub differs: bool,
    /// Some channel never was alike, while others were.
    pub never_alike: bool,
}

/// The watch's brain.
pub struct Brain {
    setup: Setup,
    machines: ArrayVec<MachineWatch, MAX_MACHINES>,
    pairs: ArrayVec<Pair, MAX_MACHINES>,
    books: ArrayVec<ChannelBook, MAX_MACHINES>,
    roles: PerMachine<Roles>,
    judge: Judge,
    evidence: RigEvidence,
    next_compare: MonoTime,
    likeness: PerMachine<LikenessReport>,
    sessions: PerMachine<rig::SessionTrouble>,
    tap: Tap,
    worst_lateness: Span,
    strangers: u32,
}

impl Brain {
    /// A brain that has heard nothing yet and remembers what survived.
    pub fn new(setup: Setup, memory: Memory, now: MonoTime) -> Brain {
        let watch = |(i, outside): (&Span, bool)| MachineWatch::new(*i, setup.prefer, now).heard_from_outside(outside);
        let machines: ArrayVec<_, MAX_MACHINES> =
            setup.beat_intervals.iter().zip(setup.rig.outside).map(watch).collect();
        let mut evidence = RigEvidence::default();
        evidence.machines.extend(machines.iter().map(|_| rig::MachineEvidence::default()));
        evidence.switch.has_tap = setup.has_tap;
        Brain {
            pairs: machines.iter().map(|_| Pair::new()).collect(),
            books: machines.iter().map(|_| ChannelBook::default()).collect(),
            machines,
            roles: [Roles::default(); MAX_MACHINES],
            judge: Judge::new(setup.rig, memory, now),
            evidence,
            next_compare: now,
            likeness: Default::default(),
            sessions: Default::default(),
            tap: Tap::default(),
            worst_lateness: Span::ZERO,
            strangers: 0,
            setup,
        }
    }

    // Inputs.

    /// A new session with a machine's agent. The old one is given back, so that it is not freed on a thread that must not.
    pub fn on_session(&mut self, m: Machine, session: Session) -> Option<Session> {
        self.machines.get_mut(m.index())?.on_session(session)
    }

    /// What a machine's channels are for.
    pub fn on_channels(&mut self, m: Machine, roles: Roles) {
        self.roles[m.index()] = roles;
    }

    /// A datagram on a path, with the instant at which it came. Says whose it was, if it was anybody's.
    pub fn on_datagram(&mut self, path: usize, from: SocketAddr, bytes: &[u8], at: MonoTime) -> Option<Machine> {
        let Ok(header) = wire::peek(bytes) else {
            self.strangers = self.strangers.saturating_add(1);
            return None;
        };
        let i = self.machines.iter().position(|m| m.is_session(header.session));
        let Some(i) = i else {
            // Beats of a former session arrive for a moment after each handshake: late, not hostile.
            return None;
        };
        self.machines[i].on_datagram(path, from, bytes, at).ok()?;
        Machine::new(i)
    }

    /// The reply that a path owes a machine now, sealed into `out`.
    pub fn reply_due(
        &mut self,
        m: Machine,
        path: usize,
        now: MonoTime,
        out: &mut [u8; MAX_BEAT],
    ) -> Option<(SocketAddr, usize)> {
        let view = self.switch_view();
        let template = BeatReply { on_air: view, ..BeatReply::default() };
        self.machines.get_mut(m.index())?.reply_due(path, now, template, out)
    }

    /// The number of the newest reply to a machine on a path.
    pub fn newest_reply(&self, m: Machine, path: usize) -> Option<u32> {
        Some(self.machines.get(m.index())?.paths.get(path)?.newest_reply())
    }

    /// When a reply truly left, by the network driver's stamp.
    pub fn on_reply_left(&mut self, m: Machine, path: usize, reply: u32, at: MonoTime) {
        if let Some(p) = self.machines.get_mut(m.index()).and_then(|w| w.paths.get_mut(path)) {
            p.on_reply_left(reply, at);
        }
    }

    /// A machine's reliable lane was closed by its end.
    pub fn on_lane_closed(&mut self, m: Machine, now: MonoTime) {
        if let Some(w) = self.machines.get_mut(m.index()) {
            w.on_lane_closed(now);
        }
    }

    /// A machine's agent said that it ends.
    pub fn on_goodbye(&mut self, m: Machine) {
        if let Some(w) = self.machines.get_mut(m.index()) {
            w.on_goodbye();
        }
    }

    /// A trigger was heard at a machine.
    pub fn on_trigger(&mut self, m: Machine, what: TriggerKind, at: base::RemoteTime, now: MonoTime) {
        if what == TriggerKind::OnAir {
            self.evidence.switch.reply =
                Some(Reading { value: SwitchView::On(m), as_of: now, expires: now + TOLD_ONCE_IS_WORTH });
        }
        if let Some(w) = self.machines.get_mut(m.index()) {
            w.on_trigger(what, at, now);
        }
    }

    /// What the switch said of itself.
    pub fn on_switch(&mut self, view: SwitchView, at: MonoTime) {
        self.evidence.switch.reply = Some(Reading { value: view, as_of: at, expires: at + SWITCH_IS_WORTH });
    }

    /// What the tap sounds like.
    pub fn on_tap(&mut self, report: TapReport) {
        let now = report.at;
        let said = self.evidence.switch.reply.and_then(|r| r.fresh(now));
        let switch = said.and_then(|v| if let SwitchView::On(m) = v { Some(m) } else { None });
        let alone = alone_sounds(&self.evidence.machines, now);
        let machines = &self.machines;
        let plays = |m: Machine, at| machines.get(m.index()).map_or(Plays::Nothing, |w| w.plays_at(at, now));
        self.tap.on_report(report, switch, plays, alone);
        let s = &mut self.evidence.switch;
        s.tap_alive = Some(now);
        if report.last_sound.is_some() {
            s.tap_last_sound = report.last_sound;
        }
        let carries = self.tap.carries();
        // That it sounds while one machine alone does confirms a changeover to that one; it accuses nobody: an agent may be deaf.
        let commanded = s.commanded.map(|c| c.0);
        let carries = carries.filter(|c| c.by != TapSign::Sound || commanded == Some(c.machine));
        s.tap =
            carries.map(|c| Reading { value: SwitchView::On(c.machine), as_of: c.at, expires: c.at + TAP_IS_WORTH });
        s.tap_by_pilot = carries.is_some_and(|c| c.by == TapSign::Pilot);
        s.tap_takes = self.tap.takes();
    }

    /// A machine's sound was compared with the reference machine's.
    pub fn on_likeness(&mut self, m: Machine, report: LikenessReport) {
        self.likeness[m.index()] = report;
    }

    /// A machine's session folders were compared.
    pub fn on_folders(&mut self, m: Machine, trouble: rig::SessionTrouble) {
        self.sessions[m.index()] = trouble;
    }

    /// What is known of a device, by its place in the show file. Those beyond [`rig::MAX_DEVICES`] have no alarms.
    pub fn on_device(&mut self, number: u8, device: rig::DeviceEvidence) {
        let all = &mut self.evidence.devices;
        while all.len() <= usize::from(number) && !all.is_full() {
            all.push(rig::DeviceEvidence::default());
        }
        if let Some(d) = all.get_mut(usize::from(number)) {
            *d = device;
        }
    }

    /// A changeover command went out, or could not.
    pub fn on_commanded(&mut self, to: Machine, at: MonoTime, went_out: bool) {
        self.evidence.switch.commanded = Some((to, at));
        self.evidence.switch.output_failed = !went_out;
    }

    /// Our own machine slept: no clock is known any more, and our lateness does not show it, since the monotonic clock stood. Beats
    /// were lost and links are only coming up, so nothing moves for a while.
    pub fn on_own_sleep(&mut self, now: MonoTime) {
        self.machines.iter_mut().for_each(MachineWatch::on_sleep);
        self.doubt_until(now + DOUBT_AFTER_SLEEP);
    }

    /// Our own network link went down or came up.
    pub fn on_own_link(&mut self, down: bool) {
        self.evidence.supervisor.own_link_down = down;
    }

    /// A person's act.
    pub fn on_act(&mut self, act: Act, now: MonoTime, out: &mut Actions) -> ActAnswer {
        self.refresh(now);
        self.judge.on_act(act, &self.evidence, now, out)
    }

    /// Judges everything that has come in. `lateness`: how long after its deadline the shell woke.
    pub fn settle(&mut self, now: MonoTime, lateness: Span, out: &mut Actions) {
        self.worst_lateness = self.worst_lateness.max(lateness);
        if lateness > LATE {
            self.doubt_until(now + DOUBT);
        }
        for m in &mut self.machines {
            let _ = m.detector.on_time(now, lateness);
        }
        if now >= self.next_compare {
            self.next_compare = now + COMPARE_EVERY;
            self.compare(now);
        }
        self.refresh(now);
        self.judge.on_evidence(&self.evidence, now, out);
    }

    /// When [`Brain::settle`] must be called at the latest, though nothing came in.
    pub fn next_deadline(&self) -> MonoTime {
        let detectors = self.machines.iter().filter_map(|m| m.detector.next_deadline());
        detectors.chain(self.judge.next_deadline()).fold(self.next_compare, MonoTime::min)
    }

    // Views.

    /// What the switch carries, as far as is known now.
    pub fn switch_view(&self) -> SwitchView {
        self.judge.memory().on_air.map_or(SwitchView::Unknown, SwitchView::On)
    }

    /// When the machine on air seems to have failed, by the earliest evidence there is: its first missed beat, or the last sound.
    pub fn fault_seen(&self) -> Option<MonoTime> {
        let on_air = self.judge.memory().on_air?;
        let e = self.evidence.machines.get(on_air.index())?;
        let sound = self.evidence.switch.tap_last_sound.or(e.last_sound);
        e.first_missed.or(sound)
    }

    /// The judge, for what it has to say of itself.
    pub fn judge(&self) -> &Judge {
        &self.judge
    }

    /// The evidence as last refreshed.
    pub fn evidence(&self) -> &RigEvidence {
        &self.evidence
    }

    /// Every figure at one instant.
    pub fn view(&self, now: MonoTime) -> WatchView {
        let mut view = WatchView {
            now,
            rig: self.judge.view(&self.evidence, now),
            why: self.judge.why(),
            machines: ArrayVec::new(),
            tap: self.tap.newest(),
            carries: self.tap.carries(),
            worst_lateness: self.worst_lateness,
            refused: self.refused(),
            switch_reply: self.evidence.switch.reply,
        };
        for (i, m) in self.machines.iter().enumerate() {
            let e = &self.evidence.machines[i];
            let clock = m.clock(now);
            view.machines.push(MachineFigures {
                heard: e.heard,
                paths: core::array::from_fn::<_, MAX_PATHS, _>(|p| PathFigures {
                    known: m.paths[p].last_heard.is_some(),
                    alive: m.paths[p].is_alive(now, self.setup.beat_intervals[i]),
                    round_trip: m.paths[p].round_trip,
                }),
                beats_lost: m.detector.counts().missed,
                clock,
                beat: m.newest.as_ref().map(|(b, _)| b.clone()),
                beat_at: m.newest.as_ref().map(|(_, at)| *at),
                position: m.best_report(now).map(|r| (m.position_now(r, now).0, *r)),
                place: e.place,
                offset: (i > 0).then(|| self.pairs[i].newest).flatten(),
                together_since: (i > 0).then(|| self.pairs[i].together_since).flatten(),
                offset_fit: if i > 0 { self.pairs[i].view(now) } else { None },
                hints: if i > 0 { self.pairs[i].hints(now) } else { ArrayVec::new() },
                levels: m.levels,
                level: e.level,
                moved_by: (e.channels == ChannelTrouble::Shifted).then_some(self.books[i].moved_by),
                evidence: *e,
                code_lost: m.code_lost(now),
            });
        }
        view
    }

    // Inner works.

    fn doubt_until(&mut self, until: MonoTime) {
        let late = &mut self.evidence.supervisor.late_until;
        *late = Some(late.map_or(until, |t| t.max(until)));
    }

    fn refused(&self) -> u32 {
        self.machines.iter().fold(self.strangers, |a, m| a.saturating_add(m.refused))
    }

    /// Compares each machine with the reference, the first of the list.
    fn compare(&mut self, now: MonoTime) {
        if let Some((reference, others)) = self.machines.split_first() {
            for (other, pair) in others.iter().zip(self.pairs.iter_mut().skip(1)) {
                pair.compare(reference, other, now);
            }
        }
        self.compare_channels(now);
    }

    /// Each machine's channels against its twin's: the first other machine that rolls in step with it.
    fn compare_channels(&mut self, now: MonoTime) {
        for (m, book) in self.machines.iter().zip(&mut self.books) {
            if let Some((beat, _)) = &m.newest {
                book.on_levels(m.levels.all(), beat.audio == base::AudioState::Wrong);
            }
        }
        let in_step = |i: usize| {
            let pair = &self.pairs[i];
            let current = pair.current(&self.machines[0], &self.machines[i], now);
            current.is_some_and(|(offset, ..)| offset.abs() <= self.setup.rig.limits.in_step)
        };
        let Some(twin) = (1..self.machines.len()).find(|i| in_step(*i)) else {
            self.books.iter_mut().for_each(ChannelBook::rest);
            return;
        };
        let (first, rest) = self.books.split_at_mut(1);
        first[0].compare(&rest[twin - 1], &self.roles[0], now);
        rest[twin - 1].compare(&first[0], &self.roles[twin], now);
    }

    /// Brings the evidence up to `now`.
    fn refresh(&mut self, now: MonoTime) {
        for (i, m) in self.machines.iter_mut().enumerate() {
            let mut e = m.evidence(now, &self.roles[i]);
            let place = m.best_report(now).and_then(|r| place_of(&self.setup, m.position_now(r, now).0, r.speed()));
            e.place = place.map(|value| Reading { value, as_of: now, expires: now + Span::from_millis(500) });
            e.code_lost = m.code_lost(now).is_some() && e.transport.is_some_and(|t| t.value == TransportState::Rolling);
            e.codes_contradict = m.codes_contradict(now) || song_contradicts(&self.setup, m, now);
            e.louder = self.books[i].louder.programme;
            e.ears_louder = self.books[i].louder.in_ears;
            if e.channels == ChannelTrouble::None {
                e.channels = self.books[i].trouble;
            }
            e.session = self.sessions[i];
            self.evidence.machines[i] = e;
        }
        self.tell_likeness();
        let Some((reference, others)) = self.machines.split_first() else { return };
        self.evidence.machines[0].offset = offset_reading(Span::ZERO, Span::ZERO, now);
        for (i, other) in (1..).zip(others) {
            let (pair, e) = (&self.pairs[i], &mut self.evidence.machines[i]);
            let Some((offset, bound, at)) = pair.current(reference, other, now) else { continue };
            let fit = pair.view(now);
            // The judge wants this machine minus the reference.
            e.offset = offset_reading(-fit.map_or(offset, |f| f.offset), bound, at);
            e.drift = fit.and_then(|f| f.drift).map(|(d, _)| -d);
        }
        self.evidence.supervisor.refused = self.refused();
    }
}

impl Brain {
    /// Two machines that sound unlike each other tell nothing of which is wrong: the one on air is what people hear, and the
    /// other is no like replacement for it.
    fn tell_likeness(&mut self) {
        let on_air = self.judge.memory().on_air;
        let reports = self.likeness;
        for (i, r) in reports.iter().enumerate().take(self.machines.len()).skip(1) {
            let stand_in = if on_air.is_some_and(|o| o.index() == i) { 0 } else { i };
            let both = [0, i];
            for e in both {
                let e = &mut self.evidence.machines[e];
                e.matched = e.matched.max(r.alike);
            }
            let e = &mut self.evidence.machines[stand_in];
            e.never_alike |= r.never_alike;
            if r.differs && e.channels == ChannelTrouble::None {
                e.channels = ChannelTrouble::Differs;
            }
        }
    }
}

/// Whether the song that a player names by OSC is not the place of its rolling timecode.
fn song_contradicts(setup: &Setup, m: &MachineWatch, now: MonoTime) -> bool {
    let rolling = |s| m.report(s, now).filter(|r| r.state == TransportState::Rolling);
    let code = [SourceKind::Ltc, SourceKind::Mtc].into_iter().find_map(rolling);
    let (Some(code), Some(named)) = (code, rolling(SourceKind::Osc)) else { return false };
    let place = |r: &base::PositionReport| place_of(setup, m.position_now(r, now).0, r.speed()).filter(|p| p.song > 0);
    let (Some(a), Some(b)) = (place(code), place(named)) else { return false };
    a.song != b.song || (a.at - b.at).abs() > SONG_APART
}

/// The place of a position in the show. A clock knows no song: its machines are compared with each other.
fn place_of(setup: &Setup, position: ShowPosition, speed: f64) -> Option<Place> {
    match position {
        ShowPosition::Timecode { at, .. } => Some(match setup.song_at(at).and_then(|i| setup.songs.get(i)) {
            Some(song) => {
                let at = at - song.start;
                Place { song: song.number, section: song.section_at(at), at }
            }
            None => Place { song: 0, section: 0, at },
        }),
        ShowPosition::Song { number, at } => {
            let song = setup.songs.iter().find(|s| s.number == number);
            Some(Place { song: number, section: song.map_or(0, |s| s.section_at(at)), at })
        }
        ShowPosition::Clocks { millis } => time_of_clocks(millis, speed).map(|at| Place { song: 0, section: 0, at }),
    }
}
