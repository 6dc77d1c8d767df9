//! Which alarms' conditions hold, as far as is known.

use base::ids::MAX_MACHINES;
use base::{AudioState, ClockState, Heard, Machine, MonoTime, PlayerState, Span, TransportState};

use crate::action::{Action, Actions};
use crate::alarm_codes::{AlarmCode, OF_DEVICES, Priority};
use crate::alarms::{AlarmChange, Alarms, Cond, Told, Whose};
use crate::evidence::{ChannelTrouble, RigEvidence, SessionTrouble};
use crate::facts::{Grade, OnAirKnown, Relation, SelfDoubt, Transport};
use crate::judge::Judge;
use crate::look::Findings;
use crate::reasons::Arg;
use crate::track::{Wake, fresh_audio, fresh_player, fresh_transport, here};

/// A silence without a witness is told after this: it is then not a moment's cut-off in the making.
const UNWITNESSED: Span = Span::from_millis(500);
/// An event (a changeover, a move of the switch) stands this long by itself, and then waits for its acknowledgement.
const EVENT: Span = Span::from_secs(1);

/// An alarm about a patch that one machine sent otherwise stands this long after the last such patch.
const DIFFERED: Span = Span::from_secs(30);
/// An alarm about messages that should not reach a device stands this long after the last such message.
const LEAKED: Span = Span::from_secs(10);

/// For this long after the start a standby that was never there is not missed.
const BOOT: Span = Span::from_secs(15);

const SEATS: usize = MAX_MACHINES + 1;

/// What the conditions of every alarm say at one instant.
struct Conds {
    cells: [[(Cond, Option<Machine>, Arg); SEATS]; AlarmCode::COUNT],
}

impl Conds {
    fn set(&mut self, code: AlarmCode, m: Option<Machine>, cond: Cond, other: Option<Machine>, arg: Arg) {
        self.cells[code.place()][m.map_or(MAX_MACHINES, Machine::index)] = (cond, other, arg);
    }
    fn rig(&mut self, code: AlarmCode, so: bool) {
        self.set(code, None, so.into(), None, Arg::None);
    }
    /// Whether a cause holds now or is held to stand.
    fn stands(&self, alarms: &Alarms, code: AlarmCode, m: Option<Machine>) -> bool {
        self.cells[code.place()][m.map_or(MAX_MACHINES, Machine::index)].0 == Cond::Yes || alarms.active(code, m)
    }
}

impl Judge {
    /// Brings every alarm up to date.
    pub(crate) fn judge_alarms(&mut self, ev: &RigEvidence, f: &Findings, wake: &Wake, out: &mut Actions) {
        let mut conds = Conds { cells: [[(Cond::No, None, Arg::None); SEATS]; AlarmCode::COUNT] };
        self.rig_conditions(ev, f, wake, &mut conds);
        for m in Machine::first(f.machines.len()) {
            if self.serves(ev, m) {
                self.machine_conditions(ev, f, m, wake, &mut conds);
            }
        }
        let gap = !ev.machines.iter().any(|e| fresh_transport(e, wake.now) == TransportState::Rolling);
        let mut emit = |change| out.try_push(Action::Alarm(change)).is_ok();
        self.device_alarms(ev, gap, wake, &mut emit);
        for (place, code) in AlarmCode::ALL.iter().enumerate() {
            let def = code.def();
            for seat in 0..SEATS {
                let m = Machine::new(seat);
                if m.is_some_and(|m| m.index() >= f.machines.len()) {
                    continue;
                }
                let (cond, other, arg) = conds.cells[place][seat];
                // Most alarms have nothing to say most of the time: what explains them is not looked up then.
                if cond != Cond::Yes && self.alarms.idle(*code, m.into()) {
                    continue;
                }
                let explained = code.causes().iter().any(|c| {
                    conds.stands(&self.alarms, *c, None) || (m.is_some() && conds.stands(&self.alarms, *c, m))
                });
                let priority: Priority = if m.is_none() || m == f.on_air { def.on_air } else { def.standby };
                let told = Told { cond, other, arg, priority, suppressed: explained };
                if let Some(t) = self.alarms.tell(*code, m.into(), told, gap, wake.now, &mut emit) {
                    // "Now" means that there was no room: at once after.
                    wake.note(t.max(wake.now + Span::from_nanos(1)));
                }
            }
        }
    }

    /// Alarms of devices: their priority is the device's importance, and one of the device's own may explain another.
    fn device_alarms(&mut self, ev: &RigEvidence, gap: bool, wake: &Wake, emit: &mut dyn FnMut(AlarmChange) -> bool) {
        for (n, d) in (0u8..).zip(&ev.devices) {
            let newest = |told: Option<(Machine, MonoTime)>, stands: Span| {
                (told.is_some_and(|(_, at)| !wake.passed(at, stands)).into(), told.map(|t| t.0))
            };
            for code in OF_DEVICES {
                let (cond, other) = match code {
                    AlarmCode::DevicePort => (d.port.map_or(Cond::Missing, |works| (!works).into()), None),
                    AlarmCode::PatchDiffers => newest(d.differed, DIFFERED),
                    AlarmCode::MidiLeak => newest(d.leaked, LEAKED),
                    _ => (d.unchased.is_some().into(), d.unchased),
                };
                let whose = Whose::Device(n);
                if cond != Cond::Yes && self.alarms.idle(code, whose) {
                    continue;
                }
                let suppressed = code.causes().iter().any(|c| self.alarms.active(*c, whose));
                let told = Told { cond, other, arg: Arg::None, priority: d.priority, suppressed };
                if let Some(t) = self.alarms.tell(code, whose, told, gap, wake.now, emit) {
                    wake.note(t.max(wake.now + Span::from_nanos(1)));
                }
            }
        }
    }

    fn rig_conditions(&mut self, ev: &RigEvidence, f: &Findings, wake: &Wake, conds: &mut Conds) {
        use AlarmCode as A;
        conds.rig(A::SupervisorCutOff, matches!(f.facts.doubt, SelfDoubt::CutOff | SelfDoubt::LinkDown));
        conds.rig(A::SupervisorLate, f.facts.doubt == SelfDoubt::Late);
        conds.rig(A::BothPlayersLost, f.facts.both_players_lost);
        conds.rig(A::SwitchConflict, self.known == OnAirKnown::Conflict);
        let unknown = self.known == OnAirKnown::No;
        conds.rig(A::SwitchSilent, unknown && self.ever_replied);
        conds.rig(A::OnAirUnknown, unknown && !self.ever_replied);
        conds.rig(A::OutputFailed, ev.switch.output_failed);
        let waits = self.pending.map(|p| (p.to, p.tries > 0)).or(self.unconfirmed.map(|to| (to, true)));
        if let Some((to, overdue)) = waits {
            let cond = if overdue { Cond::Yes } else { Cond::Missing };
            conds.set(A::NotConfirmed, None, cond, Some(to), Arg::None);
        }
        let lasts = |at: Option<MonoTime>| at.is_some_and(|t| !wake.passed(t, EVENT));
        conds.set(A::SwitchMoved, None, lasts(self.moved_at).into(), self.on_air, Arg::None);
        let to = self.memory.latch.map(|l| l.to);
        conds.set(A::ChangedOver, None, lasts(self.changed_at).into(), to, Arg::None);
        let refused = ev.supervisor.refused;
        if refused > self.refused_seen {
            self.refused_seen = refused;
            conds.set(A::Forged, None, Cond::Yes, None, Arg::Count(refused));
        }
        // At boot clocks and machines are still being found; a standby that was there once is missed at once.
        self.ever_standby |= f.facts.standby != Grade::None;
        let grown = self.ever_standby || wake.passed(self.began, BOOT);
        conds.rig(
            A::NoStandby,
            grown && self.machines >= 2 && f.on_air.is_some() && !self.standby_or_its_alarm(ev, f, conds_causes()),
        );
    }

    /// Whether there is a standby, or another alarm already tells why there is none: a dead host is one alarm, not two.
    fn standby_or_its_alarm(&self, ev: &RigEvidence, f: &Findings, told_by: &[AlarmCode]) -> bool {
        Machine::first(f.machines.len()).filter(|m| Some(*m) != f.on_air).any(|m| {
            let found = &f.machines[m.index()];
            let out = !self.serves(ev, m);
            found.grade != Grade::None || out || told_by.iter().any(|c| self.alarms.active(*c, Some(m)))
        })
    }

    fn machine_conditions(&self, ev: &RigEvidence, f: &Findings, m: Machine, wake: &Wake, conds: &mut Conds) {
        use AlarmCode as A;
        let now = wake.now;
        let Some(e) = ev.machines.get(m.index()) else { return };
        let found = &f.machines[m.index()];
        let me = Some(m);
        let mut set = |code: AlarmCode, cond: Cond, arg: Arg| conds.set(code, me, cond, f.on_air, arg);
        // Its host and agent.
        let silent = e.heard == Heard::Silent;
        let since = self.tracks[m.index()].silent_since.unwrap_or(now);
        let witnessed = self.witnessed(ev, m, e, now);
        set(
            A::HostSilent,
            if e.heard == Heard::Never {
                Cond::Missing
            } else {
                (silent && (witnessed || wake.passed(since, UNWITNESSED))).into()
            },
            Arg::None,
        );
        let lost = matches!(e.heard, Heard::AgentLost | Heard::Goodbye);
        let own = e.outside.is_some();
        set(A::AgentLost, if silent { Cond::Missing } else { (lost && !own).into() }, Arg::None);
        set(A::EarsLost, (lost && own).into(), Arg::None);
        let one = e.paths >= 2 && e.paths_alive < e.paths || e.heard == Heard::OnePath;
        let heard = here(e.heard);
        // Everything else is its agent's word, and missing while the agent is.
        let told = |so: bool| if heard { Cond::from(so) } else { Cond::Missing };
        set(A::PathLost, told(one), Arg::None);
        set(
            A::PlayerGone,
            match fresh_player(e, now) {
                PlayerState::Gone => Cond::Yes,
                PlayerState::Running => Cond::No,
                PlayerState::Unknown => Cond::Missing,
            },
            Arg::None,
        );
        set(A::MediaGone, told(e.host.media_gone), Arg::None);
        set(A::OnBattery, told(e.host.on_battery), Arg::None);
        set(A::Hot, told(e.host.hot), Arg::None);
        set(A::DiskLow, told(e.host.disk_low), Arg::None);
        set(A::ChannelShift, told(e.channels == ChannelTrouble::Shifted), Arg::None);
        set(A::RateFlip, told(e.channels == ChannelTrouble::RateDiffers), Arg::None);
        set(A::DeviceFallback, told(e.channels == ChannelTrouble::DeviceFellBack), Arg::None);
        set(A::ChannelSilent, told(e.channels == ChannelTrouble::OneSilent), Arg::None);
        set(A::SoundDiffers, told(e.channels == ChannelTrouble::Differs), Arg::None);
        set(A::SessionDiffers, told(e.session == SessionTrouble::Differs), Arg::None);
        set(A::SessionStale, told(e.session == SessionTrouble::Stale), Arg::None);
        set(A::NeverAlike, told(e.never_alike), Arg::None);
        set(A::Dropouts, told(e.dropouts > self.setup.limits.dropouts), Arg::Count(u32::from(e.dropouts)));
        set(A::ClockUnknown, told(matches!(e.clock, ClockState::Acquiring | ClockState::Stepped)), Arg::None);
        // Its transport.
        let fresh = e.transport.and_then(|r| r.fresh(now)).is_some();
        let code = |so: bool| if heard && fresh { Cond::from(so) } else { Cond::Missing };
        let transport = self.transport(ev, m, e, wake);
        set(A::CodesContradict, code(e.codes_contradict), Arg::None);
        set(A::MidiLost, code(transport == Transport::Lost || e.code_lost), Arg::None);
        set(A::Stalled, code(transport == Transport::Stalled), Arg::None);
        set(A::LoneStop, code(transport == Transport::LoneStop), Arg::None);
        // Its sound.
        let audio = fresh_audio(e, now);
        let ears = |so: bool| if audio == AudioState::Unknown { Cond::Missing } else { Cond::from(so) };
        set(A::AudioWrong, ears(audio == AudioState::Wrong), Arg::None);
        let quiet =
            audio == AudioState::Silent && transport == Transport::Rolling && !self.rests_with_the_music(ev, m, now);
        let on_air_lost = me == f.on_air
            && matches!(f.facts.sound, crate::facts::Sound::Lost | crate::facts::Sound::Doubtful)
            && transport != Transport::Stopped;
        set(
            A::AudioLost,
            if on_air_lost {
                Cond::Yes
            } else {
                ears(quiet || (audio == AudioState::Ceased && transport != Transport::Stopped))
            },
            Arg::None,
        );
        // Its triggers.
        if heard && e.trigger_doubled && e.trigger.is_some_and(|t| !wake.passed(t, EVENT)) {
            set(A::TriggerDoubled, Cond::Yes, Arg::None);
        }
        if let Some((by, missed)) = self.trigger_missed(ev, m, wake) {
            conds.set(A::TriggerMissed, me, if heard { missed.into() } else { Cond::Missing }, by, Arg::None);
        }
        // Its start.
        if let Some((starter, missed)) = self.start_missed(ev, m, wake) {
            conds.set(A::StartMissed, me, if heard { missed } else { Cond::Missing }, starter, Arg::None);
        }
        // It against the machine on air.
        let (Some(r), Some(o)) = (found.related, f.on_air) else { return };
        let mut set = |code: AlarmCode, cond: Cond, arg: Arg| conds.set(code, me, cond, Some(o), arg);
        let place = self.tracks[m.index()].place.map(|p| p.0).unwrap_or_default();
        let unknown = r.relation == Relation::Unknown;
        let known = |so: bool| if unknown { Cond::Missing } else { Cond::from(so) };
        set(A::WrongSong, known(r.relation == Relation::OtherSong), Arg::Song(place.song));
        set(A::SectionDiffers, known(r.other_section), Arg::Section(place.song, place.section));
        let rolls =
            |m: Machine| ev.machines.get(m.index()).is_some_and(|e| fresh_transport(e, now) == TransportState::Rolling);
        let both_roll = rolls(m) && rolls(o);
        match r.apart.filter(|_| both_roll) {
            Some((apart, bound)) => {
                let limits = &self.setup.limits;
                set(A::OffsetOut, (apart.abs() + bound > limits.in_step).into(), Arg::Span(apart));
                let base = self.setup.baselines[m.index()].offset - self.setup.baselines[o.index()].offset;
                let change = (apart - base).abs();
                let limit = if self.alarms.active(A::OffsetHigh, me) {
                    limits.warning - limits.warning_deadband
                } else {
                    limits.warning
                };
                set(A::OffsetHigh, (change > limit).into(), Arg::Span(apart - base));
            }
            None => {
                // At rest nothing is out of step, but an alarm raised in a song is not mended by its end.
                let cond = if r.relation == Relation::Resting { Cond::No } else { Cond::Missing };
                set(A::OffsetOut, cond, Arg::None);
                set(A::OffsetHigh, cond, Arg::None);
            }
        }
        let mute = if both_roll { self.standby_silent(ev, m, o, r, wake) } else { None };
        set(A::StandbySilent, mute.map_or(Cond::Missing, Cond::from), Arg::None);
        let level = if both_roll && r.relation == Relation::InStep { self.level_change(ev, o, m) } else { None };
        set(
            A::LevelDiffers,
            level.map_or(Cond::Missing, |l| (l.abs().0 > self.setup.limits.level.0).into()),
            level.map_or(Arg::None, Arg::Level),
        );
    }

    /// Whether another machine heard a trigger just now that this one, which hears triggers, did not. Gives who did.
    fn trigger_missed(&self, ev: &RigEvidence, m: Machine, wake: &Wake) -> Option<(Option<Machine>, bool)> {
        let mine = ev.machines.get(m.index())?.trigger?;
        let other =
            |s: &Machine| *s != m && self.serves(ev, *s) && ev.machines.get(s.index()).is_some_and(|w| here(w.heard));
        let newest = |s: Machine| ev.machines.get(s.index()).and_then(|w| w.trigger).map(|t| (t, s));
        let (theirs, by) = Machine::first(ev.machines.len()).filter(other).filter_map(newest).max()?;
        let recent = !wake.passed(theirs, EVENT);
        let late = wake.passed(theirs, self.setup.limits.start_missed);
        Some((Some(by), recent && late && theirs - mine > self.setup.limits.start_missed))
    }

    /// Whether this machine missed a start: another that rested began to roll, and this one has rested on for longer
    /// than the limit. Gives who began. None: nothing to say.
    fn start_missed(&self, ev: &RigEvidence, m: Machine, wake: &Wake) -> Option<(Option<Machine>, Cond)> {
        let now = wake.now;
        let e = ev.machines.get(m.index())?;
        match fresh_transport(e, now) {
            TransportState::Rolling => return Some((None, Cond::No)),
            TransportState::Lost | TransportState::Stalled => return Some((None, Cond::Missing)),
            TransportState::Stopped | TransportState::Unknown => {}
        }
        let starter = Machine::first(ev.machines.len()).filter(|s| *s != m && self.serves(ev, *s)).find(|s| {
            let w = &ev.machines[s.index()];
            // It began after this one came to rest; what rolled on before was a stop, not a start.
            fresh_transport(w, now) == TransportState::Rolling && w.transport_since > e.transport_since
        });
        Some(match starter {
            None => (None, Cond::No),
            Some(s) => {
                let began = ev.machines[s.index()].transport_since;
                let late = wake.passed(began, self.setup.limits.start_missed);
                (Some(s), late.into())
            }
        })
    }
}

/// Alarms of a standby that already say why it is none.
const fn conds_causes() -> &'static [AlarmCode] {
    use AlarmCode as A;
    &[
        A::HostSilent,
        A::AgentLost,
        A::EarsLost,
        A::PlayerGone,
        A::MediaGone,
        A::MidiLost,
        A::AudioWrong,
        A::AudioLost,
        A::Stalled,
        A::StartMissed,
        A::LoneStop,
        A::WrongSong,
        A::SectionDiffers,
        A::OffsetOut,
        A::StandbySilent,
        A::ChannelShift,
        A::RateFlip,
        A::DeviceFallback,
    ]
}
