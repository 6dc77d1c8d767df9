//! What to fix before the next show: what the alarms themselves say, and what the figures say.

use base::{Machine, Ppm, Span};

use super::findings::{Basis, place, sentence};
use super::model::{Evidence, Finding};
use super::runs::Timed;
use super::units;
use crate::detail::Priority;

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
