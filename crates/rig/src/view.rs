//! The judge's picture, for the page, the command line and the record.

use arrayvec::ArrayVec;
use base::ids::MAX_MACHINES;
use base::{Machine, MonoTime, SwitchView};
use serde::{Deserialize, Serialize};

use crate::action::Proposal;
use crate::alarms::AlarmViews;
use crate::evidence::RigEvidence;
use crate::facts::{Facts, Grade, OnAirKnown, Relation};
use crate::fitness::{Fitness, Reasons};
use crate::judge::Judge;
use crate::reasons::{Arg, Reason, Sentence};
use crate::setup::{Latch, Mode};
use crate::table::{Part, Rule, TABLE, Then, decide};
use crate::takeover::TakeoverCost;

/// One machine as people see it.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct MachineView {
    /// Which.
    pub machine: Machine,
    /// How good it is.
    pub fitness: Fitness,
    /// Why, the worst first.
    pub reasons: Reasons,
    /// A person took it out of service.
    pub out_of_service: bool,
}

/// The whole picture.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct RigView {
    /// What is on air, as the switch has it.
    pub on_air: SwitchView,
    /// A command is out and not yet confirmed.
    pub pending: Option<Machine>,
    /// The mode.
    pub mode: Mode,
    /// The latch: while it is set the rig is unprotected.
    pub latched: Option<Latch>,
    /// In mode `act`: it would act now.
    pub armed: bool,
    /// By machine.
    pub machines: ArrayVec<MachineView, MAX_MACHINES>,
    /// The best standby.
    pub standby: Option<Machine>,
    /// What it is good for: nothing (a large "no standby"), dead air, anything.
    pub standby_good_for: StandbyFor,
    /// What the audience would hear now.
    pub takeover: TakeoverCost,
    /// The first sentence of the page.
    pub headline: Sentence,
    /// Why the headline says no, if it does.
    pub because: Option<Sentence>,
    /// The standing question.
    pub proposal: Option<Proposal>,
    /// Release is offered: latched, nothing rolls, and a standby is fit.
    pub release_offered: bool,
    /// In the gap: a machine is still out of service.
    pub reminder: Option<Sentence>,
    /// Alarms, the most urgent first.
    pub alarms: AlarmViews,
}

/// What the best standby is good for.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum StandbyFor {
    /// Nothing: "no standby".
    Nothing,
    /// To replace dead air.
    DeadAir,
    /// To take over from a machine that plays.
    Anything,
}

impl From<Grade> for StandbyFor {
    fn from(g: Grade) -> StandbyFor {
        match g {
            Grade::None => StandbyFor::Nothing,
            Grade::DeadAir => StandbyFor::DeadAir,
            Grade::InStep => StandbyFor::Anything,
        }
    }
}

/// One row of the table as it stands.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct WhyRow {
    /// The row.
    pub rule: Rule,
    /// Its part.
    pub part: Part,
    /// Its condition holds.
    pub holds: bool,
    /// It is the one that decides.
    pub decides: bool,
    /// What it says.
    pub then: Then,
    /// Why, about the machines in question.
    pub sentence: Sentence,
    /// Why the row is there.
    pub comment: &'static str,
}

/// All rows.
pub type WhyRows = ArrayVec<WhyRow, 64>;

impl Judge {
    /// The picture as of the last look. Copies a lot: not for the live path at every beat.
    pub fn view(&self, ev: &RigEvidence, now: MonoTime) -> RigView {
        let mut machines = ArrayVec::new();
        let f = self.findings.as_ref();
        for m in Machine::first(self.machines) {
            let found = f.and_then(|f| f.machines.get(m.index()));
            machines.push(MachineView {
                machine: m,
                fitness: found.map_or(Fitness::Unknown, |x| x.fitness),
                reasons: found.map(|x| x.reasons.clone()).unwrap_or_default(),
                out_of_service: self.memory.out_of_service[m.index()],
            });
        }
        let standby = f.and_then(|f| f.best);
        let takeover = match (f, standby) {
            (Some(f), Some(s)) => self.cost(ev, f, s),
            _ => TakeoverCost::default(),
        };
        let (headline, because) = self.headline(standby, &takeover);
        let grade = f.map_or(Grade::None, |f| f.facts.standby);
        let rolling =
            ev.machines.iter().any(|e| crate::track::fresh_transport(e, now) == base::TransportState::Rolling);
        RigView {
            on_air: match self.known {
                OnAirKnown::Yes | OnAirKnown::Pending => self.on_air.map_or(SwitchView::Unknown, SwitchView::On),
                OnAirKnown::No => SwitchView::Unknown,
                OnAirKnown::Conflict => SwitchView::Conflict,
            },
            pending: self.pending.map(|p| p.to),
            mode: self.memory.mode,
            latched: self.memory.latch,
            armed: f.is_some_and(|f| f.facts.armed) && self.memory.mode == Mode::Act && self.memory.latch.is_none(),
            machines,
            standby,
            standby_good_for: grade.into(),
            takeover,
            headline,
            because,
            proposal: self.proposal,
            release_offered: self.memory.latch.is_some() && !rolling && grade == Grade::InStep,
            reminder: Machine::first(self.machines)
                .find(|m| self.memory.out_of_service[m.index()] && !rolling)
                .map(|m| Sentence::of(Reason::OutOfService, m)),
            alarms: self.alarms.views(now),
        }
    }

    fn headline(&self, standby: Option<Machine>, cost: &TakeoverCost) -> (Sentence, Option<Sentence>) {
        let Some(f) = &self.findings else { return (Sentence::new(Reason::OnAirUnknown), None) };
        if let Some(p) = self.pending {
            return (Sentence::of(Reason::CommandPending, p.to), None);
        }
        if let Some(to) = self.unconfirmed {
            return (Sentence::of(Reason::Unconfirmed, to), None);
        }
        if let Some(p) = self.proposal {
            return (Sentence::of(Reason::ProposalStands, p.to).against(self.on_air), Some(p.reason));
        }
        let v = decide(&f.facts);
        if v.cause.part == Part::Guard {
            return (self.sentence(v.cause.reason, standby), None);
        }
        let Some(s) = standby else { return (Sentence::new(Reason::NoStandby), None) };
        let found = &f.machines[s.index()];
        let worst = found.reasons.first().copied();
        let jump = cost.jump.map_or(Arg::None, Arg::Span);
        let say = |r: Reason| Sentence::of(r, s).against(self.on_air);
        match found.grade {
            Grade::None => (say(Reason::CannotTakeOver), worst),
            Grade::DeadAir => (say(Reason::CanReplaceDeadAir).with(jump), worst),
            Grade::InStep if self.memory.mode == Mode::Act && self.memory.latch.is_none() && !f.facts.armed => {
                (say(Reason::CannotTakeOverYet), None)
            }
            Grade::InStep if found.related.is_some_and(|r| r.relation == Relation::Resting) => {
                (say(Reason::CanTakeOverAtRest), None)
            }
            Grade::InStep => (say(Reason::CanTakeOver).with(jump), None),
        }
    }

    /// The table row by row as it stood at the last look: "why?" and "why not?".
    pub fn why(&self) -> WhyRows {
        let mut rows = WhyRows::new();
        let Some(f) = &self.findings else { return rows };
        let v = decide(&f.facts);
        for row in TABLE {
            let decides = row.rule == v.cause.rule || v.gate.is_some_and(|g| g.rule == row.rule);
            let _ = rows.try_push(WhyRow {
                rule: row.rule,
                part: row.part,
                holds: (row.holds)(&f.facts, v.cause.then),
                decides,
                then: row.then,
                sentence: self.sentence(row.reason, f.best),
                comment: row.comment,
            });
        }
        rows
    }

    /// The facts of the last look.
    pub fn last_facts(&self) -> Option<Facts> {
        self.findings.as_ref().map(|f| f.facts)
    }
}
