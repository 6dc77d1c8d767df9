//! As one self-contained page: dark on screen, light on paper.

use std::fmt::Write;

use rig::check::{Row, Sheet, Verdict};

use super::super::draw::escape;
use super::super::style;

/// What a sheet needs besides the report's own style.
const MORE: &str = "body{max-width:900px}h1{font-size:1.5rem}.item{padding:10px 0;border-top:1px solid var(--line);break-inside:avoid}\
    .item h3{margin:0;font-size:1.05rem}.item p{margin:3px 0}.item .figure{font-size:1.05rem}.mark.untested{color:var(--grey)}\
    td.v{white-space:nowrap;width:7.5em}@media print{html{font-size:12.5px}h2{margin:18px 0 6px}.verdict{margin:10px 0;padding:10px 14px}}";

/// A verdict's word, class and shape, so that colour is never alone.
const fn mark(v: Verdict) -> (&'static str, &'static str) {
    match v {
        Verdict::Pass => ("\u{2713} pass", "good"),
        Verdict::NotTested => ("\u{25cb} not tested", "untested"),
        Verdict::Warn => ("\u{25c6} WARN", "medium"),
        Verdict::Fail => ("\u{25b2} FAIL", "high"),
    }
}

/// The page.
pub fn page(s: &Sheet) -> String {
    let mut o = String::with_capacity(24 * 1024);
    let title = escape(&s.title);
    let (word, colour, path) = super::outcome_word(s.outcome);
    let _ = write!(
        o,
        "<!doctype html><html lang=\"en\"><head><meta charset=\"utf-8\"><meta name=\"viewport\" content=\"width=device-width,initial-scale=1\">\
         <meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">\
         <title>{title}: check before the show</title><style>{}{MORE}</style></head><body>\
         <header><h1>{title}: check before the show</h1><span class=\"faint\">{} \u{b7} {}: {}</span></header><main>\
         <section class=\"verdict\" style=\"--c:var(--{colour})\" aria-label=\"Outcome\">\
         <svg viewBox=\"0 0 54 54\" aria-hidden=\"true\"><circle cx=\"27\" cy=\"27\" r=\"25\" fill=\"none\" stroke=\"var(--{colour})\" stroke-width=\"3\"/>\
         <path d=\"{path}\" fill=\"none\" stroke=\"var(--{colour})\" stroke-width=\"5\"/></svg><div><p class=\"word\">{word}</p><p>{}</p></div></section>",
        style::CSS.trim(),
        escape(&super::byline(s)),
        escape(&s.rig),
        escape(&super::machines(s)),
        escape(&s.text),
    );
    items(s, &mut o);
    o.push_str("<section class=\"caution\" aria-label=\"Caution\">");
    for line in super::said_before(s).iter().chain([&s.caution]) {
        let _ = write!(o, "<p>{}</p>", escape(line));
    }
    o.push_str("</section></main></body></html>\n");
    o
}

/// The sheet within a report, folded.
pub(in crate::report) fn within(s: &Sheet, o: &mut String) {
    let (word, ..) = super::outcome_word(s.outcome);
    let _ = write!(
        o,
        "<details class=\"sheet\"><summary><b>{word}</b>: the sheet of the {}</summary>",
        escape(&super::byline(s))
    );
    items(s, o);
    if let Some(said) = super::said_before(s) {
        let _ = write!(o, "<p>{}</p>", escape(&said));
    }
    o.push_str("</details>");
}

fn items(s: &Sheet, o: &mut String) {
    wrong(s, Verdict::Fail, "To mend before doors", o);
    wrong(s, Verdict::Warn, "To look at", o);
    new(s, o);
    table(s, Verdict::Pass, "As it should be", o);
    table(s, Verdict::NotTested, "Not tested", o);
}

fn wrong(s: &Sheet, verdict: Verdict, title: &str, o: &mut String) {
    let rows: Vec<&Row> = super::rows(s, verdict).collect();
    if rows.is_empty() {
        return;
    }
    let (word, class) = mark(verdict);
    let _ = write!(o, "<section><h2>{title}</h2>");
    for r in rows {
        let limit = if r.limit.is_empty() {
            String::new()
        } else {
            format!(" <span class=\"faint\">Limit: {}</span>", escape(&r.limit))
        };
        let _ = write!(
            o,
            "<div class=\"item\"><h3><span class=\"mark {class}\">{word}</span>{}</h3><p class=\"figure\">{}{limit}</p><p class=\"faint\">{}</p><p><b>Mend:</b> {}</p></div>",
            escape(&r.title),
            escape(&r.measured),
            escape(&r.why),
            escape(&r.mend),
        );
    }
    o.push_str("</section>");
}

fn new(s: &Sheet, o: &mut String) {
    let Some(since) = super::since(s) else { return };
    let _ = write!(o, "<section><h2>{}</h2>", escape(&since));
    if s.new.is_empty() {
        o.push_str("<p>Nothing.</p>");
    } else {
        o.push_str("<ul>");
        s.new.iter().for_each(|n| _ = write!(o, "<li>{}</li>", escape(n)));
        o.push_str("</ul>");
    }
    o.push_str("</section>");
}

fn table(s: &Sheet, verdict: Verdict, title: &str, o: &mut String) {
    let rows: Vec<&Row> = super::rows(s, verdict).collect();
    if rows.is_empty() {
        return;
    }
    let (word, class) = mark(verdict);
    let _ = write!(
        o,
        "<section><h2>{title}</h2><table><thead><tr><th scope=\"col\">Verdict</th><th scope=\"col\">What</th><th scope=\"col\">Measured</th><th scope=\"col\">Limit</th></tr></thead><tbody>"
    );
    for r in rows {
        let _ = write!(
            o,
            "<tr><td class=\"v {class}\">{word}</td><td>{}</td><td>{}</td><td class=\"faint\">{}</td></tr>",
            escape(&r.title),
            escape(&r.measured),
            escape(&r.limit)
        );
    }
    o.push_str("</tbody></table></section>");
}
