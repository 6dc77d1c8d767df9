//! One machine against the reference machine: their offset, its drift, and what line-up learnt of it.

use base::{MonoTime, PositionReport, SourceKind, Span, TransportState};
use measure::offset::{OffsetConfig, OffsetTracker, OffsetView};

use crate::machine::{MachineWatch, difference};

/// Offsets larger than this are not "out of step" but "elsewhere": they are not smeared into the fit.
const ELSEWHERE: Span = Span::from_secs(10);

/// The reference machine against one other. Offsets are the reference's position minus the other's: positive, the reference is
/// ahead.
pub struct Pair {
    tracker: OffsetTracker,
    /// The source both are compared by, and its jump counters.
    by: Option<(SourceKind, u16, u16)>,
    /// The newest offset, its bound, and when.
    pub newest: Option<(Span, Span, MonoTime)>,
}

impl Pair {
    /// Nothing known yet.
    pub fn new() -> Pair {
        Pair { tracker: OffsetTracker::new(OffsetConfig::default()), by: None, newest: None }
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
        self.newest = Some((offset, bound, now));
        if offset.abs() > ELSEWHERE {
            return;
        }
        let sigma = Span::from_secs_f64(r.sigma.secs_f64().hypot(o.sigma.secs_f64()));
        self.tracker.on_offset(now, offset, sigma);
    }

    /// The offset with its drift, if it is being followed.
    pub fn view(&self, now: MonoTime) -> Option<OffsetView> {
        self.tracker.now(now)
    }

    fn restart(&mut self) {
        *self = Pair::new();
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
