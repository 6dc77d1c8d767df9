//! `twinkeel report`: the report of one show.

use std::io::{IsTerminal, Write};
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use showlog::report::{Held, Made, Report};
use showlog::{Shelf, ShowlogError};

use crate::{refuse, unreached};

/// Where the records are.
#[derive(clap::Args)]
pub struct ShelfArgs {
    /// The folder of records, as `shows` in the rig's configuration names it.
    #[arg(long, default_value = "shows", env = "TWINKEEL_SHOWS", value_name = "DIR")]
    pub shows: PathBuf,
}

/// Arguments of `twinkeel report`.
#[derive(clap::Args)]
#[command(after_help = "Examples:\n  twinkeel report                        the last show, in words\n  \
    twinkeel report --html report.html\n  twinkeel report quay --pdf quay.pdf --csv quay\n  \
    twinkeel report 2 --incident 1 --html incident.html\n\nExit code 0 when the show held, 1 when it did not or nobody can say, 2 for usage, 3 when the record cannot be read.")]
pub struct ReportArgs {
    /// The show: `last`, its place in `twinkeel shows`, the beginning of its id, part of its title, or a file.
    #[arg(default_value = "last")]
    show: String,
    #[command(flatten)]
    shelf: ShelfArgs,
    /// Write a self-contained page here (`-`: standard output).
    #[arg(long, value_name = "FILE")]
    html: Option<PathBuf>,
    /// Write a PDF here.
    #[arg(long, value_name = "FILE")]
    pdf: Option<PathBuf>,
    /// Write JSON here (`-`, or nothing: standard output).
    #[arg(long, value_name = "FILE", num_args = 0..=1, default_missing_value = "-")]
    json: Option<PathBuf>,
    /// Write tables for a spreadsheet into this folder.
    #[arg(long, value_name = "DIR")]
    csv: Option<PathBuf>,
    /// Write the same tables as Parquet files into this folder.
    #[arg(long, value_name = "DIR")]
    parquet: Option<PathBuf>,
    /// Only this incident, at full rate: its page with --html, its table with --csv.
    #[arg(long, value_name = "N")]
    incident: Option<i64>,
}

/// `twinkeel report`.
pub fn run(a: &ReportArgs) -> ExitCode {
    let path = match Shelf::new(&a.shelf.shows).find(&a.show) {
        Ok(p) => p,
        Err(e) => return refuse(&e),
    };
    let made = match Report::read(&path) {
        Ok(m) => m,
        Err(e) => return unreached(&e),
    };
    for d in &made.report.damage {
        eprintln!("twinkeel: {}: damaged: {d}", path.display());
    }
    let written = match a.incident {
        Some(n) => incident(a, &made, n),
        None => whole(a, &made),
    };
    match written {
        Ok(()) => verdict(&made),
        Err(Failed::Usage(why)) => refuse(&why),
        Err(Failed::Write(path, e)) if path.as_os_str() == "-" && e.kind() == std::io::ErrorKind::BrokenPipe => {
            verdict(&made)
        }
        Err(Failed::Write(path, e)) => unreached(&format!("{}: {e}", path.display())),
        Err(Failed::Record(e)) => unreached(&e),
    }
}

fn verdict(made: &Made) -> ExitCode {
    match made.report.verdict.held {
        Held::Held | Held::ByChangeover => ExitCode::SUCCESS,
        Held::No | Held::Unknown => ExitCode::from(1),
    }
}

enum Failed {
    Usage(String),
    Write(PathBuf, std::io::Error),
    Record(ShowlogError),
}

fn whole(a: &ReportArgs, made: &Made) -> Result<(), Failed> {
    if let Some(to) = &a.html {
        put(to, made.html().as_bytes())?;
    }
    if let Some(to) = &a.pdf {
        let pdf = made.pdf().map_err(Failed::Record)?;
        put(to, &pdf)?;
    }
    if let Some(to) = &a.json {
        put(to, made.json().as_bytes())?;
    }
    if let Some(dir) = &a.csv {
        made.csv(dir).map_err(Failed::Record)?;
        told(dir);
    }
    if let Some(dir) = &a.parquet {
        made.parquet(dir).map_err(Failed::Record)?;
        told(dir);
    }
    let folders = a.csv.is_some() || a.parquet.is_some();
    if a.html.is_none() && a.pdf.is_none() && a.json.is_none() && !folders {
        put(Path::new("-"), made.text().as_bytes())?;
    }
    Ok(())
}

fn incident(a: &ReportArgs, made: &Made, number: i64) -> Result<(), Failed> {
    let known = &made.report.incidents;
    if !known.iter().any(|i| i.number == number) {
        return Err(Failed::Usage(match (known.first(), known.last()) {
            (Some(f), Some(l)) => format!("there is no incident {number}: this show has {} to {}", f.number, l.number),
            _ => "this show has no incident".to_owned(),
        }));
    }
    if a.pdf.is_some() || a.json.is_some() || a.parquet.is_some() {
        return Err(Failed::Usage("an incident is written with --html or --csv".to_owned()));
    }
    let incident = made.incident(number).map_err(Failed::Record)?;
    if let Some(to) = &a.html {
        put(to, incident.html().as_bytes())?;
    }
    if let Some(dir) = &a.csv {
        incident.csv(dir).map_err(Failed::Record)?;
        told(dir);
    }
    if a.html.is_none() && a.csv.is_none() {
        put(Path::new("-"), incident.text().as_bytes())?;
    }
    Ok(())
}

fn put(to: &Path, bytes: &[u8]) -> Result<(), Failed> {
    let failed = |e| Failed::Write(to.to_owned(), e);
    if to.as_os_str() == "-" {
        let mut out = std::io::stdout().lock();
        out.write_all(bytes).and_then(|()| out.flush()).map_err(failed)
    } else {
        std::fs::write(to, bytes).map_err(failed)?;
        told(to);
        Ok(())
    }
}

fn told(to: &Path) {
    if std::io::stderr().is_terminal() {
        eprintln!("written: {}", to.display());
    }
}
