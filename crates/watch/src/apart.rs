//! How far apart two positions are.

use base::{CLOCKS_PER_SECOND, ShowPosition, Span};

/// `a` minus `b`, when both are of one kind: timecode of one rate, the same song, or clocks, which last what the tempo of `b` says.
/// `clocks_at`: that tempo against 120 quarter notes a minute.
pub fn difference(a: ShowPosition, b: ShowPosition, clocks_at: f64) -> Option<Span> {
    match (a, b) {
        (ShowPosition::Clocks { millis: a }, ShowPosition::Clocks { millis: b }) => {
            time_of_clocks(a.saturating_sub(b), clocks_at)
        }
        (ShowPosition::Timecode { rate: ra, at: a }, ShowPosition::Timecode { rate: rb, at: b }) if ra == rb => {
            Some(a - b)
        }
        (ShowPosition::Song { number: na, at: a }, ShowPosition::Song { number: nb, at: b }) if na == nb => Some(a - b),
        _ => None,
    }
}

/// How long thousandths of a clock last at a tempo against 120 quarter notes a minute; none where it stands still.
pub fn time_of_clocks(millis: i64, tempo: f64) -> Option<Span> {
    (tempo > 0.01).then(|| Span::from_secs_f64(millis as f64 * 1e-3 / (CLOCKS_PER_SECOND * tempo)))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// MIDI 1.0: 24 clocks a quarter note; at 90 a minute a clock lasts 27.78 ms.
    #[test]
    fn clocks_differ_by_what_they_last_at_their_tempo() {
        let clocks = |millis| ShowPosition::Clocks { millis };
        let apart = difference(clocks(36_000), clocks(35_000), 90.0 / 120.0);
        assert!(apart.is_some_and(|d| (d.millis_f64() - 27.777_8).abs() < 1e-3), "{apart:?}");
        assert_eq!(difference(clocks(1), clocks(2), 0.0), None);
        let song = ShowPosition::Song { number: 1, at: Span::ZERO };
        assert_eq!(difference(clocks(1), song, 1.0), None);
    }
}
