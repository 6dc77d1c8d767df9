//! The judge: takes evidence and people's acts, keeps the latch, the proposal and the pending command, and says what is
//! to be done.

use base::ids::MAX_MACHINES;
use base::{Machine, MonoTime, Span};

use crate::action::{Action, Actions, Proposal, push};
use crate::alarms::Alarms;
use crate::evidence::RigEvidence;
use crate::facts::OnAirKnown;
use crate::fitness::Fitness;
use crate::look::Findings;
use crate::reasons::{Reason, Sentence};
use crate::setup::{Latch, Memory, Setup};
use crate::table::{Outcome, Rule, Verdict, decide};
use crate::takeover::TakeoverCost;
use crate::track::{Track, Wake};

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
    pub(crate) ever_standby: bool,
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
    fitness_said: [Option<(Fitness, Option<Reason>)>; MAX_MACHINES],
    pub(crate) moved_at: Option<MonoTime>,
    pub(crate) changed_at: Option<MonoTime>,
    pub(crate) refused_seen: u32,
    pub(crate) findings: Option<Findings>,
    pub(crate) persist: bool,
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
            ever_standby: false,
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
        let outside = self.on_air.is_some_and(|m| self.setup.outside[m.index()]);
        let reason = match reason {
            Reason::AgentLost if outside => Reason::EarsLost,
            Reason::AgentLostSilent if outside => Reason::EarsLostSilent,
            Reason::AudioDoubtful if outside => Reason::OneWayDoubtful,
            said => said,
        };
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

    fn say_fitness(&mut self, f: &Findings, out: &mut Actions) {
        for (m, found) in Machine::first(f.machines.len()).zip(&f.machines) {
            let said = &mut self.fitness_said[m.index()];
            let now = (found.fitness, found.reasons.first().map(|r| r.reason));
            if *said != Some(now)
                && out
                    .try_push(Action::Fitness { machine: m, fitness: found.fitness, reasons: found.reasons.clone() })
                    .is_ok()
            {
                *said = Some(now);
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
