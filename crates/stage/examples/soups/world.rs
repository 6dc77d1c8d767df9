//! One show from doors to curtain: two computers, their network, the switch with its tap, and the desk, on one clock.
//!
//! Round everything that happens the clock runs through every beat, block and deadline. In between, where nothing changes
//! but the time, it leaps: nobody is asked in between, and at the far end both machines beat, the tap and the switch speak,
//! and only then the desk judges, so that no reading is older than it would be. What a leap does break off (runs of sound,
//! the time for which fitness has held, the fine estimate of a clock) is built anew at full rate before the next event:
//! [`LEAD`] is longer than every such time.

use std::cmp::Reverse;
use std::collections::BinaryHeap;

use base::{Dbfs, Machine, MonoTime, RigId, Span, SwitchView};
use rig::Action;
use twinkeel_stage::weather::{Sky, Weather};
use watch::TapReport;
use wire::{Echo, Initiator, KeyPair, Lane, MAX_BEAT, Responder};

use crate::computer::{BEAT, Computer};
use crate::deeds::Broken;
use crate::desk::{Desk, Flaw};
use crate::music::{BEGIN, Luck, Music};
use crate::oracle::{Finding, Oracle, Truth};
use crate::plan::{Deed, Plan};

/// Full rate before a fault or a person's act: fitness must hold for 2 s.
const LEAD: Span = Span::from_millis(2_400);
/// Full rate after anything has happened.
const TAIL: Span = Span::from_millis(1_000);
/// The same round the pads that start and stop a song.
const SHOW_LEAD: Span = Span::from_millis(60);
const SHOW_TAIL: Span = Span::from_millis(350);
/// No leap is longer, and after each there are a few beats.
const LEAP: Span = Span::from_secs(60);
const BREATH: Span = Span::from_millis(30);

const WIRE: Span = Span::from_micros(60);
const TO_SWITCH: Span = Span::from_micros(100);
const ASK_EVERY: Span = Span::from_millis(500);
/// A block of the tap.
pub const TAP_EVERY: Span = Span::from_millis(5);

pub enum What {
    Beat { path: usize, bytes: Vec<u8> },
    Reply { machine: usize, path: usize, bytes: Vec<u8> },
    LaneClosed { machine: usize },
    Select { to: Machine },
    Says { view: SwitchView },
    Connect { machine: usize },
}

struct Entry(MonoTime, u64, What);
impl PartialEq for Entry {
    fn eq(&self, o: &Entry) -> bool {
        (self.0, self.1) == (o.0, o.1)
    }
}
impl Eq for Entry {}
impl PartialOrd for Entry {
    fn partial_cmp(&self, o: &Entry) -> Option<std::cmp::Ordering> {
        Some(self.cmp(o))
    }
}
impl Ord for Entry {
    fn cmp(&self, o: &Entry) -> std::cmp::Ordering {
        (self.0, self.1).cmp(&(o.0, o.1))
    }
}

pub struct Switch {
    pub on_air: Machine,
    pub powered: bool,
    pub deaf: bool,
    pub half: bool,
    pub loses_commands: bool,
    /// It carries what it carries since.
    pub since: MonoTime,
    /// The newest sample that was not zero and passed through it.
    pub passed: Option<MonoTime>,
}

pub struct World {
    pub now: MonoTime,
    pub plan: Plan,
    pub computers: [Computer; 2],
    pub desk: Desk,
    pub switch: Switch,
    pub oracle: Oracle,
    pub luck: Luck,
    pub broken: Vec<Broken>,
    pub trace: bool,
    keys: [KeyPair; 3],
    sky: [[Sky; 2]; 2],
    weather: Weather,
    post: BinaryHeap<Reverse<Entry>>,
    posted: u64,
    next_ask: MonoTime,
    next_tap: MonoTime,
    sessions: u32,
    busy_until: MonoTime,
    did: Vec<Action>,
}

/// What one show came to.
#[derive(Default, Clone, Debug)]
pub struct Outcome {
    pub changeovers: u64,
    pub by_person: u64,
    /// Deaths that had to be answered, and were.
    pub due: u64,
    pub findings: Vec<Finding>,
    /// Seconds at full rate.
    pub full_rate: f64,
    pub rules: Vec<&'static str>,
}

/// Plays the show of this seed. It has a thread of its own: the brain is large while it is being made, and unoptimized
/// builds make it on the stack more than once.
pub fn play(seed: u64, flaw: Flaw, trace: bool) -> Outcome {
    let show = move || World::new(seed, flaw, trace).run();
    let thread = std::thread::Builder::new().stack_size(64 << 20).spawn(show);
    match thread.map(std::thread::JoinHandle::join) {
        Ok(Ok(outcome)) => outcome,
        _ => {
            let what = "the show itself broke off".into();
            Outcome { findings: vec![Finding { at: 0.0, missed: true, what }], ..Outcome::default() }
        }
    }
}

impl World {
    fn new(seed: u64, flaw: Flaw, trace: bool) -> World {
        let plan = Plan::new(seed);
        let mut luck = Luck::new(seed ^ 0x5eed);
        let music = Music(seed);
        let songs = plan.events.iter().filter(|e| matches!(e.1, Deed::Start(_))).count() as u16;
        let computer = |i: usize| {
            let ahead = Span::from_millis(7_000 + 13_500 * i as i64);
            Computer::new(music, BEGIN, ahead, plan.rig.crystals[i])
        };
        let key = |n: u64| {
            let mut bytes = [0u8; 32];
            for (i, b) in bytes.iter_mut().enumerate() {
                *b = twinkeel_stage::seed::at(seed, 0x6b, (n * 32 + i as u64) as i64) as u8;
            }
            let secret = wire::SecretKey::new(bytes);
            let public = secret.public().unwrap_or(wire::PublicKey::new([0; 32]));
            KeyPair { secret, public }
        };
        let weather = Weather {
            delay: settings::duration::Duration(Span::from_micros(40 + luck.below(400) as i64)),
            jitter: settings::duration::Duration(plan.rig.jitter),
            loss: plan.rig.loss,
            duplicate: plan.rig.loss / 4.0,
            ..Weather::default()
        };
        let mut world = World {
            now: BEGIN,
            computers: [computer(0), computer(1)],
            desk: Desk::new(&plan.rig, songs, flaw, BEGIN),
            switch: Switch {
                on_air: Machine::A,
                powered: true,
                deaf: false,
                half: false,
                loses_commands: false,
                since: BEGIN,
                passed: None,
            },
            oracle: Oracle::new(plan.rig, BEGIN),
            luck,
            broken: Vec::new(),
            trace,
            keys: [key(0), key(1), key(2)],
            sky: std::array::from_fn(|m| std::array::from_fn(|p| Sky::new(seed ^ (m as u64 * 64 + p as u64 * 8 + 1)))),
            weather,
            post: BinaryHeap::new(),
            posted: 0,
            next_ask: BEGIN,
            next_tap: BEGIN,
            sessions: 0,
            busy_until: BEGIN + if plan.rig.loss > 0.0 { Span::from_secs(20) } else { Span::from_secs(5) },
            did: Vec::new(),
            plan,
        };
        world.computers[1].beat_due = BEGIN + world.plan.rig.phase;
        world.connect(0);
        world.connect(1);
        world
    }

    fn run(mut self) -> Outcome {
        let events = std::mem::take(&mut self.plan.events);
        let mut full_rate = Span::ZERO;
        // An event's lead may begin before the event before it.
        let lead_of = |deed: &Deed| if is_pad(deed) { SHOW_LEAD } else { LEAD };
        let mut from: Vec<MonoTime> = events.iter().map(|(at, deed)| BEGIN + *at - lead_of(deed)).collect();
        for i in (1..from.len()).rev() {
            from[i - 1] = from[i - 1].min(from[i]);
        }
        for ((at, deed), from) in events.iter().zip(from) {
            let at = BEGIN + *at;
            let lead = at - from;
            let tail = if is_pad(deed) { SHOW_TAIL } else { TAIL };
            full_rate += self.pass(at, lead);
            if self.trace {
                println!("{:>12.4} {deed:?}", (self.now - BEGIN).secs_f64());
            }
            self.happen(*deed);
            self.busy_until = self.busy_until.max(at + tail);
        }
        full_rate += self.pass(BEGIN + self.plan.length, Span::ZERO);
        let mut outcome = self.oracle.outcome;
        outcome.full_rate = full_rate.secs_f64();
        outcome
    }

    /// Lets time pass until `until`, at full rate for the last `lead`. Returns how much of it ran at full rate.
    fn pass(&mut self, until: MonoTime, lead: Span) -> Span {
        let mut full = Span::ZERO;
        while self.now < until {
            let from = self.now;
            let calm = self.busy_until.max(self.now + BREATH);
            if calm + Span::from_millis(500) < until - lead {
                self.advance(calm);
                full += self.now - from;
                // What happened meanwhile may have made it busy for longer.
                if self.busy_until <= self.now && self.desk.runs() {
                    self.leap((self.now + LEAP).min(until - lead));
                }
            } else {
                self.advance(until);
                full += self.now - from;
            }
        }
        full
    }

    fn leap(&mut self, to: MonoTime) {
        // A connection that is still being tried is tried on; everything else takes microseconds.
        self.deliver_until(to);
        self.now = to;
        for i in 0..2 {
            let since = (to - self.computers[i].beat_due).nanos().max(0) / BEAT.nanos();
            self.computers[i].beat_due += BEAT.times(since);
            self.beat(i, false);
        }
        self.tap();
        self.next_tap = to + TAP_EVERY;
        self.next_ask = to;
        self.switch_says();
        self.deliver_until(to + BREATH);
        self.now = to;
        self.desk.leapt(to);
        self.oracle.leapt(to);
        self.judge();
    }

    /// Delivers what is due until then, turning the clock to it.
    fn deliver_until(&mut self, until: MonoTime) {
        while self.post.peek().is_some_and(|e| e.0.0 <= until) {
            let Some(Reverse(e)) = self.post.pop() else { break };
            self.now = e.0.max(self.now);
            self.deliver(e.2);
        }
    }

    /// Turns the clock to `until`, doing everything that is due on the way in its order.
    fn advance(&mut self, until: MonoTime) {
        loop {
            let agents = self.computers.iter().filter(|c| c.agent_works()).map(|c| c.beat_due);
            let post = self.post.peek().map(|e| e.0.0);
            let due = agents
                .chain(post)
                .chain([self.desk.next_due(), self.next_ask, self.next_tap])
                .fold(MonoTime::FAR, MonoTime::min);
            if due > until {
                self.now = until;
                return;
            }
            self.now = self.now.max(due);
            self.step();
        }
    }

    fn step(&mut self) {
        let now = self.now;
        for i in 0..2 {
            if self.computers[i].agent_works() && self.computers[i].beat_due <= now {
                let late = now - self.computers[i].beat_due > BEAT;
                self.computers[i].beat_due = if late { now + BEAT } else { self.computers[i].beat_due + BEAT };
                self.beat(i, true);
            }
        }
        while self.post.peek().is_some_and(|e| e.0.0 <= now) {
            let Some(Reverse(e)) = self.post.pop() else { break };
            self.deliver(e.2);
        }
        if now >= self.next_ask {
            self.next_ask = now + ASK_EVERY;
            self.switch_says();
        }
        if now >= self.next_tap {
            self.next_tap = now + TAP_EVERY;
            self.tap();
        }
        self.judge();
    }

    pub fn judge(&mut self) {
        let now = self.now;
        for c in &mut self.computers {
            c.touch(now);
        }
        let mut did = std::mem::take(&mut self.did);
        did.clear();
        self.desk.settle(now, &mut did);
        let truth = Truth { now, computers: &self.computers, switch: &self.switch, desk: &self.desk };
        self.oracle.look(&truth);
        for action in &did {
            self.oracle.on_action(&truth, action);
            if self.trace
                && matches!(
                    action,
                    Action::Changeover { .. }
                        | Action::Adopted { .. }
                        | Action::Propose { .. }
                        | Action::Refused { .. }
                        | Action::Released
                        | Action::Fitness { .. }
                )
            {
                println!("{:>12.4}     {}", (now - BEGIN).secs_f64(), brief(action));
            }
        }
        if self.oracle.waits() {
            self.busy_until = self.busy_until.max(now + Span::from_millis(20));
        }
        for action in &did {
            if let Action::Propose { .. } | Action::Refused { .. } = action {
                // It may be done yet, once fitness has held.
                self.busy_until = self.busy_until.max(now + LEAD);
            }
            if let Action::Changeover { to, .. } | Action::NextOutput { to, .. } = action {
                self.put(TO_SWITCH, What::Select { to: *to });
                self.desk.on_commanded(*to, now);
                self.busy_until = self.busy_until.max(now + TAIL);
            }
        }
        self.did = did;
    }

    pub fn put(&mut self, after: Span, what: What) {
        self.posted += 1;
        self.post.push(Reverse(Entry(self.now + after, self.posted, what)));
    }

    fn beat(&mut self, i: usize, weather: bool) {
        let now = self.now;
        let (pilot, ltc) = (self.plan.rig.pilot, self.plan.rig.ltc);
        let c = &mut self.computers[i];
        if !c.agent_works() {
            return;
        }
        let mut beat = c.beat(now, pilot, ltc);
        for path in 0..self.plan.rig.paths {
            let c = &mut self.computers[i];
            beat.echo = c.echo[path];
            let lane = if path == 0 { Lane::Path1 } else { Lane::Path2 };
            let mut out = [0u8; MAX_BEAT];
            let Some(len) = c.session.as_mut().and_then(|s| s.seal_beat(lane, &beat, &mut out).ok()) else { return };
            if c.cut[path] {
                continue;
            }
            let fate = self.sky[i][path].fate(&self.weather, now);
            let copies = if weather { [fate.first, fate.second] } else { [Some(Span::ZERO), None] };
            for late in copies.into_iter().flatten() {
                self.put(WIRE + late, What::Beat { path, bytes: out[..len].to_vec() });
            }
        }
    }

    fn deliver(&mut self, what: What) {
        match what {
            What::Beat { path, bytes } => {
                if let Some((m, bytes)) = self.desk.on_datagram(path, &bytes, self.now) {
                    let machine = m.index();
                    if !self.computers[machine].cut[path] {
                        self.put(WIRE, What::Reply { machine, path, bytes });
                    }
                }
            }
            What::Reply { machine, path, bytes } => {
                let now = self.now;
                let c = &mut self.computers[machine];
                let lane = if path == 0 { Lane::Path1 } else { Lane::Path2 };
                if !c.agent_works() || c.cut[path] {
                    return;
                }
                let received = c.remote(now);
                if let Some(reply) = c.session.as_mut().and_then(|s| s.open_reply(lane, &bytes).ok()) {
                    c.echo[path] = Some(Echo { reply: reply.seq, received });
                }
            }
            What::LaneClosed { machine } => {
                if let Some(m) = Machine::new(machine) {
                    self.desk.on_lane_closed(m, self.now);
                }
            }
            What::Select { to } => {
                let s = &self.switch;
                if s.powered && !s.deaf && !s.half && !s.loses_commands {
                    self.switch_to(to);
                }
            }
            What::Says { view } => self.desk.on_switch(view, self.now),
            What::Connect { machine } => self.connect(machine),
        }
    }

    pub fn switch_says(&mut self) {
        if self.switch.powered && !self.switch.deaf {
            let view = if self.switch.half { SwitchView::Conflict } else { SwitchView::On(self.switch.on_air) };
            self.put(TO_SWITCH, What::Says { view });
        }
    }

    /// Notes what has passed through the switch by now.
    pub fn sound_passes(&mut self) {
        let c = &mut self.computers[self.switch.on_air.index()];
        c.touch(self.now);
        let heard = c.last_nonzero(self.now).filter(|t| self.switch.powered && *t >= self.switch.since);
        self.switch.passed = self.switch.passed.max(heard);
    }

    pub fn switch_to(&mut self, to: Machine) {
        self.sound_passes();
        if self.switch.on_air != to {
            self.switch.on_air = to;
            self.switch.since = self.now;
        }
        self.switch_says();
    }

    fn tap(&mut self) {
        if !self.plan.rig.tap {
            return;
        }
        self.sound_passes();
        let now = self.now;
        let c = &self.computers[self.switch.on_air.index()];
        let pilot = self.plan.rig.pilot && self.switch.powered && c.player_works() && c.callbacks && !c.muted;
        let carries = pilot.then_some(self.switch.on_air);
        self.desk.on_tap(TapReport {
            last_sound: self.switch.passed,
            pilot: carries,
            level: Dbfs(-20.0),
            ..TapReport::quiet(now)
        });
    }

    /// An agent and the supervisor agree on a session, if they can reach each other.
    pub fn connect(&mut self, i: usize) {
        let c = &self.computers[i];
        if !(c.agent_works() && !(c.cut[0] && (c.cut[1] || self.plan.rig.paths < 2)) && self.desk.is_up()) {
            self.put(Span::from_millis(200), What::Connect { machine: i });
            return;
        }
        self.sessions += 1;
        let (agent, supervisor) = (&self.keys[i], &self.keys[2]);
        let agreed = Initiator::start(&agent.secret, &supervisor.public, RigId([7; 16])).and_then(|(me, knock)| {
            let (theirs, answer) =
                Responder::read(&supervisor.secret, RigId([7; 16]), &knock)?.accept(self.sessions)?;
            Ok((me.finish(&answer)?, theirs))
        });
        if let (Ok((ours, theirs)), Some(m)) = (agreed, Machine::new(i)) {
            self.computers[i].on_session(ours);
            self.desk.on_session(m, theirs);
        }
    }
}

fn is_pad(deed: &Deed) -> bool {
    matches!(deed, Deed::Start(_) | Deed::Stop | Deed::Vamp)
}

fn brief(action: &Action) -> String {
    match action {
        Action::Changeover { to, rule, forced, .. } => format!("CHANGEOVER to {to} by {} forced {forced}", rule.code()),
        Action::Propose { to, rule, gate, .. } => format!("proposes {to} by {} ({})", rule.code(), gate.code()),
        Action::Refused { rule, gate, .. } => format!("refuses {} ({})", rule.code(), gate.code()),
        Action::Fitness { machine, fitness, reasons } => {
            format!("{machine} {fitness:?} {:?}", reasons.iter().map(|r| r.reason).collect::<Vec<_>>())
        }
        other => format!("{other:?}"),
    }
}
