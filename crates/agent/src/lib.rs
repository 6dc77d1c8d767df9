//! The agent on a playback machine: sources and host health in, sealed beats out.
//!
//! `core` is its mind, without clock or socket; the rest are threads around it. Nothing that comes from outside ends it: a
//! source that goes away is a fact in the next beat, and every connection is tried again for ever.

mod backlog;
mod beats;
mod bulk;
pub mod core;
pub mod folders;
mod host;
mod kit;
mod lanes;
mod news;
mod player;
mod sources;

use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, AtomicU64};
use std::sync::{Arc, Mutex};

use base::{MachineId, RigId, Span};
use ports::os::{Gate, Urgency, any_address, boot_id, random_id, vital};
use settings::AgentFile;
use settings::agent::{Folder, Hashing, PlayerWatch, Source, Trigger};
use settings::duration::Duration;
use wire::{Hello, Inventory, Kit, PublicKey, SecretKey, Up};

/// Messages that may wait for the bulk lane.
const BULK_WAITING: usize = 8;

/// Why an agent could not start. Once it has started it goes on for ever.
#[derive(Debug, thiserror::Error)]
pub enum StartError {
    /// A file could not be read.
    #[error("{0}: {1}")]
    File(PathBuf, std::io::Error),
    /// The configuration is wrong.
    #[error(transparent)]
    Settings(#[from] settings::SettingsError),
    /// A key is wrong.
    #[error("{place}: {why}\n  mend: {mend}")]
    Key {
        /// File, or file and key.
        place: String,
        /// What is wrong.
        why: String,
        /// What to do.
        mend: &'static str,
    },
    /// A socket or thread could not be made.
    #[error("{0}")]
    System(#[from] std::io::Error),
}

/// Runs the agent described by a configuration file, for ever.
///
/// # Errors
/// What keeps it from starting.
pub fn run(config: &Path) -> Result<std::convert::Infallible, StartError> {
    let text = std::fs::read_to_string(config).map_err(|e| StartError::File(config.into(), e))?;
    let file = AgentFile::parse(&config.display().to_string(), &text)?;
    let dir = config.parent().unwrap_or(Path::new(".")).to_owned();
    let me = read_secret(&dir.join(&file.secret_key))?;
    let supervisor = file.supervisor.key.parse().map_err(|e: wire::KeyError| StartError::Key {
        place: format!("{}: supervisor.key", config.display()),
        why: e.to_string(),
        mend: "copy the supervisor's public key as its set-up printed it",
    })?;
    let at = |i| settings::written_at(&config.display().to_string(), &text, &format!("source[{i}].channels"));
    let channels_at = (0..file.sources.len()).map(at).collect();
    let own = OnItsMachine { player: file.player.clone(), folders: file.folders.clone(), hashing: file.hashing };
    let setup = Setup {
        id: file.machine_id,
        name: file.name,
        rig: file.supervisor.rig,
        me,
        supervisor,
        paths: file.supervisor.paths,
        lanes: file.supervisor.lanes,
        beat: file.beat.0,
        sources: file.sources,
        channels_at,
        triggers: file.triggers,
        dir,
    };
    let (lanes, audio) = start(setup, Some(own))?;
    sources::start_audio(audio)?;
    vital("lanes", move || lanes.run())?;
    loop {
        std::thread::park();
    }
}

/// Listens to machines from outside, for as long as this process lives: by inputs of this computer, of which it says no word for a
/// machine's own host or player.
///
/// # Errors
/// What keeps it from starting.
pub fn listen(machines: Vec<Setup>) -> Result<(), StartError> {
    let mut audio = Vec::new();
    for setup in machines {
        let name = format!("listen {}", setup.name);
        let (lanes, wanted) = start(setup, None)?;
        audio.extend(wanted);
        vital(&name, move || lanes.run())?;
    }
    Ok(sources::start_audio(audio)?)
}

/// What every agent is told.
pub struct Setup {
    /// The machine's lasting id.
    pub id: MachineId,
    /// What people call it.
    pub name: String,
    /// The rig.
    pub rig: RigId,
    /// This agent's key.
    pub me: SecretKey,
    /// The supervisor's.
    pub supervisor: PublicKey,
    /// Where beats go, one address for each network path.
    pub paths: Vec<SocketAddr>,
    /// Where the reliable lanes connect.
    pub lanes: SocketAddr,
    /// Time between two beats.
    pub beat: Span,
    /// Where positions and sound come from.
    pub sources: Vec<Source>,
    /// Where each one's channels are named, for an error about them; may be shorter.
    pub channels_at: Vec<String>,
    /// What commands the players.
    pub triggers: Vec<Trigger>,
    /// Paths in it are relative to this folder.
    pub dir: PathBuf,
}

/// What only an agent on the machine itself can know of.
struct OnItsMachine {
    player: PlayerWatch,
    folders: Vec<Folder>,
    hashing: Hashing,
}

/// What is left to be done of an agent that was started: its lanes, and its audio device.
type Started = (lanes::Lanes, Vec<(sources::AudioWanted, news::NewsDesk)>);

/// Starts an agent's threads.
fn start(setup: Setup, own: Option<OnItsMachine>) -> Result<Started, StartError> {
    let beside = |p: &Path| setup.dir.join(p);
    let any: Vec<_> = setup.paths.iter().map(|to| any_address(*to)).collect();
    let gate = Gate::bind(&any)?;
    let (news_to, news) = std::sync::mpsc::channel();
    let (urgent_to, urgent) = std::sync::mpsc::channel();
    let introduction = Arc::new(Mutex::new(introduction(&setup, own.as_ref())));
    let changes = news::Introduction { first: introduction.clone(), urgent: urgent_to.clone() };
    let desk = news::NewsDesk::new(news_to, gate.waker(), changes);
    let (bulk_to, bulk) = std::sync::mpsc::sync_channel(BULK_WAITING);
    let last_reply = Arc::new(AtomicU64::new(0));
    let sources: Vec<_> = setup.sources.iter().map(|s| relative_feed(s, &beside)).collect();
    let audio = sources::start(&sources, &setup.channels_at, own.is_some(), &desk)?;
    let rolling = Arc::new(AtomicBool::new(false));
    let mut folders = None;
    if let Some(own) = &own {
        let fed = sources.iter().any(|s| matches!(s, Source::Feed { .. }));
        if let Some(name) = own.player.process.clone().filter(|_| !fed) {
            player::start(name, desk.clone())?;
        }
        folders = start_folders(own, &beside, bulk_to.clone(), rolling.clone(), desk.clone())?;
    }

    let beats = beats::Beats {
        core: core::AgentCore::new(setup.triggers.clone()),
        gate,
        to: setup.paths.clone(),
        interval: setup.beat,
        news,
        urgent: urgent_to.clone(),
        bulk: bulk_to,
        last_reply: last_reply.clone(),
        rolling,
        departures: Default::default(),
    };
    let (urgency_to, urgency) = std::sync::mpsc::channel();
    vital("beats", move || {
        beats.run(|u| {
            let _ = urgency_to.send(u.clone());
        })
    })?;
    let urgency = urgency.recv().unwrap_or(Urgency::Plain("the beat thread did not say".into()));
    tracing::info!("{}: beats every {} with {urgency}", setup.name, Duration(setup.beat));
    let real_time = urgency == Urgency::RealTime;
    if own.is_some() {
        host::start(real_time, urgent_to, desk.clone())?;
    }

    if let Ok(mut first) = introduction.lock() {
        for up in first.iter_mut() {
            if let Up::Inventory(i) = up {
                i.real_time = real_time;
                i.notes = vec![format!("beat thread: {urgency}")];
            }
        }
    }
    let lanes = lanes::Lanes {
        me: setup.me,
        supervisor: setup.supervisor,
        rig: setup.rig,
        address: setup.lanes,
        introduction,
        urgent: backlog::Backlog::new(urgent),
        bulk: Arc::new(Mutex::new(bulk)),
        desk,
        folders,
        last_reply,
    };
    Ok((lanes, audio))
}

/// The keeper of the session folders, when there are any.
fn start_folders(
    own: &OnItsMachine,
    beside: &impl Fn(&Path) -> PathBuf,
    bulk: std::sync::mpsc::SyncSender<Up>,
    rolling: Arc<AtomicBool>,
    desk: news::NewsDesk,
) -> Result<Option<std::sync::mpsc::Sender<folders::keeper::Ask>>, StartError> {
    if own.folders.is_empty() {
        return Ok(None);
    }
    let dir = beside(Path::new("folders"));
    let mut folders = own.folders.clone();
    for (i, f) in folders.iter_mut().enumerate() {
        f.path = beside(&f.path);
        let own = std::path::absolute(&dir).is_ok_and(|d| std::path::absolute(&f.path).is_ok_and(|p| d.starts_with(p)));
        if own {
            return Err(StartError::Key {
                place: format!("folder[{i}].path: {}", f.path.display()),
                why: "the agent's own files lie in this folder, and change with each look at it".into(),
                mend: "name the session's folder alone, or move agent.toml out of it",
            });
        }
    }
    let (to, asks) = std::sync::mpsc::channel();
    folders::keeper::Keeper { folders, hashing: own.hashing, dir, bulk, asks, rolling, desk }.start()?;
    Ok(Some(to))
}

fn introduction(setup: &Setup, own: Option<&OnItsMachine>) -> Vec<Up> {
    let system = || sysinfo::System::long_os_version().unwrap_or_else(|_| std::env::consts::OS.into());
    let hello = Hello {
        machine: setup.id,
        name: setup.name.clone(),
        software: env!("CARGO_PKG_VERSION").into(),
        // From outside nobody knows it.
        system: own.map_or_else(String::new, |_| system()),
        boot: boot_id(),
        epoch: u32::from_le_bytes(*random_id().first_chunk().unwrap_or(&[0; 4])),
        paths: setup.paths.len() as u8,
    };
    let inventory = Inventory {
        player: own.and_then(|own| own.player.process.clone()),
        channels: channels(setup),
        sources: setup.sources.iter().map(sources::info).collect(),
        ..Inventory::default()
    };
    let kit = Kit {
        build: own.and_then(|_| sysinfo::System::kernel_long_version().ok()),
        device: setup.sources.iter().find_map(sources::device),
        ..Kit::default()
    };
    vec![Up::Hello(hello), Up::Inventory(inventory), Up::Kit(kit)]
}

fn channels(setup: &Setup) -> Vec<String> {
    let of = |s: &Source| match s {
        Source::Audio { channels, .. } => Some(channels.clone()),
        _ => None,
    };
    setup.sources.iter().find_map(of).unwrap_or_default()
}

/// Reads a secret key that only its owner may read.
fn read_secret(path: &Path) -> Result<SecretKey, StartError> {
    if let Some(why) = ports::local::readable_by_others(path) {
        return Err(StartError::Key {
            place: path.display().to_string(),
            why,
            mend: "make it readable by its owner alone: chmod 600",
        });
    }
    let text = std::fs::read_to_string(path).map_err(|e| StartError::File(path.into(), e))?;
    text.trim().parse().map_err(|e: wire::KeyError| StartError::Key {
        place: path.display().to_string(),
        why: e.to_string(),
        mend: "make a new key with `twinkeel init`",
    })
}

fn relative_feed(s: &Source, beside: &impl Fn(&Path) -> PathBuf) -> Source {
    let mut s = s.clone();
    if let Source::Feed { socket, .. } = &mut s {
        *socket = beside(socket);
    }
    s
}
