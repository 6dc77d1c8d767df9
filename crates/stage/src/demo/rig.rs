//! The demo's rig: all its processes, and everything that can break in them.

use std::collections::BTreeSet;
use std::net::SocketAddr;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use base::{Machine, MonoTime, Span};
use supervisor::page::{ActOutcome, DeskAct};
use supervisor::snapshot::{Letter, Mode as PageMode, Snapshot};

use super::children::Process;
use super::layout::{Layout, MACHINES, make};
use super::network::Network;
use super::{DemoConfig, DemoError};
use crate::engine::{AudioFault, Command};
use crate::interface::InterfaceCommand;
use crate::os::{now, sleep_until};
use crate::relay::Way;
use crate::scenario::{Act, Fault, Show, Who};
use crate::switch::SwitchCommand;

/// How long the rig may take to come up.
const PATIENCE: Span = Span::from_secs(20);
/// A pad is hit this long after the order, so that it comes at one instant on all machines.
const PAD_AHEAD: Span = Span::from_millis(50);

/// The running demo.
pub struct DemoRig {
    /// Where everything is.
    pub layout: Layout,
    switch: Process,
    supervisor: Process,
    /// Where the supervisor alone hears the machines.
    interface: Option<Process>,
    agents: Vec<Process>,
    players: Vec<Process>,
    client: ureq::Agent,
    crystals: [base::Ppm; 2],
    /// Machines whose pads are cut off.
    padless: BTreeSet<Machine>,
}

impl DemoRig {
    /// Starts everything and waits until the supervisor hears every machine.
    ///
    /// # Errors
    /// What did not come up, and where it says why.
    pub fn start(c: &DemoConfig, network: Arc<dyn Network>) -> Result<DemoRig, DemoError> {
        let layout = make(c, network)?;
        let part = |name: &str, what: &str, config: &Path| {
            Process::new(name, &c.program, &["demo-part", what, "--config", &config.display().to_string()], &c.out)
        };
        let command = |name: &str, what: &str, config: &Path| {
            Process::new(name, &c.program, &[what, "--config", &config.display().to_string()], &c.out)
        };
        let each = |files: &[std::path::PathBuf], make: &dyn Fn(Machine, &Path) -> Process| -> Vec<Process> {
            Machine::first(MACHINES).zip(files).map(|(m, f)| make(m, f)).collect()
        };
        let mut rig = DemoRig {
            switch: part("switch", "switch", &layout.switch),
            supervisor: command("supervisor", "supervisor", &layout.rig_file),
            interface: layout.interface.as_ref().map(|f| part("interface", "interface", f)),
            agents: each(&layout.agents, &|m, f| {
                command(&format!("agent {m}"), "agent", f).behind(&layout.network.host(m))
            }),
            players: each(&layout.players, &|m, f| {
                part(&format!("player {m}"), "player", f).behind(&layout.network.host(m))
            }),
            client: ureq::Agent::config_builder().timeout_global(Some(Duration::from_millis(1_500))).build().into(),
            crystals: c.scenario.rig.crystals,
            padless: BTreeSet::new(),
            layout,
        };
        if !c.scenario.rig.weather.is_fair() {
            Machine::first(MACHINES).for_each(|m| rig.layout.network.weather(m, c.scenario.rig.weather));
        }
        rig.supervisor.start()?;
        rig.switch.start()?;
        for p in rig.interface.iter_mut().chain(&mut rig.agents).chain(&mut rig.players) {
            p.start()?;
        }
        rig.wait_until_up(&c.out)?;
        Ok(rig)
    }

    fn wait_until_up(&mut self, out: &Path) -> Result<(), DemoError> {
        let until = now() + PATIENCE;
        loop {
            let snapshot = self.snapshot();
            let outside = self.interface.is_some();
            let up = |s: &Snapshot| {
                s.on_air.is_some()
                    && s.machines.len() == MACHINES
                    && s.machines.iter().all(|m| {
                        m.clock.state == base::ClockState::Tracking
                            && m.link.heard != base::Heard::Never
                            && (outside || m.player == base::PlayerState::Running)
                    })
            };
            if snapshot.as_ref().is_some_and(up) {
                return Ok(());
            }
            let children = [&mut self.switch, &mut self.supervisor].into_iter().chain(&mut self.interface);
            let children = children.chain(&mut self.agents).chain(&mut self.players);
            for p in children {
                if !p.runs() {
                    return Err(DemoError::Part(format!(
                        "the {} ended by itself: its log is in {}",
                        p.name,
                        out.display()
                    )));
                }
            }
            if now() > until {
                let text = snapshot.map_or_else(|| "the page does not answer".into(), |s| s.headline.text);
                return Err(DemoError::Part(format!(
                    "the rig did not come up in 20 s ({text}); logs are in {}",
                    out.display()
                )));
            }
            sleep_until(now() + Span::from_millis(50));
        }
    }

    /// What the supervisor shows now; none when it does not answer.
    pub fn snapshot(&self) -> Option<Snapshot> {
        look(&self.client, self.layout.page)
    }

    /// What a person at the page does, and what came of it.
    pub fn act(&self, act: &DeskAct) -> Option<ActOutcome> {
        let url = format!("http://{}/api/v1/act", self.layout.page);
        let body = serde_json::json!({ "by": "demo", "do": act });
        let answer =
            self.client.post(&url).header("Origin", &format!("http://{}", self.layout.page)).send_json(&body).ok()?;
        serde_json::from_str(&answer.into_body().read_to_string().ok()?).ok()
    }

    /// The machine on air as the supervisor has it; A when it cannot say.
    pub fn on_air(&self) -> Machine {
        self.snapshot().and_then(|s| s.on_air).map_or(Machine::A, |l| l.0)
    }

    /// Plays the show.
    pub fn show(&mut self, show: Show) {
        let at = Some(now() + PAD_AHEAD);
        for m in Machine::first(MACHINES) {
            if self.padless.contains(&m) {
                continue;
            }
            self.players[m.index()].say(&match show {
                Show::Load(song) => Command::Load { song },
                Show::Start => Command::Play { at, heard: true },
                Show::Stop => Command::Stop { at, heard: true },
            });
        }
    }

    /// A scenario's person acts.
    pub fn person(&mut self, act: Act, who: Option<Who>) {
        let m = who.and_then(|w| w.among(MACHINES, self.on_air()).first().copied()).unwrap_or(Machine::B);
        let mode = |m: settings::rig::Mode| match m {
            settings::rig::Mode::Observe => PageMode::Observe,
            settings::rig::Mode::Propose => PageMode::Propose,
            settings::rig::Mode::Act => PageMode::Act,
        };
        let _ = self.act(&match act {
            Act::Release => DeskAct::Release,
            Act::OutOfService => DeskAct::OutOfService { machine: Letter(m) },
            Act::BackInService => DeskAct::BackInService { machine: Letter(m) },
            Act::Changeover => DeskAct::Changeover { to: Letter(m), forced: false },
            Act::ForcedChangeover => DeskAct::Changeover { to: Letter(m), forced: true },
            // The demo's person knows that nothing was checked.
            Act::Mode(settings::rig::Mode::Act) => DeskAct::ActUnchecked,
            Act::Mode(x) => DeskAct::SetMode { mode: mode(x) },
        });
    }

    /// Breaks something on machines already named. Returns the instant at which it broke.
    ///
    /// # Errors
    /// When a process cannot be started for it.
    pub fn break_it(&mut self, fault: Fault, machines: &[Machine]) -> Result<MonoTime, DemoError> {
        // A look at the page takes time: before the clock is read.
        let hand = match fault {
            Fault::SwitchTo(who) => who.fixed().or_else(|| who.among(MACHINES, self.on_air()).first().copied()),
            _ => None,
        };
        let at = now();
        match fault {
            Fault::Power => {
                // All at one instant first, what takes time after.
                self.layout.network.power(machines, false);
                machines.iter().for_each(|m| self.strike(*m));
                for m in machines {
                    self.players[m.index()].kill();
                    self.with_agent(*m, Process::kill);
                }
            }
            Fault::SupervisorKilled => self.supervisor.kill(),
            Fault::SupervisorStarved => self.supervisor.freeze(true),
            Fault::SupervisorCable => self.layout.network.cut_supervisor(true),
            Fault::SwitchTo(_) => {
                if let Some(to) = hand {
                    self.switch.say(&SwitchCommand::Select { to });
                }
            }
            Fault::SwitchDeaf => self.switch.say(&SwitchCommand::Deaf { on: true }),
            Fault::SwitchLies => self.switch.say(&SwitchCommand::Lies { on: true }),
            Fault::SwitchPower => self.switch.say(&SwitchCommand::Power { on: false }),
            Fault::Forged => self.forge(),
            other => machines.iter().for_each(|m| self.break_machine(other, *m)),
        }
        Ok(at)
    }

    /// Kills both processes of a machine at one instant, its host and its network stay.
    pub fn strike(&self, m: Machine) {
        self.players[m.index()].strike();
        if let Some(agent) = self.agents.get(m.index()) {
            agent.strike();
        }
    }

    /// Does something to a machine's agent, where it has one.
    fn with_agent(&mut self, m: Machine, what: impl FnOnce(&mut Process)) {
        if let Some(agent) = self.agents.get_mut(m.index()) {
            what(agent);
        }
    }
    /// Says something to the interface, where there is one.
    fn at_interface(&mut self, command: &InterfaceCommand) {
        self.interface.iter_mut().for_each(|i| i.say(command));
    }

    fn break_machine(&mut self, fault: Fault, m: Machine) {
        let network = &self.layout.network;
        let player = &mut self.players[m.index()];
        match fault {
            Fault::AgentGone => self.with_agent(m, Process::kill),
            Fault::AgentFrozen => self.with_agent(m, |a| a.freeze(true)),
            Fault::EarsLost => self.at_interface(&InterfaceCommand::There { machine: m, on: false }),
            Fault::PlugPulled => self.at_interface(&InterfaceCommand::Plug { machine: m, on: false }),
            Fault::PlayerGone => player.kill(),
            Fault::PlayerFrozen => player.freeze(true),
            Fault::OsFrozen => {
                player.freeze(true);
                self.with_agent(m, |a| a.freeze(true));
            }
            Fault::Cable => network.cut_all(m, true),
            Fault::Path(i) => network.cut(m, Way::Path(i), true),
            Fault::Weather(w) => network.weather(m, w),
            Fault::MidiLost => player.say(&Command::Midi { on: false }),
            Fault::CodeAhead(by) => player.say(&Command::CodeAhead { by: by.0 }),
            Fault::Audio(fault) => player.say(&Command::Audio { fault }),
            Fault::Drift(ppm) => player.say(&Command::Drift { ppm }),
            Fault::WrongSong(song) => player.say(&Command::Jump { song, to: None }),
            Fault::JumpBy(d) => player.say(&Command::Skip { by: d.0 }),
            Fault::StopsAlone => player.say(&Command::Stop { at: None, heard: false }),
            Fault::PadsLost => {
                self.padless.insert(m);
            }
            // What real processes cannot do is refused when a scenario is read.
            _ => {}
        }
    }

    /// Mends what was broken.
    ///
    /// # Errors
    /// When a process cannot be started again.
    pub fn mend(&mut self, fault: Fault, machines: &[Machine]) -> Result<(), DemoError> {
        match fault {
            Fault::SupervisorKilled => self.supervisor.start()?,
            Fault::SupervisorStarved => self.supervisor.freeze(false),
            Fault::SupervisorCable => self.layout.network.cut_supervisor(false),
            Fault::SwitchDeaf => self.switch.say(&SwitchCommand::Deaf { on: false }),
            Fault::SwitchLies => self.switch.say(&SwitchCommand::Lies { on: false }),
            Fault::SwitchPower => self.switch.say(&SwitchCommand::Power { on: true }),
            _ => {}
        }
        for m in machines {
            let player = &mut self.players[m.index()];
            match fault {
                Fault::Power => {
                    self.layout.network.power(&[*m], true);
                    player.start()?;
                    self.start_agent(*m)?;
                }
                Fault::AgentGone => self.start_agent(*m)?,
                Fault::AgentFrozen => self.with_agent(*m, |a| a.freeze(false)),
                Fault::EarsLost => self.at_interface(&InterfaceCommand::There { machine: *m, on: true }),
                Fault::PlugPulled => self.at_interface(&InterfaceCommand::Plug { machine: *m, on: true }),
                Fault::PlayerGone => player.start()?,
                Fault::PlayerFrozen => player.freeze(false),
                Fault::OsFrozen => {
                    player.freeze(false);
                    self.with_agent(*m, |a| a.freeze(false));
                }
                Fault::Cable => self.layout.network.cut_all(*m, false),
                Fault::Path(i) => self.layout.network.cut(*m, Way::Path(i), false),
                Fault::Weather(_) => self.layout.network.weather(*m, crate::weather::Weather::default()),
                Fault::MidiLost => player.say(&Command::Midi { on: true }),
                Fault::CodeAhead(_) => player.say(&Command::CodeAhead { by: base::Span::ZERO }),
                Fault::Audio(_) => player.say(&Command::Audio { fault: AudioFault::None }),
                Fault::Drift(_) => player.say(&Command::Drift { ppm: self.crystals[m.index()] }),
                Fault::PadsLost => {
                    self.padless.remove(m);
                }
                _ => {}
            }
        }
        Ok(())
    }

    fn start_agent(&mut self, m: Machine) -> Result<(), DemoError> {
        self.agents.get_mut(m.index()).map_or(Ok(()), Process::start)
    }

    /// Datagrams that are not from whom they claim: noise, our magic with noise behind it, far too long ones, and true ones again.
    fn forge(&self) {
        let Ok(socket) = self.layout.network.stranger() else { return };
        let overheard = self.layout.network.overheard();
        let mut luck = crate::seed::Sequence::new(7);
        let udp = self.layout.listen.len().saturating_sub(1);
        for to in &self.layout.listen[..udp] {
            for i in 0..200usize {
                let mut bytes: Vec<u8> = (0..(i * 37) % 9_000).map(|_| (luck.unit() * 256.0) as u8).collect();
                if i % 2 == 0 && bytes.len() > 10 {
                    bytes[..4].copy_from_slice(&wire::header::MAGIC);
                    bytes[4..6].copy_from_slice(&[1, 1]);
                }
                let _ = socket.send_to(&bytes, to);
            }
            for bytes in &overheard {
                let _ = socket.send_to(bytes, to);
            }
        }
    }

    /// Ends everything in good order: the supervisor first, so that the record of the show does not tell of its own end.
    pub fn end(mut self) {
        self.supervisor.freeze(false);
        self.supervisor.end(Duration::from_secs(5));
        for p in self.players.iter_mut().chain(&mut self.agents).chain(&mut self.interface) {
            p.kill();
        }
        self.switch.end(Duration::from_secs(2));
    }
}

/// What a supervisor's page shows now; none when it does not answer.
pub fn look(client: &ureq::Agent, page: SocketAddr) -> Option<Snapshot> {
    let url = format!("http://{page}/api/v1/snapshot");
    let text = client.get(&url).call().ok()?.into_body().read_to_string().ok()?;
    serde_json::from_str(&text).ok()
}
