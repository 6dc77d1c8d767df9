//! Alarms by what they were about, and the lines that other events make.

use std::collections::BTreeMap;

use base::{Machine, Span};

use super::acts::song_at;
use super::model::{AlarmReport, IncidentHead, Line, Patches, SongReport};
use crate::detail::{Alarm, Operator, Patch, Transition};
use crate::read::ShowFile;
use crate::words::{EventKind, Recorded};

/// An alarm's code, and the machine or outboard device that it is about.
type Subject = (String, Option<Machine>, Option<String>);

/// The alarms, highest priority first, then by how long they stood.
pub(super) fn alarms(show: &ShowFile, end: Span) -> Vec<AlarmReport> {
    let mut found: BTreeMap<Subject, (AlarmReport, Option<Span>)> = BTreeMap::new();
    for e in show.events.iter().filter(|e| e.event.kind == EventKind::Alarm) {
        let Ok(d) = serde_json::from_value::<Alarm>(e.event.detail.clone()) else { continue };
        let t = show.since_start(e.id.epoch, e.event.at);
        let (alarm, since) =
            found.entry((e.event.code.clone(), e.event.machine, d.device)).or_insert_with(|| (first(e, t), None));
        alarm.priority = alarm.priority.max(d.priority);
        alarm.cause = d.cause.or(alarm.cause.take());
        alarm.mend = d.mend.or(alarm.mend.take());
        match d.transition {
            Transition::Raised => {
                alarm.times += 1;
                alarm.last = t;
                alarm.cleared = false;
                since.get_or_insert(t);
            }
            Transition::Cleared => {
                alarm.cleared = true;
                if let Some(from) = since.take() {
                    alarm.standing += t - from;
                }
            }
            Transition::Acknowledged => alarm.acknowledged += 1,
            Transition::Shelved => {}
        }
    }
    let mut out: Vec<AlarmReport> = found
        .into_values()
        .map(|(mut alarm, since)| {
            if let Some(from) = since {
                alarm.standing += end - from;
            }
            alarm
        })
        .collect();
    out.sort_by(|a, b| b.priority.cmp(&a.priority).then(b.standing.cmp(&a.standing)));
    out
}

fn first(e: &Recorded, t: Span) -> AlarmReport {
    AlarmReport {
        code: e.event.code.clone(),
        machine: e.event.machine,
        priority: Default::default(),
        text: e.event.text.clone(),
        cause: None,
        mend: None,
        times: 0,
        first: t,
        last: t,
        standing: Span::ZERO,
        cleared: false,
        acknowledged: 0,
        event: e.id,
    }
}

/// Events of these kinds, as lines.
pub(super) fn lines(show: &ShowFile, songs: &[SongReport], kinds: &[EventKind]) -> Vec<Line> {
    show.events.iter().filter(|e| kinds.contains(&e.event.kind)).map(|e| line(show, songs, e)).collect()
}

fn line(show: &ShowFile, songs: &[SongReport], e: &Recorded) -> Line {
    let at = show.since_start(e.id.epoch, e.event.at);
    let who = match e.event.kind {
        EventKind::Operator | EventKind::Note => serde_json::from_value::<Operator>(e.event.detail.clone()).ok(),
        _ => None,
    };
    Line {
        event: e.id,
        at,
        wall: Some(e.event.wall),
        song: song_at(songs, at),
        machine: e.event.machine,
        code: e.event.code.clone(),
        text: e.event.text.clone(),
        who: who.map(|w| if w.through.is_empty() { w.who } else { format!("{} ({})", w.who, w.through) }),
    }
}

/// How many patches went by, and those that were missed.
pub(super) fn patches(show: &ShowFile, songs: &[SongReport]) -> Patches {
    let mut out = Patches::default();
    for e in show.events.iter().filter(|e| e.event.kind == EventKind::Patch) {
        match serde_json::from_value::<Patch>(e.event.detail.clone()) {
            Ok(d) if d.missed => out.missed.push(line(show, songs, e)),
            _ => out.heard += 1,
        }
    }
    out
}

/// The stretches kept at full rate.
pub(super) fn incidents(show: &ShowFile) -> Vec<IncidentHead> {
    show.incidents
        .iter()
        .map(|i| {
            let event = base::EventId { epoch: i.epoch, sequence: i.event };
            let text = show.events.iter().find(|e| e.id == event).map(|e| e.event.text.clone());
            IncidentHead {
                number: i.number,
                at: show.since_start(i.epoch, i.at),
                text: text.unwrap_or_else(|| "its event is missing".to_owned()),
                event,
            }
        })
        .collect()
}
