//! Clips: which machine's channel reached full scale, how often and how high.

use std::collections::BTreeMap;

use base::{Machine, Span};

use super::acts::song_at;
use super::findings::{Basis, place};
use super::model::{Evidence, Finding};
use super::units;
use crate::detail;
use crate::detail::Priority;

/// All of one channel of a show.
#[derive(Default)]
struct Clipped {
    samples: u64,
    times: usize,
    highest: f64,
    first: Option<(Span, base::EventId)>,
}

/// A channel that clipped wants a lower level before the next show; whoever was on air, the sound is in the session.
pub(super) fn clipped(b: &Basis, out: &mut Vec<Finding>) {
    let mut all: BTreeMap<(Machine, String), Clipped> = BTreeMap::new();
    for e in b.show.events.iter().filter(|e| e.event.code == "clipped") {
        let Ok(d) = serde_json::from_value::<detail::Clipped>(e.event.detail.clone()) else { continue };
        let Some(m) = e.event.machine else { continue };
        let name =
            d.name.filter(|n| !n.is_empty()).map_or_else(|| format!("channel {}", d.channel), |n| format!("`{n}`"));
        let c = all.entry((m, name)).or_insert_with(|| Clipped { highest: f64::NEG_INFINITY, ..Clipped::default() });
        c.samples += u64::from(d.clipped);
        c.times += 1;
        c.highest = c.highest.max(d.highest.0);
        let t = b.show.since_start(e.id.epoch, e.event.at);
        c.first = c.first.filter(|f| f.0 <= t).or(Some((t, e.id)));
    }
    let Some(((m, name), worst)) = all.iter().max_by_key(|(_, c)| c.samples) else { return };
    let samples = |c: &Clipped| units::counted(usize::try_from(c.samples).unwrap_or(usize::MAX), "sample", "samples");
    let text = format!(
        "{} clipped; most {m}'s {name}: {} at full scale, true peak up to {:.1} dBTP.",
        units::counted(all.len(), "channel", "channels"),
        samples(worst),
        worst.highest
    );
    let evidence = all
        .iter()
        .filter_map(|((m, name), c)| {
            let (at, event) = c.first?;
            let song = song_at(b.songs, at);
            let times = units::counted(c.times, "time", "times");
            let text = format!("{m}'s {name}: {} {times}, first in {}", samples(c), place(b, song, at));
            Some(Evidence { text, event: Some(event), song, at: Some(at) })
        })
        .take(6)
        .collect();
    out.push(Finding { priority: Priority::Low, code: "clipped", text, evidence });
}
