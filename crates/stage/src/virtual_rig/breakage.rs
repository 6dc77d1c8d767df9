//! What can break in the simulated rig, and how it is mended.

use base::{Machine, Span};

use super::machine::NOTICED;
use super::post::What;
use super::{MACHINES, VirtualRig};
use crate::engine::{AudioFault, Command};
use crate::scenario::Fault;

impl VirtualRig {
    pub(super) fn break_it(&mut self, fault: Fault, machines: &[Machine]) {
        let now = self.now;
        match fault {
            Fault::SupervisorKilled => self.desk.kill(),
            Fault::SupervisorStarved => self.desk.freeze(true),
            Fault::SupervisorCable => self.desk.cut = true,
            Fault::SwitchTo(who) => {
                self.switch.on_air = who.among(MACHINES, self.switch.on_air).first().copied().unwrap_or(Machine::A);
            }
            Fault::SwitchDeaf => self.switch.deaf = true,
            Fault::SwitchLies => self.switch.claims = Some(self.switch.on_air),
            Fault::SwitchPower => self.switch.powered = false,
            Fault::SwitchHalf => self.switch.half = true,
            Fault::Forged => self.desk.on_forged(&mut crate::seed::Sequence::new(7), now),
            _ => {}
        }
        for m in machines {
            let host = &mut self.hosts[m.index()];
            match fault {
                Fault::Power => host.powered = false,
                Fault::AgentGone => {
                    host.agent = false;
                    if !host.lanes_cut {
                        self.post.put(now + NOTICED, What::LaneClosed { machine: *m });
                    }
                }
                Fault::AgentFrozen => host.agent_frozen = true,
                Fault::PlayerGone => host.player_ends(now),
                Fault::PlayerGoneSoundOn => host.player_seems_gone(now),
                Fault::PlayerFrozen => host.player_frozen = true,
                Fault::OsFrozen | Fault::Suspended => {
                    host.player_frozen = true;
                    host.agent_frozen = !host.outside;
                }
                Fault::EarsLost => host.interface_is(false, now),
                Fault::PlugPulled => host.plugged = false,
                Fault::Cable => {
                    host.cut = [true; 2];
                    host.lanes_cut = true;
                }
                Fault::Path(i) => host.cut[usize::from(i).min(1)] = true,
                Fault::Weather(w) => host.weather = w,
                Fault::MidiLost => host.tell(Command::Midi { on: false }, now),
                Fault::CodeAhead(by) => host.tell(Command::CodeAhead { by: by.0 }, now),
                Fault::Audio(fault) => host.tell(Command::Audio { fault }, now),
                Fault::Drift(ppm) => host.tell(Command::Drift { ppm }, now),
                Fault::WrongSong(song) => host.tell(Command::Jump { song, to: None }, now),
                Fault::JumpBy(d) => {
                    let (song, at) = host.place(now);
                    host.tell(Command::Jump { song, to: Some(at + d.0) }, now);
                }
                Fault::StopsAlone => host.tell(Command::Stop { at: None, heard: false }, now),
                Fault::PadsLost => self.padless[m.index()] = true,
                Fault::DeviceFallback => host.source_flags = wire::SourceFlags::OTHER_DEVICE,
                Fault::MediaGone => host.host_flags = wire::HostFlags::MEDIA_GONE,
                Fault::OnBattery => host.host_flags = wire::HostFlags::ON_BATTERY,
                Fault::Hot => host.host_flags = wire::HostFlags::HOT,
                Fault::DiskLow => host.host_flags = wire::HostFlags::DISK_LOW,
                // A wall clock is nobody's business here: that is what the scenario shows.
                _ => {}
            }
        }
    }

    pub(super) fn mend(&mut self, fault: Fault, machines: &[Machine]) {
        let now = self.now;
        match fault {
            Fault::SupervisorKilled => {
                self.desk.start(now);
                for m in Machine::first(MACHINES) {
                    self.post.put(now + Span::from_millis(200), What::Connect { machine: m });
                }
            }
            Fault::SupervisorStarved => self.desk.freeze(false),
            Fault::SupervisorCable => self.desk.cut = false,
            Fault::SwitchDeaf => self.switch.deaf = false,
            Fault::SwitchLies => self.switch.claims = None,
            Fault::SwitchPower => self.switch.powered = true,
            Fault::SwitchHalf => self.switch.half = false,
            _ => {}
        }
        for m in machines {
            let host = &mut self.hosts[m.index()];
            match fault {
                Fault::Power => {
                    host.powered = true;
                    host.player_starts(now);
                    if !host.outside {
                        host.agent_starts(now);
                        self.post.put(now + Span::from_millis(300), What::Connect { machine: *m });
                    }
                }
                Fault::AgentGone => {
                    host.agent_starts(now);
                    self.post.put(now + Span::from_millis(50), What::Connect { machine: *m });
                }
                Fault::AgentFrozen => host.agent_frozen = false,
                Fault::PlayerGone => host.player_starts(now),
                Fault::PlayerFrozen => host.player_frozen = false,
                Fault::OsFrozen => {
                    host.player_frozen = false;
                    host.agent_frozen = false;
                }
                Fault::Suspended => {
                    // Its monotonic clock stood: it is behind now by as long as it slept.
                    if let Some(slept) = self.slept(*m).filter(|_| !self.hosts[m.index()].outside) {
                        self.hosts[m.index()].clock_ahead -= slept;
                        self.hosts[m.index()].slept += slept;
                    }
                    let host = &mut self.hosts[m.index()];
                    host.player_frozen = false;
                    host.agent_frozen = false;
                }
                Fault::Cable => {
                    host.cut = [false; 2];
                    host.lanes_cut = false;
                }
                Fault::EarsLost => host.interface_is(true, now),
                Fault::PlugPulled => host.plugged = true,
                Fault::Path(i) => host.cut[usize::from(i).min(1)] = false,
                Fault::Weather(_) => host.weather = self.scenario.rig.weather,
                Fault::MidiLost => host.tell(Command::Midi { on: true }, now),
                Fault::CodeAhead(_) => host.tell(Command::CodeAhead { by: Span::ZERO }, now),
                Fault::Audio(_) => host.tell(Command::Audio { fault: AudioFault::None }, now),
                Fault::Drift(_) => host.tell(Command::Drift { ppm: self.scenario.rig.crystals[m.index()] }, now),
                Fault::PadsLost => self.padless[m.index()] = false,
                Fault::DeviceFallback => host.source_flags = wire::SourceFlags::NONE,
                Fault::MediaGone | Fault::OnBattery | Fault::Hot | Fault::DiskLow => {
                    host.host_flags = wire::HostFlags::NONE;
                }
                _ => {}
            }
        }
    }

    /// How long a machine has slept: since the step that put it to sleep.
    fn slept(&self, _m: Machine) -> Option<Span> {
        let at = self.scenario.moments().iter().rev().find_map(|x| match x.deed {
            crate::scenario::Deed::Break(Fault::Suspended) if self.began + x.at <= self.now => Some(x.at),
            _ => None,
        })?;
        Some(self.now - (self.began + at))
    }
}
