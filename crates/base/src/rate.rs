//! Frame rates of timecode.

use serde::{Deserialize, Serialize};

use crate::time::Span;

/// A timecode frame rate (SMPTE ST 12-1). The "NTSC" rates run at 1000/1001 of their nominal count; drop-frame labels
/// skip frame numbers 0 and 1 at the start of each minute but every tenth, so that labels follow the wall clock.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize, Deserialize)]
pub enum FrameRate {
    /// 24000/1001 frames a second, labels count to 23.
    #[serde(rename = "23.976")]
    F23_976,
    /// 24 frames a second.
    #[serde(rename = "24")]
    F24,
    /// 25 frames a second.
    #[serde(rename = "25")]
    F25,
    /// 30000/1001 frames a second, no labels dropped.
    #[serde(rename = "29.97")]
    F29_97,
    /// 30000/1001 frames a second, drop-frame labels.
    #[serde(rename = "29.97df")]
    F29_97Df,
    /// 30 frames a second.
    #[serde(rename = "30")]
    F30,
}

impl FrameRate {
    /// Every rate.
    pub const ALL: [FrameRate; 6] = [Self::F23_976, Self::F24, Self::F25, Self::F29_97, Self::F29_97Df, Self::F30];

    /// How many frame labels a second has: 24, 25 or 30.
    pub const fn nominal(self) -> u32 {
        match self {
            Self::F23_976 | Self::F24 => 24,
            Self::F25 => 25,
            Self::F29_97 | Self::F29_97Df | Self::F30 => 30,
        }
    }
    /// Whether labels are dropped.
    pub const fn is_drop(self) -> bool {
        matches!(self, Self::F29_97Df)
    }
    /// Frames a second as an exact fraction (numerator, denominator).
    pub const fn fraction(self) -> (u32, u32) {
        match self {
            Self::F23_976 => (24_000, 1_001),
            Self::F24 => (24, 1),
            Self::F25 => (25, 1),
            Self::F29_97 | Self::F29_97Df => (30_000, 1_001),
            Self::F30 => (30, 1),
        }
    }
    /// Frames a second as a real number.
    pub fn per_second(self) -> f64 {
        let (n, d) = self.fraction();
        f64::from(n) / f64::from(d)
    }
    /// How long this many frames last, to the nearest nanosecond.
    pub const fn frames(self, count: i64) -> Span {
        let (n, d) = self.fraction();
        let num = count as i128 * d as i128 * 1_000_000_000;
        let n = n as i128;
        let half = if num < 0 { -n / 2 } else { n / 2 };
        Span::from_nanos(((num + half) / n) as i64)
    }
    /// How many frames (fractional) a span lasts.
    pub fn frames_in(self, span: Span) -> f64 {
        span.secs_f64() * self.per_second()
    }
    /// How it is written: `23.976`, `24`, `25`, `29.97`, `29.97df`, `30`.
    pub const fn name(self) -> &'static str {
        match self {
            Self::F23_976 => "23.976",
            Self::F24 => "24",
            Self::F25 => "25",
            Self::F29_97 => "29.97",
            Self::F29_97Df => "29.97df",
            Self::F30 => "30",
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_frame_lasts_what_its_fraction_says() {
        assert_eq!(FrameRate::F25.frames(1), Span::from_millis(40));
        assert_eq!(FrameRate::F30.frames(3), Span::from_millis(100));
        assert_eq!(FrameRate::F29_97.frames(30_000), Span::from_secs(1_001));
        assert_eq!(FrameRate::F30.frames(-1), Span::from_nanos(-33_333_333));
        assert!((FrameRate::F23_976.frames_in(Span::from_secs(1_001)) - 24_000.0).abs() < 1e-6);
    }
}
