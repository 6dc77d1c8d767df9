//! What nearly went wrong, worst first, each with what it rests on.

use base::Span;

use super::model::{AlarmReport, ChangeoverReport, Evidence, Finding, PairReport, Patches, RefusalReport, SongReport};
use super::runs::Timed;
use super::units;
use crate::detail::Priority;
use crate::meta::Limits;
use crate::read::ShowFile;
use crate::words::Fitness;

/// All that the first page rests on.
pub(super) struct Basis<'a> {
    pub(super) show: &'a ShowFile,
    pub(super) all: &'a [Timed<'a>],
    pub(super) songs: &'a [SongReport],
    pub(super) changeovers: &'a [ChangeoverReport],
    pub(super) refusals: &'a [RefusalReport],
    pub(super) alarms: &'a [AlarmReport],
    pub(super) patches: &'a Patches,
}

pub(super) fn place(b: &Basis, song: Option<usize>, t: Span) -> String {
    match song.and_then(|i| b.songs.get(i)) {
        Some(s) => format!("{} at {}", s.name, units::clock(t - s.from + s.song_at.unwrap_or(Span::ZERO))),
        None => format!("{} into the show, between songs", units::clock(t)),
    }
}

pub(super) fn worst_pair<'a>(b: &'a Basis) -> Option<(usize, &'a PairReport)> {
    let zero = b.show.meta.limits.baseline.unwrap_or(Span::ZERO);
    let pairs = b.songs.iter().enumerate().flat_map(|(i, s)| s.pairs.iter().map(move |p| (i, p)));
    pairs.filter(|(_, p)| p.worst.is_some()).max_by_key(|(_, p)| p.worst.map(|w| (w - zero).abs()))
}

/// What nearly went wrong, worst first.
pub(super) fn near_misses(b: &Basis) -> Vec<Finding> {
    let mut out = Vec::new();
    unprotected(b, &mut out);
    far_apart(b, &mut out);
    for r in b.refusals {
        let times = if r.times > 1 { format!(" ({} times)", r.times) } else { String::new() };
        out.push(Finding {
            priority: Priority::Medium,
            code: "refused",
            text: format!(
                "A changeover was wanted and not made in {}{times}: {}",
                place(b, r.song, r.at),
                sentence(&r.why)
            ),
            evidence: vec![Evidence {
                text: format!("rule {}", r.rule),
                event: Some(r.event),
                song: r.song,
                at: Some(r.at),
            }],
        });
    }
    for a in b.alarms.iter().filter(|a| a.priority == Priority::High) {
        let times = if a.times > 1 { format!(", {} times", a.times) } else { String::new() };
        out.push(Finding {
            priority: Priority::High,
            code: "high-alarm",
            text: format!("High alarm{times}: {}", sentence(&a.text)),
            evidence: vec![Evidence {
                text: format!(
                    "first in {}, standing {}",
                    place(b, super::acts::song_at(b.songs, a.first), a.first),
                    units::lasting(a.standing)
                ),
                event: Some(a.event),
                song: super::acts::song_at(b.songs, a.first),
                at: Some(a.first),
            }],
        });
    }
    steps(b, &mut out);
    on_air_dropouts(b, &mut out);
    super::clips::clipped(b, &mut out);
    out.sort_by_key(|f| std::cmp::Reverse(f.priority));
    out
}

/// A gap without a fit standby shorter than this is told in the song, not on the first page.
const GAP: Span = Span::from_secs(1);

fn unprotected(b: &Basis, out: &mut Vec<Finding>) {
    let gaps: Vec<(usize, &super::model::Gap)> = b
        .songs
        .iter()
        .enumerate()
        .flat_map(|(i, s)| s.standby.gaps.iter().map(move |g| (i, g)))
        .filter(|(_, g)| g.to - g.from >= GAP && g.fitness != Fitness::OutOfService)
        .collect();
    let Some((song, longest)) = gaps.iter().max_by_key(|(_, g)| g.to - g.from) else { return };
    let total: Span = gaps.iter().map(|(_, g)| g.to - g.from).sum();
    let text = if gaps.len() == 1 {
        format!(
            "No fit standby for {} in {}: {}.",
            units::lasting(total),
            place(b, Some(*song), longest.from),
            named(longest)
        )
    } else {
        format!(
            "No fit standby {} times, {} in all; the longest {} in {}: {}.",
            gaps.len(),
            units::lasting(total),
            units::lasting(longest.to - longest.from),
            place(b, Some(*song), longest.from),
            named(longest)
        )
    };
    let evidence = gaps
        .iter()
        .take(6)
        .map(|(song, g)| Evidence {
            text: format!("{} for {}: {}", place(b, Some(*song), g.from), units::lasting(g.to - g.from), named(g)),
            event: None,
            song: Some(*song),
            at: Some(g.from),
        })
        .collect();
    let priority = if total >= Span::from_secs(60) { Priority::High } else { Priority::Medium };
    out.push(Finding { priority, code: "no-standby", text, evidence });
}

fn named(g: &super::model::Gap) -> String {
    match g.machine {
        Some(m) => format!("{m} was {}: {}", fitness_word(g.fitness), g.why),
        None => g.why.clone(),
    }
}

/// How fitness is said in a sentence.
pub(super) const fn fitness_word(f: Fitness) -> &'static str {
    match f {
        Fitness::Unknown => "unknown",
        Fitness::Fit => "fit",
        Fitness::Degraded => "degraded",
        Fitness::Unfit => "unfit",
        Fitness::OutOfService => "out of service",
    }
}

fn far_apart(b: &Basis, out: &mut Vec<Finding>) {
    let Limits { warning, candidate, baseline, .. } = b.show.meta.limits;
    let zero = baseline.unwrap_or(Span::ZERO);
    let Some((song, pair)) = worst_pair(b) else { return };
    let worst = pair.worst.unwrap_or(Span::ZERO);
    let away = (worst - zero).abs();
    if away <= warning {
        return;
    }
    let over =
        b.songs.iter().filter(|s| s.pairs.iter().any(|p| p.worst.is_some_and(|w| (w - zero).abs() > warning))).count();
    let limit = if away > candidate { candidate } else { warning };
    let from = if baseline.is_some() { " from the baseline" } else { "" };
    let text = format!(
        "A and {} were up to {} apart{from} in {}; past the limit of {} in {}.",
        pair.machine,
        units::plain_ms(away),
        place(b, Some(song), pair.worst_at.unwrap_or(Span::ZERO)),
        units::plain_ms(warning),
        units::counted(over, "song", "songs")
    );
    out.push(Finding {
        priority: if away > candidate { Priority::High } else { Priority::Medium },
        code: "far-apart",
        text,
        evidence: vec![Evidence {
            text: format!(
                "offset {} \u{b1} {}; limit {}",
                units::signed_ms(worst),
                pair.bound.map_or_else(|| "?".to_owned(), units::plain_ms),
                units::plain_ms(limit)
            ),
            event: None,
            song: Some(song),
            at: pair.worst_at,
        }],
    });
}

fn steps(b: &Basis, out: &mut Vec<Finding>) {
    let found: Vec<(usize, &PairReport, &super::model::StepReport)> = b
        .songs
        .iter()
        .enumerate()
        .flat_map(|(i, s)| s.pairs.iter().flat_map(move |p| p.steps.iter().map(move |st| (i, p, st))))
        .collect();
    let Some((song, pair, largest)) = found.iter().max_by_key(|(.., s)| s.by.abs()) else { return };
    let count = match found.len() {
        1 => "once, by".to_owned(),
        n => format!("{n} times, at most by"),
    };
    let text = format!(
        "The offset of A and {} stepped {count} {}, in {}.",
        pair.machine,
        units::signed_ms(largest.by),
        place(b, Some(*song), largest.at)
    );
    let evidence = found
        .iter()
        .take(6)
        .map(|(song, p, s)| Evidence {
            text: format!("{} against A: {} in {}", p.machine, units::signed_ms(s.by), place(b, Some(*song), s.at)),
            event: None,
            song: Some(*song),
            at: Some(s.at),
        })
        .collect();
    out.push(Finding { priority: Priority::Low, code: "steps", text, evidence });
}

fn on_air_dropouts(b: &Basis, out: &mut Vec<Finding>) {
    let found: Vec<(usize, &super::model::DropoutReport)> = b
        .songs
        .iter()
        .enumerate()
        .flat_map(|(i, s)| s.dropouts.iter().filter(|d| d.on_air).map(move |d| (i, d)))
        .collect();
    let Some((song, longest)) = found.iter().max_by_key(|(_, d)| d.length) else { return };
    let text = format!(
        "{} on air; the longest, {}, in {}: {} {}.",
        units::counted(found.len(), "dropout", "dropouts"),
        units::lasting(longest.length),
        place(b, Some(*song), longest.from),
        longest.machine,
        longest.what
    );
    let evidence = found
        .iter()
        .take(6)
        .map(|(song, d)| Evidence {
            text: format!(
                "{} {} for {} in {}",
                d.machine,
                d.what,
                units::lasting(d.length),
                place(b, Some(*song), d.from)
            ),
            event: None,
            song: Some(*song),
            at: Some(d.from),
        })
        .collect();
    out.push(Finding { priority: Priority::Medium, code: "on-air-dropouts", text, evidence });
}

/// Ends with a full stop, begins with a capital.
pub(super) fn sentence(text: &str) -> String {
    let text = text.trim();
    let mut chars = text.chars();
    let mut out: String = chars.next().map(|c| c.to_uppercase().collect()).unwrap_or_default();
    out.push_str(chars.as_str());
    if !out.ends_with(['.', '!', '?']) {
        out.push('.');
    }
    out
}
