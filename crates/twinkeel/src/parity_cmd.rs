//! `twinkeel parity`: whether session folders hold the same, of two folders here or of the rig's machines.

use std::io::{IsTerminal, Write};
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use agent::folders::{self, Done, Look, LookError, Pace, Tree};
use base::Machine;
use settings::ignore::Ignore;
use supervisor::page::DeskAct;
use supervisor::parity::{Parity, ParityVerdict};
use supervisor::snapshot::Letter;
use wire::manifest::{Comparison, Differences, Entry, What, hex, printable, size, tell};

use crate::client::{At, act, read};
use crate::devices::wrapped;
use crate::{refuse, unreached};

/// Arguments of `twinkeel parity`.
#[derive(clap::Args)]
#[command(
    after_help = "Examples:\n  twinkeel parity\n  twinkeel parity --loaded B\n  twinkeel parity /shows/lanterns /media/spare/lanterns\n  \
    twinkeel parity A_DIR B_DIR --ignore 'peaks/' --json\n\n\
    Exit codes: 0 the same (times aside), 1 not the same, 2 a folder cannot be read, 3 no supervisor."
)]
pub struct ParityArgs {
    #[command(flatten)]
    at: At,
    /// Two folders on this computer. Without them the running supervisor is asked about the machines' folders.
    #[arg(value_names = ["FOLDER", "OTHER"], num_args = 2)]
    folders: Vec<PathBuf>,
    /// Leave out what matches: a name or path with `*` and `?`; with a `/` at its end, folders.
    #[arg(long, value_name = "PATTERN", requires = "folders")]
    ignore: Vec<String>,
    /// The most differences to be listed.
    #[arg(long, default_value_t = 1_000, value_name = "COUNT")]
    most: usize,
    /// Have all machines look at their folders now.
    #[arg(long, conflicts_with = "folders")]
    again: bool,
    /// Have all machines read every file again, whatever its times say.
    #[arg(long, conflicts_with_all = ["folders", "again"])]
    everything: bool,
    /// Say that this machine's player has its session as it lies on its disk: it was opened again, or saved it itself.
    #[arg(long, value_name = "MACHINE", conflicts_with_all = ["folders", "again", "everything"])]
    loaded: Option<char>,
    /// As JSON.
    #[arg(long)]
    json: bool,
}

/// Compares.
pub fn run(a: &ParityArgs) -> ExitCode {
    match a.folders.as_slice() {
        [one, other] => offline(a, one, other),
        _ if a.again || a.everything => act(&a.at, &DeskAct::LookAgain { everything: a.everything }),
        _ => match a.loaded.map(|c| (c, Machine::from_letter(c))) {
            Some((_, Some(m))) => act(&a.at, &DeskAct::SessionLoaded { machine: Letter(m) }),
            Some((c, None)) => refuse(&format!("`{c}` is no machine: write a letter from A to H")),
            None => asked(a),
        },
    }
}

/// What the supervisor knows. Exit code 0 when all folders of all machines are the same and loaded so.
fn asked(a: &ParityArgs) -> ExitCode {
    let text = match read(&a.at, "parity") {
        Ok(t) => t,
        Err(e) => return unreached(&e),
    };
    let parity: Parity = match serde_json::from_str(&text) {
        Ok(p) => p,
        Err(e) => return unreached(&format!("the supervisor speaks another format: {e}")),
    };
    let mut out = std::io::stdout().lock();
    // A reader that has seen enough closes the pipe.
    let _ = if a.json { writeln!(out, "{text}") } else { rig_words(&mut out, &parity, a.most) };
    match parity.worst() {
        Some(ParityVerdict::Same | ParityVerdict::Times) => ExitCode::SUCCESS,
        _ => ExitCode::from(1),
    }
}

fn rig_words(out: &mut impl Write, p: &Parity, most: usize) -> std::io::Result<()> {
    if p.sides.is_empty() {
        return writeln!(out, "No session folders: name them in each agent.toml ([[folder]], see config/agent.toml).");
    }
    for s in &p.sides {
        wrapped(out, &format!("{} ", s.machine), &s.text)?;
    }
    for pair in &p.pairs {
        wrapped(out, "", &pair.text)?;
        for line in pair.tree.iter().take(most) {
            writeln!(out, "  {line}")?;
        }
    }
    Ok(())
}

fn offline(a: &ParityArgs, one: &Path, other: &Path) -> ExitCode {
    let ignore = Ignore::new(a.ignore.clone());
    if !ignore.is_sound() {
        return refuse(&"--ignore: a pattern names something, with single slashes between its parts");
    }
    let trees = match both(one, other, &ignore) {
        Ok(t) => t,
        Err(e) => return refuse(&e),
    };
    let found = compare(&trees, a.most);
    let now_ns = wall_ns();
    let mut out = std::io::stdout().lock();
    // A reader that has seen enough closes the pipe.
    let _ = if a.json { json(&mut out, &found, &trees) } else { words(&mut out, &found, &trees, now_ns) };
    if found.counts.same_content() { ExitCode::SUCCESS } else { ExitCode::from(1) }
}

/// Both folders at once: where they lie on two disks, neither waits for the other.
fn both(one: &Path, other: &Path, ignore: &Ignore) -> Result<[Tree; 2], String> {
    let bars = indicatif::MultiProgress::new();
    if !std::io::stderr().is_terminal() {
        bars.set_draw_target(indicatif::ProgressDrawTarget::hidden());
    }
    let shown = std::io::stderr().is_terminal();
    let look = |root: &Path, name: &'static str| -> Result<Tree, String> {
        let out = tempfile::tempfile().map_err(|e| format!("no temporary file: {e}"))?;
        let total = if shown { folders::count(root, ignore).bytes } else { 0 };
        let mut bar = Bar { bar: bars.add(bar(total, name)), told: 0, in_file: 0 };
        let what = Look { root, ignore, old: None, trust_marks: true, changed_after_ns: None, wall_ns };
        let looked = folders::look(&what, out, &mut bar).map_err(|e: LookError| e.to_string());
        bar.bar.finish_and_clear();
        looked.map(|l| l.tree)
    };
    let deep = || std::thread::Builder::new().stack_size(folders::deep_stack());
    std::thread::scope(|s| {
        let spawn = |root, name| deep().spawn_scoped(s, move || look(root, name)).map_err(|e| e.to_string());
        let (a, b) = (spawn(one, "A")?, spawn(other, "B")?);
        let join = |h: std::thread::ScopedJoinHandle<'_, Result<Tree, String>>| {
            h.join().unwrap_or_else(|_| Err("a folder's reader failed".into()))
        };
        let (a, b) = (join(a), join(b));
        Ok([a?, b?])
    })
}

fn bar(total: u64, name: &'static str) -> indicatif::ProgressBar {
    let style = "{prefix} [{bar:24}] {bytes}/{total_bytes} {binary_bytes_per_sec} {eta} left";
    let bar = indicatif::ProgressBar::new(total).with_prefix(name);
    match indicatif::ProgressStyle::with_template(style) {
        Ok(s) => bar.with_style(s),
        Err(_) => bar,
    }
}

struct Bar {
    bar: indicatif::ProgressBar,
    told: u64,
    in_file: u64,
}

impl Pace for Bar {
    fn on_progress(&mut self, done: &Done, read_now: usize) -> bool {
        self.in_file = if read_now == 0 { 0 } else { self.in_file + read_now as u64 };
        let at = done.bytes + self.in_file;
        if at.abs_diff(self.told) > 4 << 20 {
            self.told = at;
            self.bar.set_position(at);
        }
        true
    }
}

fn compare([a, b]: &[Tree; 2], most: usize) -> Differences {
    let mut c = Comparison::new(a.sum(), b.sum(), most, true);
    while let Some(want) = c.wants() {
        let page = [a, b][want.half as usize].page(want.block, want.from, usize::MAX);
        c.on_part(want.half, page.entries, page.next);
    }
    c.finish()
}

fn words(out: &mut impl Write, found: &Differences, trees: &[Tree; 2], now_ns: i64) -> std::io::Result<()> {
    for (name, t) in ["A", "B"].iter().zip(trees) {
        let s = t.sum();
        writeln!(out, "{name}: {} files, {}  {}", s.files, size(s.bytes), printable(t.path()))?;
    }
    for line in tell(found, ["A", "B"], now_ns) {
        writeln!(out, "{line}")?;
    }
    if found.leaving > 0 {
        writeln!(
            out,
            "note: {} of the links point out of their folder; what is there is not compared.",
            found.leaving
        )?;
    }
    writeln!(out, "{}", found.say(["A", "B"], now_ns))
}

fn json(out: &mut impl Write, found: &Differences, trees: &[Tree; 2]) -> std::io::Result<()> {
    let tree = |t: &Tree| {
        let s = t.sum();
        serde_json::json!({
            "path": printable(t.path()), "files": s.files, "bytes": s.bytes, "unread": s.troubles,
            "content_blake3": hex(&s.content), "times_blake3": hex(&s.times),
        })
    };
    let side = |e: &Entry| {
        let kind = match &e.what {
            What::Folder(_) => "folder",
            What::File { .. } => "file",
            What::Link { .. } => "link",
            What::Other => "other",
            What::Unreadable { .. } => "unreadable",
            What::Unsteady { .. } => "unsteady",
        };
        let content = if let What::File { content, .. } = &e.what { Some(hex(content)) } else { None };
        let why = if let What::Unreadable { why, .. } = &e.what { Some(why) } else { None };
        let target = if let What::Link { target, .. } = &e.what { Some(printable(target)) } else { None };
        serde_json::json!({
            "kind": kind, "files": e.what.files(), "bytes": e.what.bytes(), "modified_ns": e.modified_ns,
            "blake3": content, "why": why, "target": target,
        })
    };
    let value = serde_json::json!({
        "same": found.counts.same_content(),
        "a": tree(&trees[0]),
        "b": tree(&trees[1]),
        "counts": found.counts,
        "a_behind": found.a_behind,
        "b_behind": found.b_behind,
        "links_leaving": found.leaving,
        "not_listed": found.not_kept,
        "differences": found.found.iter().map(|d| serde_json::json!({
            "path": printable(&d.path), "kind": d.kind, "a": d.a.as_ref().map(side), "b": d.b.as_ref().map(side),
        })).collect::<Vec<_>>(),
    });
    writeln!(out, "{value}")
}

fn wall_ns() -> i64 {
    ports::os::wall_now().0
}
