//! The whole rig in virtual time: the same player engine, the same agent core, the same sealed datagrams and the same brain as in
//! the real one, with a simulated network, switch and clocks between them. An hour takes seconds, and a run with the same seed is
//! the same run.
//!
//! `machine` is a playback computer, `post` what is on its way, `desk` the supervisor's side; this file turns the clock.

mod breakage;
mod desk;
mod machine;
mod post;

use base::{Machine, MonoTime, Span, SwitchView};
use rig::Mode;
use settings::rig::{HeardBy, LoneStop, OnLinkLoss};
use watch::SongSpan;

use crate::scenario::{Deed, Fault, Scenario, Seen, Show};
use crate::show::Show as Material;
use desk::Desk;
use machine::Host;
use post::{Post, What};

/// How many playback computers it has.
const MACHINES: usize = 2;
/// From a pad's order to its hit.
const PAD_AHEAD: Span = Span::from_millis(50);
/// A command takes this long to the switch, and its answer as long back.
const TO_SWITCH: Span = Span::from_micros(100);
/// The switch is asked this often.
const ASK_EVERY: Span = Span::from_millis(500);
/// A tap that hears nothing says so this often.
const TAP_EVERY: Span = Span::from_millis(4);

/// The changeover switch.
struct Switch {
    on_air: Machine,
    powered: bool,
    deaf: bool,
    half: bool,
    /// What it says that it passes, when that is not so.
    claims: Option<Machine>,
}

/// The rig.
pub struct VirtualRig {
    now: MonoTime,
    began: MonoTime,
    scenario: Scenario,
    hosts: Vec<Host>,
    desk: Desk,
    switch: Switch,
    post: Post,
    next_ask: MonoTime,
    next_tap: MonoTime,
    broken: Vec<(Fault, Vec<Machine>)>,
    seen: Seen,
    padless: [bool; MACHINES],
}

impl VirtualRig {
    /// The rig of a scenario, switched on.
    pub fn new(scenario: &Scenario, seed: u64) -> VirtualRig {
        // Not at the clock's zero: what lies before the beginning must be sayable.
        let now = MonoTime::ZERO + Span::from_secs(100);
        let hosts: Vec<Host> = Machine::first(MACHINES).map(|m| Host::new(m, &scenario.rig, seed, now)).collect();
        let mut rig = VirtualRig {
            now,
            began: now,
            desk: Desk::new(setup(scenario, seed), first_mode(scenario), scenario.rig.dead_output, now),
            scenario: scenario.clone(),
            hosts,
            switch: Switch { on_air: Machine::A, powered: true, deaf: false, half: false, claims: None },
            post: Post::default(),
            next_ask: now,
            next_tap: now,
            broken: Vec::new(),
            seen: Seen::default(),
            padless: [false; MACHINES],
        };
        for m in Machine::first(MACHINES) {
            rig.connect(m);
        }
        rig
    }

    /// Plays the scenario for `length` and says what was seen.
    pub fn run(mut self, length: Span) -> Seen {
        for moment in self.scenario.moments() {
            if moment.at > length {
                break;
            }
            self.advance(self.began + moment.at);
            let on_air = self.switch.on_air;
            let machines = moment.machine.map_or_else(Vec::new, |w| w.among(MACHINES, on_air));
            match moment.deed {
                Deed::Break(fault) => {
                    self.seen.fault.get_or_insert(moment.at);
                    self.break_it(fault, &machines);
                    self.broken.push((fault, machines));
                }
                Deed::Mend(fault) => {
                    let all = std::mem::take(&mut self.broken);
                    let (mended, left): (Vec<_>, Vec<_>) = all.into_iter().partition(|(f, _)| f.same_kind(&fault));
                    self.broken = left;
                    mended.into_iter().for_each(|(f, m)| self.mend(f, &m));
                }
                Deed::Show(show) => self.show(show),
                Deed::Act(act) => self.desk.person(act, machines.first().copied().unwrap_or(Machine::B), self.now),
            }
        }
        self.advance(self.began + length);
        self.seen.on_air_at_end = Some(self.switch.on_air);
        self.seen.latched_at_end = self.desk.latched();
        self.seen
    }

    /// Turns the clock to `until`, doing everything that is due on the way in its order.
    fn advance(&mut self, until: MonoTime) {
        loop {
            let due = self.next_due();
            if due > until {
                self.now = until;
                return;
            }
            self.now = self.now.max(due);
            self.step();
        }
    }

    fn next_due(&self) -> MonoTime {
        let hosts = self.hosts.iter().map(Host::next_due);
        let desk = self.desk.next_due();
        hosts.chain(self.post.next_due()).chain([desk, self.next_ask, self.next_tap]).fold(MonoTime::FAR, MonoTime::min)
    }

    fn step(&mut self) {
        let now = self.now;
        for i in 0..self.hosts.len() {
            let on_air = self.switch.powered && self.switch.on_air.index() == i;
            self.hosts[i].play(now, on_air, &mut self.post);
            self.hosts[i].beat(now, &mut self.post);
        }
        while let Some(what) = self.post.take(now) {
            self.deliver(what);
        }
        if now >= self.next_ask {
            self.next_ask = now + ASK_EVERY;
            self.switch_says();
        }
        if now >= self.next_tap {
            self.next_tap = now + TAP_EVERY;
            if self.scenario.rig.tap && self.switch.powered {
                self.desk.on_quiet_tap(now);
            }
        }
        self.desk.settle(now, &mut self.seen, self.began, &mut self.post);
    }

    fn deliver(&mut self, what: What) {
        match what {
            What::Beat { machine, path, bytes } => {
                if let Some((m, reply)) = self.desk.on_datagram(machine, path, &bytes, self.now) {
                    self.hosts[m.index()].carry(path, self.now, |at| {
                        self.post.put(at, What::Reply { machine: m, path, bytes: reply.clone() })
                    });
                }
            }
            What::Reply { machine, path, bytes } => self.hosts[machine.index()].on_reply(path, &bytes, self.now),
            What::Up { machine, up } => self.desk.on_up(machine, &up, self.now),
            What::LaneClosed { machine } => self.desk.on_lane_closed(machine, self.now),
            What::Select { to } => {
                if self.switch.powered && !self.switch.deaf && !self.switch.half {
                    match &mut self.switch.claims {
                        Some(claimed) => *claimed = to,
                        None => self.switch.on_air = to,
                    }
                    self.switch_says();
                }
            }
            What::Says { view } => self.desk.on_switch(view, self.now),
            What::Tap { at, last_sound, pilot, code } => {
                if self.scenario.rig.tap {
                    self.desk.on_tap(last_sound, pilot, (at, &code), self.now);
                }
            }
            What::Connect { machine } => self.connect(machine),
        }
    }

    /// The switch answers, if it can.
    fn switch_says(&mut self) {
        if !self.switch.powered || self.switch.deaf {
            return;
        }
        let view = if self.switch.half {
            SwitchView::Conflict
        } else {
            SwitchView::On(self.switch.claims.unwrap_or(self.switch.on_air))
        };
        self.post.put(self.now + TO_SWITCH, What::Says { view });
    }

    /// An agent and the supervisor agree on a session, if they can reach each other.
    fn connect(&mut self, m: Machine) {
        let host = &mut self.hosts[m.index()];
        if host.reaches() && self.desk.is_up() {
            host.connect(&mut self.desk, self.now);
        } else {
            // It tries again.
            self.post.put(self.now + Span::from_millis(200), What::Connect { machine: m });
        }
    }

    fn show(&mut self, show: Show) {
        for m in Machine::first(MACHINES).filter(|m| !self.padless[m.index()]) {
            let host = &mut self.hosts[m.index()];
            host.command(show, self.now, PAD_AHEAD);
        }
    }
}

fn first_mode(s: &Scenario) -> Mode {
    match s.rig.mode {
        settings::rig::Mode::Observe => Mode::Observe,
        settings::rig::Mode::Propose => Mode::Propose,
        settings::rig::Mode::Act => Mode::Act,
    }
}

/// What the brain is told of this rig.
fn setup(s: &Scenario, seed: u64) -> watch::Setup {
    let mut rig = rig::Setup::new(MACHINES);
    rig.policies.on_link_loss = s.rig.on_link_loss.map(|p| match p {
        OnLinkLoss::Hold => rig::LinkLoss::Hold,
        OnLinkLoss::Changeover => rig::LinkLoss::Changeover,
    });
    rig.policies.lone_stop = match s.rig.lone_stop {
        LoneStop::Propose => rig::LoneStop::Propose,
        LoneStop::Changeover => rig::LoneStop::Changeover,
    };
    rig.outside = [s.rig.heard_by == HeardBy::Supervisor; base::ids::MAX_MACHINES];
    let material = Material::new(seed);
    let songs = material.songs.iter().map(|song| SongSpan {
        number: song.number,
        start: song.start().since_midnight(),
        length: song.length(),
        sections: song
            .sections
            .iter()
            .map(|x| base::Samples(song.bar_at(x.bar) as f64).at(crate::show::SAMPLE_RATE))
            .collect(),
    });
    watch::Setup {
        beat_intervals: (0..MACHINES).map(|_| Span::from_millis(5)).collect(),
        paths: s.rig.paths.into(),
        songs: songs.collect(),
        prefer: watch::PREFERENCE,
        has_tap: s.rig.tap,
        rig,
    }
}
