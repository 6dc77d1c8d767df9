//! The sheet of a check before the show: in words for a terminal, as one self-contained page, and on paper.
//!
//! A tired reader sees first whether it passed, then what to mend, then what to look at; what is well comes last and short.

mod html;
mod pdf;
mod text;

use base::Machine;
use rig::check::{Depth, Level, Outcome, Row, Sheet, Verdict};

use super::units;

pub use html::page;
pub(super) use html::within;
pub use pdf::pdf;
pub use text::text;

/// The outcome in a word, its colour and its shape (IEC 60073: red danger, yellow abnormal, green normal).
const fn outcome_word(o: Outcome) -> (&'static str, &'static str, &'static str) {
    match o {
        Outcome::Passed => ("PASSED", "green", "M12 28 23 39 42 15"),
        Outcome::Incomplete => ("NO PASS: INCOMPLETE", "yellow", "M18 20C18 8 36 8 36 20 36 27 27 27 27 34M27 41V44"),
        Outcome::Failed => ("FAILED", "red", "M14 14 40 40M40 14 14 40"),
    }
}

/// Rows of these verdicts in the table's order.
fn rows(sheet: &Sheet, verdict: Verdict) -> impl Iterator<Item = &Row> {
    sheet.rows.iter().filter(move |r| r.verdict == verdict)
}

/// "full check by Mara, 5 June 2026, 16:42 UTC, took 1 min 12 s".
fn byline(s: &Sheet) -> String {
    format!("{} check by {}, {}, took {}", s.depth.word(), s.by, units::day_and_minute(s.at), units::lasting(s.took))
}

/// "A left, B right".
fn machines(s: &Sheet) -> String {
    let named = Machine::first(s.machines.len()).zip(&s.machines);
    named.map(|(m, n)| format!("{m} = {n}")).collect::<Vec<_>>().join(", ")
}

/// What a person said beforehand, as a sentence; none where nothing had to be said.
fn said_before(s: &Sheet) -> Option<String> {
    match s.depth {
        Depth::Quick => None,
        Depth::Fast => Some(format!("{} said: the desk is muted.", s.by)),
        Depth::Full => {
            let level = match s.word.level {
                Some(Level::Lowered) => "the level is lowered",
                Some(Level::Show) => "the level is the show's",
                None => "nothing of the level",
            };
            Some(format!(
                "{} said: everybody is warned; {level}; timecode parked for {}.",
                s.by,
                s.word.parked.join(", ")
            ))
        }
    }
}

/// "New since the check of 4 June 2026, 17:02".
fn since(s: &Sheet) -> Option<String> {
    s.good.map(|g| format!("New since the last good check, {}", units::day_and_minute(g)))
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use base::{Span, WallTime};
    use rig::check::{CAUTION, Word};

    pub(super) fn example() -> Sheet {
        let row = |code: &str, title: &str, verdict, measured: &str, mend: &str| Row {
            code: code.into(),
            title: title.into(),
            verdict,
            measured: measured.into(),
            limit: "the same on all machines".into(),
            why: "Another buffer is another latency: one machine plays late, always.".into(),
            mend: mend.into(),
            machines: vec![Machine::B],
        };
        Sheet {
            depth: Depth::Full,
            at: WallTime(1_780_000_000_000_000_000),
            took: Span::from_secs(72),
            title: "Tides <& tales>".into(),
            rig: "touring twins".into(),
            machines: vec!["left".into(), "right".into()],
            by: "Mara".into(),
            word: Word {
                desk_muted: false,
                warned: true,
                level: Some(Level::Lowered),
                parked: ["lighting", "video", "automation", "effects"].map(String::from).to_vec(),
            },
            outcome: Outcome::Failed,
            text: "To mend: The same buffer. 1 to look at, 1 not tested.".into(),
            rows: vec![
                row("heard", "Every machine is heard", Verdict::Pass, "2 machines", ""),
                row(
                    "buffer",
                    "The same buffer",
                    Verdict::Fail,
                    "A: 128 samples; B: 512 samples",
                    "Set the same buffer size in both players.",
                ),
                row(
                    "processor",
                    "Processor headroom",
                    Verdict::Warn,
                    "B: 93 % in use",
                    "See what runs beside the player, and end it.",
                ),
                row(
                    "clock-source",
                    "The same clock source",
                    Verdict::NotTested,
                    "the systems do not tell what clocks their devices",
                    "",
                ),
            ],
            facts: Vec::new(),
            new: vec!["B's buffer is 512, was 128".into()],
            good: Some(WallTime(1_779_900_000_000_000_000)),
            caution: CAUTION.into(),
        }
    }

    #[test]
    fn the_words_fit_eighty_columns_and_say_the_worst_first() {
        let text = text(&example());
        let long: Vec<&str> = text.lines().filter(|l| l.chars().count() > 80).collect();
        assert!(long.is_empty(), "{long:#?}");
        // Lines may break anywhere between words.
        let flowing = text.split_whitespace().collect::<Vec<_>>().join(" ");
        let at = |w: &str| flowing.find(w).unwrap_or_else(|| panic!("{w} is missing:\n{text}"));
        assert!(at("FAILED") < at("B: 512 samples") && at("B: 512 samples") < at("93 % in use"));
        assert!(at("93 % in use") < at("Every machine is heard"));
        assert!(at("was 128") > 0 && at("not a safety system") > 0 && at("timecode parked for lighting") > 0);
    }

    #[test]
    fn the_page_stands_alone_and_escapes() {
        let page = page(&example());
        assert!(page.contains("Tides &lt;&amp; tales&gt;") && !page.contains("<& tales>"));
        for outside in ["http://", "https://", "<script", "src="] {
            assert!(!page.contains(outside), "{outside}");
        }
        assert!(page.contains("not a safety system") && page.contains("B: 512 samples"));
    }

    #[test]
    fn a_report_holds_it_whole() {
        let mut o = String::new();
        within(&example(), &mut o);
        assert!(o.starts_with("<details") && o.ends_with("</details>"));
        for part in ["FAILED", "B: 512 samples", "Not tested", "clock source", "was 128"] {
            assert!(o.contains(part), "{part} is missing: {o}");
        }
    }

    #[test]
    fn the_paper_is_a_pdf() {
        let bytes = pdf(&example()).unwrap();
        assert!(bytes.starts_with(b"%PDF-"), "{:?}", &bytes[..8]);
    }
}
