//! The seconds round one incident at full rate: all machines and all evidence on one time axis, with the rule that fired.

use std::fmt::Write;
use std::path::Path;

use base::{Machine, MonoTime, Span};

use super::draw::{Drawing, escape};
use super::model::{ChangeoverReport, Report};
use super::runs::Timed;
use super::{acts, html, picture, style, tables, timeline, units};
use crate::ShowlogError;
use crate::read::{Incident, ShowFile};
use crate::words::{Recorded, Sample};

/// One incident, read at full rate.
#[derive(Debug)]
pub struct IncidentReport<'a> {
    show: &'a ShowFile,
    report: &'a Report,
    incident: Incident,
    /// All samples that were kept, in order.
    pub samples: Vec<Sample>,
    /// The events within the stretch.
    pub events: Vec<&'a Recorded>,
    /// What of the stretch could not be read.
    pub damage: Vec<String>,
}

/// What is kept on either side.
const AROUND: Span = Span::from_secs(30);
/// What the closer picture shows on either side.
const CLOSE: Span = Span::from_secs(2);

impl<'a> IncidentReport<'a> {
    pub(super) fn read(
        show: &'a ShowFile,
        report: &'a Report,
        number: i64,
    ) -> Result<IncidentReport<'a>, ShowlogError> {
        let incident = show.incidents.iter().find(|i| i.number == number).copied();
        let incident = incident.ok_or_else(|| ShowlogError::Which(format!("there is no incident {number}")))?;
        let (from, to) = (incident.at - AROUND, incident.at + AROUND);
        let mut damage = Vec::new();
        let samples = show.full_rate(incident.epoch, from, to, &mut damage)?;
        let events = show.events.iter();
        let inside = |e: &&Recorded| e.id.epoch == incident.epoch && e.event.at >= from && e.event.at <= to;
        let mut events: Vec<&Recorded> = events.filter(inside).collect();
        events.sort_by_key(|e| (e.event.at, e.id));
        Ok(IncidentReport { show, report, incident, samples, events, damage })
    }

    fn title(&self) -> String {
        let event =
            self.show.events.iter().find(|e| e.id.epoch == self.incident.epoch && e.id.sequence == self.incident.event);
        let what = event.map_or("its event is missing", |e| e.event.text.as_str());
        format!("Incident {}: {what}", self.incident.number)
    }

    /// The changeover that it is about, if it is about one.
    fn changeover(&self) -> Option<&ChangeoverReport> {
        let near = |c: &&ChangeoverReport| {
            c.event.epoch == self.incident.epoch && (c.at - self.at(self.incident.at)).abs() < Span::from_secs(1)
        };
        self.report.changeovers.iter().find(near)
    }

    fn at(&self, t: MonoTime) -> Span {
        self.show.since_start(self.incident.epoch, t)
    }

    /// A self-contained page.
    pub fn html(&self) -> String {
        let title = escape(&self.title());
        let mut o = String::with_capacity(256 * 1024);
        let _ = write!(
            o,
            "<!doctype html><html lang=\"en\"><head><meta charset=\"utf-8\"><meta name=\"viewport\" content=\"width=device-width,initial-scale=1\">\
             <meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\"><title>{title}</title><style>{}</style></head><body>\
             <header><h1>{title}</h1><span class=\"faint\">{} \u{b7} {} samples at full rate</span></header><main>",
            style::CSS.trim(),
            escape(&html::heading(self.report)),
            self.samples.len()
        );
        if let Some(c) = self.changeover() {
            let _ = write!(o, "<p>Rule <b>{}</b>: {}</p>", escape(&c.rule), escape(&c.why));
            if let Some(d) = timeline::changeover(c) {
                o.push_str("<figure>");
                d.svg("t", &mut o);
                o.push_str("</figure>");
            }
        }
        html::key(&mut o);
        for (id, name, around) in [("near", "Two seconds either side", CLOSE), ("all", "All that was kept", AROUND)] {
            let _ = write!(o, "<h2>{name}</h2>");
            match self.picture(around) {
                Some(d) => {
                    o.push_str("<figure>");
                    d.svg(id, &mut o);
                    o.push_str("</figure>");
                }
                None => o.push_str("<p>Nothing was kept at full rate.</p>"),
            }
        }
        o.push_str("<h2>What was said</h2><div class=\"scroll\"><table><thead><tr><th class=\"n\">After</th><th>Kind</th><th>What</th></tr></thead><tbody>");
        for e in &self.events {
            let machine = units::about(e.event.machine, &e.event.text);
            let _ = write!(
                o,
                "<tr><td class=\"n\">{}</td><td>{} {}</td><td>{machine}{}</td></tr>",
                units::signed_ms(e.event.at.since(self.incident.at)),
                e.event.kind.word(),
                escape(&e.event.code),
                escape(&e.event.text)
            );
        }
        o.push_str("</tbody></table></div>");
        for d in &self.damage {
            let _ = write!(o, "<p class=\"medium\"><b>Damaged</b>: {}</p>", escape(d));
        }
        o.push_str("</main></body></html>\n");
        o
    }

    fn picture(&self, around: Span) -> Option<Drawing> {
        let (from, to) = (self.incident.at - around, self.incident.at + around);
        let inside = self.samples.iter().filter(|s| s.at >= from && s.at <= to);
        let timed: Vec<Timed> = inside.map(|s| Timed { t: self.at(s.at), epoch: self.incident.epoch, s }).collect();
        picture::stretch(self.show, self.report, &timed, &self.title(), self.at(self.incident.at))
    }

    /// `incident-N.csv` in that folder: every sample, one a row, as in `samples.csv`.
    ///
    /// # Errors
    /// The folder cannot be written.
    pub fn csv(&self, dir: &Path) -> Result<(), ShowlogError> {
        let timed: Vec<Timed> =
            self.samples.iter().map(|s| Timed { t: self.at(s.at), epoch: self.incident.epoch, s }).collect();
        tables::write_samples(self.report, &timed, dir, &format!("incident-{}.csv", self.incident.number))
    }

    /// In words, for a terminal.
    pub fn text(&self) -> String {
        let mut o = format!("{}\n", self.title());
        if let Some(song) =
            acts::song_at(&self.report.songs, self.at(self.incident.at)).and_then(|i| self.report.songs.get(i))
        {
            let _ = writeln!(o, "in {}, {} samples at full rate", song.name, self.samples.len());
        }
        for e in &self.events {
            let machine = e.event.machine.map_or(' ', Machine::letter);
            let after = units::signed_ms(e.event.at.since(self.incident.at));
            let _ = writeln!(o, "{after:>12}  {machine}  {:<12} {}", e.event.kind.word(), e.event.text);
        }
        o
    }
}
