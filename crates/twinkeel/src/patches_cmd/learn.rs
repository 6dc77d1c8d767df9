//! `twinkeel patches learn`: the patches of one full run of each song, from the supervisor's events, as the show file's expected ones.

use std::collections::BTreeMap;
use std::io::{BufRead, BufReader};
use std::path::PathBuf;
use std::process::ExitCode;
use std::time::Duration as Wait;

use base::Span;
use serde_json::Value;
use settings::ShowFile;
use settings::show::{ExpectedPatch, Song};
use toml_edit::{ArrayOfTables, DocumentMut, Item};

use crate::refuse;
use crate::show_cmd::import::patch;

/// Arguments of `twinkeel patches learn`.
#[derive(clap::Args)]
pub struct LearnArgs {
    /// The show file.
    #[arg(default_value = "show.toml")]
    file: PathBuf,
    /// The supervisor's events: each song's newest full run in them counts.
    #[arg(long, default_value = "shows/events.jsonl")]
    events: PathBuf,
    /// Wait for runs from now on, until each song has been played once from end to end.
    #[arg(long)]
    listen: bool,
    /// Whose patches count: a machine's letter.
    #[arg(long, default_value = "A")]
    machine: String,
    /// Write the show file. Without it, only the difference is shown.
    #[arg(long)]
    write: bool,
}

/// A song counts as played from end to end when this share of its length went by between its beginning and what came next (common
/// practice, no source).
const FULL: f64 = 0.95;
/// What is no farther from what stands in the file is the same.
const SAME: Span = Span::from_millis(100);

/// Learns.
pub fn run(a: &LearnArgs) -> ExitCode {
    match learn(a) {
        Ok(code) => code,
        Err(e) => refuse(&e),
    }
}

fn learn(a: &LearnArgs) -> Result<ExitCode, String> {
    let named = |e: &dyn std::fmt::Display| format!("{}: {e}", a.file.display());
    let old = std::fs::read_to_string(&a.file).map_err(|e| named(&e))?;
    let show = ShowFile::parse(&a.file.display().to_string(), &old).map_err(|e| e.to_string())?;
    let runs = listen(a, &show)?;
    let (new, left) = taught(&old, &show, &runs).map_err(|e| named(&e))?;
    ShowFile::parse(&a.file.display().to_string(), &new)
        .map_err(|e| format!("what came out is no show file, so nothing was written: {e}"))?;
    print!("{}", unified(&a.file.display().to_string(), &old, &new));
    left.iter().for_each(|l| eprintln!("= {l}"));
    if new == old {
        eprintln!("Nothing to do.");
    } else if a.write {
        ports::local::replace(&a.file, &new).map_err(|e| named(&e))?;
        eprintln!("Written to {}.", a.file.display());
    } else {
        eprintln!("Nothing was written: add --write to write it to {}.", a.file.display());
    }
    Ok(if left.is_empty() { ExitCode::SUCCESS } else { ExitCode::from(1) })
}

fn listen(a: &LearnArgs, show: &ShowFile) -> Result<Runs, String> {
    let named = |e: std::io::Error| format!("{}: {e}", a.events.display());
    let file = std::fs::File::open(&a.events).map_err(named)?;
    let mut lines = BufReader::new(file);
    let mut runs = Runs::new(&a.machine);
    let mut line = String::new();
    let mut skip = a.listen;
    loop {
        // A line that is half written is read on when the rest is there.
        let n = lines.read_line(&mut line).map_err(named)?;
        if line.ends_with('\n') {
            if !skip && let Ok(event) = serde_json::from_str(&line) {
                runs.on_event(&event, show);
            }
            line.clear();
            continue;
        }
        if n == 0 {
            skip = false;
            let missing = missing(show, &runs).len();
            if !a.listen || missing == 0 {
                runs.end(show);
                return Ok(runs);
            }
            std::thread::sleep(Wait::from_millis(500));
        }
    }
}

fn missing<'a>(show: &'a ShowFile, runs: &Runs) -> Vec<&'a str> {
    let played = |i: usize| runs.full.contains_key(&((i + 1) as u64));
    show.songs.iter().enumerate().filter(|(i, s)| !s.spare && !played(*i)).map(|(_, s)| &*s.name).collect()
}

/// Runs of songs, as they come by.
struct Runs {
    machine: String,
    /// The newest full one of each song.
    full: BTreeMap<u64, Vec<ExpectedPatch>>,
    under_way: Option<(u64, i64, Vec<ExpectedPatch>)>,
    newest: i64,
}

impl Runs {
    fn new(machine: &str) -> Runs {
        Runs { machine: machine.to_uppercase(), full: BTreeMap::new(), under_way: None, newest: 0 }
    }

    /// One line of `events.jsonl`.
    fn on_event(&mut self, e: &Value, show: &ShowFile) {
        let at = e["mono_ns"].as_i64().unwrap_or(self.newest);
        // A supervisor that began anew has a clock that did.
        if at < self.newest {
            self.under_way = None;
        }
        self.newest = at;
        match (e["kind"].as_str(), e["code"].as_str()) {
            (Some("song"), Some(code)) => {
                self.end(show);
                self.under_way =
                    e["detail"]["number"].as_u64().filter(|_| code == "began").map(|n| (n, at, Vec::new()));
            }
            (Some("patch"), Some("patch")) if e["machine"] == *self.machine => {
                if let (Some((song, _, patches)), Some((of, p))) = (&mut self.under_way, expected(&e["detail"]))
                    && of == *song
                {
                    patches.push(p);
                }
            }
            _ => {}
        }
    }

    /// What was under way is over.
    fn end(&mut self, show: &ShowFile) {
        let Some((song, began, mut patches)) = self.under_way.take() else { return };
        let Some(listed) = usize::try_from(song).ok().and_then(|n| show.songs.get(n.checked_sub(1)?)) else { return };
        let played = Span::from_nanos(self.newest - began);
        if played.secs_f64() >= FULL * listed.length.0.secs_f64() {
            patches.sort_by_key(|p| p.at.0);
            self.full.insert(song, patches);
        }
    }
}

fn expected(d: &Value) -> Option<(u64, ExpectedPatch)> {
    let byte = |v: &Value| v.as_u64().and_then(|n| u8::try_from(n).ok());
    let bank = byte(&d["bank"][0]).or(byte(&d["bank"][1])).map(|_| {
        // What was never sent is zero on a device that was told nothing (common practice, no source).
        [byte(&d["bank"][0]).unwrap_or(0), byte(&d["bank"][1]).unwrap_or(0)]
    });
    let at = Span::from_millis((d["at_ns"].as_i64()?.max(0) + 500_000) / 1_000_000);
    let at = settings::duration::Duration(at);
    Some((
        d["song"].as_u64()?,
        ExpectedPatch { at, channel: byte(&d["channel"])?, bank, program: byte(&d["program"])? },
    ))
}

/// The show file with what was learnt, and what was left alone.
fn taught(old: &str, show: &ShowFile, runs: &Runs) -> Result<(String, Vec<String>), String> {
    let mut document: DocumentMut = old.parse().map_err(|e: toml_edit::TomlError| e.to_string())?;
    let mut left: Vec<String> =
        missing(show, runs).iter().map(|s| format!("{s}: it was not heard from end to end")).collect();
    let list = document.get_mut("song").and_then(Item::as_array_of_tables_mut);
    let tables = list.into_iter().flat_map(ArrayOfTables::iter_mut);
    for ((number, table), song) in (1..).zip(tables).zip(&show.songs) {
        let Some(heard) = runs.full.get(&number) else { continue };
        if heard.is_empty() && !song.patches.is_empty() {
            left.push(format!("{}: no patch was heard, {} are expected", song.name, song.patches.len()));
        } else if !same(song, heard) {
            let mut patches = ArrayOfTables::new();
            heard.iter().for_each(|p| patches.push(patch(p)));
            table.insert("patch", Item::ArrayOfTables(patches));
        }
    }
    Ok((document.to_string(), left))
}

fn same(song: &Song, heard: &[ExpectedPatch]) -> bool {
    let alike = |(a, b): (&ExpectedPatch, &ExpectedPatch)| {
        (a.channel, a.bank, a.program) == (b.channel, b.bank, b.program) && (a.at.0 - b.at.0).abs() <= SAME
    };
    song.patches.len() == heard.len() && song.patches.iter().zip(heard).all(alike)
}

/// Lines of context round a change.
const CONTEXT: usize = 3;

/// The difference in the unified format, as `patch` takes it (POSIX.1-2017, diff -u). Empty: there is none.
fn unified(file: &str, old: &str, new: &str) -> String {
    let (a, b): (Vec<&str>, Vec<&str>) = (old.lines().collect(), new.lines().collect());
    let head = a.iter().zip(&b).take_while(|(x, y)| x == y).count();
    let tail = a[head..].iter().rev().zip(b[head..].iter().rev()).take_while(|(x, y)| x == y).count();
    let (a_end, b_end) = (a.len() - tail, b.len() - tail);
    if head == a_end && head == b_end {
        return String::new();
    }
    // The longest common subsequence of what lies between, from its end.
    let (x, y) = (&a[head..a_end], &b[head..b_end]);
    let mut length = vec![vec![0u32; y.len() + 1]; x.len() + 1];
    for i in (0..x.len()).rev() {
        for j in (0..y.len()).rev() {
            length[i][j] = if x[i] == y[j] { length[i + 1][j + 1] + 1 } else { length[i + 1][j].max(length[i][j + 1]) };
        }
    }
    let mut lines: Vec<(char, &str)> = a[..head].iter().map(|l| (' ', *l)).collect();
    let (mut i, mut j) = (0, 0);
    while i < x.len() || j < y.len() {
        if i < x.len() && j < y.len() && x[i] == y[j] {
            lines.push((' ', x[i]));
            (i, j) = (i + 1, j + 1);
        } else if j == y.len() || (i < x.len() && length[i + 1][j] >= length[i][j + 1]) {
            lines.push(('-', x[i]));
            i += 1;
        } else {
            lines.push(('+', y[j]));
            j += 1;
        }
    }
    lines.extend(a[a_end..].iter().map(|l| (' ', *l)));
    format!("--- {file}\n+++ {file}\n{}", hunks(&lines))
}

fn hunks(lines: &[(char, &str)]) -> String {
    let near =
        |k: usize| lines[k.saturating_sub(CONTEXT)..(k + CONTEXT + 1).min(lines.len())].iter().any(|l| l.0 != ' ');
    let mut out = String::new();
    let (mut k, mut old, mut new) = (0, 1, 1);
    while k < lines.len() {
        let end = (k..lines.len()).find(|e| !near(*e)).unwrap_or(lines.len());
        let part = &lines[k..end];
        let count = |without: char| part.iter().filter(|l| l.0 != without).count();
        let (of_old, of_new) = (count('+'), count('-'));
        if !part.is_empty() {
            // A range of no lines begins with the line before it.
            let from = |at: usize, n: usize| if n == 0 { at - 1 } else { at };
            out += &format!("@@ -{},{of_old} +{},{of_new} @@\n", from(old, of_old), from(new, of_new));
            part.iter().for_each(|(sign, l)| out += &format!("{sign}{l}\n"));
        }
        (old, new) = (old + of_old, new + of_new);
        let next = (end..lines.len()).find(|e| near(*e)).unwrap_or(lines.len());
        (old, new) = (old + next - end, new + next - end);
        k = next;
    }
    out
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use serde_json::json;

    const SHOW: &str = "title = \"t\"   # ours\nframe_rate = \"25\"\nhour_per_song = true\n\n[[song]]\nname = \"one\"\nlength = \"0:10\"\n\n\
        [[song.patch]]\nat = \"1s\"\nchannel = 3\nprogram = 4\n\n# the long one\n[[song]]\nname = \"two\"\nlength = \"0:10\"\n";

    fn heard(lines: &[Value]) -> Runs {
        let show = ShowFile::parse("show.toml", SHOW).unwrap();
        let mut runs = Runs::new("a");
        lines.iter().for_each(|l| runs.on_event(l, &show));
        runs.end(&show);
        runs
    }
    fn song(at_s: i64, code: &str, number: u64) -> Value {
        json!({ "mono_ns": at_s * 1_000_000_000, "kind": "song", "code": code, "detail": { "number": number } })
    }
    fn patch_at(machine: &str, song: u64, ms: i64, channel: u8, program: u8) -> Value {
        json!({ "mono_ns": 20_000_000_000i64, "kind": "patch", "code": "patch", "machine": machine,
            "detail": { "channel": channel, "bank": [1, null], "program": program, "song": song, "at_ns": ms * 1_000_000 } })
    }

    #[test]
    fn one_full_run_is_learnt_and_comments_stay() {
        let runs = heard(&[
            song(20, "began", 2),
            patch_at("A", 2, 2_000, 5, 9),
            patch_at("B", 2, 2_000, 5, 8),
            song(31, "ended", 2),
        ]);
        let show = ShowFile::parse("show.toml", SHOW).unwrap();
        let (new, left) = taught(SHOW, &show, &runs).unwrap();
        assert_eq!(left, ["one: it was not heard from end to end"]);
        let diff = unified("show.toml", SHOW, &new);
        let changed: Vec<&str> = diff.lines().skip(3).filter(|l| !l.starts_with(' ')).collect();
        assert_eq!(changed.iter().filter(|l| l.starts_with('-')).count(), 0, "{diff}");
        assert!(diff.contains("+channel = 5") && diff.contains("+bank = [1, 0]"), "{diff}");
        assert!(new.contains("# ours") && new.contains("# the long one"));
        let show = ShowFile::parse("show.toml", &new).unwrap();
        assert_eq!((show.songs[0].patches.len(), show.songs[1].patches[0].program), (1, 9));
        // Learnt once more, nothing changes.
        assert_eq!(taught(&new, &show, &runs).unwrap().0, new);
    }

    #[test]
    fn a_run_that_was_broken_off_teaches_nothing() {
        let runs = heard(&[song(20, "began", 1), patch_at("A", 1, 2_000, 5, 9), song(24, "ended", 1)]);
        assert!(runs.full.is_empty());
        // Nor does one over a restart of the supervisor, whose clock began anew.
        let runs =
            heard(&[song(20, "began", 1), patch_at("A", 1, 2_000, 5, 9), song(2, "began", 2), song(20, "ended", 2)]);
        assert_eq!(runs.full.keys().collect::<Vec<_>>(), [&2]);
    }

    /// As GNU diffutils 3.8 writes it with `diff -u`, from memory.
    #[test]
    fn the_difference_says_where_it_belongs() {
        let old: String = (1..=20).map(|n| format!("line {n}\n")).collect();
        let new = old.replace("line 5\n", "line five\n").replace("line 18\n", "");
        let want = "--- f\n+++ f\n@@ -2,7 +2,7 @@\n line 2\n line 3\n line 4\n-line 5\n+line five\n line 6\n line 7\n line 8\n\
            @@ -15,6 +15,5 @@\n line 15\n line 16\n line 17\n-line 18\n line 19\n line 20\n";
        assert_eq!(unified("f", &old, &new), want);
        assert_eq!(unified("f", &old, &old), "");
    }
}
