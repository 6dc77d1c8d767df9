//! The judge: takes evidence and people's acts, keeps the latch, the proposal and the pending command, and says what is
//! to be done.

use arrayvec::ArrayVec;
use base::ids::MAX_MACHINES;
use base::{Machine, MonoTime, Span, SwitchView};
use serde::{Deserialize, Serialize};

use crate::alarms::{AlarmChange, Alarms};
use crate::evidence::RigEvidence;
use crate::facts::OnAirKnown;
use crate::fitness::{Fitness, Reasons};
use crate::look::Findings;
use crate::reasons::{Reason, Sentence};
use crate::setup::{Latch, Memory, Setup};
use crate::table::{Outcome, Rule, Verdict, decide};
use crate::takeover::TakeoverCost;
use crate::track::{Track, Wake};

/// What is to be done, said or written down. In the order given.
#[derive(Clone, PartialEq, Debug)]
#[must_use]
#[allow(clippy::large_enum_variant)] // A fixed array on the live path: nothing here may be boxed.
pub enum Action {
    /// Send "go to this machine" to the switch, now, by the first output.
    Changeover {
        /// Which machine goes on air.
        to: Machine,
        /// The row that asked for it.
        rule: Rule,
        /// Why.
        reason: Sentence,
        /// A person overrode a refusal.
        forced: bool,
        /// What the audience hears.
        cost: TakeoverCost,
        /// The number of this command.
        term: u64,
    },
    /// The command has not been confirmed, or its output failed: send it again by the next output.
    NextOutput {
        /// Which machine goes on air.
        to: Machine,
        /// How many outputs have been tried before this one.
        tried: u8,
        /// The number of this command.
        term: u64,
    },
    /// The switch, or its tap, confirmed the command.
    Confirmed {
        /// Which machine is on air.
        to: Machine,
        /// How long after the command.
        after: Span,
    },
    /// Ask a person.
    Propose {
        /// Which machine would go on air.
        to: Machine,
        /// The row that asks.
        rule: Rule,
        /// Why.
        reason: Sentence,
        /// The gate that makes it a question.
        gate: Rule,
    },
    /// The question is moot.
    Withdraw,
    /// Observing: this would have been done.
    WouldHave {
        /// Which machine would have gone on air.
        to: Machine,
        /// The row that asked.
        rule: Rule,
        /// Why.
        reason: Sentence,
    },
    /// Something is wrong on air, and nothing can be done about it.
    Refused {
        /// The row that asked.
        rule: Rule,
        /// The gate that refused.
        gate: Rule,
        /// What is wrong.
        cause: Sentence,
        /// Why nothing is done.
        reason: Sentence,
    },
    /// The switch says that this machine is on air.
    Adopted {
        /// Which machine.
        to: Machine,
        /// It went there without us, so the rig is latched.
        moved: bool,
    },
    /// The latch is set.
    Latched(Latch),
    /// The latch is released.
    Released,
    /// A machine's fitness changed.
    Fitness {
        /// Which machine.
        machine: Machine,
        /// How good it is now.
        fitness: Fitness,
        /// Why.
        reasons: Reasons,
    },
    /// An alarm changed.
    Alarm(AlarmChange),
    /// Write this down before anything else is written: it must outlive us.
    Persist(Memory),
}

/// A caller-owned list of actions. Empty it before each call.
pub type Actions = ArrayVec<Action, 32>;

/// A standing question.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
pub struct Proposal {
    /// Which machine would go on air.
    pub to: Machine,
    /// The row that asks.
    pub rule: Rule,
    /// Why.
    pub reason: Sentence,
    /// Since when.
    pub since: MonoTime,
}

/// A command that waits for its confirmation.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(crate) struct Pending {
    pub to: Machine,
    pub from: Option<Machine>,
    pub first: MonoTime,
    pub last: MonoTime,
    pub tries: u8,
}

/// The judge of one rig.
#[derive(Clone, Debug)]
pub struct Judge {
    pub(crate) setup: Setup,
    pub(crate) machines: usize,
    pub(crate) memory: Memory,
    pub(crate) began: MonoTime,
    pub(crate) tracks: [Track; MAX_MACHINES],
    pub(crate) alarms: Alarms,
    pub(crate) on_air: Option<Machine>,
    pub(crate) on_air_since: MonoTime,
    pub(crate) known: OnAirKnown,
    /// A person's word, or our own command to a switch that cannot answer.
    pub(crate) told: Option<Machine>,
    pub(crate) ever_replied: bool,
    pub(crate) pending: Option<Pending>,
    /// A command that was given up unconfirmed.
    pub(crate) unconfirmed: Option<Machine>,
    pub(crate) link_doubt_until: Option<MonoTime>,
    pub(crate) cut_off_until: Option<MonoTime>,
    /// The machine on air has been well for the hold since it came on air.
    pub(crate) proven: bool,
    pub(crate) proposal: Option<Proposal>,
    /// A person said no to this, and it still stands.
    pub(crate) dismissed: Option<(Rule, Machine)>,
    last_outcome: (Outcome, Rule, Option<Machine>),
    pub(crate) fitness_said: [Option<Fitness>; MAX_MACHINES],
    pub(crate) moved_at: Option<MonoTime>,
    pub(crate) changed_at: Option<MonoTime>,
    pub(crate) refused_seen: u32,
    pub(crate) findings: Option<Findings>,
    persist: bool,
    wake: Option<MonoTime>,
}

impl Judge {
    /// A judge for this rig. What `memory` says of on air is a memory, not the truth: the switch is asked first.
    pub fn new(setup: Setup, memory: Memory, now: MonoTime) -> Judge {
        Judge {
            machines: setup.machines.min(MAX_MACHINES),
            setup,
            memory: Memory { term: memory.term.saturating_add(1), ..memory },
            began: now,
            tracks: [Track::default(); MAX_MACHINES],
            alarms: Alarms::new(),
            on_air: None,
            on_air_since: now,
            known: OnAirKnown::No,
            told: None,
            ever_replied: false,
            pending: None,
            unconfirmed: None,
            link_doubt_until: None,
            cut_off_until: None,
            proven: false,
            proposal: None,
            dismissed: None,
            last_outcome: (Outcome::Rest, Rule::Well, None),
            fitness_said: [None; MAX_MACHINES],
            moved_at: None,
            changed_at: None,
            refused_seen: 0,
            findings: None,
            persist: true,
            wake: None,
        }
    }

    /// When to call [`Judge::on_evidence`] again with the evidence as it is, if nothing changes before.
    pub fn next_deadline(&self) -> Option<MonoTime> {
        self.wake
    }

    /// What must outlive a restart, as it is now.
    pub fn memory(&self) -> Memory {
        self.memory
    }

    /// The settings in force.
    pub fn setup(&self) -> &Setup {
        &self.setup
    }

    /// Looks at everything and says what is to be done. Call it when evidence changed or the deadline came. Allocates nothing.
    pub fn on_evidence(&mut self, ev: &RigEvidence, now: MonoTime, out: &mut Actions) {
        let wake = Wake::new(now);
        self.ask_the_switch(ev, &wake, out);
        let findings = self.look(ev, &wake);
        let verdict = decide(&findings.facts);
        self.carry_out(ev, &findings, verdict, now, out);
        self.watch_command(ev, &wake, out);
        self.say_fitness(&findings, out);
        self.judge_alarms(ev, &findings, &wake, out);
        if self.persist && out.try_push(Action::Persist(self.memory)).is_ok() {
            self.persist = false;
        }
        if out.is_full() {
            // What found no room is said at once after.
            wake.note(now + Span::from_nanos(1));
        }
        self.findings = Some(findings);
        self.wake = wake.at();
    }

    /// What the table's answer comes to.
    fn carry_out(&mut self, ev: &RigEvidence, f: &Findings, v: Verdict, now: MonoTime, out: &mut Actions) {
        let outcome = v.outcome();
        let to = f.best;
        if self.dismissed.is_some_and(|d| d.0 != v.cause.rule || Some(d.1) != to) {
            self.dismissed = None;
        }
        let reason = self.sentence(v.cause.reason, to);
        match (outcome, to) {
            (Outcome::Changeover, Some(to)) => {
                let cost = self.cost(ev, f, to);
                self.command(to, v.cause.rule, reason, false, cost, now, out);
            }
            (Outcome::Propose, Some(to)) if self.dismissed.is_none() => {
                let stands = self.proposal.is_some_and(|p| p.to == to && p.rule == v.cause.rule);
                if !stands {
                    self.proposal = Some(Proposal { to, rule: v.cause.rule, reason, since: now });
                    let gate = v.gate.map_or(Rule::AskFirst, |g| g.rule);
                    push(out, Action::Propose { to, rule: v.cause.rule, reason, gate });
                }
            }
            _ => {}
        }
        if outcome != Outcome::Propose && self.proposal.take().is_some() {
            push(out, Action::Withdraw);
        }
        let said = (outcome, v.cause.rule, to);
        if said != self.last_outcome {
            match (outcome, to, v.gate) {
                (Outcome::Observe, Some(to), _) => push(out, Action::WouldHave { to, rule: v.cause.rule, reason }),
                (Outcome::Refuse, _, Some(gate)) => {
                    let why = self.sentence(gate.reason, to);
                    push(out, Action::Refused { rule: v.cause.rule, gate: gate.rule, cause: reason, reason: why });
                }
                _ => {}
            }
            self.last_outcome = said;
        }
    }

    /// A reason that speaks of the machine on air and, as the other, of the standby.
    pub(crate) fn sentence(&self, reason: Reason, standby: Option<Machine>) -> Sentence {
        Sentence { machine: self.on_air, ..Sentence::new(reason) }.against(standby)
    }

    /// Commands the switch, and latches.
    #[allow(clippy::too_many_arguments)]
    pub(crate) fn command(
        &mut self,
        to: Machine,
        rule: Rule,
        reason: Sentence,
        forced: bool,
        cost: TakeoverCost,
        now: MonoTime,
        out: &mut Actions,
    ) {
        self.memory.term = self.memory.term.saturating_add(1);
        push(out, Action::Changeover { to, rule, reason, forced, cost, term: self.memory.term });
        self.pending = Some(Pending { to, from: self.on_air, first: now, last: now, tries: 0 });
        self.unconfirmed = None;
        self.known = OnAirKnown::Pending;
        self.changed_at = Some(now);
        if self.proposal.take().is_some() {
            push(out, Action::Withdraw);
        }
        self.latch(Latch { to, rule }, out);
    }

    /// Sets the latch.
    pub(crate) fn latch(&mut self, latch: Latch, out: &mut Actions) {
        self.memory.latch = Some(latch);
        push(out, Action::Latched(latch));
        self.persist = true;
    }

    /// The memory changed and must be written.
    pub(crate) fn remember(&mut self) {
        self.persist = true;
    }

    /// Hears what the switch and its tap say is on air. The switch owns the truth.
    fn ask_the_switch(&mut self, ev: &RigEvidence, wake: &Wake, out: &mut Actions) {
        let now = wake.now;
        let read = |r: Option<base::Reading<SwitchView>>| {
            let r = r?;
            wake.note(r.expires);
            r.fresh(now).filter(|v| *v != SwitchView::Unknown).map(|v| (v, r.as_of))
        };
        let reply = read(ev.switch.reply);
        let tap = if ev.switch.has_tap { read(ev.switch.tap) } else { None };
        self.ever_replied |= reply.is_some() || tap.is_some();
        if let Some(p) = self.pending {
            let confirms =
                |r: Option<(SwitchView, MonoTime)>| r.is_some_and(|(v, at)| v == SwitchView::On(p.to) && at >= p.first);
            if confirms(reply) || confirms(tap) {
                self.pending = None;
                push(out, Action::Confirmed { to: p.to, after: now - p.first });
                self.goes_on_air(p.to, now);
            } else {
                self.known = OnAirKnown::Pending;
            }
            return;
        }
        let says = match (reply, tap) {
            (Some((SwitchView::Conflict, _)), _) | (_, Some((SwitchView::Conflict, _))) => SwitchView::Conflict,
            (Some((SwitchView::On(a), _)), Some((SwitchView::On(b), _))) if a != b => SwitchView::Conflict,
            // An answer from before our last change is an old one.
            (Some((v, at)), _) | (None, Some((v, at))) if at >= self.on_air_since || v == self.view_of_on_air() => v,
            (Some(_), _) | (None, Some(_)) => self.view_of_on_air(),
            (None, None) => SwitchView::Unknown,
        };
        // A command that somebody else gave, or we before a restart.
        if let Some((to, at)) = ev.switch.commanded
            && at >= self.on_air_since
            && says != SwitchView::On(to)
            && !wake.passed(at, self.setup.limits.confirm)
        {
            self.known = OnAirKnown::Pending;
            return;
        }
        self.known = match says {
            SwitchView::Conflict => OnAirKnown::Conflict,
            SwitchView::On(m) if m.index() >= self.machines => OnAirKnown::Conflict,
            SwitchView::On(m) => {
                self.told = None;
                self.adopt(m, now, out);
                OnAirKnown::Yes
            }
            SwitchView::Unknown => match self.told {
                Some(m) => {
                    if self.on_air != Some(m) {
                        self.goes_on_air(m, now);
                    }
                    OnAirKnown::Yes
                }
                None => OnAirKnown::No,
            },
        };
    }

    fn view_of_on_air(&self) -> SwitchView {
        self.on_air.map_or(SwitchView::Unknown, SwitchView::On)
    }

    /// The switch says a machine is on air: believe it, and latch if it went there without us.
    fn adopt(&mut self, m: Machine, now: MonoTime, out: &mut Actions) {
        if self.on_air == Some(m) {
            return;
        }
        let expected = match self.on_air {
            None => self.memory.on_air.is_none_or(|was| was == m) || self.memory.latch.is_some_and(|l| l.to == m),
            // An unconfirmed command that took effect after all is no surprise.
            Some(_) => self.unconfirmed == Some(m),
        };
        self.unconfirmed = None;
        push(out, Action::Adopted { to: m, moved: !expected });
        self.goes_on_air(m, now);
        if !expected {
            self.moved_at = Some(now);
            self.latch(Latch { to: m, rule: Rule::SwitchMoved }, out);
        }
    }

    fn goes_on_air(&mut self, m: Machine, now: MonoTime) {
        self.known = OnAirKnown::Yes;
        self.on_air = Some(m);
        self.on_air_since = now;
        self.proven = false;
        if self.memory.on_air != Some(m) {
            self.memory.on_air = Some(m);
            self.persist = true;
        }
    }

    /// Has the command confirmed, or the next output tried.
    fn watch_command(&mut self, ev: &RigEvidence, wake: &Wake, out: &mut Actions) {
        let Some(mut p) = self.pending else { return };
        let now = wake.now;
        let failed = ev.switch.output_failed && now > p.last;
        if !failed && !wake.passed(p.last, self.setup.limits.confirm) {
            return;
        }
        p.tries = p.tries.saturating_add(1);
        p.last = now;
        if p.tries < self.setup.limits.output_tries {
            self.pending = Some(p);
            push(out, Action::NextOutput { to: p.to, tried: p.tries, term: self.memory.term });
            wake.note(now + self.setup.limits.confirm);
        } else {
            self.pending = None;
            self.unconfirmed = Some(p.to);
            if !self.ever_replied && !ev.switch.has_tap {
                // A switch that cannot answer: what was sent is the best that is known.
                self.told = Some(p.to);
            }
            wake.note(now + Span::from_nanos(1));
        }
    }

    fn say_fitness(&mut self, f: &Findings, out: &mut Actions) {
        for (m, found) in Machine::first(f.machines.len()).zip(&f.machines) {
            let said = &mut self.fitness_said[m.index()];
            if *said != Some(found.fitness)
                && out
                    .try_push(Action::Fitness { machine: m, fitness: found.fitness, reasons: found.reasons.clone() })
                    .is_ok()
            {
                *said = Some(found.fitness);
            }
        }
    }

    /// What a changeover to this machine would cost now.
    pub(crate) fn cost(&self, ev: &RigEvidence, f: &Findings, to: Machine) -> TakeoverCost {
        let related = f.machines.get(to.index()).and_then(|f| f.related);
        let level = self.on_air.and_then(|o| {
            let (a, b) = (ev.machines.get(o.index())?.level?, ev.machines.get(to.index())?.level?);
            Some(base::Db(b.0 - a.0))
        });
        let at_rest = related.is_some_and(|r| r.relation == crate::facts::Relation::Resting);
        TakeoverCost::of(related.and_then(|r| r.apart), level, at_rest, self.setup.sample_rate)
    }
}

/// Adds an action. A list that is full loses it, which the caller's empty list of 32 makes impossible for what matters:
/// changeovers, latches and proposals come first.
pub(crate) fn push(out: &mut Actions, action: Action) {
    let _ = out.try_push(action);
}
