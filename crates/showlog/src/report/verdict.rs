//! Did it hold? The first sentence of the report, and what it rests on.

use base::{Machine, Span, SwitchView};

use super::findings::{Basis, place, worst_pair};
use super::model::{ChangeoverReport, Evidence, Held, Verdict};
use super::song::missing;
use super::units;

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
