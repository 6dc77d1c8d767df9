//! What each fault does to the world and how it is mended; what persons and pads do.

use base::{Machine, Span};
use rig::Act;
use wire::{HostFlags, SourceFlags, StopCause};

use crate::computer::Computer;
use crate::plan::{Deed, Fault, Person, Who};
use crate::world::{What, World};

/// A fault that stands, and whom it hit.
pub struct Broken {
    id: usize,
    pub fault: Fault,
    pub machine: usize,
    since: base::MonoTime,
}

/// The end of a process is noticed by its neighbours after this.
const NOTICED: Span = Span::from_millis(2);
/// From a pad's order to the first sound.
const PAD_AHEAD: Span = Span::from_millis(50);

impl World {
    pub fn happen(&mut self, deed: Deed) {
        self.sound_passes();
        match deed {
            Deed::Break(id, fault, who) => {
                let on_air = self.switch.on_air.index();
                let machine = if who == Who::OnAir { on_air } else { 1 - on_air };
                self.broken.push(Broken { id, fault, machine, since: self.now });
                self.set(fault, machine, true);
            }
            Deed::Mend(id) => {
                // Of the same fault twice on one machine the last mend mends.
                let (mended, left): (Vec<_>, Vec<_>) =
                    std::mem::take(&mut self.broken).into_iter().partition(|b| b.id == id);
                self.broken = left;
                for b in mended {
                    if !self.broken.iter().any(|o| o.machine == b.machine && o.fault == b.fault) {
                        if b.fault == Fault::Asleep {
                            // Its monotonic clock stood, and its agent knows.
                            self.computers[b.machine].woke_until = self.now + Span::from_secs(2);
                            self.computers[b.machine].clock_ahead -= self.now - b.since;
                        }
                        self.set(b.fault, b.machine, false);
                    }
                }
            }
            Deed::Person(person) => self.person(person),
            Deed::Start(song) => self.pad(|c, now, zero| {
                if c.roll.is_none() {
                    c.rolls(song, zero, now);
                }
            }),
            Deed::Stop => {
                for i in 0..2 {
                    let now = self.now;
                    let c = &mut self.computers[i];
                    if c.player_works() {
                        c.change(now, |c| c.stops(StopCause::Trigger, now));
                    }
                    let at = c.remote(now);
                    if let (true, Some(m)) = (c.agent_works() && !c.cut[0], Machine::new(i)) {
                        self.desk.on_stop_trigger(m, at, now);
                    }
                }
            }
            Deed::Vamp => self.pad(|c, _, _| {
                if let Some(mut r) = c.roll {
                    // Half a minute back.
                    r.zero += Span::from_secs(32);
                    c.roll = Some(r);
                    c.jumps();
                }
            }),
        }
        self.judge();
    }

    fn pad(&mut self, how: impl Fn(&mut Computer, base::MonoTime, base::MonoTime)) {
        let now = self.now;
        let skew = self.plan.rig.skew;
        for (i, c) in self.computers.iter_mut().enumerate() {
            if c.player_works() {
                let zero = now + PAD_AHEAD + if i == 1 { skew } else { Span::ZERO };
                c.change(now, |c| how(c, now, zero));
            }
        }
    }

    fn person(&mut self, person: Person) {
        let now = self.now;
        let standby = if self.switch.on_air == Machine::A { Machine::B } else { Machine::A };
        self.oracle.on_person(person, standby, now, self.desk.runs());
        let act = match person {
            Person::Release => Act::Release,
            Person::StandbyOut => Act::OutOfService(standby),
            Person::AllBack => {
                self.desk.on_act(Act::BackInService(Machine::A), now);
                Act::BackInService(Machine::B)
            }
            Person::Changeover => Act::Changeover { to: standby, forced: false },
            Person::Forced => Act::Changeover { to: standby, forced: true },
            Person::Answer(yes) => Act::Answer { yes },
            Person::Mode(mode) => Act::SetMode(mode),
        };
        self.desk.on_act(act, now);
    }

    fn set(&mut self, fault: Fault, i: usize, broken: bool) {
        let now = self.now;
        match fault {
            Fault::BothHosts => (0..2).for_each(|i| self.set_machine(Fault::Power, i, broken)),
            Fault::BothPlayers => (0..2).for_each(|i| self.set_machine(Fault::PlayerGone, i, broken)),
            Fault::OwnCable => {
                self.desk.cut = broken;
                if self.plan.rig.nic_tells {
                    self.desk.on_own_link(broken);
                }
            }
            Fault::Starved => {
                if !broken && self.desk.frozen {
                    self.oracle.woke(now);
                }
                self.desk.frozen = broken;
            }
            Fault::Killed if broken => self.desk.kill(),
            Fault::Killed => {
                self.desk.start(now);
                self.oracle.started(now);
                for machine in 0..2 {
                    self.put(Span::from_millis(200), What::Connect { machine });
                }
            }
            Fault::HandOnSwitch if broken => {
                let to = if self.switch.on_air == Machine::A { Machine::B } else { Machine::A };
                if self.switch.powered {
                    self.switch_to(to);
                    self.oracle.hand(now);
                }
            }
            Fault::HandOnSwitch => {}
            Fault::SwitchDeaf => self.switch.deaf = broken,
            Fault::SwitchPower => self.switch.powered = !broken,
            Fault::SwitchHalf => self.switch.half = broken,
            Fault::CommandsLost => self.switch.loses_commands = broken,
            Fault::Forged if broken => self.forge(),
            Fault::Forged => {}
            machine => self.set_machine(machine, i, broken),
        }
    }

    fn set_machine(&mut self, fault: Fault, i: usize, broken: bool) {
        let now = self.now;
        let mut after = None;
        if fault == Fault::AgentGone && broken && !self.computers[i].cut[0] && self.computers[i].powered {
            after = Some((NOTICED, What::LaneClosed { machine: i }));
        }
        if matches!(fault, Fault::AgentGone | Fault::Power) && !broken {
            after = Some((Span::from_millis(300), What::Connect { machine: i }));
        }
        let flag = |f: HostFlags, flag: HostFlags| HostFlags(f.0 & !flag.0).with(flag, broken);
        self.computers[i].change(now, |c| match fault {
            Fault::Power => {
                c.powered = !broken;
                c.new_player();
                c.new_agent(now);
            }
            Fault::OsFrozen | Fault::Asleep => {
                c.player_frozen = broken;
                c.agent_frozen = broken;
            }
            Fault::PlayerGone if broken => {
                c.engine = false;
                c.window = false;
            }
            Fault::PlayerGone => c.new_player(),
            Fault::PlayerFrozen => c.player_frozen = broken,
            Fault::WindowGone => c.window = !broken && c.engine,
            Fault::AgentGone if broken => c.agent = false,
            Fault::AgentGone => c.new_agent(now),
            Fault::AgentFrozen => c.agent_frozen = broken,
            Fault::Cable => c.cut = [broken; 2],
            Fault::Path(p) => c.cut[p] = broken,
            Fault::CodeLost => c.code = !broken,
            Fault::Callbacks => c.callbacks = !broken,
            Fault::Muted => c.muted = broken,
            Fault::Stem => c.stem = broken,
            Fault::Noise => c.noise = broken,
            Fault::Glitches if broken => c.dropouts = c.dropouts.wrapping_add(9),
            Fault::OtherDevice => {
                c.sources =
                    SourceFlags(c.sources.0 & !SourceFlags::OTHER_DEVICE.0).with(SourceFlags::OTHER_DEVICE, broken)
            }
            Fault::Contradicts => {
                c.sources = SourceFlags(c.sources.0 & !SourceFlags::DISAGREE.0).with(SourceFlags::DISAGREE, broken)
            }
            Fault::Media => c.host = flag(c.host, HostFlags::MEDIA_GONE),
            Fault::Battery => c.host = flag(c.host, HostFlags::ON_BATTERY),
            Fault::Hot => c.host = flag(c.host, HostFlags::HOT),
            Fault::DiskFull => c.host = flag(c.host, HostFlags::DISK_LOW),
            Fault::StopsAlone if broken => c.stops(StopCause::Player, now),
            Fault::WrongSong if broken => {
                if let Some(mut r) = c.roll {
                    r.song += 1;
                    c.roll = Some(r);
                    c.jumps();
                }
            }
            Fault::Jump(by) if broken => {
                if let Some(mut r) = c.roll {
                    r.zero = r.zero - Span::from_millis(by);
                    c.roll = Some(r);
                    c.jumps();
                }
            }
            Fault::Drift(ppm) => c.drift_ppm = if broken { ppm } else { 0 },
            _ => {}
        });
        if let Some((at, what)) = after {
            self.put(at, what);
        }
    }

    fn forge(&mut self) {
        for i in 0..40usize {
            let mut bytes: Vec<u8> = (0..(i * 37) % 1_500).map(|_| self.luck.bits() as u8).collect();
            if i % 2 == 0 && bytes.len() > 10 {
                bytes[..4].copy_from_slice(&wire::header::MAGIC);
                bytes[4..6].copy_from_slice(&[1, 1]);
            }
            self.desk.on_forged(&bytes, self.now);
        }
    }
}
