//! `twinkeel check`: starts a check in the supervisor, shows how it goes, and prints the sheet.

use std::io::{BufRead, IsTerminal, Write};
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::time::Duration;

use rig::check::{Depth, FOLLOWERS, Level, Outcome, Sheet, Word, announcement};
use showlog::report::sheet;
use supervisor::check::{CheckRequest, CheckView};
use supervisor::page::ActOutcome;

use crate::client::{At, ask, read};
use crate::{refuse, unreached};

/// How often it is asked how it goes.
const ASK_EVERY: Duration = Duration::from_millis(300);
/// So many answers may be missing in a row.
const PATIENCE: u32 = 10;

/// Arguments of `twinkeel check`.
#[derive(clap::Args)]
#[command(after_help = "Examples:\n  twinkeel check --quick\n  twinkeel check --fast --desk-muted --by Mara\n  \
    twinkeel check --full --pdf sheet.pdf\n  twinkeel check --last --html sheet.html\n\n\
    Exit code 0 when it passed, 1 when it did not, 2 for usage, 3 when the supervisor cannot be reached.\n\
    Twinkeel is not a safety system.")]
pub struct CheckArgs {
    #[command(flatten)]
    at: At,
    /// Half a minute: nothing sounds and nothing moves. This is the default.
    #[arg(long, group = "depth")]
    quick: bool,
    /// A minute and a half: pilot tones and the real switch, desk muted.
    #[arg(long, group = "depth")]
    fast: bool,
    /// A passage rolls, and the rig changes over in it. It sounds.
    #[arg(long, group = "depth")]
    full: bool,
    /// Only the last sheet, without a new check.
    #[arg(long, group = "depth")]
    last: bool,
    /// Stop the check that runs; the switch is brought back first.
    #[arg(long, group = "depth")]
    stop: bool,
    /// Who you are, for the sheet and the record.
    #[arg(long, default_value = "command line", value_name = "NAME")]
    by: String,
    /// Your word for --fast: the desk is muted.
    #[arg(long)]
    desk_muted: bool,
    /// Your word for --full: everybody on stage and in in-ear monitors is warned.
    #[arg(long)]
    warned: bool,
    /// Your word for --full: the level is lowered, or the show's.
    #[arg(long, value_enum)]
    level: Option<LevelArg>,
    /// Your word for --full: these have their timecode parked, or are not there.
    #[arg(long, value_delimiter = ',', value_name = "lighting,video,automation,effects", value_parser = FOLLOWERS)]
    parked: Vec<String>,
    /// Print the sheet as JSON.
    #[arg(long)]
    json: bool,
    /// Write the sheet as a self-contained page (`-`: standard output).
    #[arg(long, value_name = "FILE")]
    html: Option<PathBuf>,
    /// Write the sheet as a PDF (`-`: standard output).
    #[arg(long, value_name = "FILE")]
    pdf: Option<PathBuf>,
}

#[derive(Clone, Copy, clap::ValueEnum)]
enum LevelArg {
    Lowered,
    Show,
}

/// `twinkeel check`.
pub fn run(a: &CheckArgs) -> ExitCode {
    if a.stop {
        return stop(a);
    }
    if !a.last {
        let request = match request(a) {
            Ok(r) => r,
            Err(code) => return code,
        };
        if let Err(code) = begin(a, &request) {
            return code;
        }
        if let Err(e) = follow(a) {
            return unreached(&e);
        }
    }
    match view(a) {
        Ok(CheckView { last: Some(sheet), .. }) => print(a, &sheet),
        Ok(_) => refuse(&"there is no sheet: no check has been made with this rig"),
        Err(e) => unreached(&e),
    }
}

/// What is asked of the supervisor; what is still to be said is asked of the person, where one sits at the terminal.
fn request(a: &CheckArgs) -> Result<CheckRequest, ExitCode> {
    let depth = match (a.fast, a.full) {
        (true, _) => Depth::Fast,
        (_, true) => Depth::Full,
        _ => Depth::Quick,
    };
    let mut word = Word {
        desk_muted: a.desk_muted,
        warned: a.warned,
        level: a.level.map(|l| match l {
            LevelArg::Lowered => Level::Lowered,
            LevelArg::Show => Level::Show,
        }),
        parked: a.parked.clone(),
    };
    if !word.lacks(depth).is_empty() {
        if !std::io::stdin().is_terminal() {
            eprintln!("twinkeel: {}", announcement(depth));
            let lacks = word.lacks(depth).join("; ");
            return Err(refuse(&format!("before a {} check somebody must say: {lacks} (see --help)", depth.word())));
        }
        println!("{}\nTwinkeel is not a safety system: people may be on ladders. Go and look.\n", announcement(depth));
        if !ask_word(&mut word, depth) {
            println!("Nothing was started.");
            return Err(ExitCode::from(1));
        }
    }
    Ok(CheckRequest { by: Some(a.by.clone()), depth, word })
}

/// Asks for each thing that is to be said; false at the first no.
fn ask_word(word: &mut Word, depth: Depth) -> bool {
    if depth == Depth::Fast {
        word.desk_muted = word.desk_muted || yes("Is the desk muted?");
        return word.desk_muted;
    }
    for f in FOLLOWERS {
        if !word.parked.iter().any(|p| p == f) {
            if !yes(&format!("{f}: is its timecode parked, or is there none?")) {
                return false;
            }
            word.parked.push(f.into());
        }
    }
    word.warned = word.warned || yes("Is everybody on stage and in in-ear monitors warned?");
    if word.warned && word.level.is_none() {
        let lowered = yes("Lower the masters of PA and in-ear monitors now, if you can. Are they lowered?");
        word.level = if lowered {
            Some(Level::Lowered)
        } else {
            yes("Shall it sound at the show's level?").then_some(Level::Show)
        };
    }
    word.warned && word.level.is_some()
}

fn yes(question: &str) -> bool {
    print!("{question} [y/N] ");
    let _ = std::io::stdout().flush();
    let mut answer = String::new();
    let _ = std::io::stdin().lock().read_line(&mut answer);
    matches!(answer.trim().to_lowercase().as_str(), "y" | "yes")
}

fn begin(a: &CheckArgs, request: &CheckRequest) -> Result<(), ExitCode> {
    match ask(&a.at, "check", request) {
        Ok(ActOutcome::Refused { text, .. }) => {
            println!("Refused: {text}");
            Err(ExitCode::from(1))
        }
        Ok(_) => Ok(()),
        Err(e) => Err(unreached(&e)),
    }
}

fn stop(a: &CheckArgs) -> ExitCode {
    let page = match a.at.reach() {
        Ok(p) => p,
        Err(e) => return unreached(&e),
    };
    match page.agent.delete(page.url("check")).header("Origin", &page.origin).call() {
        Ok(answer) if answer.status().is_success() => {
            println!("The check is asked to stop.");
            ExitCode::SUCCESS
        }
        Ok(answer) if answer.status().as_u16() == 404 => {
            println!("No check runs.");
            ExitCode::from(1)
        }
        answer => unreached(&page.text(answer).err().unwrap_or_default()),
    }
}

fn view(a: &CheckArgs) -> Result<CheckView, String> {
    let text = read(&a.at, "check")?;
    serde_json::from_str(&text).map_err(|e| format!("the supervisor speaks another format: {e}"))
}

/// Says what it does until it has ended. What a person has to do stands out.
fn follow(a: &CheckArgs) -> Result<(), String> {
    let bar = indicatif::ProgressBar::new(1000);
    let style = indicatif::ProgressStyle::with_template("[{bar:20}] {percent:>3} %  {wide_msg}");
    bar.set_style(style.unwrap_or_else(|_| indicatif::ProgressStyle::default_bar()));
    let plain = !std::io::stderr().is_terminal();
    let (mut said, mut missing) = (String::new(), 0);
    loop {
        match view(a) {
            Ok(CheckView { running: None, .. }) => {
                bar.finish_and_clear();
                return Ok(());
            }
            Ok(CheckView { running: Some(p), .. }) => {
                missing = 0;
                bar.set_position((p.done * 1000.0) as u64);
                let now = p.ask.map_or(p.stage.clone(), |ask| format!(">>> {ask}"));
                bar.set_message(now.clone());
                if now != said {
                    if plain {
                        eprintln!("{now}");
                    } else if now.starts_with(">>>") {
                        bar.println(&now);
                    }
                    said = now;
                }
            }
            Err(e) => {
                missing += 1;
                if missing > PATIENCE {
                    bar.finish_and_clear();
                    return Err(e);
                }
            }
        }
        std::thread::sleep(ASK_EVERY);
    }
}

fn print(a: &CheckArgs, s: &Sheet) -> ExitCode {
    let mut written: Result<(), (PathBuf, String)> = Ok(());
    let mut put = |to: &Path, bytes: &[u8]| {
        let done =
            if to.as_os_str() == "-" { std::io::stdout().lock().write_all(bytes) } else { std::fs::write(to, bytes) };
        match done {
            Err(e) if e.kind() != std::io::ErrorKind::BrokenPipe => written = Err((to.to_owned(), e.to_string())),
            _ => {}
        }
    };
    if let Some(to) = &a.html {
        put(to, sheet::page(s).as_bytes());
    }
    if let Some(to) = &a.pdf {
        match sheet::pdf(s) {
            Ok(bytes) => put(to, &bytes),
            Err(e) => return unreached(&e),
        }
    }
    let out = Path::new("-");
    let on_stdout = [&a.html, &a.pdf].into_iter().flatten().any(|f| f == out);
    if a.json {
        put(out, format!("{}\n", serde_json::to_string_pretty(s).unwrap_or_default()).as_bytes());
    } else if !on_stdout {
        put(out, sheet::text(s).as_bytes());
    }
    if let Err((path, e)) = written {
        return unreached(&format!("{}: {e}", path.display()));
    }
    if s.outcome == Outcome::Passed { ExitCode::SUCCESS } else { ExitCode::from(1) }
}
