//! What people do. A person can always force a changeover; everything else may be refused, with the reason.

use base::{Machine, MonoTime, Span};
use serde::{Deserialize, Serialize};

use crate::action::{Action, Actions, push};
use crate::alarms::{AlarmCode, Whose};
use crate::evidence::RigEvidence;
use crate::facts::{Grade, OnAirKnown};
use crate::judge::Judge;
use crate::reasons::{Reason, Sentence};
use crate::setup::{Baseline, Mode};
use crate::table::{Need, Rule, decide};
use crate::track::Wake;

/// What a person does.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
pub enum Act {
    /// Chooses the mode.
    SetMode(Mode),
    /// Puts a machine on air. Unforced it is refused when it would make things worse.
    Changeover {
        /// Which machine.
        to: Machine,
        /// Overriding any refusal.
        forced: bool,
    },
    /// Releases the latch.
    Release,
    /// Answers the standing proposal.
    Answer {
        /// Yes: do it. No: do not ask again while this lasts.
        yes: bool,
    },
    /// Acknowledges an alarm.
    Acknowledge {
        /// Which alarm.
        code: AlarmCode,
        /// Whose.
        whose: Whose,
    },
    /// Puts an alarm away for a while, an hour at most.
    Shelve {
        /// Which alarm.
        code: AlarmCode,
        /// Whose.
        whose: Whose,
        /// For how long.
        lasting: Span,
    },
    /// Takes an alarm off the shelf.
    Unshelve {
        /// Which alarm.
        code: AlarmCode,
        /// Whose.
        whose: Whose,
    },
    /// Takes a standby out of service: no alarms, no candidate.
    OutOfService(Machine),
    /// Brings it back.
    BackInService(Machine),
    /// Says which machine is on air, when nothing else can. What the switch says outweighs it.
    TellOnAir(Machine),
    /// The check before the show passed: a rig that only observed proposes from now on.
    CheckPassed,
    /// What line-up learnt of a machine.
    Baseline(Machine, Baseline),
}

/// What came of it.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
pub enum ActAnswer {
    /// Done.
    Done,
    /// Not done, and why.
    Refused(Sentence),
}

const fn refused(reason: Reason) -> ActAnswer {
    ActAnswer::Refused(Sentence::new(reason))
}

impl Judge {
    /// A person acts. Follow it with [`Judge::on_evidence`] in the same breath: the rest of the picture is drawn there.
    pub fn on_act(&mut self, act: Act, ev: &RigEvidence, now: MonoTime, out: &mut Actions) -> ActAnswer {
        match act {
            Act::SetMode(mode) => self.set_mode(mode, ev),
            Act::Changeover { to, forced } => self.person_changes_over(to, forced, ev, now, out),
            Act::Release => {
                if self.memory.latch.take().is_none() {
                    return refused(Reason::NotLatched);
                }
                push(out, Action::Released);
                self.remember();
                ActAnswer::Done
            }
            Act::Answer { yes } => {
                let Some(p) = self.proposal else { return refused(Reason::NoProposal) };
                if yes {
                    // Asked anew, so that an answer that comes late does no harm.
                    return self.person_changes_over(p.to, false, ev, now, out);
                }
                self.proposal = None;
                self.dismissed = Some((p.rule, p.to));
                push(out, Action::Withdraw);
                ActAnswer::Done
            }
            Act::Acknowledge { code, whose } => changed(self.alarms.acknowledge(code, whose), out),
            Act::Shelve { code, whose, lasting } => changed(self.alarms.shelve(code, whose, lasting, now), out),
            Act::Unshelve { code, whose } => changed(self.alarms.unshelve(code, whose), out),
            Act::OutOfService(m) => {
                if m.index() >= self.machines {
                    return ActAnswer::Refused(Sentence::of(Reason::NoSuchMachine, m));
                }
                if self.on_air == Some(m) {
                    return ActAnswer::Refused(Sentence::of(Reason::OnAirOutOfService, m));
                }
                self.memory.out_of_service[m.index()] = true;
                self.remember();
                self.alarms.drop_machine(m, &mut |change| out.try_push(Action::Alarm(change)).is_ok());
                ActAnswer::Done
            }
            Act::BackInService(m) => {
                if m.index() >= self.machines {
                    return ActAnswer::Refused(Sentence::of(Reason::NoSuchMachine, m));
                }
                self.memory.out_of_service[m.index()] = false;
                self.tracks[m.index()].hold_anew();
                self.remember();
                ActAnswer::Done
            }
            Act::TellOnAir(m) => {
                if m.index() >= self.machines {
                    return ActAnswer::Refused(Sentence::of(Reason::NoSuchMachine, m));
                }
                if self.known != OnAirKnown::No && self.told.is_none() {
                    // The switch, or a conflict of it, outweighs a person's word.
                    return refused(Reason::SwitchTells);
                }
                self.told = Some(m);
                ActAnswer::Done
            }
            Act::CheckPassed => {
                if self.memory.mode == Mode::Observe {
                    self.memory.mode = Mode::Propose;
                    self.remember();
                }
                ActAnswer::Done
            }
            Act::Baseline(m, baseline) => {
                self.setup.baselines[m.index()] = baseline;
                ActAnswer::Done
            }
        }
    }

    /// "Act" needs a way to tell a dead machine from a pulled cable, or a person who chose what to do without one.
    fn set_mode(&mut self, mode: Mode, ev: &RigEvidence) -> ActAnswer {
        let paths = ev.machines.iter().any(|m| m.outside.map_or(m.paths, |o| o.ways) >= 2);
        if mode == Mode::Act && self.setup.policies.on_link_loss.is_none() && !ev.switch.has_tap && !paths {
            return refused(Reason::ActNeedsEars);
        }
        self.memory.mode = mode;
        self.remember();
        ActAnswer::Done
    }

    fn person_changes_over(
        &mut self,
        to: Machine,
        forced: bool,
        ev: &RigEvidence,
        now: MonoTime,
        out: &mut Actions,
    ) -> ActAnswer {
        if to.index() >= self.machines {
            return ActAnswer::Refused(Sentence::of(Reason::NoSuchMachine, to));
        }
        // An unforced changeover is judged by what is so now, not by what was so at the last look.
        let findings = self.look(ev, &Wake::new(now));
        if !forced {
            if self.on_air == Some(to) {
                return ActAnswer::Refused(Sentence::of(Reason::AlreadyOnAir, to));
            }
            if matches!(self.known, OnAirKnown::Conflict | OnAirKnown::No) {
                let reason = if self.known == OnAirKnown::No { Reason::OnAirUnknown } else { Reason::SwitchConflict };
                return refused(reason);
            }
            let need = decide(&findings.facts).need().unwrap_or(Need::InStep);
            let grade = findings.machines.get(to.index()).map_or(Grade::None, |f| f.grade);
            let enough = match need {
                Need::DeadAir => grade >= Grade::DeadAir,
                Need::InStep => grade >= Grade::InStep,
            };
            if !enough {
                // Its worst reason says it best.
                let worst = findings.machines.get(to.index()).and_then(|f| f.reasons.first().copied());
                return ActAnswer::Refused(worst.unwrap_or(self.sentence(Reason::StandbyWorse, Some(to))));
            }
        }
        let reason = Sentence::of(if forced { Reason::PersonForced } else { Reason::Person }, to).against(self.on_air);
        let rule =
            if forced { Rule::Person } else { self.proposal.filter(|p| p.to == to).map_or(Rule::Person, |p| p.rule) };
        let cost = self.cost(ev, &findings, to);
        self.command(to, rule, reason, forced, cost, now, out);
        ActAnswer::Done
    }
}

fn changed(change: Option<crate::alarms::AlarmChange>, out: &mut Actions) -> ActAnswer {
    match change {
        Some(c) => {
            push(out, Action::Alarm(c));
            ActAnswer::Done
        }
        None => refused(Reason::NoSuchAlarm),
    }
}
