//! What a machine's position codes read, side by side, for an alarm that they contradict each other.

use base::{Machine, MonoTime, ShowPosition, TransportState};
use timecode::Timecode;
use watch::WatchView;

/// A sentence such as "A's LTC reads 01:02:03:04, its MTC 01:02:05:09."; none while fewer than two codes roll.
pub fn side_by_side(view: &WatchView, m: Machine, now: MonoTime) -> Option<String> {
    let figures = view.machines.get(m.index())?;
    let beat = figures.beat.as_ref()?;
    let there = base::RemoteTime::of_sender(now + figures.clock.offset);
    let rolling = beat.positions.iter().filter(|p| p.state == TransportState::Rolling);
    let mut read = rolling.filter_map(|p| match p.carried_to(there) {
        ShowPosition::Timecode { rate, at } => {
            Some(format!("{} reads {} at {}", p.source.name(), Timecode::at(rate, at).0, rate.name()))
        }
        ShowPosition::Song { number, at } => {
            Some(format!("{} says {:.1} s into song {number}", p.source.name(), at.secs_f64()))
        }
        ShowPosition::Clocks { .. } => None,
    });
    let (first, second) = (read.next()?, read.next()?);
    Some(format!("{m}'s {first}, its {second}."))
}

/// An alarm's sentence and what the codes read when it was raised.
pub fn with_codes(text: String, read: Option<&String>) -> String {
    match read {
        Some(read) if !read.is_empty() => format!("{text} {read}"),
        _ => text,
    }
}
