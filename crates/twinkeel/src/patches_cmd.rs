//! `twinkeel patches`: what is in force on the devices of a show, and the chase on demand.

mod learn;

use std::io::Write;
use std::process::ExitCode;

use supervisor::page::DeskAct;
use supervisor::snapshot::Snapshot;

use crate::client::{At, act, read};
use crate::unreached;

/// Arguments of `twinkeel patches`.
#[derive(clap::Args)]
#[command(
    after_help = "Examples:\n  twinkeel patches\n  twinkeel patches --json\n  twinkeel patches chase\n  twinkeel patches chase \"pad rack\"\n  \
    twinkeel patches learn show.toml --events shows/events.jsonl\n  twinkeel patches learn --listen --write\n\n\
    Exit codes: 0 all is well, 1 something is wrong with a device, 3 no supervisor."
)]
#[command(args_conflicts_with_subcommands = true)]
pub struct PatchesArgs {
    #[command(subcommand)]
    what: Option<PatchesCommand>,
    #[command(flatten)]
    at: At,
    /// The devices as JSON.
    #[arg(long)]
    json: bool,
}

#[derive(clap::Subcommand)]
enum PatchesCommand {
    /// Sends devices what should be in force on them, now.
    Chase {
        #[command(flatten)]
        at: At,
        /// Which device; without a name all that have a port, but for those whose player has a pedal.
        device: Option<String>,
    },
    /// Writes what was played in one full run of each song into the show file as its expected patches: a difference to review first.
    Learn(learn::LearnArgs),
}

/// `twinkeel patches`.
pub fn run(a: &PatchesArgs) -> ExitCode {
    if let Some(PatchesCommand::Chase { at, device }) = &a.what {
        return act(at, &DeskAct::Chase { device: device.clone() });
    }
    if let Some(PatchesCommand::Learn(a)) = &a.what {
        return learn::run(a);
    }
    let snapshot =
        read(&a.at, "snapshot").and_then(|t| serde_json::from_str::<Snapshot>(&t).map_err(|e| e.to_string()));
    let s = match snapshot {
        Ok(s) => s,
        Err(e) => return unreached(&e),
    };
    let mut out = std::io::stdout().lock();
    // A reader that has seen enough closes the pipe.
    let _ = if a.json {
        serde_json::to_string_pretty(&s.devices).map_err(std::io::Error::other).and_then(|t| writeln!(out, "{t}"))
    } else {
        tell(&mut out, &s)
    };
    if s.devices.iter().all(|d| d.alarms.is_empty()) { ExitCode::SUCCESS } else { ExitCode::from(1) }
}

/// The devices in words; nothing where there are none.
pub fn tell(out: &mut impl Write, s: &Snapshot) -> std::io::Result<()> {
    for d in &s.devices {
        writeln!(out, "{}{}", d.name, if d.chase { "  (chased after a changeover)" } else { "" })?;
        for c in &d.channels {
            let since = c.since.map_or_else(String::new, |t| format!(", for {:.0} s", (s.now - t).secs_f64()));
            writeln!(out, "    {}{since}", c.text)?;
        }
        for a in &d.alarms {
            writeln!(out, "    {}", a.text)?;
        }
    }
    Ok(())
}
