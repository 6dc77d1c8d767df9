//! Commands that run until they are told to end: the agent, the supervisor, the demo and its parts.

use std::path::PathBuf;
use std::process::ExitCode;

use crate::refuse;

/// Arguments of `twinkeel agent`.
#[derive(clap::Args)]
#[command(after_help = "Example: twinkeel agent --config /etc/twinkeel/agent.toml")]
pub struct AgentArgs {
    /// Its configuration.
    #[arg(long, default_value = "agent.toml")]
    config: PathBuf,
}

/// Arguments of `twinkeel supervisor`.
#[derive(clap::Args)]
#[command(after_help = "Example: twinkeel supervisor --config /etc/twinkeel/rig.toml")]
pub struct SupervisorArgs {
    /// The rig.
    #[arg(long, default_value = "rig.toml")]
    config: PathBuf,
}

/// Arguments of `twinkeel demo`.
#[derive(clap::Args)]
#[command(
    after_help = "Examples:\n  twinkeel demo\n  twinkeel demo --headless --scenario on-air-power --seconds 30 --out out"
)]
pub struct DemoArgs {
    /// Run a scenario without a page to press on, and write summary.json, house.wav, the record and report.html.
    #[arg(long, requires = "scenario")]
    headless: bool,
    /// Which scenario: a name of the fault catalogue, or a file.
    #[arg(long)]
    scenario: Option<String>,
    /// For how long; without it, as long as the scenario says.
    #[arg(long)]
    seconds: Option<f64>,
    /// Where everything is written.
    #[arg(long, default_value = "demo-out")]
    out: PathBuf,
    /// Who hears the machines: `agents` on them, or the `supervisor` alone; without it, as the scenario says.
    #[arg(long, value_enum)]
    heard_by: Option<HeardBy>,
    /// Seed of the show and of all jitter.
    #[arg(long, default_value_t = 1)]
    seed: u64,
}

/// Who hears the machines.
#[derive(Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum HeardBy {
    /// An agent on each.
    Agents,
    /// The supervisor's own inputs.
    Supervisor,
}

impl From<HeardBy> for settings::rig::HeardBy {
    fn from(by: HeardBy) -> settings::rig::HeardBy {
        match by {
            HeardBy::Agents => settings::rig::HeardBy::Agents,
            HeardBy::Supervisor => settings::rig::HeardBy::Supervisor,
        }
    }
}

/// Arguments of `twinkeel demo-part`.
#[derive(clap::Args)]
pub struct DemoPartArgs {
    /// Which part.
    #[arg(value_enum)]
    part: Part,
    /// Its configuration, JSON.
    #[arg(long)]
    config: PathBuf,
}

#[derive(Clone, Copy, clap::ValueEnum)]
enum Part {
    Player,
    Interface,
    Switch,
}

/// `twinkeel agent`.
pub fn agent(a: &AgentArgs) -> ExitCode {
    log();
    stage::os::end_with_parent_if_asked();
    match agent::run(&a.config) {
        Ok(never) => match never {},
        Err(e) => refuse(&e),
    }
}

/// `twinkeel supervisor`.
pub fn supervisor(a: &SupervisorArgs) -> ExitCode {
    log();
    stage::os::end_with_parent_if_asked();
    let stop = async {
        // On a signal nothing on air changes; the record is closed properly.
        let _ = stop_signal().await;
    };
    match supervisor::run(&a.config, listen, stop) {
        Ok(supervisor::Ended::Stopped) => ExitCode::SUCCESS,
        Ok(supervisor::Ended::Again) => refuse(&ports::os::begin_anew(None)),
        Err(e) => refuse(&e),
    }
}

/// Starts those who listen for a supervisor that alone hears its machines: agents, in this process.
fn listen(to: Vec<supervisor::Listener>) -> Result<(), Box<dyn std::error::Error>> {
    let setup = |l: supervisor::Listener| agent::Setup {
        id: l.id,
        name: l.name,
        rig: l.rig,
        me: l.secret,
        supervisor: l.supervisor,
        paths: vec![l.path],
        lanes: l.lanes,
        beat: l.beat,
        sources: l.sources,
        channels_at: l.channels_at,
        triggers: l.triggers,
        dir: l.dir,
    };
    Ok(agent::listen(to.into_iter().map(setup).collect())?)
}

#[cfg(unix)]
async fn stop_signal() -> std::io::Result<()> {
    use tokio::signal::unix::{SignalKind, signal};
    let mut term = signal(SignalKind::terminate())?;
    tokio::select! {
        _ = term.recv() => Ok(()),
        r = tokio::signal::ctrl_c() => r,
    }
}

#[cfg(not(unix))]
async fn stop_signal() -> std::io::Result<()> {
    tokio::signal::ctrl_c().await
}

/// `twinkeel demo-part`.
pub fn demo_part(a: &DemoPartArgs) -> ExitCode {
    log();
    stage::os::end_with_parent_if_asked();
    let text = match std::fs::read_to_string(&a.config) {
        Ok(t) => t,
        Err(e) => return refuse(&format!("{}: {e}", a.config.display())),
    };
    let wrong = |e: serde_json::Error| refuse(&format!("{}: {e}", a.config.display()));
    let ran = match a.part {
        Part::Player => match serde_json::from_str(&text) {
            Ok(c) => stage::player::run_player(c),
            Err(e) => return wrong(e),
        },
        Part::Interface => match serde_json::from_str(&text) {
            Ok(c) => stage::interface::run_interface(c),
            Err(e) => return wrong(e),
        },
        Part::Switch => match serde_json::from_str(&text) {
            Ok(c) => stage::switch::run_switch(c),
            Err(e) => return wrong(e),
        },
    };
    match ran {
        Ok(()) => ExitCode::SUCCESS,
        Err(e) => refuse(&e),
    }
}

/// `twinkeel demo`. Headless, the exit code is 1 when the scenario's expectation of changeovers was not met.
pub fn demo(a: &DemoArgs) -> ExitCode {
    log();
    let mut scenario = match scenario(a.scenario.as_deref().unwrap_or("quiet-show")) {
        Ok(s) => s,
        Err(e) => return refuse(&e),
    };
    if let Some(Err(why)) = a.heard_by.map(|by| scenario.set_heard_by(by.into())) {
        return refuse(&why);
    }
    let program = match std::env::current_exe() {
        Ok(p) => p,
        Err(e) => return refuse(&format!("this program cannot find itself: {e}")),
    };
    if let Err(e) = std::fs::create_dir_all(&a.out) {
        return refuse(&format!("{}: {e}", a.out.display()));
    }
    let page_port = (!a.headless).then_some(7777);
    let config = stage::demo::DemoConfig { program, out: a.out.clone(), seed: a.seed, scenario, page_port };
    if !a.headless {
        return match stage::demo::run_interactive(&config) {
            Ok(()) => ExitCode::SUCCESS,
            Err(e) => refuse(&e),
        };
    }
    let lasts = a.seconds.map(base::Span::from_secs_f64);
    let summary = match stage::demo::run_headless(&config, lasts, &mut |line| println!("{line}")) {
        Ok(s) => s,
        Err(e) => return refuse(&e),
    };
    println!("{}", serde_json::to_string_pretty(&summary).unwrap_or_default());
    let wanted = config.scenario.expect.changeovers;
    if summary.changeovers == wanted && summary.false_changeovers == 0 { ExitCode::SUCCESS } else { ExitCode::from(1) }
}

/// A scenario of the catalogue by its name, or one in a file.
fn scenario(name: &str) -> Result<stage::scenario::Scenario, String> {
    if let Some(s) = stage::scenario::builtin(name) {
        return s.map_err(|e| e.to_string());
    }
    let text = std::fs::read_to_string(name).map_err(|e| {
        let known: Vec<_> = stage::scenario::names().collect();
        format!("`{name}` is no scenario of the catalogue and no file ({e}); there are: {}", known.join(", "))
    })?;
    stage::scenario::Scenario::parse(name, &text).map_err(|e| e.to_string())
}

/// Log lines to standard error, as RUST_LOG asks; colours only on a terminal, and never with NO_COLOR.
fn log() {
    use std::io::IsTerminal;
    let colours = std::io::stderr().is_terminal() && std::env::var_os("NO_COLOR").is_none();
    let filter = tracing_subscriber::EnvFilter::try_from_default_env()
        .unwrap_or_else(|_| tracing_subscriber::EnvFilter::new("info"));
    let _ =
        tracing_subscriber::fmt().with_env_filter(filter).with_ansi(colours).with_writer(std::io::stderr).try_init();
}
