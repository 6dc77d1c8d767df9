//! The page's tables of events: changeovers, refusals, alarms, and what people and machines said.

use std::fmt::Write;

use base::Span;
use base64::Engine as _;

use super::draw::escape;
use super::html::{figure, priority, song_clock};
use super::model::{ChangeoverReport, Line, Report};
use super::{sheet, sound, timeline, units};
use crate::read::ShowFile;
use crate::words::EventKind;

fn when(r: &Report, song: Option<usize>, at: Span, wall: Option<base::WallTime>) -> String {
    let place = match song.and_then(|i| Some((i, r.songs.get(i)?))) {
        Some((i, s)) => format!("<a href=\"#song-{i}\">{}</a> {}", escape(&s.name), song_clock(s, at)),
        None if at >= r.show.length => "after the show".to_owned(),
        None => format!("{} into the show", units::clock(at)),
    };
    match wall {
        Some(w) => format!("{} \u{b7} {place}", units::time_of_day(w)),
        None => place,
    }
}

/// So much sound is put into the page, in bytes; the rest stays in the record.
const SOUND_IN_PAGE: usize = 8 << 20;

pub(super) fn changeovers(show: &ShowFile, r: &Report, o: &mut String) {
    if r.changeovers.is_empty() {
        return;
    }
    o.push_str("<h2 id=\"changeovers\">Changeovers</h2>");
    let mut room = SOUND_IN_PAGE;
    for (i, c) in r.changeovers.iter().enumerate() {
        changeover(show, r, c, i, &mut room, o);
    }
}

fn changeover(show: &ShowFile, r: &Report, c: &ChangeoverReport, i: usize, room: &mut usize, o: &mut String) {
    let from = c.from.map_or_else(|| "?".to_owned(), |m| m.to_string());
    let by = match (&c.by, c.forced) {
        (Some(who), true) => format!(", forced by {}", escape(who)),
        (Some(who), false) => format!(", by {}", escape(who)),
        (None, true) => ", forced".to_owned(),
        (None, false) => String::new(),
    };
    let _ = write!(
        o,
        "<section id=\"changeover-{i}\"><h3>{from} \u{2192} {}{by} <span class=\"faint\">{}</span></h3><p>{}</p><dl class=\"facts\">",
        c.to,
        when(r, c.song, c.at, c.wall),
        escape(&c.why)
    );
    let mut fact = |name: &str, value: String| {
        let _ = write!(o, "<dt>{name}</dt><dd>{value}</dd>");
    };
    if !c.rule.is_empty() {
        fact("Rule", escape(&c.rule));
    }
    match c.confirmed {
        Some(true) => fact("Confirmed", "<span class=\"good\">\u{2713} yes</span>".to_owned()),
        Some(false) => fact("Confirmed", "<b class=\"high\">\u{25b2} never</b>".to_owned()),
        None => fact("Confirmed", "the record ends before it".to_owned()),
    }
    if let Some(total) = c.verdict_after {
        let total = total + c.sent_after.unwrap_or(Span::ZERO);
        fact("Fault to command", units::plain_ms(total));
    }
    if c.jump.is_some() || c.level.is_some() {
        let level = c.level.map_or_else(String::new, |l| format!(", level {}", units::signed(l.0, 1, "dB")));
        fact("Cost", format!("jump {}{level}", figure(c.jump)));
    }
    o.push_str("</dl>");
    if let Some(d) = timeline::changeover(c) {
        o.push_str("<figure>");
        d.svg(&format!("c{i}"), o);
        o.push_str("</figure>");
    }
    if !c.evidence.is_empty() {
        o.push_str("<ol class=\"evidence\">");
        for e in &c.evidence {
            let _ = write!(o, "<li>{}: {}</li>", units::signed_ms(e.after), escape(&e.text));
        }
        o.push_str("</ol>");
    }
    heard(show, c, room, o);
    o.push_str("</section>");
}

/// What was heard, to be played.
fn heard(show: &ShowFile, c: &ChangeoverReport, room: &mut usize, o: &mut String) {
    for h in sound::around(show, c.event, &mut Vec::new()) {
        let words = escape(&h.say());
        let Ok(wav) = h.wav() else { continue };
        let text = base64::engine::general_purpose::STANDARD.encode(&wav);
        let Some(left) = room.checked_sub(text.len()) else {
            let _ = write!(o, "<p class=\"faint\">{words}: in the record; <code>--csv</code> writes it out.</p>");
            continue;
        };
        *room = left;
        let _ = write!(
            o,
            "<figure class=\"heard\"><figcaption>{words}</figcaption>\
             <audio controls preload=\"none\" aria-label=\"{words}\" src=\"data:audio/wav;base64,{text}\"></audio></figure>"
        );
    }
}

pub(super) fn refusals(r: &Report, o: &mut String) {
    if r.refusals.is_empty() {
        return;
    }
    o.push_str("<h2 id=\"refusals\">Changeovers wanted and not made</h2><div class=\"scroll\"><table><thead><tr><th>When</th><th>Why not</th><th>Rule</th><th class=\"n\">Times</th></tr></thead><tbody>");
    for x in &r.refusals {
        let _ = write!(
            o,
            "<tr><td class=\"t\">{}</td><td>{}</td><td>{}</td><td class=\"n\">{}</td></tr>",
            when(r, x.song, x.at, x.wall),
            escape(&x.why),
            escape(&x.rule),
            x.times
        );
    }
    o.push_str("</tbody></table></div>");
}

pub(super) fn alarms(r: &Report, o: &mut String) {
    o.push_str("<h2 id=\"alarms\">Alarms by cause</h2>");
    if r.alarms.is_empty() {
        o.push_str("<p>None was raised.</p>");
        return;
    }
    o.push_str("<div class=\"scroll\"><table><thead><tr><th>Priority</th><th>Alarm</th><th>Likely cause</th><th class=\"n\">Times</th><th class=\"n\">Standing</th><th>State at the end</th></tr></thead><tbody>");
    for a in &r.alarms {
        let (class, word) = priority(a.priority);
        let machine = units::about(a.machine, &a.text);
        let state = match (a.cleared, a.acknowledged) {
            (true, _) => "back to normal",
            (false, 0) => "standing, unacknowledged",
            (false, _) => "standing, acknowledged",
        };
        let _ = write!(
            o,
            "<tr><td><span class=\"mark {class}\">{word}</span></td><td>{machine}{}<br><span class=\"faint\">{}</span></td><td>{}</td><td class=\"n\">{}</td><td class=\"n\">{}</td><td>{state}</td></tr>",
            escape(&a.text),
            escape(&a.code),
            escape(a.cause.as_deref().unwrap_or("not known")),
            a.times,
            units::lasting(a.standing)
        );
    }
    o.push_str("</tbody></table></div>");
}

pub(super) fn lines(id: &str, title: &str, list: &[Line], r: &Report, o: &mut String) {
    if list.is_empty() {
        return;
    }
    let _ = write!(
        o,
        "<h2 id=\"{id}\">{title}</h2><div class=\"scroll\"><table><thead><tr><th>When</th><th>What</th><th>Who</th></tr></thead><tbody>"
    );
    for l in list.iter().take(200) {
        let machine = units::about(l.machine, &l.text);
        let _ = write!(
            o,
            "<tr><td class=\"t\">{}</td><td>{machine}{}</td><td>{}</td></tr>",
            when(r, l.song, l.at, l.wall),
            escape(&l.text),
            escape(l.who.as_deref().unwrap_or(""))
        );
    }
    o.push_str("</tbody></table></div>");
    if list.len() > 200 {
        let _ = write!(o, "<p class=\"faint\">and {} more, in the CSV.</p>", list.len() - 200);
    }
}

/// The newest sheets of the check, whole.
pub(super) fn sheets(show: &ShowFile, o: &mut String) {
    const NEWEST: usize = 3;
    let checks = show.events.iter().rev().filter(|e| e.event.kind == EventKind::Check);
    let sheets = checks.filter_map(|e| serde_json::from_value(e.event.detail.clone()).ok());
    sheets.take(NEWEST).for_each(|s: rig::check::Sheet| sheet::within(&s, o));
}

pub(super) fn incidents(r: &Report, o: &mut String) {
    if r.incidents.is_empty() {
        return;
    }
    o.push_str("<h2 id=\"incidents\">Kept at full rate</h2><p class=\"faint\">From half a minute before to half a minute after; <code>twinkeel report --incident N</code> draws one.</p><ol class=\"evidence\">");
    for i in &r.incidents {
        let _ = write!(o, "<li value=\"{}\">{}: {}</li>", i.number, units::clock(i.at), escape(&i.text));
    }
    o.push_str("</ol>");
}
