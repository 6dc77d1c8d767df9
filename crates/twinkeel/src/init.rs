//! `twinkeel init`: the files of a new rig, one folder for each computer, from a few questions or from options alone. Keys are made here, on one computer, and travel with
//! their folder; whoever holds a folder can be that machine.

mod questions;

use std::io::IsTerminal;
use std::net::IpAddr;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use base::ids::MAX_MACHINES;
use base::{Machine, MachineId, RigId};
use ports::os::random_id;
use settings::ShowFile;
use settings::agent::{AgentFile, Folder, PlayerWatch, Source, SupervisorAddress};
use settings::duration::Duration;
use settings::rig::{Limits, Listen, MachineEntry, Mode, PageTls, Policies, RigFile};
use wire::KeyPair;

use crate::refuse;
use crate::run::HeardBy;
use questions::{Answers, Found};

/// Arguments of `twinkeel init`.
#[derive(clap::Args)]
#[command(after_help = "Example: twinkeel init --dir rig --name \"touring twins\" --supervisor 10.0.0.10")]
pub struct InitArgs {
    /// The folder to be made; it must not exist yet.
    #[arg(long, default_value = "rig")]
    dir: PathBuf,
    /// What people call the rig.
    #[arg(long, default_value = "twin rig")]
    name: String,
    /// How many playback computers it has.
    #[arg(long, default_value_t = 2, value_parser = clap::value_parser!(u8).range(1..=MAX_MACHINES as i64))]
    machines: u8,
    /// The supervisor's address as the agents reach it; give it twice for two network paths.
    #[arg(long, default_value = "127.0.0.1", num_args = 1)]
    supervisor: Vec<IpAddr>,
    /// The show's title; without it, the rig's name.
    #[arg(long)]
    title: Option<String>,
    /// Who hears the machines: `agents` on them, or the `supervisor` alone by its own inputs. It asks nothing for the latter.
    #[arg(long, value_enum, default_value = "agents")]
    heard_by: HeardBy,
    /// Ask, also where there is no terminal. On a terminal it asks by itself.
    #[arg(long, conflicts_with = "no_questions")]
    ask: bool,
    /// Ask nothing: take the options, and what they leave open as it is proposed.
    #[arg(long)]
    no_questions: bool,
}

/// Makes the files.
pub fn run(a: &InitArgs) -> ExitCode {
    if a.supervisor.len() > 2 {
        return refuse(&"a rig has one or two network paths: give --supervisor once or twice");
    }
    if a.dir.exists() {
        return refuse(&format!("{}: exists already; choose another --dir, or move it away", a.dir.display()));
    }
    let first = Answers {
        name: a.name.clone(),
        machines: a.machines,
        supervisor: a.supervisor.clone(),
        midi: None,
        audio: None,
        ltc: None,
        player: None,
        session: None,
        title: a.title.clone().unwrap_or_else(|| a.name.clone()),
        frame_rate: base::FrameRate::F30,
    };
    let asks = a.ask || (!a.no_questions && std::io::stdin().is_terminal() && std::io::stdout().is_terminal());
    if a.heard_by == HeardBy::Supervisor {
        return alone(a, &first);
    }
    let answers = if asks { asked(first) } else { Ok(first) };
    let answers = match answers {
        Ok(answers) => answers,
        Err(e) => return refuse(&e),
    };
    match make(&a.dir, &answers, HeardBy::Agents) {
        Ok(()) => {
            println!("{} is ready:", a.dir.display());
            println!("  supervisor/  for the supervisor's computer");
            for m in Machine::first(answers.machines.into()) {
                println!("  {m}/           for playback computer {m}, and for no other");
            }
            println!("Each folder holds a secret key: carry it by hand, and delete the copy you carried it with.");
            println!("Next: look over the sources in each agent.toml, name the outputs in rig.toml and the");
            println!("songs in show.toml (see config/; `twinkeel show import` takes a table), then run");
            println!("`twinkeel supervisor` and `twinkeel agent` in their folders.");
            ExitCode::SUCCESS
        }
        Err(e) => refuse(&e),
    }
}

/// A rig without agents: one folder, for the supervisor's computer.
fn alone(a: &InitArgs, answers: &Answers) -> ExitCode {
    if a.ask {
        return refuse(&"there are no questions yet for a rig that the supervisor alone hears: leave out --ask");
    }
    if a.supervisor.iter().any(|ip| !ip.is_loopback()) {
        return refuse(&"without agents nobody from outside speaks to the supervisor: leave out --supervisor");
    }
    match make(&a.dir, answers, HeardBy::Supervisor) {
        Ok(()) => {
            println!(
                "{}/supervisor is ready, for the supervisor's computer: nothing runs on the others.",
                a.dir.display()
            );
            println!("Next: in rig.toml name the device and the channels by which each machine is heard (see");
            println!("`twinkeel devices` and config/rig-alone.toml) and the outputs, in show.toml the songs,");
            println!("then run `twinkeel supervisor` there.");
            ExitCode::SUCCESS
        }
        Err(e) => refuse(&e),
    }
}

/// By which channels of the supervisor's device a machine is heard, as a first proposal: four each, side by side.
fn own_inputs(m: Machine) -> Vec<Source> {
    let mine = ["tracks L", "tracks R", "timecode", "pilot"];
    let others = std::iter::repeat_n("", m.index() * mine.len());
    vec![Source::Audio {
        host: "default".into(),
        device: "default".into(),
        channels: others.chain(mine).map(str::to_owned).collect(),
        timecode: Some("timecode".into()),
        rate: None,
        pilot: None,
        floor: None,
    }]
}

/// The questions, on the terminal or from what is piped in.
fn asked(first: Answers) -> std::io::Result<Answers> {
    let (midi, audio) = (ports::list_midi(), ports::list_audio());
    let midi: Vec<Found> = midi
        .found
        .into_iter()
        .filter(|p| p.direction == ports::PortDirection::In)
        .map(|p| Found { host: p.host, name: p.name, channels: 0 })
        .collect();
    let audio: Vec<Found> = audio
        .found
        .into_iter()
        .filter(|d| d.inputs > 0)
        .map(|d| Found { host: d.host, name: d.name, channels: u16::try_from(d.inputs).unwrap_or(u16::MAX) })
        .collect();
    questions::ask(&mut std::io::stdin().lock(), &mut std::io::stdout().lock(), &midi, &audio, first)
}

/// Where an agent hears its player: what was chosen, and the feed socket where nothing was.
fn sources(a: &Answers) -> Vec<Source> {
    let mut sources = Vec::new();
    if let Some(m) = &a.midi {
        sources.push(Source::Midi { port: m.name.clone(), host: m.host.clone() });
    }
    if let Some(d) = &a.audio {
        let name = |n: u16| if Some(n) == a.ltc { "timecode".into() } else { format!("channel {n}") };
        sources.push(Source::Audio {
            host: d.host.clone(),
            device: d.name.clone(),
            channels: (1..=d.channels.min(64)).map(name).collect(),
            timecode: a.ltc.filter(|n| *n <= 64).map(|_| "timecode".into()),
            rate: None,
            pilot: None,
            floor: None,
        });
    }
    if sources.is_empty() {
        sources.push(Source::Feed {
            socket: "feed".into(),
            timecode: Some("timecode".into()),
            rate: None,
            pilot: None,
            floor: None,
        });
    }
    sources
}

type Made = Result<(), Box<dyn std::error::Error>>;

fn make(to: &Path, a: &Answers, heard_by: HeardBy) -> Made {
    let rig_id = RigId(random_id());
    let supervisor = KeyPair::generate()?;
    let paths = |port: u16| -> Vec<_> { a.supervisor.iter().zip(port..).map(|(ip, p)| (*ip, p).into()).collect() };
    let lanes = (a.supervisor[0], 7742).into();
    let mut machines = Vec::new();
    for m in Machine::first(a.machines.into()) {
        let id = MachineId(random_id());
        if heard_by == HeardBy::Supervisor {
            let (name, sources) = (m.to_string(), own_inputs(m));
            machines.push(MachineEntry { name, id, key: String::new(), pilot: None, sources, triggers: Vec::new() });
            continue;
        }
        let keys = KeyPair::generate()?;
        let agent = AgentFile {
            machine_id: id,
            name: m.to_string(),
            secret_key: "agent.key".into(),
            supervisor: SupervisorAddress {
                rig: rig_id,
                key: supervisor.public.to_string(),
                paths: paths(7740),
                lanes,
            },
            beat: Duration::millis(5),
            player: PlayerWatch { process: a.player.clone() },
            sources: sources(a),
            folders: a.session.iter().map(|p| session(p)).collect(),
            hashing: Default::default(),
            triggers: Vec::new(),
        };
        write(&to.join(m.to_string()).join("agent.toml"), &toml::to_string(&agent)?, "agent.key", &keys)?;
        machines.push(MachineEntry {
            name: m.to_string(),
            id,
            key: keys.public.to_string(),
            pilot: None,
            sources: Vec::new(),
            triggers: Vec::new(),
        });
    }
    let rig = RigFile {
        rig_id,
        name: a.name.clone(),
        secret_key: "supervisor.key".into(),
        shows: "shows".into(),
        show: Some("show.toml".into()),
        mode: Mode::Observe,
        heard_by: heard_by.into(),
        listen: Listen {
            paths: paths(7740),
            lanes,
            page: ([127, 0, 0, 1], 7777).into(),
            operator: None,
            names: Vec::new(),
            tls: PageTls::Off,
            certificate: None,
            certificate_key: None,
        },
        tap: None,
        prefer: Vec::new(),
        in_ears: Vec::new(),
        machines,
        outputs: Vec::new(),
        buttons: Vec::new(),
        cue_lights: Vec::new(),
        alarm_sound: None,
        limits: Limits::default(),
        policies: Policies::default(),
    };
    let dir = to.join("supervisor");
    write(&dir.join("rig.toml"), &toml::to_string(&rig)?, "supervisor.key", &supervisor)?;
    let show = ShowFile {
        title: a.title.clone(),
        frame_rate: a.frame_rate,
        venue: String::new(),
        hour_per_song: true,
        limits: Default::default(),
        policies: Default::default(),
        devices: Vec::new(),
        songs: Vec::new(),
    };
    std::fs::write(dir.join("show.toml"), toml::to_string(&show)?)?;
    Ok(())
}

fn session(path: &Path) -> Folder {
    Folder { name: "session".into(), path: path.to_owned(), ignore: Default::default() }
}

/// Writes a configuration and the secret key beside it.
fn write(file: &Path, text: &str, key: &str, keys: &KeyPair) -> Made {
    let dir = file.parent().unwrap_or(Path::new("."));
    std::fs::create_dir_all(dir)?;
    std::fs::write(file, text)?;
    ports::local::write_secret(&dir.join(key), &keys.secret.to_secret_text())?;
    Ok(())
}
