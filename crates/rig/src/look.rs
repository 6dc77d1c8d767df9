//! From evidence to facts: the only place where limits and hold times are compared with the clock.

use arrayvec::ArrayVec;
use base::ids::MAX_MACHINES;
use base::{AudioState, ClockState, Db, Heard, Machine, MonoTime, PlayerState, Span, TransportState};

use crate::evidence::{ChannelTrouble, MachineEvidence, RigEvidence, StopCause};
use crate::facts::{Ears, Facts, Grade, Host, LinkSays, Relation, SelfDoubt, Sound, Transport, grade};
use crate::fitness::{self, Fitness, Reasons};
use crate::judge::Judge;
use crate::reasons::{Arg, Reason, Sentence};
use crate::relation::{Related, ears, relate};
use crate::setup::LinkLoss;
use crate::track::{Wake, fresh_audio, fresh_player, fresh_transport, here};

/// What was found of one machine.
#[derive(Clone, Debug)]
pub(crate) struct Found {
    pub fitness: Fitness,
    pub reasons: Reasons,
    /// Against the machine on air; none for that machine itself, or while it is not known.
    pub related: Option<Related>,
    pub ears: Ears,
    pub grade: Grade,
    pub held: bool,
}

/// What was found of the whole rig.
#[derive(Clone, Debug)]
pub(crate) struct Findings {
    pub on_air: Option<Machine>,
    pub machines: ArrayVec<Found, MAX_MACHINES>,
    /// The best standby, whatever it is good for.
    pub best: Option<Machine>,
    pub facts: Facts,
}

/// The margin by which a standby must have outlived the trouble on air.
const OUTLIVE: Span = Span::from_millis(25);
/// ... and the newer beat that must say so.
const OUTLIVE_BEAT: Span = Span::from_millis(20);
/// Levels this close to their baseline count as a match, where nothing better compares the sound.
const MATCH_LEVEL: Db = Db(6.0);

impl Judge {
    /// Whether a machine counts at all.
    pub(crate) fn serves(&self, ev: &RigEvidence, m: Machine) -> bool {
        m.index() < self.machines
            && ev.machines.get(m.index()).is_some_and(|e| e.in_service)
            && !self.memory.out_of_service[m.index()]
    }

    /// Looks at everything once.
    pub(crate) fn look(&mut self, ev: &RigEvidence, wake: &Wake) -> Findings {
        let now = wake.now;
        let limits = self.setup.limits;
        for (t, m) in self.tracks.iter_mut().zip(&ev.machines) {
            t.look(m, now);
        }
        let doubt = self.doubt(ev, wake);
        let on_air = self.on_air;
        let mut found: ArrayVec<Found, MAX_MACHINES> = ArrayVec::new();
        for (m, e) in Machine::first(self.machines).zip(&ev.machines) {
            let related = on_air.filter(|o| *o != m).map(|o| {
                let together = self.stood_together(ev, m, o, now);
                relate(ev, &mut self.tracks, m, o, together, wake, &limits)
            });
            let reasons = self.reasons(ev, m, e, related, wake);
            let fitness = fitness::of(&reasons);
            let ears = ears(e, wake, &limits);
            let ok = matches!(fitness, Fitness::Fit | Fitness::Degraded);
            self.tracks[m.index()].hold(ok, now, &limits);
            let held = ok && self.tracks[m.index()].ok_since.is_some_and(|s| wake.passed(s, limits.hold));
            let grade = match related {
                Some(r) => grade(fitness, r.relation, ears),
                None => Grade::None,
            };
            found.push(Found { fitness, reasons, related, ears, grade, held });
        }
        if let Some(o) = on_air
            && found.get(o.index()).is_some_and(|f| f.held)
        {
            self.proven = true;
        }
        let best = Machine::first(found.len()).filter(|m| Some(*m) != on_air && self.serves(ev, *m)).max_by_key(|m| {
            let f = &found[m.index()];
            let near = f.related.and_then(|r| r.apart).map_or(i64::MIN, |a| -a.0.abs().nanos());
            (f.grade, f.held, f.fitness, near, core::cmp::Reverse(*m))
        });
        let facts = self.find_facts(ev, &found, on_air, best, doubt, wake);
        Findings { on_air, machines: found, best, facts }
    }

    fn find_facts(
        &mut self,
        ev: &RigEvidence,
        found: &ArrayVec<Found, MAX_MACHINES>,
        on_air: Option<Machine>,
        best: Option<Machine>,
        doubt: SelfDoubt,
        wake: &Wake,
    ) -> Facts {
        let mut facts = Facts {
            mode: self.memory.mode,
            latched: self.memory.latch.is_some(),
            armed: self.proven && best.is_some_and(|b| found[b.index()].held),
            doubt,
            known: self.known,
            both_players_lost: self.both_players_lost(ev, wake.now),
            host: Host::Never,
            link: LinkSays::Unset,
            player: PlayerState::Unknown,
            transport: Transport::Unknown,
            sound: Sound::Deaf,
            media_gone: false,
            worn: false,
            outlived: false,
            lone_stop: self.setup.policies.lone_stop,
            standby: best.map_or(Grade::None, |b| found[b.index()].grade),
        };
        let Some(o) = on_air else { return facts };
        let Some(e) = ev.machines.get(o.index()) else { return facts };
        facts.host = self.host(ev, o, e, wake);
        facts.link = self.link(o, e);
        facts.player = fresh_player(e, wake.now);
        facts.transport = self.transport(ev, o, e, wake);
        let pair = best.map(|b| (b, &found[b.index()]));
        facts.sound = self.sound(ev, o, e, pair, wake);
        facts.media_gone = here(e.heard) && e.host.media_gone;
        facts.worn = here(e.heard) && e.dropouts > self.setup.limits.dropouts;
        facts.outlived = self.outlived(ev, o, e, pair, wake);
        facts
    }

    /// Whether the supervisor may trust itself, and since when not.
    fn doubt(&mut self, ev: &RigEvidence, wake: &Wake) -> SelfDoubt {
        let now = wake.now;
        let mut alive = 0;
        let mut silent = 0;
        for e in ev.machines.iter().take(self.machines) {
            alive += usize::from(here(e.heard));
            silent += usize::from(e.heard == Heard::Silent);
        }
        let cut_off = alive == 0 && silent >= 2;
        let recovery = self.setup.limits.recovery;
        if ev.supervisor.own_link_down {
            self.link_doubt_until = Some(now + recovery);
        }
        if cut_off {
            self.cut_off_until = Some(now + recovery);
            for t in &mut self.tracks {
                t.hold_anew();
            }
        }
        let lasts = |until: Option<MonoTime>| {
            until.is_some_and(|u| {
                wake.note(u);
                now < u
            })
        };
        if lasts(ev.supervisor.late_until) {
            SelfDoubt::Late
        } else if ev.supervisor.own_link_down || lasts(self.link_doubt_until) {
            SelfDoubt::LinkDown
        } else if cut_off || lasts(self.cut_off_until) {
            SelfDoubt::CutOff
        } else {
            SelfDoubt::None
        }
    }

    /// All (at least two) machines in service have a living agent and a dead player.
    pub(crate) fn both_players_lost(&self, ev: &RigEvidence, now: MonoTime) -> bool {
        let mut n = 0;
        for (m, e) in Machine::first(self.machines).zip(&ev.machines) {
            if self.serves(ev, m) {
                if fresh_player(e, now) != PlayerState::Gone {
                    return false;
                }
                n += 1;
            }
        }
        n >= 2
    }

    fn host(&self, ev: &RigEvidence, o: Machine, e: &MachineEvidence, wake: &Wake) -> Host {
        match e.heard {
            Heard::Well | Heard::OnePath => Host::Here,
            Heard::Never => Host::Never,
            Heard::AgentLost | Heard::Goodbye => Host::AgentLost,
            Heard::Silent if self.witnessed(ev, o, e, wake.now) => Host::Gone,
            Heard::Silent => Host::Unwitnessed,
        }
    }

    /// Whether another machine was heard to live after this one's silence began: by *when it sent*, since what it sent
    /// before may arrive later.
    pub(crate) fn witnessed(&self, ev: &RigEvidence, m: Machine, e: &MachineEvidence, now: MonoTime) -> bool {
        let missed = e.first_missed.or(self.tracks[m.index()].silent_since).unwrap_or(now);
        ev.machines.iter().enumerate().any(|(i, w)| {
            i != m.index() && here(w.heard) && w.last_sent.is_some_and(|t| t >= missed + self.setup.limits.witness)
        })
    }

    fn link(&self, o: Machine, e: &MachineEvidence) -> LinkSays {
        if e.paths >= 2 && !self.tracks[o.index()].fell_from_one_path {
            return LinkSays::TwoPaths;
        }
        match self.setup.policies.on_link_loss {
            Some(LinkLoss::Changeover) => LinkSays::Changeover,
            Some(LinkLoss::Hold) => LinkSays::Hold,
            None => LinkSays::Unset,
        }
    }

    /// Two transports that stand and stopped within the limit of each other were stopped together.
    fn stood_together(&self, ev: &RigEvidence, a: Machine, b: Machine, now: MonoTime) -> bool {
        let stands = |m: Machine| {
            ev.machines.get(m.index()).is_some_and(|e| {
                matches!(fresh_transport(e, now), TransportState::Stopped | TransportState::Stalled)
                    && fresh_player(e, now) != PlayerState::Gone
            })
        };
        let (ta, tb) = (&self.tracks[a.index()], &self.tracks[b.index()]);
        stands(a) && stands(b) && (ta.transport_since - tb.transport_since).abs() <= self.setup.limits.together
    }

    /// The transport of any machine as the table sees it.
    pub(crate) fn transport(&self, ev: &RigEvidence, o: Machine, e: &MachineEvidence, wake: &Wake) -> Transport {
        let others = || Machine::first(ev.machines.len()).filter(move |m| *m != o && self.serves(ev, *m));
        match fresh_transport(e, wake.now) {
            TransportState::Unknown => Transport::Unknown,
            TransportState::Rolling => Transport::Rolling,
            TransportState::Lost => Transport::Lost,
            TransportState::Stalled => {
                if others().any(|m| self.stood_together(ev, m, o, wake.now)) {
                    Transport::Stopped
                } else {
                    Transport::Stalled
                }
            }
            TransportState::Stopped if e.stop_cause == StopCause::Trigger => Transport::Stopped,
            TransportState::Stopped => {
                let patience = self.setup.limits.start_missed;
                // The other must have been rolling, at the time of the stop and since: one that began later is another story.
                let left = others().any(|m| {
                    let w = &ev.machines[m.index()];
                    fresh_transport(w, wake.now) == TransportState::Rolling
                        && w.transport_since <= e.transport_since
                        && w.last_sent.is_some_and(|t| t >= e.transport_since + patience)
                });
                if left { Transport::LoneStop } else { Transport::Stopped }
            }
        }
    }

    /// The newest instant at which anybody heard the machine on air, if there are ears at all.
    pub(crate) fn last_heard_sound(&self, ev: &RigEvidence, e: &MachineEvidence, now: MonoTime) -> Option<MonoTime> {
        let agent = fresh_audio(e, now) != AudioState::Unknown;
        if !agent && !ev.switch.has_tap {
            return None;
        }
        let tap = if ev.switch.has_tap { ev.switch.tap_last_sound } else { None };
        // Never a sound at all: quiet since we began to listen.
        Some(tap.max(e.last_sound).unwrap_or(self.began).max(self.began))
    }

    fn sound(
        &mut self,
        ev: &RigEvidence,
        o: Machine,
        e: &MachineEvidence,
        best: Option<(Machine, &Found)>,
        wake: &Wake,
    ) -> Sound {
        let limits = self.setup.limits;
        if let Some(since) = self.tracks[o.index()].wrong_since
            && wake.passed(since, limits.wrong_sound)
        {
            return Sound::Wrong;
        }
        let recent = |t: Option<MonoTime>, grain: Span| t.is_some_and(|t| !wake.passed(t, limits.veto + grain));
        let tap_heard = ev.switch.has_tap && recent(ev.switch.tap_last_sound, Span::ZERO);
        let agent_heard = recent(e.last_sound, e.sound_grain);
        let claim = fresh_audio(e, wake.now);
        if let Some((b, f)) = best {
            self.note_match(ev, o, e, b, f, wake);
        }
        if tap_heard || agent_heard {
            return Sound::Heard;
        }
        let Some(quiet_since) = self.last_heard_sound(ev, e, wake.now) else { return Sound::Deaf };
        let Some((b, f)) = best else { return Sound::Quiet };
        if f.ears == Ears::Deaf {
            // Nothing to compare with. A stream that ceased says more than silence does, but not enough.
            let ceased = claim == AudioState::Ceased && wake.passed(quiet_since, limits.audio_loss);
            return if ceased { Sound::Doubtful } else { Sound::Quiet };
        }
        if !self.overlap(b, f, quiet_since, limits.audio_loss, wake) {
            return Sound::Quiet;
        }
        let matched = self.tracks[o.index()].matched.is_some_and(|t| quiet_since - t <= limits.matched);
        let tap_agrees = ev.switch.has_tap;
        let pilot_lost = e.pilot.and_then(|p| p.fresh(wake.now)) == Some(false);
        let second_sign = match claim {
            AudioState::Ceased => true,
            AudioState::Silent => tap_agrees || pilot_lost,
            // No agent to ask: that is the second sign.
            AudioState::Unknown => !here(e.heard),
            AudioState::Sounding | AudioState::Quiet | AudioState::Wrong => false,
        };
        if matched && second_sign { Sound::Lost } else { Sound::Doubtful }
    }

    /// Remembers that the machine on air sounded like the standby: by excerpts, or by level while in step.
    fn note_match(&mut self, ev: &RigEvidence, o: Machine, e: &MachineEvidence, b: Machine, f: &Found, wake: &Wake) {
        let kept = self.tracks[o.index()].matched;
        let mut matched = kept.max(e.matched);
        let close = f.related.is_some_and(|r| matches!(r.relation, Relation::InStep | Relation::Near));
        let both_sound = f.ears == Ears::Sounding
            && fresh_audio(e, wake.now) == AudioState::Sounding
            && ears(e, wake, &self.setup.limits) == Ears::Sounding;
        if close && both_sound {
            let levels = self.level_change(ev, o, b);
            if levels.is_some_and(|l| l.abs().0 <= MATCH_LEVEL.0) {
                matched = Some(wake.now);
            }
            if let Some(m) = ev.machines.get(b.index()).and_then(|m| m.matched) {
                matched = matched.max(Some(m));
            }
        }
        self.tracks[o.index()].matched = matched;
    }

    /// How much louder the standby is than the machine on air, line-up's difference taken off.
    pub(crate) fn level_change(&self, ev: &RigEvidence, o: Machine, b: Machine) -> Option<Db> {
        let raw = ev.machines.get(b.index())?.level? - ev.machines.get(o.index())?.level?;
        let base = self.setup.baselines[b.index()].level - self.setup.baselines[o.index()].level;
        Some(Db(raw.0 - base.0)).filter(|d| d.0.is_finite())
    }

    /// Whether the standby has sounded for `span` (and the offset between the two) inside the silence on air. Both ends
    /// matter: a standby that is ahead falls silent first and begins first.
    fn overlap(&self, b: Machine, f: &Found, quiet_since: MonoTime, span: Span, wake: &Wake) -> bool {
        let Some(r) = f.related.filter(|r| matches!(r.relation, Relation::InStep | Relation::Near)) else {
            return false;
        };
        let apart = r.apart.map_or(Span::ZERO, |a| a.0.abs());
        let t = &self.tracks[b.index()];
        let (Some(begun), Some(last)) = (t.sounding_since, t.sound_last) else { return false };
        wake.note(quiet_since + span + apart);
        f.ears == Ears::Sounding && last - begun.max(quiet_since) >= span + apart
    }

    /// Whether the standby was proven alive after the trouble on air began, so that two machines which end together are
    /// not taken for one.
    fn outlived(
        &self,
        ev: &RigEvidence,
        o: Machine,
        e: &MachineEvidence,
        best: Option<(Machine, &Found)>,
        wake: &Wake,
    ) -> bool {
        let Some((b, f)) = best else { return false };
        let Some(s) = ev.machines.get(b.index()) else { return false };
        let t = &self.tracks[o.index()];
        let quiet_since = self.last_heard_sound(ev, e, wake.now);
        if f.ears == Ears::Sounding
            && let Some(q) = quiet_since
        {
            return self.overlap(b, f, q, OUTLIVE, wake);
        }
        let stands = matches!(
            fresh_transport(e, wake.now),
            TransportState::Stalled | TransportState::Lost | TransportState::Stopped
        );
        let sign = match t.gone_since {
            Some(g) => Some(g),
            None if stands => Some(e.transport_since),
            None => quiet_since,
        };
        let Some(sign) = sign else { return false };
        // A standby that could sound and does not may be in a rest of the music: then only a clear sign will do.
        let clear = t.gone_since.is_some() || fresh_audio(e, wake.now) == AudioState::Ceased || f.ears == Ears::Deaf;
        let begun = quiet_since.map_or(sign, |q| q.max(sign));
        clear
            && wake.passed(begun, self.setup.limits.audio_loss)
            && s.last_sent.is_some_and(|l| l >= sign + OUTLIVE_BEAT)
    }

    /// Why a machine is as fit as it is.
    fn reasons(
        &self,
        ev: &RigEvidence,
        m: Machine,
        e: &MachineEvidence,
        related: Option<Related>,
        wake: &Wake,
    ) -> Reasons {
        let now = wake.now;
        let limits = &self.setup.limits;
        let mut out = Reasons::new();
        let mut because = |r: Reason| fitness::push(&mut out, Sentence::of(r, m).against(self.on_air));
        if !self.serves(ev, m) {
            because(Reason::OutOfService);
            return out;
        }
        match e.heard {
            Heard::Well => {}
            Heard::OnePath => because(Reason::OnePath),
            Heard::Never => because(Reason::NeverHeard),
            Heard::Silent => because(Reason::HostSilent),
            Heard::AgentLost => because(Reason::AgentLost),
            Heard::Goodbye => because(Reason::AgentGoodbye),
        }
        if !here(e.heard) {
            return out;
        }
        let transport = self.transport(ev, m, e, wake);
        if fresh_player(e, now) == PlayerState::Gone {
            because(Reason::PlayerGone);
        }
        match fresh_audio(e, now) {
            // A player may close its stream when it is stopped; its silence then is no fault.
            AudioState::Ceased if transport != Transport::Stopped => because(Reason::AudioCeased),
            AudioState::Silent if transport == Transport::Rolling => because(Reason::AudioSilent),
            AudioState::Wrong => because(Reason::AudioWrong),
            AudioState::Unknown if transport == Transport::Unknown => because(Reason::NothingKnown),
            _ => {}
        }
        match transport {
            Transport::Stalled => because(Reason::Stalled),
            Transport::Lost => because(Reason::SourceLost),
            Transport::Unknown | Transport::Rolling | Transport::Stopped | Transport::LoneStop => {}
        }
        match e.clock {
            ClockState::Tracking => {}
            ClockState::Holdover => because(Reason::ClockHoldover),
            ClockState::Acquiring | ClockState::Stepped => because(Reason::ClockUnknown),
        }
        match e.channels {
            ChannelTrouble::None => {}
            ChannelTrouble::OneSilent => because(Reason::OneChannelSilent),
            ChannelTrouble::Shifted => because(Reason::ChannelsShifted),
            ChannelTrouble::RateDiffers => because(Reason::RateDiffers),
            ChannelTrouble::DeviceFellBack => because(Reason::DeviceFellBack),
        }
        for (so, r) in [
            (e.host.media_gone, Reason::MediaGone),
            (e.host.on_battery, Reason::OnBattery),
            (e.host.hot, Reason::Hot),
            (e.host.disk_low, Reason::DiskLow),
        ] {
            if so {
                because(r);
            }
        }
        if e.dropouts > limits.dropouts {
            fitness::push(&mut out, Sentence::of(Reason::Dropouts, m).with(Arg::Count(u32::from(e.dropouts))));
        }
        if let (Some(r), Some(o)) = (related, self.on_air) {
            self.reasons_against(ev, m, e, r, o, wake, &mut out);
        }
        out
    }

    /// Why a standby is as fit as it is against the machine on air.
    #[allow(clippy::too_many_arguments)]
    fn reasons_against(
        &self,
        ev: &RigEvidence,
        m: Machine,
        e: &MachineEvidence,
        r: Related,
        o: Machine,
        wake: &Wake,
        out: &mut Reasons,
    ) {
        let now = wake.now;
        let limits = &self.setup.limits;
        let apart = r.apart.map_or(Arg::None, |a| Arg::Span(a.0));
        let place = self.tracks[m.index()].place.map(|p| p.0).unwrap_or_default();
        let mut because =
            |reason: Reason, arg: Arg| fitness::push(out, Sentence::of(reason, m).against(Some(o)).with(arg));
        let rolls = fresh_transport(e, now) == TransportState::Rolling;
        let o_transport = ev.machines.get(o.index()).map_or(TransportState::Unknown, |x| fresh_transport(x, now));
        match r.relation {
            Relation::InStep | Relation::Resting => {}
            Relation::Near => because(Reason::OutOfStep, apart),
            Relation::OtherSong => because(Reason::OtherSong, Arg::Song(place.song)),
            Relation::Apart if !rolls => because(Reason::NotRolling, Arg::None),
            Relation::Apart if r.other_section => {
                because(Reason::OtherSection, Arg::Section(place.song, place.section))
            }
            Relation::Apart => because(Reason::TooFarApart, apart),
            Relation::Unknown => because(Reason::PositionUnknown, Arg::None),
        }
        let both_roll = rolls && o_transport == TransportState::Rolling;
        if both_roll && self.standby_silent(ev, m, o, r, wake) == Some(true) {
            because(Reason::SilentWhileOnAirSounds, Arg::None);
        }
        let _ = limits;
    }

    /// Whether a standby in step has been silent for long while the machine on air sounds; none when nobody can tell.
    pub(crate) fn standby_silent(
        &self,
        ev: &RigEvidence,
        m: Machine,
        o: Machine,
        r: Related,
        wake: &Wake,
    ) -> Option<bool> {
        let (e, oe) = (ev.machines.get(m.index())?, ev.machines.get(o.index())?);
        let limits = &self.setup.limits;
        if !matches!(r.relation, Relation::InStep | Relation::Near) || ears(e, wake, limits) == Ears::Deaf {
            return None;
        }
        if ears(oe, wake, limits) != Ears::Sounding {
            // A rest in the music tells nothing; it does not mend anything either.
            return if ears(e, wake, limits) == Ears::Sounding { Some(false) } else { None };
        }
        let t = &self.tracks[o.index()];
        let quiet_since = e.last_sound.unwrap_or(self.began).max(self.began);
        let (begun, last) = (t.sounding_since?, t.sound_last?);
        let apart = r.apart.map_or(Span::ZERO, |a| a.0.abs());
        wake.note(quiet_since + limits.standby_silent + apart);
        Some(ears(e, wake, limits) == Ears::Quiet && last - begun.max(quiet_since) >= limits.standby_silent + apart)
    }
}
