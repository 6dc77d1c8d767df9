//! `twinkeel show`: the show file looked over, songs taken into it, and tonight's set on a running supervisor.

pub mod import;
mod lint;
mod midi;
mod place;

use std::io::Write;
use std::path::PathBuf;
use std::process::ExitCode;

use supervisor::page::DeskAct;
use supervisor::snapshot::{SetEntry, SetState, Snapshot};

use crate::client::{At, act, read};
use crate::{refuse, unreached};

/// What there is to do with a show.
#[derive(clap::Subcommand)]
pub enum ShowCommand {
    /// Looks a show file over: what is wrong or doubtful, with line and column.
    Lint(LintArgs),
    /// Takes songs from a table, and sections, patches and lengths from MIDI files, into a show file.
    Import(import::ImportArgs),
    /// Lists tonight's set.
    List(ListArgs),
    /// Moves a song of tonight's set to another place.
    Move(MoveArgs),
    /// Leaves a song out tonight.
    Skip(PlaceArgs),
    /// Plays a song after all that was to be left out.
    Play(PlaceArgs),
    /// Adds a song at the end of tonight's set: an encore.
    Add(AddArgs),
    /// Sets tonight's set to what the show file has.
    Restore(RestoreArgs),
}

/// Arguments of `twinkeel show lint`.
#[derive(clap::Args)]
#[command(after_help = "Example: twinkeel show lint show.toml\n\n\
    Exit codes: 0 nothing is wrong (there may be notes), 1 something is, 2 the file cannot be read.")]
pub struct LintArgs {
    /// The show file.
    #[arg(default_value = "show.toml")]
    file: PathBuf,
    /// As JSON.
    #[arg(long)]
    json: bool,
}

/// Arguments of `twinkeel show list`.
#[derive(clap::Args)]
#[command(after_help = "Example: twinkeel show list")]
pub struct ListArgs {
    #[command(flatten)]
    at: At,
    /// As JSON.
    #[arg(long)]
    json: bool,
}

/// Arguments of `twinkeel show move`.
#[derive(clap::Args)]
#[command(after_help = "Example: twinkeel show move 5 2")]
pub struct MoveArgs {
    #[command(flatten)]
    at: At,
    /// The place where it stands.
    from: u16,
    /// The place where it goes.
    to: u16,
}

/// Arguments of `twinkeel show skip` and `play`.
#[derive(clap::Args)]
#[command(after_help = "Example: twinkeel show skip 4")]
pub struct PlaceArgs {
    #[command(flatten)]
    at: At,
    /// The place in the set.
    place: u16,
}

/// Arguments of `twinkeel show add`.
#[derive(clap::Args)]
#[command(after_help = "Example: twinkeel show add 7")]
pub struct AddArgs {
    #[command(flatten)]
    at: At,
    /// The song's number in the show file.
    song: u16,
}

/// Arguments of `twinkeel show restore`.
#[derive(clap::Args)]
#[command(after_help = "Example: twinkeel show restore")]
pub struct RestoreArgs {
    #[command(flatten)]
    at: At,
}

/// Does it.
pub fn run(command: &ShowCommand) -> ExitCode {
    match command {
        ShowCommand::Lint(a) => lint::run(&a.file, a.json),
        ShowCommand::Import(a) => import::run(a),
        ShowCommand::List(a) => list(a),
        ShowCommand::Move(a) => with(&a.at, a.from, |song| DeskAct::SetMove { from: a.from, to: a.to, song }),
        ShowCommand::Skip(a) => with(&a.at, a.place, |song| DeskAct::SetSkip { place: a.place, skip: true, song }),
        ShowCommand::Play(a) => with(&a.at, a.place, |song| DeskAct::SetSkip { place: a.place, skip: false, song }),
        ShowCommand::Add(a) => act(&a.at, &DeskAct::SetAdd { song: a.song }),
        ShowCommand::Restore(a) => act(&a.at, &DeskAct::SetRestore),
    }
}

/// An act on the song that stands at this place now.
fn with(at: &At, place: u16, what: impl Fn(u16) -> DeskAct) -> ExitCode {
    let set = match set(at) {
        Ok(s) => s,
        Err(e) => return unreached(&e),
    };
    match set.iter().find(|e| e.place == place) {
        Some(e) => act(at, &what(e.number)),
        None if set.is_empty() => refuse(&"the supervisor has no show file, so there is no set: name one in rig.toml"),
        None => refuse(&format!("there is no place {place}: the set has {}", set.len())),
    }
}

fn set(at: &At) -> Result<Vec<SetEntry>, String> {
    let s: Snapshot = serde_json::from_str(&read(at, "snapshot")?)
        .map_err(|e| format!("the supervisor speaks another format: {e}"))?;
    Ok(s.set)
}

fn list(a: &ListArgs) -> ExitCode {
    let set = match set(&a.at) {
        Ok(s) => s,
        Err(e) => return unreached(&e),
    };
    let mut out = std::io::stdout().lock();
    // A reader that has seen enough closes the pipe.
    let _ = if a.json {
        writeln!(out, "{}", serde_json::to_string(&set).unwrap_or_default())
    } else {
        set.iter().try_for_each(|e| writeln!(out, "{}", line(e)))
    };
    if set.is_empty() { ExitCode::from(1) } else { ExitCode::SUCCESS }
}

fn line(e: &SetEntry) -> String {
    let state = match e.state {
        SetState::Played => "played",
        SetState::Now => "now",
        SetState::Next => "next",
        SetState::ToCome => "",
        SetState::Skipped => "skipped",
    };
    let added = if e.added { "  (added)" } else { "" };
    format!("{:3}  {:8}{}  {}  (song {}){added}", e.place, state, e.start, e.name, e.number)
}
