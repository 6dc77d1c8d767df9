//! The supervisor's side of the simulated rig: the brain, and what the shell does round it.

use base::{Dbfs, Machine, MonoTime, ShowPosition, Span, SwitchView};
use rig::{Action, Actions, Memory, Mode};
use timecode::ltc::LtcEar;
use watch::{Brain, Setup, TapReport};
use wire::{MAX_BEAT, Session, Up};

use super::TO_SWITCH;
use super::post::{Post, What};
use crate::scenario::{Act, Seen, SeenAlarm, SeenChangeover};
use crate::show::SAMPLE_RATE;

/// An address; the simulated network needs none.
fn somewhere() -> std::net::SocketAddr {
    std::net::SocketAddr::from(([127, 0, 0, 1], 9))
}

/// What came for a supervisor that does not run: it lies in its sockets.
enum Held {
    Datagram(usize, Vec<u8>, MonoTime),
    Tap(TapReport),
    Switch(SwitchView, MonoTime),
}

/// See the module.
pub struct Desk {
    setup: Setup,
    brain: Option<Box<Brain>>,
    memory: Memory,
    frozen: bool,
    held: Vec<Held>,
    deadline: MonoTime,
    actions: Actions,
    dead_output: bool,
    output: usize,
    last_sound: Option<MonoTime>,
    ear: Box<LtcEar>,
    /// Its cable is out.
    pub cut: bool,
}

impl Desk {
    /// A supervisor that starts at `now`.
    pub fn new(setup: Setup, mode: Mode, dead_output: bool, now: MonoTime) -> Desk {
        let memory = Memory { mode, ..Memory::default() };
        Desk {
            brain: Some(Box::new(Brain::new(setup.clone(), memory, now))),
            setup,
            memory,
            frozen: false,
            held: Vec::new(),
            deadline: now,
            actions: Actions::new(),
            dead_output,
            output: 0,
            last_sound: None,
            ear: Box::new(LtcEar::new(SAMPLE_RATE, None)),
            cut: false,
        }
    }

    /// Whether it runs.
    pub fn is_up(&self) -> bool {
        self.brain.is_some() && !self.frozen && !self.cut
    }
    /// When it must be served.
    pub fn next_due(&self) -> MonoTime {
        if self.brain.is_some() && !self.frozen { self.deadline } else { MonoTime::FAR }
    }
    /// Whether the rig is latched; none when nobody can say.
    pub fn latched(&self) -> Option<bool> {
        self.brain.as_ref().map(|b| b.judge().memory().latch.is_some())
    }

    /// Killed. What it remembers was on the disk.
    pub fn kill(&mut self) {
        self.brain = None;
        self.held.clear();
    }
    /// Started again.
    pub fn start(&mut self, now: MonoTime) {
        self.brain = Some(Box::new(Brain::new(self.setup.clone(), self.memory, now)));
        self.deadline = now;
        self.output = 0;
    }
    /// Stands still, or goes on.
    pub fn freeze(&mut self, frozen: bool) {
        self.frozen = frozen;
    }

    /// A new session of a machine.
    pub fn on_session(&mut self, m: Machine, session: Session) {
        if let Some(b) = &mut self.brain {
            drop(b.on_session(m, session));
        }
    }
    /// A datagram; the reply that is owed for it.
    pub fn on_datagram(&mut self, _m: Machine, path: usize, bytes: &[u8], now: MonoTime) -> Option<(Machine, Vec<u8>)> {
        if self.cut {
            return None;
        }
        if self.frozen {
            self.held.push(Held::Datagram(path, bytes.to_vec(), now));
            return None;
        }
        let brain = self.brain.as_mut()?;
        let m = brain.on_datagram(path, somewhere(), bytes, now)?;
        let mut out = [0u8; MAX_BEAT];
        let (_, len) = brain.reply_due(m, path, now, &mut out)?;
        Some((m, out[..len].to_vec()))
    }
    /// A message of an agent.
    pub fn on_up(&mut self, m: Machine, up: &Up, now: MonoTime) {
        let Some(b) = self.brain.as_mut().filter(|_| !self.cut) else { return };
        match up {
            Up::Trigger { at, what, .. } => b.on_trigger(m, *what, *at, now),
            Up::Goodbye { .. } => b.on_goodbye(m),
            _ => {}
        }
    }
    /// An agent's lane ended.
    pub fn on_lane_closed(&mut self, m: Machine, now: MonoTime) {
        if let Some(b) = self.brain.as_mut().filter(|_| !self.cut) {
            b.on_lane_closed(m, now);
        }
    }
    /// The switch's word.
    pub fn on_switch(&mut self, view: SwitchView, now: MonoTime) {
        match &mut self.brain {
            Some(_) if self.frozen => self.held.push(Held::Switch(view, now)),
            Some(b) => b.on_switch(view, now),
            None => {}
        }
    }
    /// A block on the tap.
    pub fn on_tap(
        &mut self,
        last_sound: Option<MonoTime>,
        pilot: Option<Machine>,
        (at, code): (MonoTime, &[f32]),
        now: MonoTime,
    ) {
        self.last_sound = self.last_sound.max(last_sound);
        let mut read = None;
        self.ear.on_block(at, code, &mut |e| {
            read = Some((e.at, ShowPosition::Timecode { rate: e.rate, at: e.place }));
        });
        self.tap(TapReport {
            last_sound: self.last_sound,
            pilot,
            code: read,
            level: Dbfs(-20.0),
            ..TapReport::quiet(now)
        });
    }
    /// The tap's own clock: it hears on, and nothing.
    pub fn on_quiet_tap(&mut self, now: MonoTime) {
        if self.last_sound.is_none_or(|t| now - t > Span::from_millis(20)) {
            self.tap(TapReport { last_sound: self.last_sound, ..TapReport::quiet(now) });
        }
    }
    fn tap(&mut self, report: TapReport) {
        match &mut self.brain {
            Some(_) if self.frozen => self.held.push(Held::Tap(report)),
            Some(b) => b.on_tap(report),
            None => {}
        }
    }
    /// Datagrams that are not from whom they claim.
    pub fn on_forged(&mut self, luck: &mut crate::seed::Sequence, now: MonoTime) {
        let Some(b) = &mut self.brain else { return };
        for i in 0..400usize {
            let mut bytes: Vec<u8> = (0..(i * 37) % 1_500).map(|_| (luck.unit() * 256.0) as u8).collect();
            if i % 2 == 0 && bytes.len() > 10 {
                bytes[..4].copy_from_slice(&wire::header::MAGIC);
                bytes[4..6].copy_from_slice(&[1, 1]);
            }
            let _ = b.on_datagram(i % 2, somewhere(), &bytes, now);
        }
    }

    /// A person acts.
    pub fn person(&mut self, act: Act, m: Machine, now: MonoTime) {
        let Some(b) = &mut self.brain else { return };
        let mode = |m: settings::rig::Mode| match m {
            settings::rig::Mode::Observe => Mode::Observe,
            settings::rig::Mode::Propose => Mode::Propose,
            settings::rig::Mode::Act => Mode::Act,
        };
        let act = match act {
            Act::Release => rig::Act::Release,
            Act::OutOfService => rig::Act::OutOfService(m),
            Act::BackInService => rig::Act::BackInService(m),
            Act::Changeover => rig::Act::Changeover { to: m, forced: false },
            Act::ForcedChangeover => rig::Act::Changeover { to: m, forced: true },
            Act::Mode(x) => rig::Act::SetMode(mode(x)),
        };
        let _ = b.on_act(act, now, &mut self.actions);
    }

    /// Wakes up: drains what lay in the sockets, judges, acts.
    pub fn settle(&mut self, now: MonoTime, seen: &mut Seen, began: MonoTime, post: &mut Post) {
        if self.frozen {
            return;
        }
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
        let mut actions = std::mem::take(&mut self.actions);
        for action in actions.drain(..) {
            if std::env::var_os("DBG").is_some() {
                println!("{:?} {:?}", now - began, action);
            }
            note(&action, now - began, seen);
            match action {
                Action::Changeover { to, .. } => {
                    self.command(to, now, post);
                }
                Action::NextOutput { to, .. } => {
                    self.output += 1;
                    self.command(to, now, post);
                }
                Action::Persist(memory) => self.memory = memory,
                _ => {}
            }
        }
        self.deadline =
            self.brain.as_deref().map_or(MonoTime::FAR, Brain::next_deadline).max(now + Span::from_nanos(1));
    }

    fn command(&mut self, to: Machine, now: MonoTime, post: &mut Post) {
        let outputs = if self.dead_output { 2 } else { 1 };
        let dead = self.dead_output && self.output.is_multiple_of(outputs);
        if !dead {
            post.put(now + TO_SWITCH, What::Select { to });
        }
        if let Some(b) = &mut self.brain {
            b.on_commanded(to, now, true);
        }
    }
}

fn note(action: &Action, at: Span, seen: &mut Seen) {
    match action {
        Action::Changeover { to, rule, .. } => {
            let by_person = *rule == rig::Rule::Person;
            seen.changeovers.push(SeenChangeover { at, to: *to, rule: rule.code().into(), by_person });
        }
        Action::Propose { .. } => seen.proposed = true,
        Action::Alarm(c) if c.transition == rig::Transition::Raised => {
            seen.alarms.push(SeenAlarm { at, code: c.code.code().into(), machine: c.machine });
        }
        _ => {}
    }
}
