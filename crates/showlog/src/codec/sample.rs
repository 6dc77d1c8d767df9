//! The columns of a sample, in the order in which they are written. Append only.
//!
//! Steps of the numbers: instants 1 µs, offsets and their bounds 100 ns, song time and jumps 10 µs, drift 1 ppb, levels
//! 0.01 dB. Each is far below what is measured.

use base::{
    AudioState, ClockState, Db, Dbfs, Heard, Machine, MonoTime, PlayerState, Ppm, Span, SwitchView, TransportState,
};

use crate::words::{Fitness, MachineSample, Mode, Sample};

/// One number of a `T`: how to take it out and put it back.
pub(super) struct Column<T> {
    pub(super) take: fn(&T) -> Option<i64>,
    pub(super) put: fn(&mut T, Option<i64>),
}

pub(super) const RIG_COLUMNS: &[Column<Sample>] = &[
    Column {
        take: |s| Some((s.at.nanos() / 1_000) as i64),
        put: |s, v| s.at = MonoTime::from_nanos((v.unwrap_or(0).max(0) as u64).saturating_mul(1_000)),
    },
    Column { take: |s| Some(switch_code(s.on_air)), put: |s, v| s.on_air = switch_view(v) },
    Column { take: |s| Some(s.mode as i64), put: |s, v| s.mode = word(&MODES, v) },
    Column { take: |s| Some(i64::from(s.latched)), put: |s, v| s.latched = v == Some(1) },
    Column { take: |s| s.song.map(i64::from), put: |s, v| s.song = number(v) },
    Column { take: |s| s.song_at.map(steps::<10_000>), put: |s, v| s.song_at = v.map(span::<10_000>) },
    Column {
        take: |s| s.takeover.to.map(|m| m.index() as i64),
        put: |s, v| s.takeover.to = number::<u8>(v).and_then(|m| Machine::new(m.into())),
    },
    Column { take: |s| s.takeover.jump.map(steps::<10_000>), put: |s, v| s.takeover.jump = v.map(span::<10_000>) },
    Column { take: |s| s.takeover.level.map(|l| centi(l.0)), put: |s, v| s.takeover.level = v.map(|v| Db(uncenti(v))) },
];

pub(super) const MACHINE_COLUMNS: &[Column<MachineSample>] = &[
    Column { take: |m| Some(m.fitness as i64), put: |m, v| m.fitness = word(&FITNESSES, v) },
    Column { take: |m| Some(m.heard as i64), put: |m, v| m.heard = word(&HEARDS, v) },
    Column { take: |m| Some(m.player as i64), put: |m, v| m.player = word(&PLAYERS, v) },
    Column { take: |m| Some(m.transport as i64), put: |m, v| m.transport = word(&TRANSPORTS, v) },
    Column { take: |m| Some(m.audio as i64), put: |m, v| m.audio = word(&AUDIOS, v) },
    Column { take: |m| Some(m.clock as i64), put: |m, v| m.clock = word(&CLOCKS, v) },
    Column { take: |m| Some(m.paths_alive.into()), put: |m, v| m.paths_alive = number(v).unwrap_or(0) },
    Column { take: |m| m.song.map(i64::from), put: |m, v| m.song = number(v) },
    Column { take: |m| m.offset.map(steps::<100>), put: |m, v| m.offset = v.map(span::<100>) },
    Column { take: |m| m.bound.map(steps::<100>), put: |m, v| m.bound = v.map(span::<100>) },
    Column {
        take: |m| m.drift.map(|d| (d.0 * 1e3).round() as i64),
        put: |m, v| m.drift = v.map(|v| Ppm(v as f64 / 1e3)),
    },
    Column { take: |m| m.peak.map(|l| centi(l.0)), put: |m, v| m.peak = v.map(|v| Dbfs(uncenti(v))) },
    Column { take: |m| m.rms.map(|l| centi(l.0)), put: |m, v| m.rms = v.map(|v| Dbfs(uncenti(v))) },
    Column { take: |m| m.beats_lost.map(i64::from), put: |m, v| m.beats_lost = number(v) },
    Column { take: |m| m.lateness.map(steps::<10_000>), put: |m, v| m.lateness = v.map(span::<10_000>) },
    Column { take: |m| Some(m.host.into()), put: |m, v| m.host = number(v).unwrap_or(0) },
];

// The words by their codes: the codes are the enums' own order, which is append-only; the test below holds the two together.
const MODES: [Mode; 3] = [Mode::Observe, Mode::Propose, Mode::Act];
const FITNESSES: [Fitness; 5] =
    [Fitness::Unknown, Fitness::Fit, Fitness::Degraded, Fitness::Unfit, Fitness::OutOfService];
const HEARDS: [Heard; 6] = [Heard::Never, Heard::Well, Heard::OnePath, Heard::Silent, Heard::AgentLost, Heard::Goodbye];
const PLAYERS: [PlayerState; 3] = [PlayerState::Unknown, PlayerState::Running, PlayerState::Gone];
const TRANSPORTS: [TransportState; 5] = [
    TransportState::Unknown,
    TransportState::Rolling,
    TransportState::Stopped,
    TransportState::Stalled,
    TransportState::Lost,
];
const AUDIOS: [AudioState; 6] = [
    AudioState::Unknown,
    AudioState::Sounding,
    AudioState::Quiet,
    AudioState::Silent,
    AudioState::Ceased,
    AudioState::Wrong,
];
const CLOCKS: [ClockState; 4] =
    [ClockState::Acquiring, ClockState::Tracking, ClockState::Stepped, ClockState::Holdover];

fn word<T: Copy + Default>(words: &[T], code: Option<i64>) -> T {
    code.and_then(|c| usize::try_from(c).ok()).and_then(|c| words.get(c)).copied().unwrap_or_default()
}

fn number<N: TryFrom<i64>>(v: Option<i64>) -> Option<N> {
    v.and_then(|v| N::try_from(v).ok())
}

fn switch_code(view: SwitchView) -> i64 {
    match view {
        SwitchView::Unknown => -1,
        SwitchView::Conflict => -2,
        SwitchView::On(m) => m.index() as i64,
    }
}

fn switch_view(code: Option<i64>) -> SwitchView {
    match code {
        Some(-2) => SwitchView::Conflict,
        other => number::<u8>(other).and_then(|m| Machine::new(m.into())).map_or(SwitchView::Unknown, SwitchView::On),
    }
}

/// A span in steps of `STEP` nanoseconds, rounded to the nearest.
fn steps<const STEP: i64>(s: Span) -> i64 {
    let half = if s.is_negative() { -(STEP / 2) } else { STEP / 2 };
    s.nanos().saturating_add(half) / STEP
}
fn span<const STEP: i64>(v: i64) -> Span {
    Span::from_nanos(v.saturating_mul(STEP))
}

/// Digital silence, minus infinity decibels, is a level of its own and not a very low one.
const SILENCE: i64 = i16::MIN as i64 * 100;

fn centi(db: f64) -> i64 {
    if db == f64::NEG_INFINITY { SILENCE } else { (db * 100.0).round() as i64 }
}
fn uncenti(v: i64) -> f64 {
    if v == SILENCE { f64::NEG_INFINITY } else { v as f64 / 100.0 }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn codes_and_words_agree() {
        assert!(MODES.iter().enumerate().all(|(i, w)| *w as usize == i));
        assert!(FITNESSES.iter().enumerate().all(|(i, w)| *w as usize == i));
        assert!(HEARDS.iter().enumerate().all(|(i, w)| *w as usize == i));
        assert!(PLAYERS.iter().enumerate().all(|(i, w)| *w as usize == i));
        assert!(TRANSPORTS.iter().enumerate().all(|(i, w)| *w as usize == i));
        assert!(AUDIOS.iter().enumerate().all(|(i, w)| *w as usize == i));
        assert!(CLOCKS.iter().enumerate().all(|(i, w)| *w as usize == i));
    }

    #[test]
    fn steps_round_to_the_nearest_either_side_of_zero() {
        assert_eq!(steps::<100>(Span::from_nanos(149)), 1);
        assert_eq!(steps::<100>(Span::from_nanos(-151)), -2);
        assert_eq!(uncenti(centi(f64::NEG_INFINITY)), f64::NEG_INFINITY);
        assert_eq!(switch_view(Some(switch_code(SwitchView::Conflict))), SwitchView::Conflict);
        assert_eq!(switch_view(Some(99)), SwitchView::Unknown);
    }
}
