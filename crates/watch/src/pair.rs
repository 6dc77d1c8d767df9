//! One machine against the reference machine: their offset, its drift, and what line-up learnt of it.

use arrayvec::ArrayVec;
use base::{MonoTime, PositionReport, Ppm, SourceKind, Span, TransportState};
use measure::hints::{Evidence, Hint, hints};
use measure::offset::{OffsetConfig, OffsetTracker, OffsetView};

use crate::apart::difference;
use crate::machine::{MachineWatch, NOMINAL_RATE};

/// Offsets larger than this are not "out of step" but "elsewhere": they are not smeared into the fit.
const ELSEWHERE: Span = Span::from_secs(10);
/// Both not compared for this long: one of them stood meanwhile.
const GAP: Span = Span::from_millis(100);
/// The most hints there can be at once: one of a kind.
pub const MAX_HINTS: usize = 4;
/// Stretches whose drift is kept for comparison, and steps that are looked at.
const STRETCHES: usize = 16;
/// A stretch says something of drift from this length on, and of an offset that stays from this one.
const LONG_STRETCH: Span = Span::from_secs(60);
const SETTLED: Span = Span::from_secs(20);

/// The reference machine against one other. Offsets are the reference's position minus the other's: positive, the reference is
/// ahead.
pub struct Pair {
    tracker: OffsetTracker,
    /// The source both are compared by, and its jump counters.
    by: Option<(SourceKind, u16, u16)>,
    /// When this stretch began.
    began: Option<MonoTime>,
    /// Since when both have been compared without a gap.
    pub together_since: Option<MonoTime>,
    /// Drifts of the long stretches (songs) before this one, with one standard deviation each.
    songs: ArrayVec<(Ppm, Ppm), STRETCHES>,
    /// The newest offset, its bound, and when.
    pub newest: Option<(Span, Span, MonoTime)>,
}

impl Pair {
    /// Nothing known yet.
    pub fn new() -> Pair {
        Pair {
            tracker: OffsetTracker::new(OffsetConfig::default()),
            by: None,
            began: None,
            together_since: None,
            songs: ArrayVec::new(),
            newest: None,
        }
    }

    /// The newest offset, unless a machine has jumped, stopped or changed its code since: then nothing is known until both are
    /// compared anew.
    pub fn current(
        &self,
        reference: &MachineWatch,
        other: &MachineWatch,
        now: MonoTime,
    ) -> Option<(Span, Span, MonoTime)> {
        let (source, r, o) = common(reference, other, now)?;
        self.newest.filter(|_| self.by == Some((source, r.jumps, o.jumps)))
    }

    /// Compares both machines now (fifty times a second). The most trusted source that rolls on both decides.
    pub fn compare(&mut self, reference: &MachineWatch, other: &MachineWatch, now: MonoTime) {
        let Some((source, r, o)) = common(reference, other, now) else {
            // Nothing rolls on both: the next start begins a new stretch.
            if self.newest.is_some_and(|(_, _, at)| now - at > Span::from_millis(500)) {
                self.restart();
            }
            return;
        };
        let by = Some((source, r.jumps, o.jumps));
        if self.by != by {
            self.restart();
            self.by = by;
        }
        let (a, bound_a) = reference.position_now(&r, now);
        let (b, bound_b) = other.position_now(&o, now);
        let Some(offset) = difference(a, b, o.speed()) else { return };
        let bound = bound_a + bound_b;
        let gap = self.newest.is_none_or(|(_, _, at)| now - at > GAP);
        self.together_since = self.together_since.filter(|_| !gap).or(Some(now));
        self.newest = Some((offset, bound, now));
        if offset.abs() > ELSEWHERE {
            return;
        }
        let sigma = Span::from_secs_f64(r.sigma.secs_f64().hypot(o.sigma.secs_f64()));
        self.began.get_or_insert(now);
        self.tracker.on_offset(now, offset, sigma);
    }

    /// The offset with its drift, if it is being followed.
    pub fn view(&self, now: MonoTime) -> Option<OffsetView> {
        self.tracker.now(now)
    }

    /// Where drift, steps or offset probably come from: places to look first. Steps are counted in samples of 48 kHz.
    pub fn hints(&self, now: MonoTime) -> ArrayVec<Hint, MAX_HINTS> {
        let mut found = ArrayVec::new();
        let (Some(view), Some(began)) = (self.tracker.now(now), self.began) else { return found };
        let mut steps: ArrayVec<(Span, Span), STRETCHES> = ArrayVec::new();
        self.tracker.steps(|s| _ = steps.try_push((s.size, s.sigma)));
        let mut songs: ArrayVec<(Ppm, Ppm), { STRETCHES + 1 }> = self.songs.iter().copied().collect();
        if now - began >= LONG_STRETCH {
            songs.extend(view.drift);
        }
        let settled = now - began >= SETTLED && !view.unsettled;
        let evidence = Evidence {
            drift: view.drift,
            songs: &songs,
            steps: &steps,
            offset: settled.then_some((view.offset, view.sigma)),
            sample_rate: NOMINAL_RATE,
        };
        hints(&evidence, |h| _ = found.try_push(h));
        found
    }

    /// The next stretch. What a long one showed of drift is kept.
    fn restart(&mut self) {
        let mut songs = core::mem::take(&mut self.songs);
        if let (Some(began), Some((_, _, newest))) = (self.began, self.newest)
            && newest - began >= LONG_STRETCH
            && let Some(drift) = self.tracker.now(newest).and_then(|v| v.drift)
        {
            if songs.is_full() {
                songs.remove(0);
            }
            songs.push(drift);
        }
        *self = Pair { songs, ..Pair::new() };
    }
}

impl Default for Pair {
    fn default() -> Pair {
        Pair::new()
    }
}

/// The most trusted source that rolls on both, and what both say by it.
fn common(a: &MachineWatch, b: &MachineWatch, now: MonoTime) -> Option<(SourceKind, PositionReport, PositionReport)> {
    let rolling = |m: &MachineWatch, s| m.report(s, now).filter(|r| r.state == TransportState::Rolling).copied();
    a.preference().iter().find_map(|s| Some((*s, rolling(a, *s)?, rolling(b, *s)?)))
}

#[cfg(test)]
#[allow(clippy::unwrap_used, clippy::panic)]
mod tests {
    use super::*;

    /// Offsets at 50 Hz, as two lines of LTC give them, from `from` seconds on.
    fn feed(pair: &mut Pair, from: u32, seconds: u32, offset: impl Fn(f64) -> f64) -> MonoTime {
        let mut now = MonoTime::ZERO;
        for k in 0..seconds * 50 {
            let t = f64::from(k) / 50.0;
            now = MonoTime::from_nanos(1_000_000_000_000) + Span::from_secs_f64(f64::from(from) + t);
            // A slow swing of 20 us stands for what two lines share of their errors.
            let y = Span::from_secs_f64(offset(t) + 20e-6 * (t * 3.0).sin());
            pair.began.get_or_insert(now);
            pair.newest = Some((y, Span::from_micros(100), now));
            pair.tracker.on_offset(now, y, Span::from_micros(40));
        }
        now
    }

    #[test]
    fn a_steady_drift_hints_at_two_crystals_and_nothing_else() {
        let mut pair = Pair::new();
        let now = feed(&mut pair, 0, 90, |t| 3e-3 + 23e-6 * t);
        let hints = pair.hints(now);
        let [Hint::OwnCrystals { drift, uncertainty }] = hints[..] else { panic!("{hints:?}") };
        assert!((drift.0 - 23.0).abs() <= uncertainty.0.max(1.0), "{drift:?}");
    }

    #[test]
    fn steps_of_a_buffer_hint_at_dropouts() {
        let mut pair = Pair::new();
        // 512 samples at 48 kHz, twice.
        let now = feed(&mut pair, 0, 60, |t| (t / 20.0).floor().min(2.0) * 512.0 / 48_000.0);
        assert_eq!(pair.hints(now)[..], [Hint::Dropouts { buffer: 512, steps: 2 }]);
    }

    #[test]
    fn an_offset_that_stays_hints_at_trigger_or_buffer_once_it_is_settled() {
        let mut pair = Pair::new();
        let now = feed(&mut pair, 0, 15, |_| 7e-3);
        assert_eq!(pair.hints(now)[..], []);
        let now = feed(&mut pair, 15, 30, |_| 7e-3);
        let hints = pair.hints(now);
        let [Hint::TriggerOrBuffer { offset }] = hints[..] else { panic!("{hints:?}") };
        assert!((offset - Span::from_millis(7)).abs() < Span::from_micros(50));
    }

    #[test]
    fn one_song_that_drifts_hints_at_its_tempo_map() {
        let mut pair = Pair::new();
        for song in 0..3 {
            feed(&mut pair, 1_000 * song, 70, |_| 0.5e-3);
            pair.restart();
        }
        assert_eq!(pair.songs.len(), 3);
        let now = feed(&mut pair, 3_000, 70, |t| 120e-6 * t);
        let hints = pair.hints(now);
        let [Hint::TempoMap { song: 3, apart }] = hints[..] else { panic!("{hints:?}") };
        assert!((apart.0 - 120.0).abs() < 5.0, "{apart:?}");
        // A stretch of ten seconds is no song.
        pair.restart();
        feed(&mut pair, 4_000, 10, |_| 0.0);
        pair.restart();
        assert_eq!(pair.songs.len(), 4);
    }
}
