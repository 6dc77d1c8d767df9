//! `twinkeel shows`: the records that there are; their labels and notes; copying and deleting them.

use std::io::Write;
use std::path::PathBuf;
use std::process::ExitCode;
use std::time::{Duration, SystemTime};

use base::WallTime;
use showlog::shelf::{self, Entry};
use showlog::{Shelf, ShowlogError};

use crate::report_cmd::ShelfArgs;
use crate::{refuse, unreached};

/// Arguments of `twinkeel shows`.
#[derive(clap::Args)]
#[command(after_help = "Examples:\n  twinkeel shows\n  twinkeel shows label last \"Second night\"\n  \
    twinkeel shows note last \"B's power supply was changed after the third song\"\n  twinkeel shows export 3 --to quay.showlog\n  \
    twinkeel shows prune --older-than 400")]
pub struct ShowsArgs {
    #[command(flatten)]
    shelf: ShelfArgs,
    /// The list as JSON.
    #[arg(long)]
    json: bool,
    #[command(subcommand)]
    what: Option<What>,
}

#[derive(clap::Subcommand)]
enum What {
    /// Lists the records, newest first (as without a command).
    List,
    /// Gives a show a name of its own; an empty one takes it away.
    Label {
        /// The show, as for `twinkeel report`.
        show: String,
        /// The name.
        label: String,
    },
    /// Writes something down about a show.
    Note {
        /// The show.
        show: String,
        /// What to write.
        text: String,
        /// Who says so.
        #[arg(long, env = "USER", default_value = "somebody")]
        by: String,
    },
    /// Copies a record into one compact file, also while it is being written.
    Export {
        /// The show.
        show: String,
        /// The file to make.
        #[arg(long)]
        to: PathBuf,
    },
    /// Deletes old records. Without the word it only says which.
    Prune {
        /// Those that began more than this many days ago.
        #[arg(long, value_name = "DAYS")]
        older_than: u32,
        /// The word `delete`: only then is anything deleted.
        #[arg(long)]
        word: Option<String>,
    },
}

/// `twinkeel shows`. Exit code 1 when there is no record.
pub fn run(a: &ShowsArgs) -> ExitCode {
    let shelf = Shelf::new(&a.shelf.shows);
    let done = match &a.what {
        None | Some(What::List) => list(&shelf, a),
        Some(What::Label { show, label }) => {
            shelf.find(show).and_then(|p| shelf::label(&p, label)).map(|()| ExitCode::SUCCESS)
        }
        Some(What::Note { show, text, by }) => {
            shelf.find(show).and_then(|p| shelf::note(&p, by, text, now())).map(|_| ExitCode::SUCCESS)
        }
        Some(What::Export { show, to }) => {
            shelf.find(show).and_then(|p| shelf::export(&p, to)).map(|()| ExitCode::SUCCESS)
        }
        Some(What::Prune { older_than, word }) => prune(&shelf, *older_than, word.as_deref()),
    };
    match done {
        Ok(code) => code,
        Err(e @ (ShowlogError::Which(_) | ShowlogError::Newer { .. })) => refuse(&e),
        Err(e) => unreached(&e),
    }
}

fn now() -> WallTime {
    let since = SystemTime::now().duration_since(SystemTime::UNIX_EPOCH).unwrap_or(Duration::ZERO);
    WallTime(i64::try_from(since.as_nanos()).unwrap_or(i64::MAX))
}

fn list(shelf: &Shelf, a: &ShowsArgs) -> Result<ExitCode, ShowlogError> {
    let all = shelf.list()?;
    let mut out = std::io::stdout().lock();
    if a.json {
        let _ = writeln!(out, "{}", serde_json::to_string_pretty(&all).unwrap_or_default());
    } else if all.is_empty() {
        let _ = writeln!(out, "There is no record in {}.", a.shelf.shows.display());
    } else {
        for (i, e) in all.iter().enumerate() {
            let _ = writeln!(out, "{:>3}  {}", i + 1, line(e));
        }
    }
    Ok(if all.is_empty() { ExitCode::from(1) } else { ExitCode::SUCCESS })
}

fn line(e: &Entry) -> String {
    let began = e.started.map_or_else(|| "date unknown        ".to_owned(), showlog::report::wall_text);
    let length = e.length.map_or_else(|| "?".to_owned(), showlog::report::lasting_text);
    let label = e.label.as_ref().map_or_else(String::new, |l| format!(" ({l})"));
    let title = if e.title.is_empty() { e.path.display().to_string() } else { e.title.clone() };
    let moved = match e.changeovers {
        0 => String::new(),
        1 => ", 1 changeover".to_owned(),
        n => format!(", {n} changeovers"),
    };
    let size = e.bytes as f64 / 1e6;
    let error = e.error.as_ref().map_or_else(String::new, |e| format!("  DAMAGED: {e}"));
    format!("{began}  {title}{label}: {length}, {} events{moved}, {size:.1} MB{error}", e.events)
}

fn prune(shelf: &Shelf, days: u32, word: Option<&str>) -> Result<ExitCode, ShowlogError> {
    let before = WallTime(now().0.saturating_sub(i64::from(days).saturating_mul(86_400_000_000_000)));
    let old = shelf.older_than(before)?;
    let mut out = std::io::stdout().lock();
    if old.is_empty() {
        let _ = writeln!(out, "No record is older than {days} days.");
        return Ok(ExitCode::SUCCESS);
    }
    let delete = word == Some("delete");
    for e in &old {
        if delete {
            shelf::delete(&e.path)?;
        }
        let _ = writeln!(out, "{}  {}", if delete { "deleted" } else { "would delete" }, line(e));
    }
    if delete {
        return Ok(ExitCode::SUCCESS);
    }
    let _ = writeln!(out, "Nothing was deleted. To delete them, say it again with --word delete");
    Ok(ExitCode::from(if word.is_some() { 2 } else { 0 }))
}
