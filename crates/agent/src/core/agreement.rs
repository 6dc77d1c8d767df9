//! Whether the timecodes of one machine agree.
//!
//! They come from one player over different ways: LTC through the audio engine, MTC through MIDI drivers that may hand it on in
//! clumps of a buffer (2048 samples at 48 kHz are 43 ms). What is farther apart than that can explain is two positions, not one heard twice:
//! whoever follows the other code is somewhere else in the show.

use base::{FrameRate, PositionReport, RemoteTime, ShowPosition, Span, TransportState};

/// Farther apart than the ways of one code explain (common practice, no source).
const APART: Span = Span::from_millis(150);
/// Labels of drop-frame and other codes stray from one another by up to two frames within ten minutes (SMPTE ST 12-1: that is
/// what the dropped labels mend), so that between them only more counts.
const LABELS_APART: Span = Span::from_millis(250);

/// Whether any two rolling timecodes contradict each other at `now`.
pub(super) fn contradict(codes: impl Iterator<Item = PositionReport> + Clone, now: RemoteTime) -> bool {
    let rolling = codes.filter(|p| p.state == TransportState::Rolling).filter_map(|p| match p.carried_to(now) {
        ShowPosition::Timecode { rate, at } => Some((rate, at)),
        ShowPosition::Clocks { .. } | ShowPosition::Song { .. } => None,
    });
    let mut seen = rolling.clone();
    while let Some(one) = seen.next() {
        if seen.clone().any(|other| apart(one, other)) {
            return true;
        }
    }
    false
}

fn apart((ra, a): (FrameRate, Span), (rb, b): (FrameRate, Span)) -> bool {
    if ra == rb { (a - b).abs() > APART } else { (label(ra, a) - label(rb, b)).abs() > LABELS_APART }
}

/// What the label reads, as seconds. MTC names 30 where the code is 29.97 without drops (it has no word for that): the same label
/// then means two times, and labels are what followers go by. A code at 1000/1001 of its nominal rate without drops reads less
/// than the time that has passed.
fn label(rate: FrameRate, at: Span) -> Span {
    if rate.is_drop() { at } else { at.scaled(rate.per_second() / f64::from(rate.nominal())) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use base::SourceKind;

    fn code(source: SourceKind, rate: FrameRate, at: Span) -> PositionReport {
        PositionReport {
            source,
            state: TransportState::Rolling,
            position: ShowPosition::Timecode { rate, at },
            at: RemoteTime::from_nanos(5_000_000_000),
            speed_ppb: 0,
            sigma: Span::from_micros(100),
            last_heard: RemoteTime::from_nanos(5_000_000_000),
            jumps: 0,
        }
    }

    const NOW: RemoteTime = RemoteTime::from_nanos(5_010_000_000);

    #[test]
    fn one_code_heard_twice_agrees_and_two_places_do_not() {
        let hour = Span::from_secs(3600);
        let ltc = code(SourceKind::Ltc, FrameRate::F25, hour);
        let late = code(SourceKind::Mtc, FrameRate::F25, hour - Span::from_millis(60));
        let elsewhere = code(SourceKind::Mtc, FrameRate::F25, hour + Span::from_secs(2));
        assert!(!contradict([ltc].into_iter(), NOW));
        assert!(!contradict([ltc, late].into_iter(), NOW));
        assert!(contradict([ltc, elsewhere].into_iter(), NOW));
        // Two MIDI inputs, too; and the order does not matter.
        assert!(contradict([late, ltc, elsewhere].into_iter(), NOW));
        // What stands says nothing.
        let stopped = PositionReport { state: TransportState::Stopped, ..elsewhere };
        assert!(!contradict([ltc, stopped].into_iter(), NOW));
    }

    #[test]
    fn the_same_label_at_rates_that_mtc_cannot_tell_apart_agrees() {
        // The label 01:00:00:00 stands 3,603.6 s after midnight at 29.97 without drops, 3,600 s at 30 (SMPTE ST 12-1).
        let ltc = code(SourceKind::Ltc, FrameRate::F29_97, FrameRate::F29_97.frames(108_000));
        let mtc = code(SourceKind::Mtc, FrameRate::F30, Span::from_secs(3600));
        assert!(!contradict([ltc, mtc].into_iter(), NOW));
        // Drop-frame: 01:00:00;00 is frame 107,892.
        let drop = code(SourceKind::Mtc, FrameRate::F29_97Df, FrameRate::F29_97Df.frames(107_892));
        assert!(!contradict([ltc, drop].into_iter(), NOW));
        assert!(contradict([ltc, code(SourceKind::Mtc, FrameRate::F30, Span::from_secs(3603))].into_iter(), NOW));
    }

    #[test]
    fn each_is_carried_to_the_same_instant() {
        let hour = Span::from_secs(3600);
        let ltc = code(SourceKind::Ltc, FrameRate::F30, hour);
        let later = PositionReport {
            at: RemoteTime::from_nanos(4_000_000_000),
            ..code(SourceKind::Mtc, FrameRate::F30, hour - Span::from_secs(1))
        };
        assert!(!contradict([ltc, later].into_iter(), NOW));
    }
}
