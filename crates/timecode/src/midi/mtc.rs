//! What MIDI timecode's messages say (MIDI Time Code, MMA RP-004/RP-008).
//!
//! A quarter-frame message F1 0nnndddd carries digit `nnn` of a label, four bits of it:
//!
//! ```text
//! 0 frames low   1 frames high   2 seconds low   3 seconds high
//! 4 minutes low  5 minutes high  6 hours low     7 rate and hours high
//! ```
//!
//! Piece 0 is sent on the boundary at which the labelled frame starts, the others a quarter frame after each other, so
//! that eight pieces take two frames and the next label is two further on. Backwards the pieces come in descending order
//! and piece 0 still falls on the boundary of the frame that it labels (RP-004, "Quarter Frame Message Implementation").
//! In both directions, then, piece `k` of label `N` marks the position of exactly
//!
//! ```text
//! P = 4 N + k    quarter frames since 00:00:00:00
//! ```
//!
//! and no lag is left to compensate: the label of the *last* piece is two frames old, its position is not.

use base::FrameRate;

use crate::smpte::{Timecode, TimecodeError};

/// The bits of each piece that mean something; the others must be ignored (RP-004).
pub(crate) const MASKS: [u8; 8] = [0xF, 0x1, 0xF, 0x3, 0xF, 0x3, 0xF, 0x7];

/// The two bits that name the rate; `None` for rates that MTC cannot carry (23.976 travels as 24, 29.97 non-drop as 30).
pub const fn rate_bits(rate: FrameRate) -> Option<u8> {
    match rate {
        FrameRate::F24 => Some(0),
        FrameRate::F25 => Some(1),
        FrameRate::F29_97Df => Some(2),
        FrameRate::F30 => Some(3),
        FrameRate::F23_976 | FrameRate::F29_97 => None,
    }
}

/// The rate that two bits name; more bits are ignored.
pub const fn rate_of_bits(bits: u8) -> FrameRate {
    match bits & 3 {
        0 => FrameRate::F24,
        1 => FrameRate::F25,
        2 => FrameRate::F29_97Df,
        _ => FrameRate::F30,
    }
}

/// The four bits of one piece of a label. Rates that MTC cannot carry wear the bits of the next one that counts alike.
#[inline]
pub(crate) const fn nibble(t: Timecode, piece: u8) -> u8 {
    match piece {
        0 => t.frame() & 0xF,
        1 => t.frame() >> 4,
        2 => t.seconds() & 0xF,
        3 => t.seconds() >> 4,
        4 => t.minutes() & 0xF,
        5 => t.minutes() >> 4,
        6 => t.hours() & 0xF,
        _ => hours_and_rate(t) >> 4,
    }
}

/// The byte `0 yy zzzzz` of rate and hours, as the full message has it whole and pieces 6 and 7 have it in two.
pub(crate) const fn hours_and_rate(t: Timecode) -> u8 {
    let bits = match t.rate() {
        FrameRate::F23_976 | FrameRate::F24 => 0,
        FrameRate::F25 => 1,
        FrameRate::F29_97Df => 2,
        FrameRate::F29_97 | FrameRate::F30 => 3,
    };
    bits << 5 | t.hours()
}

/// The label of four bytes as a full message has them: rate and hours, minutes, seconds, frames.
pub(crate) const fn label(hours: u8, minutes: u8, seconds: u8, frame: u8) -> Result<Timecode, TimecodeError> {
    Timecode::new(rate_of_bits(hours >> 5), hours & 0x1F, minutes, seconds, frame)
}

/// The eight pieces put together, without asking whether such a label exists.
#[derive(Clone, Copy)]
struct Fields {
    hours: u8,
    minutes: u8,
    seconds: u8,
    frame: u8,
}

impl Fields {
    const fn of(pieces: &[u8; 8]) -> Fields {
        Fields {
            frame: (pieces[1] & MASKS[1]) << 4 | pieces[0] & 0xF,
            seconds: (pieces[3] & MASKS[3]) << 4 | pieces[2] & 0xF,
            minutes: (pieces[5] & MASKS[5]) << 4 | pieces[4] & 0xF,
            hours: (pieces[7] & MASKS[7]) << 4 | pieces[6] & 0xF,
        }
    }
    const fn label(self) -> Result<Timecode, TimecodeError> {
        label(self.hours, self.minutes, self.seconds, self.frame)
    }
}

/// The label that eight pieces in a row belong to, when all are of one label.
pub(crate) const fn whole(pieces: &[u8; 8]) -> Result<Timecode, TimecodeError> {
    Fields::of(pieces).label()
}

/// The label `M` of which pieces `0..low` are, when pieces `low..8` are those of the label two frames before it: eight
/// pieces in a row that one joined in the middle, in either direction. `None` when there is no such label, or when two fit,
/// as happens at the start of drop-frame minutes: `10:00;02` after `10:00;00` and `11:00;02` after `10:59;28` may have all
/// eight pieces alike. A piece or two later they part.
///
/// Unless a digit was carried between the two labels, the pieces put together are `M` itself. If one was carried, `M` is
/// one of the first two labels after all those that begin with the high pieces, so that the label before it is one of the
/// last two that do.
pub(crate) fn straddling(pieces: &[u8; 8], low: u8) -> Option<Timecode> {
    let fits = |m: Timecode| {
        let before = m.plus(-2);
        (0..8u8).all(|k| {
            let t = if k < low { m } else { before };
            nibble(t, k) == pieces[usize::from(k)] & MASKS[usize::from(k)]
        })
    };
    let plain = Fields::of(pieces).label().ok();
    let last = last_beginning_with(pieces, low).ok();
    let carried = [2, 1].map(|ahead| last.map(|l| l.plus(ahead)));
    let mut found = [plain, carried[0], carried[1]].into_iter().flatten().filter(|&m| fits(m));
    let first = found.next()?;
    found.all(|other| other == first).then_some(first)
}

/// The last label whose pieces `low..8` are these: every lower field as high as it goes.
fn last_beginning_with(pieces: &[u8; 8], low: u8) -> Result<Timecode, TimecodeError> {
    let mut p = *pieces;
    p[..usize::from(low)].fill(0xF);
    let f = Fields::of(&p);
    let nominal = rate_of_bits(f.hours >> 5).nominal() as u8;
    label(f.hours & 0x60 | (f.hours & 0x1F).min(23), f.minutes.min(59), f.seconds.min(59), f.frame.min(nominal - 1))
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]
    use super::*;
    use proptest::prelude::*;

    pub(crate) const RATES: [FrameRate; 4] = [FrameRate::F24, FrameRate::F25, FrameRate::F29_97Df, FrameRate::F30];

    #[test]
    fn the_example_of_the_specification() {
        // RP-004: 01:37:52:16 at 30 non-drop is F1 00 11 24 33 45 52 61 76.
        let t = Timecode::new(FrameRate::F30, 1, 37, 52, 16).unwrap();
        let sent: Vec<u8> = (0..8).map(|k| k << 4 | nibble(t, k)).collect();
        assert_eq!(sent, [0x00, 0x11, 0x24, 0x33, 0x45, 0x52, 0x61, 0x76]);
        let pieces: [u8; 8] = core::array::from_fn(|k| sent[k] & 0xF);
        assert_eq!(whole(&pieces), Ok(t));
    }

    #[test]
    fn undefined_bits_are_ignored() {
        let t = Timecode::new(FrameRate::F25, 23, 59, 59, 24).unwrap();
        let pieces: [u8; 8] = core::array::from_fn(|k| nibble(t, k as u8) | !MASKS[k] & 0xF);
        assert_eq!(whole(&pieces), Ok(t));
    }

    fn pieces_of(m: Timecode, low: u8) -> [u8; 8] {
        core::array::from_fn(|k| nibble(if (k as u8) < low { m } else { m.plus(-2) }, k as u8))
    }

    /// Every drop-frame boundary, midnight and every carry: the label is found from any eight pieces in a row.
    #[test]
    fn a_join_in_the_middle_of_any_carry() {
        for rate in RATES {
            let day = i64::from(Timecode::frames_per_day(rate));
            let minutes = (0..1440).flat_map(|m| {
                let start = Timecode::new(rate, (m / 60) as u8, (m % 60) as u8, 0, 2).unwrap();
                (-4..4).map(move |d| i64::from(start.frames()) + d)
            });
            for n in minutes.chain(0..4_000).chain(day - 4_000..day) {
                let m = Timecode::from_frames(rate, n);
                for low in 1..8u8 {
                    let pieces = pieces_of(m, low);
                    match straddling(&pieces, low) {
                        Some(found) => assert_eq!(found, m, "{m:?} from piece {low}"),
                        // Rightly in doubt: another label, at the start of some minute or a dozen seconds before, has the same pieces.
                        None => assert!(
                            (0..1440i64).flat_map(|k| [2, 3].map(|f| (k, f))).any(|(k, f)| {
                                let t = Timecode::new(rate, (k / 60) as u8, (k % 60) as u8, 0, f).unwrap();
                                [0, -12, -28, -358]
                                    .into_iter()
                                    .any(|d| t.plus(d) != m && pieces_of(t.plus(d), low) == pieces)
                            }),
                            "{m:?} from piece {low}"
                        ),
                    }
                }
            }
        }
    }

    proptest! {
        #[test]
        fn any_pieces_at_all_give_a_label_that_fits_or_none(pieces: [u8; 8], low in 1u8..8) {
            if let Some(m) = straddling(&pieces, low) {
                for k in 0..low {
                    prop_assert_eq!(nibble(m, k), pieces[usize::from(k)] & MASKS[usize::from(k)]);
                }
            }
        }
    }
}
