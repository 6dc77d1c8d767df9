//! Keys and configuration of the demo's rig, made anew for each run.

use std::net::{Ipv4Addr, SocketAddr};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use base::ids::MAX_MACHINES;
use base::{Db, Machine, MachineId, RigId};
use serde::Serialize;
use settings::agent::{AgentFile, Folder, Hashing, PlayerWatch, Source, SupervisorAddress, Trigger, TriggerWhat};
use settings::duration::Duration;
use settings::rig::{HeardBy, Limits, Listen, MachineEntry, Output, PageTls, Policies, RigFile};
use settings::tap::Tap;
use wire::KeyPair;

use super::network::{Network, free_tcp, free_udp};
use super::{DemoConfig, DemoError};
use crate::engine::EngineConfig;
use crate::interface::InterfaceConfig;
use crate::player::PlayerConfig;
use crate::relay::Way;
use crate::show::{PILOT_TONES, Show, pad};
use crate::switch::{ANSWER, ASK, SELECT, SwitchConfig};

/// How many playback computers the demo has.
pub const MACHINES: usize = 2;
const _: () = assert!(MACHINES <= MAX_MACHINES);
/// The recording of the house takes 17 MB a minute: with a person at the demo it ends after 20 minutes.
const INTERACTIVE_HOUSE: Duration = Duration::secs(20 * 60);
/// Without, it ends before the file would be too long for its format.
const HEADLESS_HOUSE: Duration = Duration::secs(4 * 3600);

/// A player's session folder, beside its agent's files.
pub const SESSION: &str = "session";
/// Where the switch keeps its state.
const SWITCH_STATE: &str = "switch-state.json";

/// Where everything is.
pub struct Layout {
    /// The supervisor's page.
    pub page: SocketAddr,
    /// The supervisor's configuration.
    pub rig_file: PathBuf,
    /// The folder of the record.
    pub shows: PathBuf,
    /// Each agent's configuration; none where the supervisor alone hears the machines.
    pub agents: Vec<PathBuf>,
    /// The configuration of the interface by which it does.
    pub interface: Option<PathBuf>,
    /// Each player's configuration.
    pub players: Vec<PathBuf>,
    /// The switch's configuration.
    pub switch: PathBuf,
    /// The recording of the house.
    pub house: PathBuf,
    /// The folder of sockets.
    pub sockets: PathBuf,
    /// What lies between agents and supervisor.
    pub network: Arc<dyn Network>,
    /// Where the supervisor listens for beats and lanes.
    pub listen: Vec<SocketAddr>,
}

/// Makes all of it.
///
/// # Errors
/// What could not be written or bound.
pub fn make(c: &DemoConfig, network: Arc<dyn Network>) -> Result<Layout, DemoError> {
    let out = std::path::absolute(&c.out).map_err(DemoError::of(c.out.display()))?;
    let shows = out.join("shows");
    forget_last_run(&out, &shows);
    std::fs::create_dir_all(&shows).map_err(DemoError::of(shows.display()))?;
    let free = |_: std::io::Error| DemoError::Part("no free port on loopback".into());
    let no_way = || DemoError::Part("the network has no way".into());
    let listens = |way| network.supervisor(way).ok_or_else(no_way);
    let paths: Vec<SocketAddr> = (0..c.scenario.rig.paths).map(|i| listens(Way::Path(i))).collect::<Result<_, _>>()?;
    let lanes = listens(Way::Lanes)?;
    let page = match c.page_port {
        Some(p) => SocketAddr::from((Ipv4Addr::LOCALHOST, p)),
        None => free_tcp().map_err(free)?,
    };
    let osc = free_udp().map_err(free)?;
    let rig_id = RigId(ports::os::random_id());
    let keys = |_: wire::KeyError| DemoError::Part("the system gave no randomness for keys".into());
    let supervisor = KeyPair::generate().map_err(keys)?;
    // A socket's path has a hundred bytes or so: a deep folder must not keep the demo from running.
    let sockets = socket_dir()?;
    let (mut machines, mut agents, mut players, mut inputs) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
    let outside = c.scenario.rig.heard_by == HeardBy::Supervisor;
    let mut interface = InterfaceConfig { inputs: Vec::new(), listeners: Vec::new() };
    for m in Machine::first(MACHINES) {
        let pair = KeyPair::generate().map_err(keys)?;
        let id = MachineId(ports::os::random_id());
        let dir = out.join(m.to_string());
        std::fs::create_dir_all(&dir).map_err(DemoError::of(dir.display()))?;
        let key = dir.join("agent.key");
        ports::local::write_secret(&key, &pair.secret.to_secret_text()).map_err(DemoError::of(key.display()))?;
        let pilot = PILOT_TONES[m.index()];
        let feed = sockets.join(format!("feed-{m}"));
        let input = sockets.join(format!("switch-{m}"));
        let at = |way| network.address(m, way).ok_or_else(no_way);
        let ear = sockets.join(format!("ear-{m}"));
        let heard = Source::Feed {
            socket: if outside { ear.clone() } else { feed.clone() },
            timecode: Some("timecode".into()),
            rate: Some(crate::show::FRAME_RATE),
            pilot: c.scenario.rig.pilots.then_some(pilot.0),
            floor: None,
        };
        let agent = AgentFile {
            machine_id: id,
            name: format!("player {m}"),
            secret_key: key,
            supervisor: SupervisorAddress {
                rig: rig_id,
                key: supervisor.public.to_string(),
                paths: (0..c.scenario.rig.paths).map(|i| at(Way::Path(i))).collect::<Result<_, _>>()?,
                lanes: at(Way::Lanes)?,
            },
            beat: Duration::millis(5),
            player: PlayerWatch::default(),
            sources: vec![heard.clone()],
            folders: vec![Folder {
                name: SESSION.into(),
                path: session(&dir, c.seed).map_err(DemoError::of(dir.display()))?,
                ignore: Default::default(),
            }],
            hashing: Hashing { every: Duration::secs(2), ..Hashing::default() },
            triggers: [
                (TriggerWhat::Start, pad::START),
                (TriggerWhat::Stop, pad::STOP),
                (TriggerWhat::Jump, pad::LOAD),
            ]
            .map(|(what, note)| Trigger { what, channel: pad::CHANNEL, note })
            .to_vec(),
        };
        if outside {
            interface.inputs.push(feed.clone());
            interface.listeners.push(ear);
        } else {
            agents.push(write_toml(&dir.join("agent.toml"), &agent)?);
        }
        let player = PlayerConfig {
            ends: c.scenario.rig.ends_in_patches.filter(|_| m == Machine::A),
            name: m.to_string(),
            agent: feed,
            switch: input.clone(),
            engine: EngineConfig {
                show: c.seed,
                own: c.seed.wrapping_mul(31).wrapping_add(m.index() as u64),
                crystal: c.scenario.rig.crystals[m.index()],
                start_skew: c.scenario.rig.start_skew[m.index()].0,
                midi_jitter: c.scenario.rig.midi_jitter.0,
                midi_clump: c.scenario.rig.midi_clump,
                level: Db(0.0),
                pilot,
            },
        };
        players.push(write_json(&dir.join("player.json"), &player)?);
        inputs.push(input);
        machines.push(MachineEntry {
            name: format!("player {m}"),
            id,
            key: if outside { String::new() } else { pair.public.to_string() },
            pilot: c.scenario.rig.pilots.then_some(pilot.0),
            sources: if outside { vec![heard] } else { Vec::new() },
            triggers: if outside { agent.triggers } else { Vec::new() },
        });
    }
    let device = sockets.join("device");
    super::outboard::start(device.clone(), &out).map_err(DemoError::of(device.display()))?;
    let mut file = Show::new(c.seed).file();
    file.devices.push(super::outboard::entry(&device));
    let show = write_toml(&out.join("show.toml"), &file)?;
    let key = out.join("supervisor.key");
    ports::local::write_secret(&key, &supervisor.secret.to_secret_text()).map_err(DemoError::of(key.display()))?;
    let (tap, house) = (sockets.join("tap"), out.join("house.wav"));
    let mut outputs = vec![Output::Osc {
        to: network.switch(osc),
        select: SELECT.into(),
        ask: Some(ASK.into()),
        answer: Some(ANSWER.into()),
    }];
    if c.scenario.rig.dead_output {
        let nowhere = free_udp().map_err(free)?;
        outputs.insert(0, Output::Osc { to: nowhere, select: SELECT.into(), ask: None, answer: None });
    }
    let rig = RigFile {
        rig_id,
        name: "demo".into(),
        secret_key: key,
        shows: shows.clone(),
        show: Some(show),
        mode: c.scenario.rig.mode,
        heard_by: c.scenario.rig.heard_by,
        listen: Listen {
            paths: paths.clone(),
            lanes,
            page,
            operator: None,
            names: Vec::new(),
            tls: PageTls::Off,
            certificate: None,
            certificate_key: None,
        },
        tap: c.scenario.rig.tap.then(|| Tap::feed(tap.clone())),
        prefer: Vec::new(),
        in_ears: vec!["click".into(), "cue".into()],
        machines,
        outputs,
        buttons: Vec::new(),
        cue_lights: Vec::new(),
        alarm_sound: None,
        limits: Limits::default(),
        policies: Policies { on_link_loss: c.scenario.rig.on_link_loss, lone_stop: c.scenario.rig.lone_stop },
    };
    let rig_file = write_toml(&out.join("rig.toml"), &rig)?;
    let switch = SwitchConfig {
        inputs,
        osc,
        tap,
        house: house.clone(),
        house_limit: if c.page_port.is_some() { INTERACTIVE_HOUSE } else { HEADLESS_HOUSE },
        state: out.join(SWITCH_STATE),
    };
    let switch = write_json(&out.join("switch.json"), &switch)?;
    let interface = if outside { Some(write_json(&out.join("interface.json"), &interface)?) } else { None };
    let listen = paths.into_iter().chain([lanes]).collect();
    Ok(Layout { page, rig_file, shows, agents, interface, players, switch, house, sockets, network, listen })
}

/// A player's session folder: what it would play, written down; alike on all machines to the second.
fn session(dir: &Path, seed: u64) -> std::io::Result<PathBuf> {
    let path = dir.join(SESSION);
    let _ = std::fs::remove_dir_all(&path);
    std::fs::create_dir_all(&path)?;
    // Older than the player, and the same for all: as old as this program.
    let as_old = std::fs::metadata(std::env::current_exe()?)?.modified()?;
    for song in &Show::new(seed).songs {
        let file = path.join(format!("{:02} {}.song", song.number, song.title));
        std::fs::write(&file, format!("{song:#?}\n"))?;
        std::fs::File::options().append(true).open(&file)?.set_modified(as_old)?;
    }
    Ok(path)
}

/// A rig made anew must not remember the last one's latch or switch. Only a folder that a demo has written is cleared.
fn forget_last_run(out: &Path, shows: &Path) {
    if ["rig.toml", "switch.json"].iter().all(|f| out.join(f).exists()) {
        let _ = std::fs::remove_dir_all(shows);
        for f in [SWITCH_STATE, "report.html", "summary.json"] {
            let _ = std::fs::remove_file(out.join(f));
        }
    }
}

/// A folder of our own for sockets, with a short path.
fn socket_dir() -> Result<PathBuf, DemoError> {
    let name: String = ports::os::random_id().iter().take(4).map(|b| format!("{b:02x}")).collect();
    let dir = std::env::temp_dir().join(format!("twinkeel-{name}"));
    std::fs::create_dir_all(&dir).map_err(DemoError::of(dir.display()))?;
    Ok(dir)
}

fn write_toml<T: Serialize>(path: &Path, value: &T) -> Result<PathBuf, DemoError> {
    let text = toml::to_string(value).map_err(|e| DemoError::Part(format!("{}: {e}", path.display())))?;
    std::fs::write(path, text).map_err(DemoError::of(path.display()))?;
    Ok(path.to_owned())
}

fn write_json<T: Serialize>(path: &Path, value: &T) -> Result<PathBuf, DemoError> {
    let text = serde_json::to_string_pretty(value).map_err(|e| DemoError::Part(format!("{}: {e}", path.display())))?;
    std::fs::write(path, text).map_err(DemoError::of(path.display()))?;
    Ok(path.to_owned())
}

impl Drop for Layout {
    fn drop(&mut self) {
        // Sockets only; whoever still holds one holds it without its name.
        let _ = std::fs::remove_dir_all(&self.sockets);
    }
}
