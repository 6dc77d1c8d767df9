//! The first page: did it hold, what nearly went wrong, and what to fix before tomorrow, each with what it rests on.

use base::{Machine, Ppm, Span, SwitchView};

use super::model::{
    AlarmReport, ChangeoverReport, Evidence, Finding, Held, PairReport, Patches, RefusalReport, SongReport, Verdict,
};
use super::runs::Timed;
use super::song::missing;
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

/// Sound missing on air for this long was heard (an opinion: shorter gaps are told as dropouts).
const HEARD: Span = Span::from_millis(500);

/// A stretch in which the machine on air was failing.
struct Trouble {
    machine: Machine,
    song: usize,
    from: Span,
    to: Span,
    what: &'static str,
}

fn troubles(b: &Basis) -> Vec<Trouble> {
    let mut out: Vec<Trouble> = Vec::new();
    for (song, s) in b.songs.iter().enumerate() {
        let from = b.all.partition_point(|x| x.t < s.from);
        for x in b.all[from..].iter().take_while(|x| x.t <= s.to) {
            let SwitchView::On(air) = x.s.on_air else { continue };
            let Some(what) = x.s.machines.get(air.index()).and_then(missing) else { continue };
            match out.last_mut() {
                Some(t) if t.machine == air && t.what == what && x.t - t.to <= HEARD => t.to = x.t,
                _ => out.push(Trouble { machine: air, song, from: x.t, to: x.t, what }),
            }
        }
    }
    out
}

fn place(b: &Basis, song: Option<usize>, t: Span) -> String {
    match song.and_then(|i| b.songs.get(i)) {
        Some(s) => format!("{} at {}", s.name, units::clock(t - s.from + s.song_at.unwrap_or(Span::ZERO))),
        None => format!("{} into the show, between songs", units::clock(t)),
    }
}

/// Did it hold?
pub(super) fn verdict(b: &Basis) -> Verdict {
    let evidence_of = |c: &ChangeoverReport| Evidence {
        text: format!("changeover to {} in {}", c.to, place(b, c.song, c.at)),
        event: Some(c.event),
        song: c.song,
        at: Some(c.at),
    };
    if b.songs.is_empty() {
        let sentence = "Nothing can be said: the record has no song in it.".to_owned();
        return Verdict { held: Held::Unknown, sentence, evidence: Vec::new() };
    }
    let unconfirmed: Vec<&ChangeoverReport> = b.changeovers.iter().filter(|c| c.confirmed == Some(false)).collect();
    let audible: Vec<Trouble> = troubles(b)
        .into_iter()
        .filter(|t| {
            t.to - t.from >= HEARD
                && (t.what.starts_with("audio") || t.what.starts_with("silent") || t.what.starts_with("noise"))
        })
        .collect();
    if let Some(t) = audible.first() {
        let sentence = format!(
            "It did not hold: {} was on air with {} for {} in {}.",
            t.machine,
            if t.what == "audio ceased" {
                "no audio"
            } else if t.what.starts_with("silent") {
                "silence on all channels"
            } else {
                "noise, DC or not-a-number"
            },
            units::lasting(t.to - t.from),
            place(b, Some(t.song), t.from)
        );
        let evidence = audible
            .iter()
            .map(|t| Evidence {
                text: format!(
                    "{}: {} for {} in {}",
                    t.machine,
                    t.what,
                    units::lasting(t.to - t.from),
                    place(b, Some(t.song), t.from)
                ),
                event: None,
                song: Some(t.song),
                at: Some(t.from),
            })
            .collect();
        return Verdict { held: Held::No, sentence, evidence };
    }
    if let Some(c) = unconfirmed.first() {
        let sentence = format!(
            "It may not have held: the changeover to {} in {} was never confirmed.",
            c.to,
            place(b, c.song, c.at)
        );
        return Verdict { held: Held::No, sentence, evidence: unconfirmed.iter().map(|c| evidence_of(c)).collect() };
    }
    let by_itself: Vec<&ChangeoverReport> =
        b.changeovers.iter().filter(|c| c.by.is_none() && c.confirmed == Some(true)).collect();
    if let Some(c) = by_itself.first() {
        let total = [c.verdict_after, c.sent_after, c.confirmed_after].into_iter().flatten().sum::<Span>();
        let sentence = if by_itself.len() == 1 {
            format!(
                "It held, by a changeover: {} took over from {} in {}, {} after the {}.",
                c.to,
                c.from.map_or_else(|| "the other machine".to_owned(), |m| m.to_string()),
                place(b, c.song, c.at),
                units::plain_ms(total),
                if c.verdict_after.is_some() { "first evidence" } else { "verdict" }
            )
        } else {
            format!("It held, by {} changeovers; the first was in {}.", by_itself.len(), place(b, c.song, c.at))
        };
        return Verdict {
            held: Held::ByChangeover,
            sentence,
            evidence: by_itself.iter().map(|c| evidence_of(c)).collect(),
        };
    }
    if let Some(t) = troubles(b).iter().find(|t| t.to - t.from >= Span::from_secs(2)) {
        let sentence = format!(
            "Nobody can say from here: {} was on air and {} for {} in {}.",
            t.machine,
            t.what,
            units::lasting(t.to - t.from),
            place(b, Some(t.song), t.from)
        );
        let evidence = vec![Evidence { text: t.what.to_owned(), event: None, song: Some(t.song), at: Some(t.from) }];
        return Verdict { held: Held::Unknown, sentence, evidence };
    }
    held(b)
}

fn held(b: &Basis) -> Verdict {
    let shares: Vec<(f64, usize)> = b.songs.iter().filter_map(|s| Some((s.standby.fit?, s.samples))).collect();
    let total: usize = shares.iter().map(|s| s.1).sum();
    let fit = shares.iter().map(|(share, n)| share * *n as f64).sum::<f64>() / total.max(1) as f64;
    let standby = if total == 0 {
        "what was on air is not known".to_owned()
    } else {
        format!("a standby was fit for {} of the playing time", units::percent(fit))
    };
    let by_hand = b.changeovers.iter().filter(|c| c.by.is_some()).count();
    let moved = match by_hand {
        0 => "no changeover was needed".to_owned(),
        n => format!("{} made by hand", units::counted(n, "changeover was", "changeovers were")),
    };
    let sentence = format!("It held: {}, {moved}, {standby}.", units::counted(b.songs.len(), "song", "songs"));
    let mut evidence = Vec::new();
    if let Some((song, pair)) = worst_pair(b) {
        evidence.push(Evidence {
            text: format!(
                "largest offset {} ({}), in {}",
                units::signed_ms(pair.worst.unwrap_or(Span::ZERO)),
                pair.machine,
                place(b, Some(song), pair.worst_at.unwrap_or(Span::ZERO))
            ),
            event: None,
            song: Some(song),
            at: pair.worst_at,
        });
    }
    Verdict { held: if total == 0 { Held::Unknown } else { Held::Held }, sentence, evidence }
}

fn worst_pair<'a>(b: &'a Basis) -> Option<(usize, &'a PairReport)> {
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

/// What to fix before tomorrow: alarms with a mend first, then what the figures say.
pub(super) fn fixes(b: &Basis) -> Vec<Finding> {
    let mut out: Vec<Finding> = Vec::new();
    for a in b.alarms {
        let Some(mend) = &a.mend else { continue };
        let cause = a.cause.as_ref().map_or_else(String::new, |c| format!(" Likely cause: {}", sentence(c)));
        out.push(Finding {
            priority: a.priority,
            code: "mend",
            text: format!("{}{cause}", sentence(mend)),
            evidence: vec![Evidence {
                text: a.text.clone(),
                event: Some(a.event),
                song: super::acts::song_at(b.songs, a.first),
                at: Some(a.first),
            }],
        });
    }
    start_skews(b, &mut out);
    drifts(b, &mut out);
    hosts(b, &mut out);
    record(b, &mut out);
    if let Some(p) = b.patches.missed.first() {
        out.push(Finding {
            priority: Priority::Medium,
            code: "patches-missed",
            text: format!(
                "Look at the outboard: {} missed, the first in {}.",
                units::counted(b.patches.missed.len(), "patch was", "patches were"),
                place(b, p.song, p.at)
            ),
            evidence: b
                .patches
                .missed
                .iter()
                .take(6)
                .map(|p| Evidence { text: p.text.clone(), event: Some(p.event), song: p.song, at: Some(p.at) })
                .collect(),
        });
    }
    out.sort_by_key(|f| std::cmp::Reverse(f.priority));
    out
}

fn start_skews(b: &Basis, out: &mut Vec<Finding>) {
    let limits = b.show.meta.limits;
    let zero = limits.baseline.unwrap_or(Span::ZERO);
    for machine in Machine::first(b.show.meta.machines.len().max(2)).skip(1) {
        let late: Vec<(usize, Span)> = b
            .songs
            .iter()
            .enumerate()
            .filter_map(|(i, s)| Some((i, s.pairs.iter().find(|p| p.machine == machine)?.start_skew?)))
            .filter(|(_, skew)| (*skew - zero).abs() > limits.warning)
            .collect();
        let Some((_, worst)) = late.iter().max_by_key(|(_, s)| (*s - zero).abs()) else { continue };
        out.push(Finding {
            priority: Priority::Medium,
            code: "start-skew",
            text: format!(
                "Look at how {machine} is started: {} began more than {} apart, at worst {}.",
                units::counted(late.len(), "song", "songs"),
                units::plain_ms(limits.warning),
                units::signed_ms(*worst)
            ),
            evidence: late
                .iter()
                .take(6)
                .map(|(i, skew)| Evidence {
                    text: format!("{}: start skew {}", b.songs[*i].name, units::signed_ms(*skew)),
                    event: None,
                    song: Some(*i),
                    at: Some(b.songs[*i].from),
                })
                .collect(),
        });
    }
}

/// Free-running crystals of computers lie within some tens of ppm of each other (common practice, no source): what
/// matters is whether a song is long enough for the drift to reach the warning.
fn drifts(b: &Basis, out: &mut Vec<Finding>) {
    let warning = b.show.meta.limits.warning;
    let longest = b.songs.iter().map(|s| s.to - s.from).max().unwrap_or(Span::ZERO);
    for machine in Machine::first(b.show.meta.machines.len().max(2)).skip(1) {
        let all: Vec<(f64, f64)> = b
            .songs
            .iter()
            .filter_map(|s| s.pairs.iter().find(|p| p.machine == machine)?.drift)
            .filter(|d| d.uncertainty.0 > 0.0)
            .map(|d| (d.drift.0, d.uncertainty.0.max(0.01)))
            .collect();
        if all.is_empty() {
            continue;
        }
        // Songs weigh by the certainty of their drift.
        let weight: f64 = all.iter().map(|(_, u)| 1.0 / (u * u)).sum();
        let drift = all.iter().map(|(d, u)| d / (u * u)).sum::<f64>() / weight;
        let over_longest = longest.scaled(drift.abs() * 1e-6);
        if over_longest > warning.divided(2) {
            out.push(Finding {
                priority: if over_longest > warning { Priority::Medium } else { Priority::Low },
                code: "drift",
                text: format!(
                    "The clocks of A and {machine} run {} apart: {} over the longest song. One word clock for both, or a resync between songs, ends that.",
                    Ppm(drift.abs()),
                    units::plain_ms(over_longest)
                ),
                evidence: vec![Evidence { text: format!("{} \u{b1} {:.2} ppm over {}", units::signed(drift, 2, "").trim_end(), 1.0 / weight.sqrt(), units::counted(all.len(), "song", "songs")), event: None, song: None, at: None }],
            });
        }
    }
}

fn hosts(b: &Basis, out: &mut Vec<Finding>) {
    use crate::words::MachineSample as M;
    const WHAT: [(u8, Priority, &str, &str); 4] = [
        (M::ON_BATTERY, Priority::High, "ran on its battery", "Plug it in"),
        (M::HOT, Priority::Medium, "was hot", "Give it air"),
        (M::DISK_LOW, Priority::Medium, "had little room on its disk", "Make room"),
        (M::PROCESSOR_HIGH, Priority::Low, "had a busy processor", "See what else runs on it"),
    ];
    for machine in Machine::first(b.show.meta.machines.len()) {
        for (bit, priority, what, mend) in WHAT {
            let with: Vec<&Timed> =
                b.all.iter().filter(|x| x.s.machines.get(machine.index()).is_some_and(|m| m.host & bit != 0)).collect();
            let Some(first) = with.first() else { continue };
            let share = with.len() as f64 / b.all.len() as f64;
            let song = super::acts::song_at(b.songs, first.t);
            out.push(Finding {
                priority,
                code: "host",
                text: format!("{mend}: {machine} {what} for {} of the show.", units::percent(share)),
                evidence: vec![Evidence {
                    text: format!("first in {}", place(b, song, first.t)),
                    event: None,
                    song,
                    at: Some(first.t),
                }],
            });
        }
    }
}

fn record(b: &Basis, out: &mut Vec<Finding>) {
    if b.show.epochs.len() > 1 {
        let starts: Vec<Evidence> = b.show.epochs[1..]
            .iter()
            .map(|e| {
                let t = b.show.since_start(e.epoch, e.mono);
                let song = super::acts::song_at(b.songs, t);
                Evidence { text: format!("started again in {}", place(b, song, t)), event: None, song, at: Some(t) }
            })
            .collect();
        out.push(Finding {
            priority: Priority::Medium,
            code: "restarted",
            text: format!(
                "Find out why the supervisor was restarted {}.",
                if starts.len() == 1 { "once".to_owned() } else { format!("{} times", starts.len()) }
            ),
            evidence: starts,
        });
    }
    if !b.show.damage.is_empty() {
        out.push(Finding {
            priority: Priority::Medium,
            code: "record-damaged",
            text: "Check the supervisor's disk: the record of this show is damaged.".to_owned(),
            evidence: b.show.damage.iter().map(|d| Evidence { text: d.clone(), ..Evidence::default() }).collect(),
        });
    }
}

/// Ends with a full stop, begins with a capital.
fn sentence(text: &str) -> String {
    let text = text.trim();
    let mut chars = text.chars();
    let mut out: String = chars.next().map(|c| c.to_uppercase().collect()).unwrap_or_default();
    out.push_str(chars.as_str());
    if !out.ends_with(['.', '!', '?']) {
        out.push('.');
    }
    out
}
