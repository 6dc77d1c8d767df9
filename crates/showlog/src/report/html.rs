//! The report as one self-contained page. No script, no font, no picture from elsewhere; the first screen (the first
//! sheet of paper) answers in ten seconds, all else is evidence.

use std::fmt::Write;

use base::Span;

use super::draw::escape;
use super::findings::fitness_word;
use super::model::{Evidence, Finding, Held, PairReport, Report, SongReport};
use super::{html_events, picture, runs, style, units};
use crate::detail::Priority;
use crate::read::ShowFile;

/// The page.
pub(super) fn page(show: &ShowFile, r: &Report) -> String {
    let mut o = String::with_capacity(64 * 1024);
    let title = escape(&heading(r));
    let _ = write!(
        o,
        "<!doctype html><html lang=\"en\"><head><meta charset=\"utf-8\"><meta name=\"viewport\" content=\"width=device-width,initial-scale=1\">\
         <meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'; img-src data:; media-src data:\">\
         <title>{title}: show report</title><style>{}</style></head><body>",
        style::CSS.trim()
    );
    first_page(r, &title, &mut o);
    songs_table(r, &mut o);
    let all = runs::timed(show);
    key(&mut o);
    for i in 0..r.songs.len() {
        song(show, r, &all, i, &mut o);
    }
    html_events::changeovers(show, r, &mut o);
    html_events::refusals(r, &mut o);
    html_events::alarms(r, &mut o);
    html_events::lines("patches", "Patches missed", &r.patches.missed, r, &mut o);
    html_events::lines("health", "Host health", &r.health, r, &mut o);
    html_events::lines("operator", "What people did", &r.operator, r, &mut o);
    html_events::lines("checks", "Checks before the show", &r.checks, r, &mut o);
    html_events::sheets(show, &mut o);
    html_events::lines("notes", "Notes", &r.notes, r, &mut o);
    html_events::lines("house", "Switch, supervisor and record", &r.house, r, &mut o);
    html_events::incidents(r, &mut o);
    record(r, &mut o);
    method(&mut o);
    o.push_str("<section class=\"caution\" aria-label=\"Cautions\">");
    for c in &r.cautions {
        let _ = write!(o, "<p>{}</p>", escape(c));
    }
    o.push_str("</section></main></body></html>\n");
    o
}

/// What the show is called.
pub(super) fn heading(r: &Report) -> String {
    match (&r.show.label, r.show.title.is_empty()) {
        (Some(label), false) => format!("{} \u{2013} {label}", r.show.title),
        (Some(label), true) => label.clone(),
        (None, false) => r.show.title.clone(),
        (None, true) => "A show without a title".to_owned(),
    }
}

/// The verdict in a word, its colour and its shape.
pub(super) const fn held_word(held: Held) -> (&'static str, &'static str, &'static str) {
    match held {
        Held::Held => ("HELD", "green", "M12 28 23 39 42 15"),
        Held::ByChangeover => ("HELD BY A CHANGEOVER", "blue", "M10 20H40L32 12M44 34H14L22 42"),
        Held::No => ("DID NOT HOLD", "red", "M14 14 40 40M40 14 14 40"),
        Held::Unknown => ("UNKNOWN", "yellow", "M18 20C18 8 36 8 36 20 36 27 27 27 27 34M27 41V44"),
    }
}

fn first_page(r: &Report, title: &str, o: &mut String) {
    let (word, colour, path) = held_word(r.verdict.held);
    let started = r.show.started.map_or_else(|| "date unknown".to_owned(), units::day_and_minute);
    let machines: Vec<String> = r.show.machines.iter().map(|m| format!("{} = {}", m.machine, m.name)).collect();
    let _ = write!(
        o,
        "<header><h1>{title}</h1><span class=\"faint\">{started} \u{b7} {} \u{b7} {}{}</span></header><main><div class=\"first\">",
        units::lasting(r.show.length),
        if r.show.rig_name.is_empty() { String::new() } else { format!("{}: ", escape(&r.show.rig_name)) },
        escape(&machines.join(", ")),
    );
    let _ = write!(
        o,
        "<section class=\"verdict\" style=\"--c:var(--{colour})\" aria-label=\"Did it hold?\">\
         <svg viewBox=\"0 0 54 54\" aria-hidden=\"true\"><circle cx=\"27\" cy=\"27\" r=\"25\" fill=\"none\" stroke=\"var(--{colour})\" stroke-width=\"3\"/>\
         <path d=\"{path}\" fill=\"none\" stroke=\"var(--{colour})\" stroke-width=\"5\"/></svg><div><p class=\"word\">{word}</p><p>{}</p>",
        escape(&r.verdict.sentence)
    );
    evidence_list(&r.verdict.evidence, "", o);
    o.push_str("</div></section><div class=\"two\">");
    findings("What nearly went wrong", &r.near_misses, "Nothing that the record shows.", o);
    findings("What to fix before the next show", &r.fixes, "Nothing that the record shows.", o);
    o.push_str("</div>");
    if !r.damage.is_empty() {
        let _ = write!(
            o,
            "<p class=\"medium\"><b>This record is damaged</b>: {}. What follows is what could be read.</p>",
            escape(&r.damage.join("; "))
        );
    }
    o.push_str("</div>");
}

fn findings(title: &str, list: &[Finding], none: &str, o: &mut String) {
    let _ = write!(o, "<section class=\"card\"><h2>{title}</h2>");
    if list.is_empty() {
        let _ = write!(o, "<p><span class=\"mark good\">\u{2713} NONE</span>{none}</p>");
    } else {
        o.push_str("<ol class=\"findings\">");
        for f in list {
            let (class, word) = priority(f.priority);
            let _ = write!(o, "<li class=\"finding\"><span class=\"mark {class}\">{word}</span>{}", escape(&f.text));
            evidence_list(&f.evidence, "evidence", o);
            o.push_str("</li>");
        }
        o.push_str("</ol>");
    }
    o.push_str("</section>");
}

/// A priority's class, and its word with a shape of its own.
pub(super) const fn priority(p: Priority) -> (&'static str, &'static str) {
    match p {
        Priority::High => ("high", "\u{25b2} HIGH"),
        Priority::Medium => ("medium", "\u{25c6} MEDIUM"),
        Priority::Low => ("low", "\u{25cf} LOW"),
    }
}

fn evidence_list(list: &[Evidence], class: &str, o: &mut String) {
    if list.is_empty() {
        return;
    }
    let _ = write!(o, "<ul class=\"{class}\">");
    for e in list {
        let text = escape(&e.text);
        let _ = match (e.event, e.song) {
            (_, Some(song)) => write!(o, "<li><a href=\"#song-{song}\">{text}</a>"),
            _ => write!(o, "<li>{text}"),
        };
        if let Some(id) = e.event {
            let _ = write!(o, " <span class=\"faint\">(event {}.{})</span>", id.epoch, id.sequence);
        }
        o.push_str("</li>");
    }
    o.push_str("</ul>");
}

pub(super) fn figure(s: Option<Span>) -> String {
    s.map_or_else(|| "?".to_owned(), units::signed_ms)
}

fn drift(p: &PairReport) -> String {
    p.drift.map_or_else(
        || "?".to_owned(),
        |d| format!("{} \u{b1} {:.1} ppm", units::signed(d.drift.0, 1, "").trim_end(), d.uncertainty.0),
    )
}

fn songs_table(r: &Report, o: &mut String) {
    o.push_str("<h2 id=\"songs\">The songs</h2>");
    if r.songs.is_empty() {
        o.push_str("<p>The record has no song in it.</p>");
        return;
    }
    let several = r.songs.iter().any(|s| s.pairs.len() > 1);
    let _ = write!(
        o,
        "<div class=\"scroll\"><table><thead><tr><th>Song</th><th class=\"n\">Began</th><th class=\"n\">Length</th>{}<th class=\"n\">Start skew</th>\
         <th class=\"n\">Furthest</th><th class=\"n\">Drift</th><th class=\"n\">Steps</th><th class=\"n\">Dropouts</th><th class=\"n\">Standby fit</th><th class=\"n\">Jump, at worst</th></tr></thead><tbody>",
        if several { "<th>A against</th>" } else { "" }
    );
    for (i, s) in r.songs.iter().enumerate() {
        for (k, p) in s.pairs.iter().enumerate() {
            row(i, s, (k == 0, p), several, o);
        }
    }
    o.push_str("</tbody></table></div><p class=\"faint\">Offsets are A minus the other machine: positive means that A is ahead. A question mark stands where nothing is known.</p>");
}

fn row(i: usize, s: &SongReport, (first, p): (bool, &PairReport), several: bool, o: &mut String) {
    let name = if first { format!("<a href=\"#song-{i}\">{}</a>", escape(&s.name)) } else { String::new() };
    let whole = |text: String| if first { text } else { String::new() };
    let _ = write!(
        o,
        "<tr><td>{name}</td><td class=\"n\">{}</td><td class=\"n\">{}</td>{}<td class=\"n\">{}</td><td class=\"n\">{}</td><td class=\"n\">{}</td><td class=\"n\">{}</td><td class=\"n\">{}</td><td class=\"n\">{}</td><td class=\"n\">{}</td></tr>",
        whole(s.wall.map_or_else(|| units::clock(s.from), units::time_of_day)),
        whole(units::clock(s.to - s.from)),
        if several { format!("<td>{}</td>", p.machine) } else { String::new() },
        figure(p.start_skew),
        figure(p.worst),
        drift(p),
        p.steps.len(),
        whole(s.dropouts.len().to_string()),
        whole(s.standby.fit.map_or_else(|| "?".to_owned(), units::percent)),
        whole(s.takeover.worst.map_or_else(|| "?".to_owned(), units::plain_ms)),
    );
}

pub(super) fn key(o: &mut String) {
    o.push_str(
        "<p class=\"key\"><span style=\"--k:var(--curve);--h:2px\">offset</span><span style=\"--k:var(--band);--h:12px\">its uncertainty</span>\
         <span style=\"--k:var(--cost);--h:12px\">jump at a changeover</span><span style=\"--k:var(--curve);--h:4px\">on air (line above)</span>\
         <span style=\"--k:var(--green);--h:5px\">fit (thin)</span><span style=\"--k:var(--yellow);--h:9px\">degraded (taller)</span>\
         <span style=\"--k:var(--red);--h:14px\">unfit (full)</span><span style=\"--k:var(--grey);--h:14px\">unknown, out of service</span>\
         <span style=\"--k:var(--red);--h:5px\">dropout (below)</span></p>",
    );
}

fn song(show: &ShowFile, r: &Report, all: &[runs::Timed], i: usize, o: &mut String) {
    let s = &r.songs[i];
    let began = s.wall.map_or_else(String::new, |w| format!(" \u{b7} {}", units::time_of_day(w)));
    let _ = write!(
        o,
        "<section id=\"song-{i}\"><h3>{} <span class=\"faint\">{}{began}</span></h3>",
        escape(&s.name),
        units::clock(s.to - s.from)
    );
    for p in &s.pairs {
        let _ = write!(o, "<p>{}</p>", escape(&told(s, p)));
    }
    let _ = write!(o, "<p>{}</p>", escape(&standby(s)));
    if let Some(d) = picture::song(show, r, all, i) {
        o.push_str("<figure>");
        d.svg(&format!("p{i}"), o);
        o.push_str("</figure>");
    }
    dropouts(s, o);
    o.push_str("</section>");
}

/// A song's figures in a sentence.
pub(super) fn told(s: &SongReport, p: &PairReport) -> String {
    let mut out = match p.start_skew {
        Some(skew) if skew.is_negative() => format!("{} began {} ahead of A", p.machine, units::plain_ms(skew)),
        Some(skew) => format!("A began {} ahead of {}", units::plain_ms(skew), p.machine),
        None => format!("The start skew of A and {} is not known", p.machine),
    };
    match (p.worst, p.worst_at) {
        (Some(worst), Some(at)) => {
            out.push_str(&format!("; furthest apart {} at {}", units::signed_ms(worst), song_clock(s, at)));
        }
        _ => out.push_str("; the offset was never known"),
    }
    if let Some(d) = p.drift {
        out.push_str(&format!(
            "; drift {} \u{b1} {:.1} ppm",
            units::signed(d.drift.0, 1, "").trim_end(),
            d.uncertainty.0
        ));
    }
    if let Some(bound) = p.bound {
        out.push_str(&format!("; offsets known to \u{b1} {} at worst", units::plain_ms(bound)));
    }
    if p.known < 0.9995 {
        out.push_str(&format!(", and only for {} of the song", units::percent(p.known)));
    }
    for st in &p.steps {
        out.push_str(&format!("; a step of {} at {}", units::signed_ms(st.by), song_clock(s, st.at)));
    }
    out.push('.');
    out
}

/// Whether a standby was fit, in a sentence.
pub(super) fn standby(s: &SongReport) -> String {
    let mut out = match s.standby.fit {
        None => return "What was on air is not known, so neither is whether a standby was fit.".to_owned(),
        Some(f) if f >= 1.0 => "A standby was fit throughout".to_owned(),
        Some(f) if f <= 0.0 => "No standby was fit".to_owned(),
        Some(f) => format!("A standby was fit for {} of this song", units::percent(f)),
    };
    for g in s.standby.gaps.iter().take(8) {
        let who = g.machine.map_or_else(String::new, |m| format!("{m} {}: ", fitness_word(g.fitness)));
        let (from, to) = (song_clock(s, g.from), song_clock(s, g.to));
        let when = if from == to {
            format!("at {from} for {}", units::lasting(g.to - g.from))
        } else {
            format!("from {from} to {to}")
        };
        out.push_str(&format!("{} not {when}, {who}{}", ";", g.why));
    }
    if s.standby.gaps.len() > 8 {
        out.push_str(&format!(", and {} more times", s.standby.gaps.len() - 8));
    }
    match (s.takeover.median, s.takeover.worst) {
        (Some(median), Some(worst)) => {
            out.push_str(&format!(
                ". A changeover would have jumped by {} (median), {} at worst",
                units::plain_ms(median),
                units::plain_ms(worst)
            ));
            if let Some(level) = s.takeover.level {
                out.push_str(&format!(", and changed the level by {} at most", units::signed(level.0, 1, "dB")));
            }
        }
        _ => out.push_str(". What a changeover would have cost is not known"),
    }
    out.push('.');
    out
}

pub(super) fn song_clock(s: &SongReport, t: Span) -> String {
    units::clock(t - s.from + s.song_at.unwrap_or(Span::ZERO))
}

fn dropouts(s: &SongReport, o: &mut String) {
    if s.dropouts.is_empty() {
        return;
    }
    o.push_str("<div class=\"scroll\"><table><thead><tr><th>Dropout</th><th class=\"n\">At</th><th class=\"n\">For</th><th>On air</th></tr></thead><tbody>");
    for d in s.dropouts.iter().take(40) {
        let long = if d.length == Span::ZERO { "one sample".to_owned() } else { units::lasting(d.length) };
        let _ = write!(
            o,
            "<tr><td>{}: {}</td><td class=\"n\">{}</td><td class=\"n\">{long}</td><td>{}</td></tr>",
            d.machine,
            escape(&d.what),
            song_clock(s, d.from),
            if d.on_air { "yes" } else { "no" }
        );
    }
    o.push_str("</tbody></table></div>");
    if s.dropouts.len() > 40 {
        let _ = write!(o, "<p class=\"faint\">and {} more, in the CSV.</p>", s.dropouts.len() - 40);
    }
}

fn record(r: &Report, o: &mut String) {
    let _ = write!(
        o,
        "<h2 id=\"record\">The record</h2><dl class=\"facts\"><dt>Show</dt><dd>{}</dd><dt>Rig</dt><dd>{}</dd><dt>Written by</dt><dd>Twinkeel {}</dd><dt>Started</dt><dd>{}{}</dd><dt>Limits</dt><dd>warning {}, candidate {}, dead air {}{}</dd><dt>Damage</dt><dd>{}</dd></dl>",
        r.show.id,
        r.show.rig,
        escape(&r.show.written_by),
        units::counted(r.show.starts, "time", "times"),
        if r.show.closed {
            ", closed properly"
        } else {
            "; it does not end properly: it was killed, the power went, or it still runs"
        },
        units::plain_ms(r.show.warning),
        units::plain_ms(r.show.candidate),
        units::plain_ms(r.show.dead_air),
        r.show.baseline.map_or_else(String::new, |b| format!(", baseline {}", units::signed_ms(b))),
        if r.damage.is_empty() { "none".to_owned() } else { escape(&r.damage.join("; ")) }
    );
}

fn method(o: &mut String) {
    o.push_str(
        "<h2 id=\"method\">How the figures are made</h2><p class=\"faint\">From samples ten times a second. Start skew: the median offset of the first second. \
         Drift: least squares over one-second means, one slope for the whole song, a new height after each step; its uncertainty is two standard deviations, widened for \
         the likeness of neighbouring residuals. A step: the medians of the second before and the second after differ by more than half a millisecond and six robust deviations. \
         Offset uncertainty: what the clock exchange and the position codes can be off by. Standby fit: the share of samples at which at least one machine that was not on air was fit. \
         Shares are never rounded to all or to nothing.</p>",
    );
}
