//! The supervisor's side: the whole watch brain with its judge, and what a shell does round it; and, to show that the oracle
//! can catch one, desks that judge wrongly.

use std::collections::VecDeque;
use std::net::SocketAddr;

use base::{Machine, MonoTime, Span, SwitchView};
use rig::{Action, Actions, Judge, LinkLoss, Memory, RigEvidence};
use watch::{Brain, Setup, SongSpan, TapReport};
use wire::{MAX_BEAT, Session};

use crate::computer::{BEAT, SONG_STARTS};
use crate::plan::Rig;

/// How a desk may be broken on purpose.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Flaw {
    /// It is as it should be.
    None,
    /// Sound on air vetoes nothing.
    NoVeto,
    /// It judges what was so 400 ms ago.
    Stale,
    /// It releases the latch itself.
    Unlatches,
    /// It acts before fitness has held.
    NoHold,
    /// It takes any standby, however far off.
    AnyStandby,
    /// It forgets over a restart what a person chose and that it is latched.
    Forgets,
    /// It takes each silence for a death, on one path as on two.
    HastyPolicy,
    /// It never acts.
    Asleep,
}

impl Flaw {
    pub const ALL: [Flaw; 8] = [
        Flaw::NoVeto,
        Flaw::Stale,
        Flaw::Unlatches,
        Flaw::NoHold,
        Flaw::AnyStandby,
        Flaw::Forgets,
        Flaw::HastyPolicy,
        Flaw::Asleep,
    ];
}

enum Held {
    Datagram(usize, Vec<u8>, MonoTime),
    Tap(TapReport),
    Switch(SwitchView, MonoTime),
}

pub struct Desk {
    setup: Setup,
    flaw: Flaw,
    brain: Option<Box<Brain>>,
    memory: Memory,
    pub frozen: bool,
    pub cut: bool,
    held: Vec<Held>,
    deadline: MonoTime,
    stirred: bool,
    actions: Actions,
    past: VecDeque<(MonoTime, RigEvidence)>,
    late_judge: Option<Judge>,
    release_at: MonoTime,
}

fn somewhere() -> SocketAddr {
    SocketAddr::from(([127, 0, 0, 1], 9))
}

impl Desk {
    pub fn new(rig: &Rig, songs: u16, flaw: Flaw, now: MonoTime) -> Desk {
        let mut judge = rig::Setup::new(2);
        judge.policies.on_link_loss = rig.on_link_loss;
        judge.policies.lone_stop = rig.lone_stop;
        match flaw {
            Flaw::NoVeto => judge.limits.veto = Span::ZERO,
            Flaw::NoHold => judge.limits.hold = Span::ZERO,
            Flaw::AnyStandby => judge.limits.dead_air = Span::from_secs(30),
            Flaw::HastyPolicy => judge.policies.on_link_loss = Some(LinkLoss::Changeover),
            _ => {}
        }
        let memory = Memory { mode: rig.mode, ..Memory::default() };
        let setup = Setup {
            beat_intervals: [BEAT; 2].into_iter().collect(),
            paths: rig.paths,
            songs: (1..=songs)
                .map(|number| SongSpan {
                    number,
                    start: SONG_STARTS.times(i64::from(number)),
                    length: Span::from_secs(600),
                    sections: (0..20).map(|i| Span::from_secs(30 * i)).collect(),
                })
                .collect(),
            prefer: watch::PREFERENCE,
            has_tap: rig.tap,
            rig: judge,
        };
        let mut desk = Desk {
            setup,
            flaw,
            brain: None,
            memory,
            frozen: false,
            cut: false,
            held: Vec::new(),
            deadline: now,
            stirred: false,
            actions: Actions::new(),
            past: VecDeque::new(),
            late_judge: None,
            release_at: MonoTime::FAR,
        };
        desk.start(now);
        desk
    }

    pub fn is_up(&self) -> bool {
        self.brain.is_some() && !self.frozen && !self.cut
    }
    pub fn runs(&self) -> bool {
        self.brain.is_some() && !self.frozen
    }
    pub fn next_due(&self) -> MonoTime {
        if self.runs() { self.deadline } else { MonoTime::FAR }
    }
    pub fn kill(&mut self) {
        self.brain = None;
        self.held.clear();
    }
    pub fn start(&mut self, now: MonoTime) {
        if self.flaw == Flaw::Forgets {
            self.memory = Memory { mode: rig::Mode::Act, ..Memory::default() };
        }
        self.brain = Some(Box::new(Brain::new(self.setup.clone(), self.memory, now)));
        self.late_judge = (self.flaw == Flaw::Stale).then(|| Judge::new(self.setup.rig, self.memory, now));
        self.past.clear();
        self.deadline = now;
    }

    pub fn on_session(&mut self, m: Machine, session: Session) {
        if let Some(b) = &mut self.brain {
            drop(b.on_session(m, session));
        }
    }
    /// A datagram; the reply that is owed for it.
    pub fn on_datagram(&mut self, path: usize, bytes: &[u8], now: MonoTime) -> Option<(Machine, Vec<u8>)> {
        if self.cut {
            return None;
        }
        if self.frozen {
            self.held.push(Held::Datagram(path, bytes.to_vec(), now));
            return None;
        }
        self.stirred = true;
        let brain = self.brain.as_mut()?;
        let m = brain.on_datagram(path, somewhere(), bytes, now)?;
        let mut out = [0u8; MAX_BEAT];
        let (_, len) = brain.reply_due(m, path, now, &mut out)?;
        Some((m, out[..len].to_vec()))
    }
    pub fn on_lane_closed(&mut self, m: Machine, now: MonoTime) {
        if let Some(b) = self.brain.as_mut().filter(|_| !self.cut) {
            b.on_lane_closed(m, now);
            self.stirred = true;
        }
    }
    pub fn on_stop_trigger(&mut self, m: Machine, at: base::RemoteTime, now: MonoTime) {
        if let Some(b) = self.brain.as_mut().filter(|_| !self.cut) {
            b.on_trigger(m, wire::message::TriggerKind::Stop, at, now);
        }
    }
    pub fn on_own_link(&mut self, down: bool) {
        if let Some(b) = &mut self.brain {
            b.on_own_link(down);
            self.stirred = true;
        }
    }
    pub fn on_switch(&mut self, view: SwitchView, now: MonoTime) {
        self.stirred = true;
        match &mut self.brain {
            Some(_) if self.frozen => self.held.push(Held::Switch(view, now)),
            Some(b) => b.on_switch(view, now),
            None => {}
        }
    }
    pub fn on_tap(&mut self, report: TapReport) {
        self.stirred = true;
        match &mut self.brain {
            Some(_) if self.frozen => self.held.push(Held::Tap(report)),
            Some(b) => b.on_tap(report),
            None => {}
        }
    }
    pub fn on_forged(&mut self, bytes: &[u8], now: MonoTime) {
        if let Some(b) = self.brain.as_mut().filter(|_| !self.frozen && !self.cut) {
            let _ = b.on_datagram(0, somewhere(), bytes, now);
        }
    }
    pub fn on_act(&mut self, act: rig::Act, now: MonoTime) {
        if let Some(b) = self.brain.as_mut().filter(|_| !self.frozen) {
            let _ = b.on_act(act, now, &mut self.actions);
            self.stirred = true;
        }
    }
    pub fn on_commanded(&mut self, to: Machine, now: MonoTime) {
        if let Some(b) = &mut self.brain {
            b.on_commanded(to, now, true);
        }
    }

    /// Wakes up if there is reason to, drains what lay in the sockets, judges. Says what it does, in order.
    pub fn settle(&mut self, now: MonoTime, did: &mut Vec<Action>) {
        if self.frozen || !(self.stirred || now >= self.deadline) {
            return;
        }
        self.stirred = false;
        let Some(brain) = &mut self.brain else { return };
        for held in self.held.drain(..) {
            match held {
                Held::Datagram(path, bytes, at) => {
                    let _ = brain.on_datagram(path, somewhere(), &bytes, at);
                }
                Held::Tap(report) => brain.on_tap(report),
                Held::Switch(view, at) => brain.on_switch(view, at),
            }
        }
        let lateness = if now > self.deadline { now - self.deadline } else { Span::ZERO };
        brain.settle(now, lateness, &mut self.actions);
        if let Some(late) = &mut self.late_judge {
            self.past.push_back((now, brain.evidence().clone()));
            let then = now - Span::from_millis(400);
            while self.past.len() > 1 && self.past[1].0 <= then {
                self.past.pop_front();
            }
            self.actions.clear();
            if let Some((t, ev)) = self.past.front().filter(|p| p.0 <= then) {
                late.on_evidence(ev, *t, &mut self.actions);
            }
        }
        if self.flaw == Flaw::Unlatches && now >= self.release_at {
            self.release_at = MonoTime::FAR;
            let _ = brain.on_act(rig::Act::Release, now, &mut self.actions);
        }
        for action in self.actions.drain(..) {
            match action {
                Action::Persist(memory) => self.memory = memory,
                Action::Changeover { .. } | Action::NextOutput { .. } if self.flaw == Flaw::Asleep => continue,
                Action::Changeover { .. } => self.release_at = now + Span::from_secs(1),
                _ => {}
            }
            did.push(action);
        }
        self.deadline = brain.next_deadline().max(now + Span::from_nanos(1));
    }

    /// After a leap in time nobody was late.
    pub fn leapt(&mut self, now: MonoTime) {
        self.deadline = self.deadline.max(now);
        self.past.clear();
    }

    /// The row that decides, for who wants to know why.
    pub fn why(&self) -> String {
        let Some(b) = &self.brain else { return "no supervisor".into() };
        let rows: Vec<_> = b.judge().why().iter().filter(|r| r.decides).map(|r| r.rule.code()).collect();
        format!("{rows:?} {:?} {:?}", b.judge().last_facts(), b.evidence())
    }
}
