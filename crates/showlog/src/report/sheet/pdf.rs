//! On A4 paper.

use rig::check::{Outcome, Row, Sheet, Verdict};

use super::super::paper::{self, BLACK, Colour, FAINT, GREEN, Layout, RED, YELLOW};
use crate::ShowlogError;

/// The sheet.
///
/// # Errors
/// What the PDF could not be made of.
pub fn pdf(s: &Sheet) -> Result<Vec<u8>, ShowlogError> {
    let broken = |why: &str| ShowlogError::NotARecord { path: "the PDF".to_owned(), why: why.to_owned() };
    let mut l = Layout::new().ok_or_else(|| broken("its font cannot be read"))?;
    let heading = format!("{}: check before the show", s.title);
    l.text(&heading, 18.0, true, BLACK, 0.0);
    l.text(&super::byline(s), 9.0, false, FAINT, 0.0);
    l.text(&format!("{}: {}", s.rig, super::machines(s)), 9.0, false, FAINT, 0.0);
    l.rule();
    l.space(4.0);
    let colour = match s.outcome {
        Outcome::Passed => GREEN,
        Outcome::Incomplete => YELLOW,
        Outcome::Failed => RED,
    };
    l.text(super::outcome_word(s.outcome).0, 14.0, true, colour, 0.0);
    l.text(&s.text, 11.0, false, BLACK, 0.0);
    wrong(s, Verdict::Fail, ("To mend before doors", "\u{25b2} FAIL", RED), &mut l);
    wrong(s, Verdict::Warn, ("To look at", "\u{25c6} WARN", YELLOW), &mut l);
    if let Some(since) = super::since(s) {
        l.heading(&since);
        if s.new.is_empty() {
            l.text("Nothing.", 9.0, false, BLACK, 0.0);
        }
        s.new.iter().for_each(|n| l.text(&format!("\u{2022} {n}"), 9.0, false, BLACK, 0.0));
    }
    short(s, Verdict::Pass, ("As it should be", "\u{2713}", BLACK), &mut l);
    short(s, Verdict::NotTested, ("Not tested", "\u{25cb}", FAINT), &mut l);
    l.heading("Caution");
    for line in super::said_before(s).iter().chain([&s.caution]) {
        l.text(line, 9.0, false, BLACK, 0.0);
    }
    paper::write(&l, &s.title, "check before the show").map_err(|e| broken(&e))
}

fn wrong(s: &Sheet, verdict: Verdict, (title, mark, colour): (&str, &str, Colour), l: &mut Layout) {
    let rows: Vec<&Row> = super::rows(s, verdict).collect();
    if rows.is_empty() {
        return;
    }
    l.heading(title);
    for r in rows {
        l.keep(64.0);
        l.text(mark, 7.5, true, colour, 0.0);
        l.text(&r.title, 10.5, true, BLACK, 0.0);
        let limit = if r.limit.is_empty() { String::new() } else { format!(" (limit: {})", r.limit) };
        l.text(&format!("{}{limit}", r.measured), 10.0, false, BLACK, 0.0);
        l.text(&r.why, 8.5, false, FAINT, 0.0);
        l.text(&format!("Mend: {}", r.mend), 9.5, false, BLACK, 0.0);
        l.space(5.0);
    }
}

fn short(s: &Sheet, verdict: Verdict, (title, mark, colour): (&str, &str, Colour), l: &mut Layout) {
    let rows: Vec<&Row> = super::rows(s, verdict).collect();
    if rows.is_empty() {
        return;
    }
    l.heading(title);
    for r in rows {
        l.keep(14.0);
        l.text(&format!("{mark} {}: {}", r.title, r.measured), 8.5, false, colour, 0.0);
    }
}
