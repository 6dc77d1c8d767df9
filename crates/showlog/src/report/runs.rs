//! Cutting the show into songs as they were played.

use base::{Span, SwitchView, TransportState};

use crate::read::ShowFile;
use crate::words::Sample;

/// A sample with its place in the show.
#[derive(Clone, Copy, Debug)]
pub(super) struct Timed<'a> {
    /// Since the show's first instant.
    pub(super) t: Span,
    pub(super) epoch: u32,
    pub(super) s: &'a Sample,
}

/// One song, played once: indices into the timed samples.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) struct Run {
    pub(super) number: u16,
    pub(super) from: usize,
    /// One past its last sample.
    pub(super) to: usize,
}

/// All samples in the order of the show.
pub(super) fn timed(show: &ShowFile) -> Vec<Timed<'_>> {
    let mut all: Vec<Timed> = show
        .samples
        .iter()
        .map(|p| Timed { t: show.since_start(p.epoch, p.sample.at), epoch: p.epoch, s: &p.sample })
        .collect();
    all.sort_by_key(|x| (x.t, x.epoch));
    all
}

/// A song goes on over a gap of this length: a supervisor restarts in less.
const GAP: Span = Span::from_secs(10);
/// What was played for less than this was a machine being located, not a song.
const SHORTEST: Span = Span::from_secs(1);

/// The songs. A song is on while any machine that is in it rolls; it begins anew when its own time falls back to its
/// first seconds.
pub(super) fn runs(all: &[Timed]) -> Vec<Run> {
    let mut out: Vec<Run> = Vec::new();
    let mut open: Option<Run> = None;
    for (i, x) in all.iter().enumerate() {
        let Some(number) = playing(x.s) else { continue };
        let goes_on = open.filter(|run| {
            let last = &all[run.to - 1];
            let restarted = match (last.s.song_at, x.s.song_at) {
                (Some(before), Some(now)) => now < Span::from_secs(5) && before - now > Span::from_secs(2),
                _ => false,
            };
            run.number == number && x.t - last.t < GAP && !restarted
        });
        open = match goes_on {
            Some(run) => Some(Run { to: i + 1, ..run }),
            None => {
                out.extend(open);
                Some(Run { number, from: i, to: i + 1 })
            }
        };
    }
    out.extend(open);
    for run in &mut out {
        end_together(all, run);
    }
    out.retain(|r| all[r.to - 1].t - all[r.from].t >= SHORTEST);
    out
}

/// Machines are not stopped in the same instant: the last moment of a song, in which some already stand, is no fault.
fn end_together(all: &[Timed], run: &mut Run) {
    const MOMENT: Span = Span::from_millis(500);
    let end = all[run.to - 1].t;
    let stands = |s: &Sample| s.machines.iter().any(|m| m.transport == TransportState::Stopped);
    while run.to > run.from + 1 && end - all[run.to - 1].t < MOMENT && stands(all[run.to - 1].s) {
        run.to -= 1;
    }
}

/// The song that is on: that of the on-air machine, or of another that rolls while the one on air tells nothing. It is
/// over when the machine on air was stopped, or when nobody rolls.
fn playing(s: &Sample) -> Option<u16> {
    let on_air = match s.on_air {
        SwitchView::On(m) => s.machines.get(m.index()),
        _ => None,
    };
    if on_air.is_some_and(|m| m.transport == TransportState::Stopped) {
        return None;
    }
    let rolls = s.machines.iter().find(|m| m.transport == TransportState::Rolling)?;
    s.song.or(rolls.song)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::words::MachineSample;
    use base::MonoTime;

    fn sample(ms: i64, song: Option<u16>, song_at: i64, rolling: bool) -> Sample {
        let transport = if rolling { TransportState::Rolling } else { TransportState::Stopped };
        Sample {
            at: MonoTime::ZERO + Span::from_millis(ms),
            song,
            song_at: Some(Span::from_millis(song_at)),
            machines: [MachineSample { transport, ..MachineSample::default() }].into_iter().collect(),
            ..Sample::default()
        }
    }

    #[test]
    fn songs_are_told_apart_by_number_by_rest_and_by_a_new_start() {
        let mut samples = Vec::new();
        samples.extend((0..50).map(|i| sample(i * 100, Some(1), i * 100, true)));
        samples.extend((50..300).map(|i| sample(i * 100, Some(1), 5_000, false)));
        samples.extend((300..350).map(|i| sample(i * 100, Some(1), (i - 300) * 100, true)));
        samples.extend((350..400).map(|i| sample(i * 100, Some(1), (i - 350) * 100, true)));
        samples.extend((400..450).map(|i| sample(i * 100, Some(2), (i - 400) * 100, true)));
        samples.extend((450..453).map(|i| sample(i * 100, Some(3), 0, true)));
        let all: Vec<Timed> = samples.iter().map(|s| Timed { t: s.at.since(MonoTime::ZERO), epoch: 1, s }).collect();
        let found: Vec<(u16, usize, usize)> = runs(&all).iter().map(|r| (r.number, r.from, r.to)).collect();
        assert_eq!(found, [(1, 0, 50), (1, 300, 350), (1, 350, 400), (2, 400, 450)]);
    }
}
