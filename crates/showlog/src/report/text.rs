//! The report in words on a terminal.

use std::fmt::Write;

use super::model::{Finding, Report};
use super::{html, units};
use crate::detail::Priority;

/// The first page and a line for each song.
pub(super) fn text(r: &Report) -> String {
    let mut o = String::new();
    let started = r.show.started.map_or_else(|| "date unknown".to_owned(), units::day_and_minute);
    let _ = writeln!(o, "{}  ({started}, {})\n", html::heading(r), units::lasting(r.show.length));
    let _ = writeln!(o, "{}: {}\n", html::held_word(r.verdict.held).0, r.verdict.sentence);
    findings("What nearly went wrong", &r.near_misses, &mut o);
    findings("What to fix before the next show", &r.fixes, &mut o);
    for s in &r.songs {
        let _ = writeln!(o, "{}  {}", s.name, units::clock(s.to - s.from));
        for p in &s.pairs {
            let _ = writeln!(o, "    {}", html::told(s, p));
        }
        let _ = writeln!(o, "    {}", html::standby(s));
    }
    if !r.songs.is_empty() {
        o.push('\n');
    }
    for c in &r.cautions {
        let _ = writeln!(o, "{c}");
    }
    o
}

fn findings(title: &str, list: &[Finding], o: &mut String) {
    let _ = writeln!(o, "{title}:");
    if list.is_empty() {
        o.push_str("    nothing that the record shows\n");
    }
    for f in list {
        let word = match f.priority {
            Priority::High => "HIGH",
            Priority::Medium => "MEDIUM",
            Priority::Low => "LOW",
        };
        let _ = writeln!(o, "    {word:6}  {}", f.text);
    }
    o.push('\n');
}
