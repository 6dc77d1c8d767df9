//! What stands behind an alarm that speaks of codes or of sound: which code reads what, which channel sounds how.

use base::{Machine, MonoTime, ShowPosition, TransportState};
use rig::AlarmCode;
use timecode::Timecode;
use watch::WatchView;
use watch::likeness::Likeness;

use super::State;
use super::channels::worth_of_comparison;
use crate::parity::ParityVerdict;

/// A sentence such as "A's LTC reads 01:02:03:04, its MTC 01:02:05:09."; none while fewer than two codes roll.
fn side_by_side(view: &WatchView, m: Machine, now: MonoTime) -> Option<String> {
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

/// An alarm's particulars at this moment; none where its own sentence says all.
pub fn particulars(state: &State, code: AlarmCode, m: Option<Machine>, now: MonoTime) -> Option<String> {
    let m = m?;
    let heard = |wanted: fn(&Likeness) -> bool| {
        // Unlikeness is kept with the machine that is not the reference, whichever of the two stands by.
        let of = state.likeness.iter().filter(|((_, i), _)| m == Machine::A || *i == m);
        let words: Vec<_> =
            of.filter(|(_, l)| wanted(l)).map(|((channel, i), l)| l.say(*i, Machine::A, channel)).collect();
        (!words.is_empty()).then(|| words.join(" "))
    };
    match code {
        AlarmCode::CodesContradict => side_by_side(state.view.as_ref()?, m, now),
        AlarmCode::SoundDiffers => heard(Likeness::is_trouble),
        AlarmCode::ChannelShift => moved(state, m),
        AlarmCode::NeverAlike => heard(|l| *l == Likeness::NeverAlike),
        AlarmCode::SessionDiffers => folders(state, m, false),
        AlarmCode::SessionStale => folders(state, m, true),
        _ => None,
    }
}

/// Which channels come where others should be.
fn moved(state: &State, m: Machine) -> Option<String> {
    let by = state.view.as_ref()?.machines.get(m.index())?.moved_by?;
    let names = state.channels.get(&m.into())?;
    let pairs: Vec<_> =
        names.iter().zip(names.iter().skip(by)).map(|(is, place)| format!("{is} where {place} should be")).collect();
    (!pairs.is_empty())
        .then(|| format!("Against its twin's, {m}'s channels come {by} further on: {}.", pairs.join(", ")))
}

/// Which channels that an alarm speaks of were not compared of late: that they are not heard any more mends nothing.
pub fn not_compared(state: &State, code: AlarmCode, m: Option<Machine>, now: MonoTime) -> Option<String> {
    let m = m.filter(|_| code == AlarmCode::SoundDiffers)?;
    let of = state.likeness.iter().filter(|((_, i), l)| (m == Machine::A || *i == m) && l.is_trouble());
    let old = of.filter_map(|((channel, i), _)| {
        let names = state.channels.get(&(*i).into()).map_or(&[][..], Vec::as_slice);
        let age = now - state.heard.compared_at(channel, *i)?;
        (age > worth_of_comparison(names)).then_some((channel, age))
    });
    let (channels, ages): (Vec<_>, Vec<_>) = old.map(|(c, age)| (format!("`{c}`"), age)).unzip();
    let newest = ages.into_iter().min()?;
    let minutes = newest.nanos() / 60_000_000_000;
    let long = if minutes == 0 { "a moment".into() } else { format!("{minutes} min") };
    Some(format!("Not compared for {long}: {}.", channels.join(", ")))
}

/// What the comparison of folders says of a machine.
fn folders(state: &State, m: Machine, stale: bool) -> Option<String> {
    let of = |l: &&crate::parity::ParityLine| {
        l.machine.0 == m && (l.verdict == ParityVerdict::Stale) == stale && l.verdict <= ParityVerdict::Stale
    };
    let words: Vec<_> = state.parity.iter().filter(of).map(|l| l.text.clone()).collect();
    (!words.is_empty()).then(|| words.join(" "))
}

/// An alarm's sentence with its particulars as they were when it was raised.
pub fn with(text: String, particulars: Option<&String>) -> String {
    match particulars {
        Some(p) => format!("{text} {p}"),
        None => text,
    }
}
