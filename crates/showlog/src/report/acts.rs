//! Changeovers with their stages put together, and refusals.

use base::Span;

use super::model::{ChangeoverReport, RefusalReport, SeenReport, SongReport};
use crate::detail::{Changeover, Refusal, Stage};
use crate::read::ShowFile;
use crate::words::{EventKind, Recorded};

/// The song at an instant of the show.
pub(super) fn song_at(songs: &[SongReport], t: Span) -> Option<usize> {
    // A changeover in the last breath of a song still belongs to it.
    songs.iter().rposition(|s| t >= s.from && t <= s.to + Span::from_secs(1))
}

/// A stage that comes later than this after the verdict belongs to no changeover that we know of.
const STAGES_WITHIN: Span = Span::from_secs(5);

type Stages<'a> = Vec<(&'a Recorded, Changeover)>;

/// The changeovers, in the order of their verdicts. Their stages are told by several threads and may be recorded in any
/// order, so they are put together by their instants: a verdict begins a changeover, and what follows to the same
/// machine is its own.
pub(super) fn changeovers(show: &ShowFile, songs: &[SongReport]) -> Vec<ChangeoverReport> {
    let mut stages: Stages = show
        .events
        .iter()
        .filter(|e| e.event.kind == EventKind::Changeover)
        .filter_map(|e| Some((e, serde_json::from_value::<Changeover>(e.event.detail.clone()).ok()?)))
        .collect();
    stages.sort_by_key(|(e, d)| (e.id.epoch, e.event.at, d.stage != Stage::Intent));
    let mut groups: Vec<Stages> = Vec::new();
    for (e, d) in stages {
        let belongs = |group: &&mut Stages| {
            group.first().is_some_and(|(first, f)| {
                first.id.epoch == e.id.epoch && f.to == d.to && e.event.at.since(first.event.at) <= STAGES_WITHIN
            })
        };
        match groups.last_mut().filter(belongs) {
            Some(group) if d.stage != Stage::Intent => group.push((e, d)),
            _ => groups.push(vec![(e, d)]),
        }
    }
    let mut out: Vec<ChangeoverReport> = groups.iter().filter_map(|stages| one(show, songs, stages)).collect();
    out.sort_by_key(|c| c.at);
    out
}

fn one(show: &ShowFile, songs: &[SongReport], stages: &[(&Recorded, Changeover)]) -> Option<ChangeoverReport> {
    let at = |stage: Stage| stages.iter().find(|(_, d)| d.stage == stage).map(|(e, _)| e.event.at);
    // The intent says the most; a record that was cut may begin later.
    let (event, first) = stages.iter().find(|(_, d)| d.stage == Stage::Intent).or(stages.first())?;
    let verdict = event.event.at;
    let sent = at(Stage::Sent);
    let confirmed = at(Stage::Confirmed);
    let t = show.since_start(event.id.epoch, verdict);
    let told = |pick: fn(&Changeover) -> Option<f64>| stages.iter().rev().find_map(|(_, d)| pick(d));
    Some(ChangeoverReport {
        event: event.id,
        at: t,
        wall: Some(event.event.wall),
        song: song_at(songs, t),
        from: first.from,
        to: first.to,
        why: event.event.text.clone(),
        rule: first.rule.clone(),
        forced: first.forced,
        by: stages.iter().find_map(|(_, d)| d.by.clone()),
        verdict_after: stages.iter().find_map(|(_, d)| d.fault_at).map(|f| verdict.since(f)),
        sent_after: sent.map(|s| s.since(verdict)),
        confirmed_after: confirmed.map(|c| c.since(sent.unwrap_or(verdict))),
        confirmed: match (confirmed, at(Stage::Unconfirmed)) {
            (Some(_), _) => Some(true),
            (None, Some(_)) => Some(false),
            (None, None) => None,
        },
        jump: told(|d| d.jump.map(|j| j.nanos() as f64)).map(|ns| Span::from_nanos(ns as i64)),
        level: told(|d| d.level.map(|l| l.0)).map(base::Db),
        evidence: evidence(stages, verdict),
    })
}

fn evidence(stages: &[(&Recorded, Changeover)], verdict: base::MonoTime) -> Vec<SeenReport> {
    let mut out: Vec<SeenReport> = stages
        .iter()
        .flat_map(|(_, d)| &d.evidence)
        .map(|s| SeenReport { after: s.at.since(verdict), text: s.text.clone() })
        .collect();
    out.sort_by_key(|s| s.after);
    out.dedup_by(|a, b| a.after == b.after && a.text == b.text);
    out
}

/// Refusals of one rule that follow each other within this are one.
const SAME: Span = Span::from_secs(10);

pub(super) fn refusals(show: &ShowFile, songs: &[SongReport]) -> Vec<RefusalReport> {
    let mut out: Vec<(RefusalReport, Span)> = Vec::new();
    for e in show.events.iter().filter(|e| e.event.kind == EventKind::Refusal) {
        let t = show.since_start(e.id.epoch, e.event.at);
        let rule =
            serde_json::from_value::<Refusal>(e.event.detail.clone()).map_or_else(|_| e.event.code.clone(), |d| d.rule);
        match out.last_mut() {
            Some((r, last)) if r.rule == rule && r.why == e.event.text && t - *last <= SAME => {
                r.times += 1;
                *last = t;
            }
            _ => out.push((
                RefusalReport {
                    event: e.id,
                    at: t,
                    wall: Some(e.event.wall),
                    song: song_at(songs, t),
                    rule,
                    why: e.event.text.clone(),
                    times: 1,
                },
                t,
            )),
        }
    }
    out.into_iter().map(|(r, _)| r).collect()
}
