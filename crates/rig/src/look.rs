//! From evidence to facts: the only place where limits and hold times are compared with the clock.

use arrayvec::ArrayVec;
use base::ids::MAX_MACHINES;
use base::{Heard, Machine, MonoTime, PlayerState, Span, SwitchView};

use crate::evidence::{MachineEvidence, RigEvidence};
use crate::facts::{Ears, Facts, Grade, Host, LinkSays, Relation, SelfDoubt, Sound, Transport, grade};
use crate::fitness::{self, Fitness, Reasons};
use crate::judge::Judge;
use crate::reasons::Reason;
use crate::relation::{Related, ears, relate};
use crate::setup::LinkLoss;
use crate::track::{Wake, fresh_player, here};

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

/// Whether a standby gives nothing to hear: it is quiet, or it stands where the machine on air stood.
pub(crate) fn rests_too(f: &Found) -> bool {
    match f.ears {
        Ears::Sounding => false,
        Ears::Quiet => true,
        Ears::Deaf => f.related.is_some_and(|r| r.relation == Relation::Resting),
    }
}

/// A pilot is still found on the tap for so long after it ended: a window of the detector, and a block.
const PILOT_LINGERS: Span = Span::from_millis(30);

/// When the tap last heard this machine's pilot, if that was a moment ago.
pub(crate) fn pilot_on_tap(ev: &RigEvidence, m: Machine, now: MonoTime) -> Option<MonoTime> {
    let r = ev.switch.tap.filter(|_| ev.switch.tap_by_pilot)?;
    (r.value == SwitchView::On(m) && now - r.as_of <= PILOT_LINGERS).then_some(r.as_of)
}

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
        self.look_for_sound(ev, now);
        let doubt = self.doubt(ev, wake);
        let on_air = self.on_air;
        let mut found: ArrayVec<Found, MAX_MACHINES> = ArrayVec::new();
        for (m, e) in Machine::first(self.machines).zip(&ev.machines) {
            let related = on_air.filter(|o| *o != m).map(|o| {
                let together = self.stood_together(ev, m, o, now);
                relate(ev, &mut self.tracks, m, o, together, wake, &limits)
            });
            let reasons = self.reasons(ev, m, e, related, wake);
            self.tracks[m.index()].fell_silent |= reasons.iter().any(|r| r.reason == Reason::AudioSilent);
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
        facts.link = self.link(o, e);
        facts.player = fresh_player(e, wake.now);
        facts.transport = self.transport(ev, o, e, wake);
        let pair = best.map(|b| (b, &found[b.index()]));
        facts.sound = self.sound(ev, o, e, pair, wake);
        let standby_rests = pair.is_none_or(|(_, f)| rests_too(f));
        facts.host = self.host(ev, o, e, standby_rests, wake);
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

    fn host(&self, ev: &RigEvidence, o: Machine, e: &MachineEvidence, calm: bool, wake: &Wake) -> Host {
        match e.heard {
            Heard::Well | Heard::OnePath => Host::Here,
            Heard::Never => Host::Never,
            Heard::AgentLost | Heard::Goodbye => Host::AgentLost,
            Heard::Silent if self.witnessed(ev, o, e, wake.now) => {
                let missed = self.silent_from(o, e, wake.now);
                if pilot_on_tap(ev, o, wake.now).is_some_and(|at| at >= missed + PILOT_LINGERS) {
                    return Host::AgentLost;
                }
                if calm && !wake.passed(missed, self.setup.limits.patience) { Host::Patience } else { Host::Gone }
            }
            Heard::Silent => Host::Unwitnessed,
        }
    }

    /// Whether another machine was heard to live after this one's silence began: by *when it sent*, since what it sent
    /// before may arrive later.
    pub(crate) fn witnessed(&self, ev: &RigEvidence, m: Machine, e: &MachineEvidence, now: MonoTime) -> bool {
        let missed = self.silent_from(m, e, now);
        ev.machines.iter().enumerate().any(|(i, w)| {
            i != m.index() && here(w.heard) && w.last_sent.is_some_and(|t| t >= missed + self.setup.limits.witness)
        })
    }

    /// When its first missed beat was due.
    fn silent_from(&self, m: Machine, e: &MachineEvidence, now: MonoTime) -> MonoTime {
        e.first_missed.or(self.tracks[m.index()].silent_since).unwrap_or(now)
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
}
