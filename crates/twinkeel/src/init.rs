//! `twinkeel init`: the files of a new rig, one folder for each computer. Keys are made here, on one computer, and travel with
//! their folder; whoever holds a folder can be that machine.

use std::net::IpAddr;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use base::ids::MAX_MACHINES;
use base::{Machine, MachineId, RigId};
use ports::os::random_id;
use settings::agent::{AgentFile, PlayerWatch, Source, SupervisorAddress};
use settings::duration::Duration;
use settings::rig::{Limits, Listen, MachineEntry, Mode, Policies, RigFile};
use wire::KeyPair;

use crate::refuse;

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
}

/// Makes the files.
pub fn run(a: &InitArgs) -> ExitCode {
    if a.supervisor.len() > 2 {
        return refuse(&"a rig has one or two network paths: give --supervisor once or twice");
    }
    if a.dir.exists() {
        return refuse(&format!("{}: exists already; choose another --dir, or move it away", a.dir.display()));
    }
    match make(a) {
        Ok(()) => {
            println!("{} is ready:", a.dir.display());
            println!("  supervisor/  for the supervisor's computer");
            for m in Machine::first(a.machines.into()) {
                println!("  {m}/           for playback computer {m}, and for no other");
            }
            println!("Each folder holds a secret key: carry it by hand, and delete the copy you carried it with.");
            println!("Next: edit the sources in each agent.toml and the outputs in rig.toml (see config/),");
            println!("then run `twinkeel supervisor` and `twinkeel agent` in their folders.");
            ExitCode::SUCCESS
        }
        Err(e) => refuse(&e),
    }
}

type Made = Result<(), Box<dyn std::error::Error>>;

fn make(a: &InitArgs) -> Made {
    let rig_id = RigId(random_id());
    let supervisor = KeyPair::generate()?;
    let paths = |port: u16| -> Vec<_> { a.supervisor.iter().zip(port..).map(|(ip, p)| (*ip, p).into()).collect() };
    let lanes = (a.supervisor[0], 7742).into();
    let mut machines = Vec::new();
    for m in Machine::first(a.machines.into()) {
        let keys = KeyPair::generate()?;
        let id = MachineId(random_id());
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
            player: PlayerWatch::default(),
            sources: vec![Source::Feed {
                socket: "feed".into(),
                timecode: Some("timecode".into()),
                rate: None,
                pilot: None,
            }],
            folders: Vec::new(),
            hashing: Default::default(),
            triggers: Vec::new(),
        };
        write(&a.dir.join(m.to_string()).join("agent.toml"), &toml::to_string(&agent)?, "agent.key", &keys)?;
        machines.push(MachineEntry { name: m.to_string(), id, key: keys.public.to_string(), pilot: None });
    }
    let rig = RigFile {
        rig_id,
        name: a.name.clone(),
        secret_key: "supervisor.key".into(),
        shows: "shows".into(),
        show: None,
        mode: Mode::Observe,
        listen: Listen { paths: paths(7740), lanes, page: ([127, 0, 0, 1], 7777).into() },
        tap: None,
        prefer: Vec::new(),
        in_ears: Vec::new(),
        machines,
        outputs: Vec::new(),
        buttons: Vec::new(),
        limits: Limits::default(),
        policies: Policies::default(),
    };
    let dir = a.dir.join("supervisor");
    write(&dir.join("rig.toml"), &toml::to_string(&rig)?, "supervisor.key", &supervisor)
}

/// Writes a configuration and the secret key beside it.
fn write(file: &Path, text: &str, key: &str, keys: &KeyPair) -> Made {
    let dir = file.parent().unwrap_or(Path::new("."));
    std::fs::create_dir_all(dir)?;
    std::fs::write(file, text)?;
    ports::local::write_secret(&dir.join(key), &keys.secret.to_secret_text())?;
    Ok(())
}
