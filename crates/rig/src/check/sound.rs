//! What is heard while a passage rolls: code, offset and drift, and the sound itself.

use base::{Machine, Span};

use super::{ChannelSeen, Found, Likeness, Limits, PairSeen, Seen, Verdict, together};

const NOT_ROLLED: &str = "nothing rolled";

/// Pilots, where any is configured.
pub fn pilot(seen: &Seen, _: &Limits) -> Found {
    let with: Vec<_> = seen.machines.iter().filter_map(|m| Some((m.machine, m.pilot?))).collect();
    if with.is_empty() {
        return Found::untested("no machine has a pilot tone");
    }
    let parts = with.into_iter().map(|(m, on)| match on {
        true => (m, Verdict::Pass, "heard".into()),
        false => (m, Verdict::Fail, "not heard".into()),
    });
    together(parts.collect())
}

/// Every code that a machine has, rolled.
pub fn timecode(seen: &Seen, _: &Limits) -> Found {
    if !seen.rolled {
        return Found::untested(NOT_ROLLED);
    }
    let parts = seen.machines.iter().filter(|m| m.heard).map(|m| {
        let names = |rolled: bool| -> Vec<&str> {
            m.codes.iter().filter(|c| c.rolled == rolled).map(|c| c.source.name()).collect()
        };
        let (on, off) = (names(true), names(false));
        match (on.is_empty(), off.is_empty()) {
            (true, _) => (m.machine, Verdict::Fail, "no timecode".into()),
            (false, false) => {
                (m.machine, Verdict::Fail, format!("{} rolls, {} does not", on.join(", "), off.join(", ")))
            }
            (false, true) => (m.machine, Verdict::Pass, on.join(", ")),
        }
    });
    let parts: Vec<_> = parts.collect();
    // A code that one machine has and another has not at all.
    let all: Vec<_> = seen.machines.iter().filter(|m| m.heard).collect();
    let lacks = all.iter().find_map(|m| {
        let theirs = all.iter().flat_map(|o| &o.codes).find(|c| !m.codes.iter().any(|own| own.source == c.source))?;
        (!m.codes.is_empty()).then_some((m.machine, theirs.source.name()))
    });
    let found = together(parts);
    match lacks {
        Some((m, code)) if found.verdict == Verdict::Pass => Found::fail(format!("{m}: no {code}")).about([m]),
        _ => found,
    }
}

/// No machine's codes contradict each other.
pub fn codes_agree(seen: &Seen, _: &Limits) -> Found {
    if !seen.rolled {
        return Found::untested(NOT_ROLLED);
    }
    let at_odds: Vec<Machine> = seen.machines.iter().filter(|m| m.codes_contradict).map(|m| m.machine).collect();
    if at_odds.is_empty() {
        return Found::pass("they do");
    }
    let names: Vec<String> = at_odds.iter().map(ToString::to_string).collect();
    Found::fail(format!("{}: its codes are in different places", names.join(", "))).about(at_odds)
}

fn pairs(seen: &Seen, unknown: &str, part: impl Fn(&PairSeen) -> Option<(Verdict, String)>) -> Found {
    if !seen.rolled {
        return Found::untested(NOT_ROLLED);
    }
    let heard = |p: &&PairSeen| seen.machines.iter().any(|m| m.machine == p.machine && m.heard);
    let parts = seen.pairs.iter().filter(heard).map(|p| {
        let (verdict, words) = part(p).unwrap_or((Verdict::NotTested, unknown.into()));
        (p.machine, verdict, words)
    });
    let parts: Vec<_> = parts.collect();
    if parts.is_empty() { Found::untested("there is no other machine to compare with") } else { together(parts) }
}

fn apart(by: Span, warn: Span, fail: Span) -> Verdict {
    match by.abs() {
        b if b > fail => Verdict::Fail,
        b if b > warn => Verdict::Warn,
        _ => Verdict::Pass,
    }
}

/// Who is ahead, by how much: positive, the first machine is.
fn ahead(by: Span) -> String {
    format!("{:.1} ms {} A", by.abs().millis_f64(), if by.is_negative() { "ahead of" } else { "behind" })
}

/// Both began together.
pub fn start_skew(seen: &Seen, l: &Limits) -> Found {
    pairs(seen, "the start was not heard", |p| {
        let by = p.start_skew?;
        Some((apart(by, l.skew_warn, l.in_step), ahead(by)))
    })
}

/// Both are together.
pub fn offset(seen: &Seen, l: &Limits) -> Found {
    pairs(seen, "no offset could be measured", |p| {
        let (by, bound) = p.offset?;
        let words = format!("{}, \u{b1}{:.2} ms", ahead(by), bound.millis_f64());
        Some((apart(by, l.skew_warn, l.in_step), words))
    })
}

/// Both stay together. Over a song of length `L` a drift of `d` ppm moves the offset by `d L / 10^6`.
pub fn drift(seen: &Seen, l: &Limits) -> Found {
    let longest = seen.longest_song.unwrap_or(l.longest_song);
    pairs(seen, "it did not roll long enough", |p| {
        let (rate, plus_minus) = p.drift?;
        let growth = longest.scaled(rate.abs().0 * 1e-6);
        let verdict = match () {
            () if growth > l.in_step => Verdict::Fail,
            // What may as well be none is none.
            () if rate.abs().0 > l.drift_warn.0 && rate.abs().0 > 2.0 * plus_minus.0 => Verdict::Warn,
            () => Verdict::Pass,
        };
        let words =
            format!("{:+.1} \u{b1} {:.1} ppm, {:.1} ms in the longest song", rate.0, plus_minus.0, growth.millis_f64());
        Some((verdict, words))
    })
}

/// Channels of a pair that are not as they should be, in one part.
fn channels(
    seen: &Seen,
    good: &str,
    unknown: &str,
    judge: impl Fn(&PairSeen, &ChannelSeen) -> Option<(Verdict, String)>,
) -> Found {
    pairs(seen, unknown, |p| {
        let each: Vec<(Verdict, String)> =
            p.channels.iter().filter_map(|c| judge(p, c).map(|(v, w)| (v, format!("`{}` {w}", c.name)))).collect();
        let worst = each.iter().map(|(v, _)| *v).max()?;
        let words = match worst {
            Verdict::Pass => format!("{} channels {good}", each.len()),
            _ => each.iter().filter(|(v, _)| *v == worst).map(|(_, w)| w.clone()).collect::<Vec<_>>().join(", "),
        };
        Some((worst, words))
    })
}

/// Every channel sounds like its twin.
pub fn alike(seen: &Seen, _: &Limits) -> Found {
    channels(seen, "alike", "no channel could be compared", |_, c| {
        Some(match &c.likeness {
            Likeness::Same | Likeness::Inverted => (Verdict::Pass, "alike".into()),
            Likeness::NeverAlike => {
                (Verdict::Warn, "never sounds the same: an effect that draws lots, or another print".into())
            }
            Likeness::Silent => (Verdict::Fail, "is silent where A's is not".into()),
            Likeness::Alone => (Verdict::Fail, "sounds where A's is silent".into()),
            Likeness::Other => (Verdict::Fail, "is another sound".into()),
            Likeness::Another(name) => (Verdict::Fail, format!("carries what A's {name} does")),
        })
    })
}

/// As loud as its twin.
pub fn level(seen: &Seen, l: &Limits) -> Found {
    channels(seen, "within the limit", "no channel could be compared", |_, c| {
        let by = c.level?;
        let verdict = if by.abs().0 > l.level.0 { Verdict::Fail } else { Verdict::Pass };
        Some((verdict, format!("{:+.1} dB", by.0)))
    })
}

/// Not inverted.
pub fn polarity(seen: &Seen, _: &Limits) -> Found {
    channels(seen, "the same", "no channel could be compared", |_, c| match c.likeness {
        Likeness::Same => Some((Verdict::Pass, "the same".into())),
        Likeness::Inverted => Some((Verdict::Fail, "is inverted".into())),
        _ => None,
    })
}

/// Sound and code tell the same offset. Only told where the offset of the code is known.
pub fn lag(seen: &Seen, l: &Limits) -> Found {
    channels(seen, "where the code says", "no channel tells its lag", |p, c| {
        let (lag, (code, _)) = (c.lag?, p.offset?);
        let late = lag - code;
        let verdict = if late.abs() > l.lag { Verdict::Fail } else { Verdict::Pass };
        let word = if late.is_negative() { "before" } else { "after" };
        Some((verdict, format!("{:.1} ms {word} its code", late.abs().millis_f64())))
    })
}

/// No holes in the sound.
pub fn dropouts(seen: &Seen, l: &Limits) -> Found {
    if !seen.rolled {
        return Found::untested(NOT_ROLLED);
    }
    let parts = seen.machines.iter().filter(|m| m.heard).map(|m| match m.dropouts {
        None => (m.machine, Verdict::NotTested, "it has no ears".into()),
        Some(0) => (m.machine, Verdict::Pass, "none".into()),
        Some(n) if n > l.dropouts => (m.machine, Verdict::Fail, n.to_string()),
        Some(n) => (m.machine, Verdict::Warn, n.to_string()),
    });
    together(parts.collect())
}

/// Every machine sent the same patches in the same order.
pub fn patches(seen: &Seen, _: &Limits) -> Found {
    let heard: Vec<_> = seen.machines.iter().filter(|m| m.heard).collect();
    if heard.iter().all(|m| m.patches.is_empty()) {
        return Found::untested("no patch was heard");
    }
    let Some((first, others)) = heard.split_first() else { return Found::untested("no machine is heard") };
    let differing: Vec<_> = others.iter().filter(|o| o.patches != first.patches).collect();
    if differing.is_empty() {
        return Found::pass(format!("{} the same", first.patches.len()));
    }
    let words: Vec<String> = differing
        .iter()
        .map(|o| {
            let at = o.patches.iter().zip(&first.patches).take_while(|(a, b)| a == b).count();
            let say = |p: Option<&super::PatchSeen>| {
                p.map_or("nothing".into(), |p| format!("program {} on channel {}", p.program, p.channel))
            };
            format!("{}: {} where A sent {}", o.machine, say(o.patches.get(at)), say(first.patches.get(at)))
        })
        .collect();
    Found::fail(words.join("; ")).about(differing.iter().map(|o| o.machine))
}
