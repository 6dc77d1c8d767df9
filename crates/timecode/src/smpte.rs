//! SMPTE timecode: labels of frames, and the arithmetic between labels, frame counts and time (SMPTE ST 12-1).
//!
//! A label is a *name*, not a time. At a non-drop rate the name counts frames in base `nominal`, so
//!
//! ```text
//! count = ((60 h + m) 60 + s) nominal + f
//! ```
//!
//! Drop-frame (29.97) leaves out the names `;00` and `;01` at the start of every minute whose number is no multiple of
//! ten. With `M = 60 h + m` minutes begun since midnight, `M - floor(M / 10)` of them have dropped two names, so
//!
//! ```text
//! count = ((60 h + m) 60 + s) 30 + f - 2 (M - floor(M / 10))
//! ```
//!
//! Ten minutes then hold 10 x 1800 - 18 = 17 982 frames and a day 144 x 17 982 = 2 589 408. Back from a count: take whole
//! tens of minutes; in what is left the first minute has 1800 frames and each of the nine others 1798.

use core::fmt;

use base::{FrameRate, Span};

/// Frames in ten minutes of drop-frame code.
const DROP_TEN_MINUTES: u32 = 17_982;
/// Frames in a minute of drop-frame code that dropped two names.
const DROP_MINUTE: u32 = 1_798;

/// The label of one frame at one rate. It always names a frame that exists: impossible values cannot be held.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Timecode {
    rate: FrameRate,
    hours: u8,
    minutes: u8,
    seconds: u8,
    frame: u8,
}

/// Why a label was refused.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
pub enum TimecodeError {
    /// Hours beyond 23.
    #[error("hours must be 0 to 23, not {0}")]
    Hours(u8),
    /// Minutes beyond 59.
    #[error("minutes must be 0 to 59, not {0}")]
    Minutes(u8),
    /// Seconds beyond 59.
    #[error("seconds must be 0 to 59, not {0}")]
    Seconds(u8),
    /// A frame number that the rate does not reach.
    #[error("frames must be 0 to {max} at this rate, not {frame}")]
    Frame {
        /// What stood there.
        frame: u8,
        /// The highest frame number of the rate.
        max: u8,
    },
    /// A name that drop-frame code leaves out.
    #[error("drop-frame code has no frame {0:02} at the start of this minute")]
    Dropped(u8),
    /// Text that is not four numbers with colons.
    #[error("timecode is written HH:MM:SS:FF (HH:MM:SS;FF for drop-frame)")]
    Malformed,
    /// A semicolon at a rate that drops nothing.
    #[error("';' before the frames means drop-frame code, but the rate is {}", .0.name())]
    NotDrop(FrameRate),
}

impl Timecode {
    /// The label with these fields.
    ///
    /// # Errors
    /// When no frame of that rate bears it.
    pub const fn new(
        rate: FrameRate,
        hours: u8,
        minutes: u8,
        seconds: u8,
        frame: u8,
    ) -> Result<Timecode, TimecodeError> {
        if hours > 23 {
            return Err(TimecodeError::Hours(hours));
        }
        if minutes > 59 {
            return Err(TimecodeError::Minutes(minutes));
        }
        if seconds > 59 {
            return Err(TimecodeError::Seconds(seconds));
        }
        let max = rate.nominal() as u8 - 1;
        if frame > max {
            return Err(TimecodeError::Frame { frame, max });
        }
        if rate.is_drop() && frame < 2 && seconds == 0 && !minutes.is_multiple_of(10) {
            return Err(TimecodeError::Dropped(frame));
        }
        Ok(Timecode { rate, hours, minutes, seconds, frame })
    }

    /// Midnight.
    pub const fn midnight(rate: FrameRate) -> Timecode {
        Timecode { rate, hours: 0, minutes: 0, seconds: 0, frame: 0 }
    }

    /// The label of the frame that many frames after midnight; counts below zero or beyond a day go round the clock.
    pub const fn from_frames(rate: FrameRate, frames: i64) -> Timecode {
        let mut n = frames.rem_euclid(Self::frames_per_day(rate) as i64) as u32;
        if rate.is_drop() {
            // Put the names back that were dropped before this frame, then count as if none ever were.
            let tens = n / DROP_TEN_MINUTES;
            let left = n % DROP_TEN_MINUTES;
            let dropping_minutes = if left < 1_800 { 0 } else { 1 + (left - 1_800) / DROP_MINUTE };
            n += 2 * (9 * tens + dropping_minutes);
        }
        let nominal = rate.nominal();
        let s = n / nominal;
        Timecode {
            rate,
            hours: (s / 3_600) as u8,
            minutes: (s / 60 % 60) as u8,
            seconds: (s % 60) as u8,
            frame: (n % nominal) as u8,
        }
    }

    /// The label in force that long after 00:00:00:00, and how far its frame has gone (0 up to, not including, 1).
    pub fn at(rate: FrameRate, span: Span) -> (Timecode, f64) {
        let (n, d) = rate.fraction();
        let scaled = i128::from(span.nanos()) * i128::from(n);
        let frame = i128::from(d) * 1_000_000_000;
        let whole = scaled.div_euclid(frame);
        let fraction = scaled.rem_euclid(frame) as f64 / frame as f64;
        // i64 nanoseconds times at most 30 frames a second: the whole frames fit an i64 easily.
        (Self::from_frames(rate, whole as i64), fraction)
    }

    /// Reads `HH:MM:SS:FF`; at a drop-frame rate `HH:MM:SS;FF` as well.
    ///
    /// # Errors
    /// When the text is no timecode, or names a frame that does not exist at this rate.
    pub fn parse(text: &str, rate: FrameRate) -> Result<Timecode, TimecodeError> {
        let &[h1, h2, b':', m1, m2, b':', s1, s2, mark @ (b':' | b';'), f1, f2] = text.as_bytes() else {
            return Err(TimecodeError::Malformed);
        };
        let two = |a: u8, b: u8| {
            if a.is_ascii_digit() && b.is_ascii_digit() {
                Ok((a - b'0') * 10 + (b - b'0'))
            } else {
                Err(TimecodeError::Malformed)
            }
        };
        let (h, m, s, f) = (two(h1, h2)?, two(m1, m2)?, two(s1, s2)?, two(f1, f2)?);
        if mark == b';' && !rate.is_drop() {
            return Err(TimecodeError::NotDrop(rate));
        }
        Timecode::new(rate, h, m, s, f)
    }

    /// How many frames of this rate a day of labels has.
    pub const fn frames_per_day(rate: FrameRate) -> u32 {
        if rate.is_drop() { 144 * DROP_TEN_MINUTES } else { 86_400 * rate.nominal() }
    }

    /// How many frames lie between midnight and this one.
    pub const fn frames(self) -> u32 {
        let minutes = 60 * self.hours as u32 + self.minutes as u32;
        let n = (minutes * 60 + self.seconds as u32) * self.rate.nominal() + self.frame as u32;
        if self.rate.is_drop() { n - 2 * (minutes - minutes / 10) } else { n }
    }

    /// The label that many frames further on (or back, when negative), round the clock.
    pub const fn plus(self, frames: i64) -> Timecode {
        Self::from_frames(self.rate, (self.frames() as i64).saturating_add(frames))
    }

    /// Frames from `earlier` to this label the short way round the clock: within half a day either way. Both labels
    /// are taken as counts of this label's rate.
    pub const fn frames_since(self, earlier: Timecode) -> i64 {
        let day = Self::frames_per_day(self.rate) as i64;
        let d = (self.frames() as i64 - earlier.frames() as i64).rem_euclid(day);
        if d > day / 2 { d - day } else { d }
    }

    /// Real time from 00:00:00:00 to the start of this frame, when the code runs at its rate's true speed.
    pub const fn since_midnight(self) -> Span {
        self.rate.frames(self.frames() as i64)
    }

    /// The rate whose label this is.
    pub const fn rate(self) -> FrameRate {
        self.rate
    }
    /// Hours, 0 to 23.
    pub const fn hours(self) -> u8 {
        self.hours
    }
    /// Minutes, 0 to 59.
    pub const fn minutes(self) -> u8 {
        self.minutes
    }
    /// Seconds, 0 to 59.
    pub const fn seconds(self) -> u8 {
        self.seconds
    }
    /// Frame number within the second.
    pub const fn frame(self) -> u8 {
        self.frame
    }
}

impl fmt::Display for Timecode {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mark = if self.rate.is_drop() { ';' } else { ':' };
        let (h, m, s, n) = (self.hours, self.minutes, self.seconds, self.frame);
        write!(f, "{h:02}:{m:02}:{s:02}{mark}{n:02}")
    }
}
impl fmt::Debug for Timecode {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{self}@{}", self.rate.name())
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]
    use super::*;
    use proptest::prelude::*;

    /// SMPTE ST 12-1 (its rule, the wording from memory): every name in order; frame numbers 00 and 01 are left out at
    /// the start of each minute except minutes 00, 10, 20, 30, 40 and 50.
    fn names_by_the_standard() -> impl Iterator<Item = (u8, u8, u8, u8)> {
        (0..24u8).flat_map(|h| {
            (0..60u8).flat_map(move |m| {
                (0..60u8).flat_map(move |s| {
                    let first = if s == 0 && ![0, 10, 20, 30, 40, 50].contains(&m) { 2 } else { 0 };
                    (first..30u8).map(move |f| (h, m, s, f))
                })
            })
        })
    }

    #[test]
    fn every_drop_frame_label_of_a_day_in_order() {
        let mut count = 0u32;
        for (i, (h, m, s, f)) in names_by_the_standard().enumerate() {
            let by_count = Timecode::from_frames(FrameRate::F29_97Df, i as i64);
            assert_eq!((by_count.hours, by_count.minutes, by_count.seconds, by_count.frame), (h, m, s, f));
            assert_eq!(by_count.frames(), i as u32);
            count += 1;
        }
        // ST 12-1: 107 892 frames an hour.
        assert_eq!(count, 24 * 107_892);
        assert_eq!(count, Timecode::frames_per_day(FrameRate::F29_97Df));
    }

    #[test]
    fn drop_frame_follows_the_wall_clock() {
        // ST 12-1 (figures from memory): the error is 3.6 ms an hour, that is, about -86 ms (2.6 frames) in a day.
        let hour = Timecode::new(FrameRate::F29_97Df, 1, 0, 0, 0).unwrap();
        let error = hour.since_midnight() - Span::from_secs(3_600);
        assert!((error.millis_f64() + 3.6).abs() < 0.001, "{error:?}");
        // Non-drop at 29.97 runs 3.6 s late an hour: 108 000 frames of 1001/30000 s.
        let hour = Timecode::new(FrameRate::F29_97, 1, 0, 0, 0).unwrap();
        assert_eq!(hour.since_midnight(), Span::from_millis(3_603_600));
        let hour = Timecode::new(FrameRate::F23_976, 1, 0, 0, 0).unwrap();
        assert_eq!(hour.since_midnight(), Span::from_millis(3_603_600));
    }

    #[test]
    fn impossible_values_are_refused() {
        use TimecodeError as E;
        let df = FrameRate::F29_97Df;
        assert_eq!(Timecode::new(df, 24, 0, 0, 0), Err(E::Hours(24)));
        assert_eq!(Timecode::new(df, 0, 60, 0, 0), Err(E::Minutes(60)));
        assert_eq!(Timecode::new(df, 0, 0, 60, 0), Err(E::Seconds(60)));
        assert_eq!(Timecode::new(FrameRate::F25, 0, 0, 0, 25), Err(E::Frame { frame: 25, max: 24 }));
        assert_eq!(Timecode::new(df, 0, 1, 0, 1), Err(E::Dropped(1)));
        assert!(Timecode::new(df, 0, 10, 0, 1).is_ok());
        assert!(Timecode::new(df, 0, 1, 1, 0).is_ok());
    }

    #[test]
    fn labels_go_round_midnight() {
        for rate in FrameRate::ALL {
            let last = Timecode::from_frames(rate, -1);
            assert_eq!((last.hours, last.minutes, last.seconds), (23, 59, 59));
            assert_eq!(u32::from(last.frame), rate.nominal() - 1);
            assert_eq!(last.plus(1), Timecode::midnight(rate));
            assert_eq!(Timecode::midnight(rate).frames_since(last), 1);
            assert_eq!(last.frames_since(Timecode::midnight(rate)), -1);
        }
    }

    #[test]
    fn text_reads_as_written_and_says_what_is_wrong() {
        let df = FrameRate::F29_97Df;
        let t = Timecode::parse("01:02:03;04", df).unwrap();
        assert_eq!(t.to_string(), "01:02:03;04");
        assert_eq!(Timecode::parse("01:02:03:04", df), Ok(t));
        assert_eq!(Timecode::parse("01:02:03;04", FrameRate::F25), Err(TimecodeError::NotDrop(FrameRate::F25)));
        for bad in ["", "1:2:3:4", "01:02:03", "01:02:03:0x", "01:02:03:04 ", "+1:02:03:04", "é1:02:03:4"] {
            assert_eq!(Timecode::parse(bad, df), Err(TimecodeError::Malformed), "{bad}");
        }
    }

    proptest! {
        #[test]
        fn labels_counts_and_times_round_trip(rate in 0usize..6, n in 0i64..2_592_000, part in 0.0f64..0.999) {
            let rate = FrameRate::ALL[rate];
            let n = n % i64::from(Timecode::frames_per_day(rate));
            let t = Timecode::from_frames(rate, n);
            prop_assert_eq!(i64::from(t.frames()), n);
            prop_assert_eq!(Timecode::new(rate, t.hours, t.minutes, t.seconds, t.frame), Ok(t));
            prop_assert_eq!(Timecode::parse(&t.to_string(), rate), Ok(t));
            // A quarter of a microsecond inside the frame, clear of rounding to whole nanoseconds.
            let inside = Span::from_nanos(250) + rate.frames(1).scaled(part);
            let (label, fraction) = Timecode::at(rate, t.since_midnight() + inside);
            prop_assert_eq!(label, t);
            prop_assert!((fraction - part).abs() < 2e-5);
        }
    }
}
