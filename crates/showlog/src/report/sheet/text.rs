//! In words, 80 columns wide.

use std::fmt::Write;

use rig::check::{Sheet, Verdict};

const WIDTH: usize = 80;
/// Where words begin beside a verdict.
const INDENT: usize = 12;

/// The sheet.
pub fn text(s: &Sheet) -> String {
    let mut o = String::new();
    wrapped(&format!("{} \u{b7} {}: {}", s.title, s.rig, super::machines(s)), 0, &mut o);
    wrapped(&super::byline(s), 0, &mut o);
    o.push('\n');
    let (word, ..) = super::outcome_word(s.outcome);
    wrapped(&format!("{word}.  {}", s.text), 0, &mut o);
    for verdict in [Verdict::Fail, Verdict::Warn] {
        for r in super::rows(s, verdict) {
            let _ = write!(o, "\n{:INDENT$}", verdict.word());
            item(&r.title, &mut o);
            let limit = if r.limit.is_empty() { String::new() } else { format!("  (limit: {})", r.limit) };
            wrapped(&format!("{}{limit}", r.measured), INDENT, &mut o);
            wrapped(&format!("Why: {}", r.why), INDENT, &mut o);
            wrapped(&format!("Mend: {}", r.mend), INDENT, &mut o);
        }
    }
    o.push('\n');
    for r in super::rows(s, Verdict::Pass) {
        let _ = write!(o, "{:INDENT$}", Verdict::Pass.word());
        item(&format!("{}: {}", r.title, r.measured), &mut o);
    }
    o.push('\n');
    // What was not tested for the same reason stands together.
    let untested: Vec<_> = super::rows(s, Verdict::NotTested).collect();
    for (i, r) in untested.iter().enumerate() {
        if untested[..i].iter().any(|e| e.measured == r.measured) {
            continue;
        }
        let same = untested.iter().filter(|e| e.measured == r.measured);
        let titles: Vec<&str> = same.map(|e| e.title.as_str()).collect();
        let _ = write!(o, "{:INDENT$}", Verdict::NotTested.word());
        item(&format!("{} ({})", titles.join("; "), r.measured), &mut o);
    }
    if let Some(since) = super::since(s) {
        o.push('\n');
        wrapped(&format!("{since}:"), 0, &mut o);
        if s.new.is_empty() {
            wrapped("nothing", 2, &mut o);
        }
        s.new.iter().for_each(|n| wrapped(n, 2, &mut o));
    }
    o.push('\n');
    if let Some(said) = super::said_before(s) {
        wrapped(&said, 0, &mut o);
    }
    wrapped(&s.caution, 0, &mut o);
    o
}

/// Words whose first line stands beside its verdict.
fn item(text: &str, o: &mut String) {
    let mut lines = String::new();
    wrapped(text, INDENT, &mut lines);
    o.push_str(lines.trim_start());
}

/// Words in lines of the width, indented.
fn wrapped(text: &str, indent: usize, o: &mut String) {
    let mut line = String::new();
    for word in text.split(' ') {
        let long = indent + line.chars().count() + 1 + word.chars().count() > WIDTH;
        if long && !line.trim().is_empty() {
            let _ = writeln!(o, "{:indent$}{}", "", line.trim_end());
            line.clear();
        }
        if !line.is_empty() {
            line.push(' ');
        }
        line.push_str(word);
    }
    let _ = writeln!(o, "{:indent$}{}", "", line.trim_end());
}
