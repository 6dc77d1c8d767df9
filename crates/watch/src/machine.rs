//! All that the supervisor holds of one machine.

use core::net::SocketAddr;

use base::ids::MAX_MACHINES;
use base::{
    AudioState, ClockState, Heard, Hertz, MonoTime, PositionReport, Ppm, Reading, ShowPosition, SourceKind, Span,
    TransportState,
};
use measure::clock::ClockEstimate;
use measure::detector::{BeatDetector, BeatState, DetectorConfig};
use rig::Offset;
use wire::{Beat, HostFlags, Lane, OpenError, Session};

use crate::carried::Plays;
use crate::heard_levels::HeardLevels;
use crate::last_minute::LastMinute;
use crate::paths::Path;
use outside::own_ears_lost;

mod evidence;
mod outside;

/// The most network paths.
pub const MAX_PATHS: usize = 2;
/// What a beat says is worth something for this long: it must outlive a short loss, and not a dead host.
const BEAT_IS_WORTH: Span = Span::from_millis(250);

/// What was last told of a machine's place is carried on for so long: two crystals part by 0.15 ms meanwhile, at 50 ppm (from memory).
const CARRIED_ON: Span = Span::from_secs(3);

/// Stamps of one clock are that sure.
const ONE_CLOCK: Span = Span::from_micros(1);
/// The same trigger within this is one that came twice (common practice, no source: a pad is not hit twice so soon).
const TWICE: Span = Span::from_millis(150);

/// Sources of one machine may start and end this far apart.
const SOURCES_APART: Span = Span::from_millis(300);

/// One machine.
pub struct MachineWatch {
    /// The sealed talk with its agent, the two beat lanes of it.
    session: Option<Session>,
    /// Its paths.
    pub paths: [Path; MAX_PATHS],
    /// Whether its beats come.
    pub detector: BeatDetector,
    /// Beats count anew in each session, the detector's numbers go on: what is added to a beat's number.
    before_session: u64,
    last_seq: u64,
    interval: Span,
    prefer: [SourceKind; 4],
    /// Its newest beat and when that came.
    pub newest: Option<(Beat, MonoTime)>,
    /// The levels of all its channels.
    pub levels: HeardLevels,
    /// When that beat was sent, on our clock.
    last_sent: Option<MonoTime>,
    lane_closed: Option<MonoTime>,
    said_goodbye: bool,
    /// The session is agreed, and no beat of it has come yet.
    begins: bool,
    /// The newest stop trigger that was heard there, on our clock.
    stop_trigger: Option<MonoTime>,
    /// The newest trigger of any kind, and whether it came twice.
    trigger: Option<(wire::message::TriggerKind, MonoTime)>,
    trigger_doubled: bool,
    transport: (TransportState, MonoTime),
    dropouts: LastMinute,
    /// Our own inputs hear it: its agent runs beside us, on our clock.
    outside: bool,
    /// Those inputs were open once.
    opened: bool,
    /// Something was heard since they were last opened.
    proven: bool,
    /// Datagrams refused.
    pub refused: u32,
}

impl MachineWatch {
    /// A machine that has not been heard yet.
    pub fn new(interval: Span, prefer: [SourceKind; 4], now: MonoTime) -> MachineWatch {
        MachineWatch {
            session: None,
            paths: Default::default(),
            detector: BeatDetector::new(DetectorConfig::every(interval)),
            before_session: 0,
            last_seq: 0,
            interval,
            prefer,
            newest: None,
            levels: HeardLevels::default(),
            last_sent: None,
            lane_closed: None,
            said_goodbye: false,
            begins: false,
            stop_trigger: None,
            trigger: None,
            trigger_doubled: false,
            transport: (TransportState::Unknown, now),
            dropouts: LastMinute::new(now),
            outside: false,
            opened: false,
            proven: false,
            refused: 0,
        }
    }

    /// The same of a machine that our own inputs hear.
    pub fn heard_from_outside(mut self, outside: bool) -> MachineWatch {
        self.outside = outside;
        self
    }

    /// A new session: a new start of the agent, whose counters and maybe clock begin anew.
    pub fn on_session(&mut self, mut session: Session) -> Option<Session> {
        let old = self.session.take();
        if let Some(old) = &old {
            session.succeed(old);
        }
        self.session = Some(session);
        // How the old one ended stands until this one's first beat: between the two its silence is no death.
        self.begins = true;
        self.paths = Default::default();
        self.before_session = self.last_seq;
        self.detector.on_new_sender();
        old
    }

    /// Whether a datagram that names this session is for this machine.
    pub fn is_session(&self, id: u32) -> bool {
        self.session.as_ref().is_some_and(|s| s.id() == id)
    }

    /// A datagram of our session, on a path.
    ///
    /// # Errors
    /// Why it was refused.
    pub fn on_datagram(&mut self, path: usize, from: SocketAddr, bytes: &[u8], at: MonoTime) -> Result<(), OpenError> {
        let lane = if path == 0 { Lane::Path1 } else { Lane::Path2 };
        let session = self.session.as_mut().ok_or(OpenError::Unknown)?;
        let beat = session.open_beat(lane, bytes).inspect_err(|e| {
            if *e != OpenError::Stale {
                self.refused = self.refused.saturating_add(1);
            }
        })?;
        // An agent counts each session's beats from 1, so none lies before them, in whatever order they come.
        let seq = self.before_session + u64::from(beat.seq);
        let newer = seq > self.last_seq;
        // Said in many beats; each waking counts once, and an overtaken beat tells of none.
        let woken = |b: &Beat| b.host.has(HostFlags::WOKE).then_some(b.frozen_before);
        let told = |woke| self.newest.as_ref().is_some_and(|(before, _)| woken(before) == Some(woke));
        if newer && woken(&beat).is_some_and(|woke| !told(woke)) {
            self.on_sleep();
        }
        if let Some(p) = self.paths.get_mut(path) {
            p.on_beat(from, &beat, at);
        }
        if core::mem::take(&mut self.begins) {
            self.lane_closed = None;
            self.said_goodbye = false;
        }
        // A beat that comes after the lane was closed shows that the agent lives.
        self.lane_closed = self.lane_closed.filter(|closed| at <= *closed);
        let clock = self.clock(at);
        let sent = (clock.state == ClockState::Tracking).then(|| beat.sent.to_local(clock.offset));
        let _ = self.detector.on_beat(path, seq, sent, at);
        if newer {
            self.last_seq = seq;
            self.last_sent = Some(sent.unwrap_or(at));
            let lost = own_ears_lost(&beat);
            let something =
                beat.audio == AudioState::Sounding || beat.positions.iter().any(|p| p.state == TransportState::Rolling);
            self.opened |= !lost;
            self.proven = !lost && (self.proven || something);
            self.levels.on_beat(&beat);
            self.newest = Some((beat, at));
        }
        Ok(())
    }

    /// Its host or ours slept: what is known of its clock is void.
    pub fn on_sleep(&mut self) {
        self.paths.iter_mut().for_each(Path::on_sleep);
    }

    /// Seals what a path owes the agent, into `out`.
    pub fn reply_due(
        &mut self,
        path: usize,
        now: MonoTime,
        template: wire::BeatReply,
        out: &mut [u8; wire::MAX_BEAT],
    ) -> Option<(SocketAddr, usize)> {
        let lane = if path == 0 { Lane::Path1 } else { Lane::Path2 };
        let (to, reply) = self.paths.get_mut(path)?.reply_due(now, template)?;
        let len = self.session.as_mut()?.seal_reply(lane, &reply, out).ok()?;
        Some((to, len))
    }

    /// The reliable lane was closed by the other end (FIN or RST): whoever could close it, the host lives.
    pub fn on_lane_closed(&mut self, now: MonoTime) {
        self.lane_closed = Some(now);
    }

    /// A trigger was heard there, stamped by its agent.
    pub fn on_trigger(&mut self, what: wire::message::TriggerKind, at: base::RemoteTime, now: MonoTime) {
        use wire::message::TriggerKind as T;
        let at = at.to_local(self.clock(now).offset);
        match what {
            T::Stop | T::Jump => self.stop_trigger = Some(at),
            T::Start => {}
            // Says something of the switch, and nothing of the transport.
            T::OnAir => return,
        }
        self.trigger_doubled = self.trigger.is_some_and(|(w, t)| w == what && at - t < TWICE);
        self.trigger = Some((what, at));
    }

    /// The agent said that it ends.
    pub fn on_goodbye(&mut self) {
        self.said_goodbye = true;
    }

    /// The best estimate of its clock: of the paths that track, the one with the least bound.
    pub fn clock(&self, now: MonoTime) -> ClockEstimate {
        if self.outside {
            return ClockEstimate { offset: Span::ZERO, skew: Ppm(0.0), bound: ONE_CLOCK, state: ClockState::Tracking };
        }
        let mut best = self.paths[0].clock(now);
        for p in &self.paths[1..] {
            let c = p.clock(now);
            let better = (c.state == ClockState::Tracking, -c.bound.nanos())
                > (best.state == ClockState::Tracking, -best.bound.nanos());
            if better {
                best = c;
            }
        }
        best
    }

    /// How it is heard, all told.
    pub fn heard(&self, now: MonoTime) -> Heard {
        if self.outside {
            return self.heard_outside();
        }
        match self.detector.state() {
            BeatState::Never => Heard::Never,
            BeatState::Silent | BeatState::Paused if self.said_goodbye => Heard::Goodbye,
            BeatState::Silent if self.lane_closed.is_some() => Heard::AgentLost,
            BeatState::Silent | BeatState::Paused => Heard::Silent,
            BeatState::Heard => {
                let known = self.paths.iter().filter(|p| p.last_heard.is_some()).count();
                if self.paths_alive(now) < known { Heard::OnePath } else { Heard::Well }
            }
        }
    }

    fn paths_alive(&self, now: MonoTime) -> usize {
        self.paths.iter().filter(|p| p.is_alive(now, self.interval)).count()
    }

    /// The newest position from a source, if it is worth anything now.
    pub fn report(&self, source: SourceKind, now: MonoTime) -> Option<&PositionReport> {
        let (beat, at) = self.newest.as_ref()?;
        if now - *at > BEAT_IS_WORTH {
            return None;
        }
        beat.positions.iter().find(|p| p.source == source)
    }

    /// What it played at an instant a moment ago, by its timecode: LTC where it has that, else MTC. What it last told is carried on for a
    /// while when it is not heard any more.
    pub fn plays_at(&self, at: MonoTime, now: MonoTime) -> Plays {
        let Some((beat, told)) = &self.newest else { return Plays::Unknown };
        let of = |s: SourceKind| beat.positions.iter().find(|p| p.source == s && p.state != TransportState::Unknown);
        let Some(report) = of(SourceKind::Ltc).or_else(|| of(SourceKind::Mtc)) else { return Plays::Unknown };
        let clock = self.clock(now);
        match report.state {
            _ if matches!(clock.state, ClockState::Acquiring | ClockState::Stepped) => Plays::Unknown,
            _ if now - *told > CARRIED_ON => Plays::Unknown,
            TransportState::Rolling => Plays::At(report.carried_to(remote(at, clock.offset))),
            // It was so when it was last heard; it may roll since.
            _ if now - *told > BEAT_IS_WORTH => Plays::Unknown,
            _ => Plays::Nothing,
        }
    }

    /// The order in which its sources are believed.
    pub fn preference(&self) -> [SourceKind; 4] {
        self.prefer
    }

    /// Whether its agent finds that two of its timecodes are not of one place.
    pub fn codes_contradict(&self, now: MonoTime) -> bool {
        self.newest
            .as_ref()
            .is_some_and(|(beat, at)| now - *at <= BEAT_IS_WORTH && beat.sources.has(wire::SourceFlags::DISAGREE))
    }

    /// The most trusted source that rolls; if none rolls, the most trusted that says anything.
    pub fn best_report(&self, now: MonoTime) -> Option<&PositionReport> {
        let all = || self.prefer.iter().filter_map(|s| self.report(*s, now));
        all().find(|r| r.state == TransportState::Rolling).or_else(|| all().next())
    }

    /// A report's position carried to `now`, with the bound of what is known of its clock and its line.
    pub fn position_now(&self, report: &PositionReport, now: MonoTime) -> (ShowPosition, Span) {
        let clock = self.clock(now);
        let there = report.carried_to(remote(now, clock.offset));
        (there, clock.bound + report.sigma.times(2))
    }

    /// A source whose code has ceased for a while though another one rolls on: the code is gone, the show is not.
    pub fn code_lost(&self, now: MonoTime) -> Option<SourceKind> {
        let clock = self.clock(now);
        let all = || self.prefer.iter().filter_map(|s| self.report(*s, now));
        // Sources of one machine start and end a frame or two apart.
        let ceased = |r: &&PositionReport| {
            matches!(r.state, TransportState::Stalled | TransportState::Lost)
                && now - r.last_heard.to_local(clock.offset) > SOURCES_APART
        };
        let rolls = all().any(|r| r.state == TransportState::Rolling);
        all().find(ceased).filter(|_| rolls).map(|r| r.source)
    }
}

/// Our instant on the other clock.
fn remote(now: MonoTime, offset: Span) -> base::RemoteTime {
    base::RemoteTime::of_sender(now + offset)
}

/// An offset from the reference machine as the judge wants it.
pub fn offset_reading(value: Span, bound: Span, at: MonoTime) -> Option<Reading<Offset>> {
    Some(Reading { value: Offset { value, bound }, as_of: at, expires: at + Span::from_millis(500) })
}

/// The sample rate that samples are counted at where no other is known.
pub const NOMINAL_RATE: Hertz = Hertz(48_000.0);

/// A placeholder-free array of machines' flags.
pub type PerMachine<T> = [T; MAX_MACHINES];
