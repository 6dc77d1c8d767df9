//! All that the supervisor holds of one machine.

use core::net::SocketAddr;

use base::ids::MAX_MACHINES;
use base::{
    AudioState, ClockState, Heard, Hertz, MonoTime, PlayerState, PositionReport, Ppm, Reading, ShowPosition,
    SourceKind, Span, TransportState,
};
use measure::clock::ClockEstimate;
use measure::detector::{BeatDetector, BeatState, DetectorConfig};
use rig::{HostEvidence, MachineEvidence, Offset, Outside};
use wire::{Beat, HostFlags, Lane, OpenError, Session};

use crate::carried::Plays;
use crate::channels::Roles;
use crate::heard_levels::HeardLevels;
use crate::last_minute::LastMinute;
use crate::paths::Path;

/// The most network paths.
pub const MAX_PATHS: usize = 2;
/// What a beat says is worth something for this long: it must outlive a short loss, and not a dead host.
const BEAT_IS_WORTH: Span = Span::from_millis(250);

/// What was last told of a machine's place is carried on for so long: two crystals part by 0.15 ms meanwhile, at 50 ppm (from memory).
const CARRIED_ON: Span = Span::from_secs(3);

/// A frame of linear timecode at the slowest rate (24 a second), with a block and a beat until it is told. Its line is believed to
/// roll on for longer; that an input is whole is not.
const A_FRAME: Span = Span::from_millis(50);
/// The last pieces of two codes of one machine lie this close together: a MIDI clock's tick at 60 beats a minute is 42 ms long.
const CODES_APART: Span = Span::from_millis(42);
/// Stamps of one clock are that sure.
const ONE_CLOCK: Span = Span::from_micros(1);

/// A block that the veto of sound allows for without being told.
const SHORT_BLOCK: Span = Span::from_millis(5);
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
    seq_base: Option<u64>,
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
            seq_base: None,
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
        self.seq_base = None;
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
        // Said in many beats; each waking counts once.
        let woken = |b: &Beat| b.host.has(HostFlags::WOKE).then_some(b.frozen_before);
        if woken(&beat).is_some() && self.newest.as_ref().is_none_or(|(before, _)| woken(before) != woken(&beat)) {
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
        let seq = u64::from(beat.seq);
        let base = *self.seq_base.get_or_insert((self.last_seq + 1).wrapping_sub(seq));
        let seq = base.wrapping_add(seq);
        let _ = self.detector.on_beat(path, seq, sent, at);
        let newer = seq > self.last_seq;
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

    /// Without an agent on it a machine cannot be found silent as a host: only our own ears can be lost.
    fn heard_outside(&self) -> Heard {
        match self.detector.state() {
            BeatState::Never => Heard::Never,
            _ if !self.opened => Heard::Never,
            BeatState::Heard if !self.newest.as_ref().is_some_and(|(b, _)| own_ears_lost(b)) => Heard::Well,
            _ => Heard::AgentLost,
        }
    }

    /// What is known of how our own inputs hear it.
    fn by_our_inputs(&self, now: MonoTime) -> Option<Outside> {
        if !self.outside {
            return None;
        }
        let sound = self.newest.as_ref().is_some_and(|(b, _)| b.audio != AudioState::Unknown);
        let here = |r: &&PositionReport| r.state != TransportState::Unknown;
        let of = |sources: &[SourceKind]| sources.iter().any(|s| self.report(*s, now).filter(here).is_some());
        let beside = self.report(SourceKind::Ltc, now).filter(here);
        let beside_last = beside.map(|r| r.last_heard.to_local(Span::ZERO));
        let midi = [SourceKind::Mtc, SourceKind::MidiClock];
        let ways = [sound || beside.is_some(), of(&midi), of(&[SourceKind::Osc])];
        let others = || {
            [SourceKind::Mtc, SourceKind::MidiClock, SourceKind::Osc].into_iter().filter_map(|s| self.report(s, now))
        };
        let stands = |r: &PositionReport| matches!(r.state, TransportState::Stalled | TransportState::Stopped);
        let ended = others().filter(|r| stands(r)).map(|r| r.last_heard.to_local(Span::ZERO)).max();
        Some(Outside {
            ways: ways.into_iter().filter(|w| *w).count() as u8,
            proven: self.proven,
            code_beside_sound: beside.is_some_and(|r| r.state == TransportState::Rolling)
                && beside_last.is_some_and(|t| now - t <= A_FRAME),
            beside_last,
            other_ended: ended.filter(|e| {
                // What still comes after it shows that this way is whole, and the machine alive.
                let still = |r: &PositionReport| r.state == TransportState::Rolling;
                !others().any(|r| still(r) && r.last_heard.to_local(Span::ZERO) > *e + CODES_APART)
            }),
        })
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

    /// What the judge is told of this machine; `place` and `offset` are the brain's to fill in.
    pub fn evidence(&mut self, now: MonoTime, roles: &Roles) -> MachineEvidence {
        let heard = self.heard(now);
        let mut e = MachineEvidence {
            heard,
            first_missed: self.detector.first_missed_due(),
            last_sent: self.last_sent,
            paths: self.paths.iter().filter(|p| p.last_heard.is_some()).count() as u8,
            paths_alive: self.paths_alive(now) as u8,
            clock: self.clock(now).state,
            outside: self.by_our_inputs(now),
            ..MachineEvidence::default()
        };
        let clock = self.clock(now);
        let transport = self.transport_by_sources(now);
        let Some((beat, at)) = &self.newest else { return e };
        let expires = *at + BEAT_IS_WORTH;
        fn reading<T>(value: T, as_of: MonoTime, expires: MonoTime) -> Option<Reading<T>> {
            Some(Reading { value, as_of, expires })
        }
        e.player = (beat.player != PlayerState::Unknown).then_some(()).and(reading(beat.player, *at, expires));
        e.audio = (beat.audio != AudioState::Unknown).then_some(()).and(reading(beat.audio, *at, expires));
        e.last_sound = beat.last_sound.map(|t| t.to_local(clock.offset));
        // The judge allows for a short block and a beat; what is longer is told.
        e.sound_grain = (beat.block - SHORT_BLOCK).max(Span::ZERO);
        if let Some((state, since)) = transport {
            if state != self.transport.0 {
                self.transport = (state, since);
            }
            e.transport = reading(state, *at, expires);
        }
        e.transport_since = self.transport.1;
        let heard_stop = self.stop_trigger.is_some_and(|t| (t - self.transport.1).abs() < Span::from_secs(1));
        e.stop_cause = match beat.stop_cause {
            wire::StopCause::Trigger | wire::StopCause::Operator => rig::StopCause::Trigger,
            _ if heard_stop => rig::StopCause::Trigger,
            wire::StopCause::Player => rig::StopCause::Player,
            wire::StopCause::None => rig::StopCause::None,
        };
        e.trigger = self.trigger.map(|(_, at)| at);
        e.trigger_doubled = self.trigger_doubled;
        e.dropouts = self.dropouts.on_count(beat.dropouts, now);
        e.pilot = self.levels.pilots().and_then(|all| reading(all, *at, expires));
        e.level = self.levels.programme(roles);
        e.channels = if beat.sources.has(wire::SourceFlags::OTHER_DEVICE) {
            rig::ChannelTrouble::DeviceFellBack
        } else if beat.sources.has(wire::SourceFlags::FORMAT_CHANGED) || self.plays_at_another_rate(now) {
            rig::ChannelTrouble::RateDiffers
        } else {
            rig::ChannelTrouble::None
        };
        if beat.host.has(HostFlags::WOKE) && now - *at <= BEAT_IS_WORTH {
            // Its player may still be finding its feet, and its clock is being learnt anew.
            e.clock = ClockState::Stepped;
        }
        e.host = HostEvidence {
            on_battery: beat.host.has(HostFlags::ON_BATTERY),
            hot: beat.host.has(HostFlags::HOT),
            disk_low: beat.host.has(HostFlags::DISK_LOW),
            media_gone: beat.host.has(HostFlags::MEDIA_GONE),
        };
        e
    }

    /// What the transport does by all sources together, and since when: one timecode that rolls shows that it rolls. MIDI clock,
    /// whose ticks are far apart, is asked only where there is nothing better.
    fn transport_by_sources(&self, now: MonoTime) -> Option<(TransportState, MonoTime)> {
        let clock = self.clock(now);
        let rank = |s: TransportState| match s {
            TransportState::Rolling => 4,
            TransportState::Stopped => 3,
            TransportState::Stalled => 2,
            TransportState::Lost => 1,
            TransportState::Unknown => 0,
        };
        let of = |counts: bool| {
            self.prefer
                .iter()
                .filter(|s| (**s == SourceKind::MidiClock) == counts)
                .filter_map(|s| self.report(*s, now))
                .filter(|r| r.state != TransportState::Unknown)
                .max_by_key(|r| (rank(r.state), r.last_heard))
        };
        let best = of(false).or_else(|| of(true))?;
        let since = match best.state {
            TransportState::Rolling => now,
            _ => best.last_heard.to_local(clock.offset),
        };
        Some((best.state, since))
    }

    /// Material of 44.1 kHz played at 48 kHz, or the other way round, runs at 48/44.1 or 44.1/48 of its speed, code and all.
    fn plays_at_another_rate(&self, now: MonoTime) -> bool {
        let is_clock = |r: &&PositionReport| matches!(r.position, ShowPosition::Clocks { .. });
        let best = self.best_report(now).filter(|r| r.state == TransportState::Rolling && !is_clock(r));
        let rolling = best.map(PositionReport::speed);
        rolling.is_some_and(|v| [48.0 / 44.1, 44.1 / 48.0].iter().any(|flip| (v / flip - 1.0).abs() < 0.005))
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

/// Whether our own inputs that are to hear a machine's sound (or, where there are none, its code) are not open or bring nothing.
fn own_ears_lost(beat: &Beat) -> bool {
    use wire::SourceFlags as F;
    let has = |f: F| beat.sources.has(f);
    let closed = has(F::AUDIO_WANTED) && !has(F::AUDIO_OPEN) || has(F::FEED_WANTED) && !has(F::FEED_OPEN);
    if has(F::AUDIO_WANTED) || has(F::FEED_WANTED) {
        closed || beat.audio == AudioState::Ceased
    } else {
        has(F::MIDI_WANTED) && !has(F::MIDI_OPEN)
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
