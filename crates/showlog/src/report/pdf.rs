//! The report on A4 paper: what stands on which page.

use base::Span;

use super::model::{Finding, Held, Report};
use super::paper::{self, BLACK, BLUE, Colour, FAINT, GREEN, Layout, RED, YELLOW};
use super::{html, picture, runs, timeline, units};
use crate::ShowlogError;
use crate::detail::Priority;
use crate::read::ShowFile;

/// The whole report.
pub(super) fn pdf(show: &ShowFile, r: &Report) -> Result<Vec<u8>, ShowlogError> {
    let broken = |why: &str| ShowlogError::NotARecord { path: "the PDF".to_owned(), why: why.to_owned() };
    let mut l = Layout::new().ok_or_else(|| broken("its font cannot be read"))?;
    first_page(r, &mut l);
    songs(show, r, &mut l);
    rest(r, &mut l);
    paper::write(&l, &html::heading(r), "show report").map_err(|e| broken(&e))
}

fn first_page(r: &Report, l: &mut Layout) {
    l.text(&html::heading(r), 20.0, true, BLACK, 0.0);
    let started = r.show.started.map_or_else(|| "date unknown".to_owned(), units::day_and_minute);
    let machines: Vec<String> = r.show.machines.iter().map(|m| format!("{} = {}", m.machine, m.name)).collect();
    let rig = if r.show.rig_name.is_empty() { String::new() } else { format!("{}: ", r.show.rig_name) };
    l.text(
        &format!("{started} \u{b7} {} \u{b7} {rig}{}", units::lasting(r.show.length), machines.join(", ")),
        9.0,
        false,
        FAINT,
        0.0,
    );
    l.rule();
    let colour = match r.verdict.held {
        Held::Held => GREEN,
        Held::ByChangeover => BLUE,
        Held::No => RED,
        Held::Unknown => YELLOW,
    };
    l.space(6.0);
    l.text(html::held_word(r.verdict.held).0, 10.0, true, colour, 0.0);
    l.text(&r.verdict.sentence, 14.0, false, BLACK, 0.0);
    for e in &r.verdict.evidence {
        l.text(&format!("\u{2022} {}", e.text), 8.5, false, FAINT, 10.0);
    }
    findings("What nearly went wrong", &r.near_misses, l);
    findings("What to fix before the next show", &r.fixes, l);
    for d in &r.damage {
        l.text(&format!("This record is damaged: {d}"), 9.0, true, YELLOW, 0.0);
    }
}

fn findings(title: &str, list: &[Finding], l: &mut Layout) {
    l.heading(title);
    if list.is_empty() {
        l.text("\u{2713} Nothing that the record shows.", 10.0, false, GREEN, 0.0);
    }
    for f in list {
        let (word, colour) = priority(f.priority);
        l.keep(30.0);
        l.text(word, 7.5, true, colour, 0.0);
        l.text(&f.text, 10.0, false, BLACK, 0.0);
        for e in &f.evidence {
            l.text(&format!("\u{2022} {}", e.text), 8.0, false, FAINT, 10.0);
        }
        l.space(4.0);
    }
}

const fn priority(p: Priority) -> (&'static str, Colour) {
    match p {
        Priority::High => ("\u{25b2} HIGH", RED),
        Priority::Medium => ("\u{25c6} MEDIUM", YELLOW),
        Priority::Low => ("\u{25cf} LOW", BLUE),
    }
}

fn songs(show: &ShowFile, r: &Report, l: &mut Layout) {
    l.new_page();
    l.heading("The songs");
    let columns = [0.0, 150.0, 200.0, 240.0, 300.0, 360.0, 450.0];
    l.row(&columns, &["Song", "Began", "Length", "Start skew", "Furthest", "Drift", "Standby fit"], true);
    for s in &r.songs {
        for p in &s.pairs {
            let figure = |s: Option<Span>| s.map_or_else(|| "?".to_owned(), units::signed_ms);
            let drift = p.drift.map_or_else(
                || "?".to_owned(),
                |d| format!("{} \u{b1} {:.1} ppm", units::signed(d.drift.0, 1, "").trim_end(), d.uncertainty.0),
            );
            let began = s.wall.map_or_else(|| units::clock(s.from), units::time_of_day);
            let fit = s.standby.fit.map_or_else(|| "?".to_owned(), units::percent);
            let name = if s.pairs.len() > 1 { format!("{} ({})", s.name, p.machine) } else { s.name.clone() };
            l.row(
                &columns,
                &[&name, &began, &units::clock(s.to - s.from), &figure(p.start_skew), &figure(p.worst), &drift, &fit],
                false,
            );
        }
    }
    l.text("Offsets are A minus the other machine: positive means that A is ahead. Bars below a picture: on air (line above), fit (thin, green), degraded (taller, yellow), unfit (full, red), unknown or out of service (grey), dropout (red, below).", 8.0, false, FAINT, 0.0);
    let all = runs::timed(show);
    for (i, s) in r.songs.iter().enumerate() {
        l.keep(260.0);
        l.heading(&format!("{}  {}", s.name, units::clock(s.to - s.from)));
        for p in &s.pairs {
            l.text(&html::told(s, p), 9.0, false, BLACK, 0.0);
        }
        l.text(&html::standby(s), 9.0, false, BLACK, 0.0);
        if let Some(d) = picture::song(show, r, &all, i) {
            l.drawing(d);
        }
    }
}

fn rest(r: &Report, l: &mut Layout) {
    if !r.changeovers.is_empty() {
        l.heading("Changeovers");
    }
    for c in &r.changeovers {
        l.keep(150.0);
        let from = c.from.map_or_else(|| "?".to_owned(), |m| m.to_string());
        let place = c.song.and_then(|i| r.songs.get(i)).map_or_else(String::new, |s| format!(" in {}", s.name));
        l.text(
            &format!(
                "{from} \u{2192} {}{place}, {}",
                c.to,
                c.wall.map_or_else(|| units::clock(c.at), units::time_of_day)
            ),
            11.0,
            true,
            BLACK,
            0.0,
        );
        l.text(&format!("{} (rule {})", c.why, c.rule), 9.0, false, BLACK, 0.0);
        if let Some(d) = timeline::changeover(c) {
            l.drawing(d);
        }
        for (i, e) in c.evidence.iter().enumerate() {
            l.text(&format!("{}. {}: {}", i + 1, units::signed_ms(e.after), e.text), 8.0, false, FAINT, 10.0);
        }
    }
    if !r.refusals.is_empty() {
        l.heading("Changeovers wanted and not made");
        for x in &r.refusals {
            let times = if x.times > 1 { format!(" ({} times)", x.times) } else { String::new() };
            l.text(
                &format!(
                    "{}: {} (rule {}){times}",
                    x.wall.map_or_else(|| units::clock(x.at), units::time_of_day),
                    x.why,
                    x.rule
                ),
                9.0,
                false,
                BLACK,
                0.0,
            );
        }
    }
    l.heading("Alarms by cause");
    if r.alarms.is_empty() {
        l.text("None was raised.", 9.0, false, BLACK, 0.0);
    }
    for a in &r.alarms {
        let (word, colour) = priority(a.priority);
        let machine = units::about(a.machine, &a.text);
        let cause = a.cause.as_ref().map_or_else(String::new, |c| format!(" Likely cause: {c}."));
        l.keep(26.0);
        l.text(word, 7.5, true, colour, 0.0);
        l.text(
            &format!(
                "{machine}{}{cause} {}, standing {}.",
                a.text,
                units::counted(a.times, "time", "times"),
                units::lasting(a.standing)
            ),
            9.0,
            false,
            BLACK,
            0.0,
        );
    }
    let lists = [
        ("Patches missed", &r.patches.missed),
        ("Host health", &r.health),
        ("What people did", &r.operator),
        ("Checks before the show", &r.checks),
        ("Notes", &r.notes),
        ("Switch, supervisor and record", &r.house),
    ];
    for (title, lines) in lists {
        if lines.is_empty() {
            continue;
        }
        l.heading(title);
        for x in lines.iter().take(200) {
            let who = x.who.as_ref().map_or_else(String::new, |w| format!(" ({w})"));
            l.text(
                &format!("{}  {}{who}", x.wall.map_or_else(|| units::clock(x.at), units::time_of_day), x.text),
                8.5,
                false,
                BLACK,
                0.0,
            );
        }
    }
    l.heading("Cautions");
    for c in &r.cautions {
        l.text(c, 9.0, false, BLACK, 0.0);
    }
}
