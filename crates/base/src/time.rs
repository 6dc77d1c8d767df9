//! Instants on three clocks that must never be mixed, and the span between two instants of one clock.
//!
//! All are whole nanoseconds: a difference is exact, and a day of beats cannot lose its low bits as a
//! floating-point second would.

use core::fmt;
use core::ops::{Add, AddAssign, Neg, Sub, SubAssign};

use serde::{Deserialize, Serialize};

/// A signed stretch of time in whole nanoseconds. Arithmetic saturates: a figure from outside cannot overflow it.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default, Serialize, Deserialize)]
pub struct Span(i64);

impl Span {
    /// No time at all.
    pub const ZERO: Span = Span(0);
    /// The longest span, about 292 years.
    pub const MAX: Span = Span(i64::MAX);
    /// The shortest (most negative) span.
    pub const MIN: Span = Span(i64::MIN);

    /// From whole nanoseconds.
    pub const fn from_nanos(ns: i64) -> Span {
        Span(ns)
    }
    /// From whole microseconds.
    pub const fn from_micros(us: i64) -> Span {
        Span(us.saturating_mul(1_000))
    }
    /// From whole milliseconds.
    pub const fn from_millis(ms: i64) -> Span {
        Span(ms.saturating_mul(1_000_000))
    }
    /// From whole seconds.
    pub const fn from_secs(s: i64) -> Span {
        Span(s.saturating_mul(1_000_000_000))
    }
    /// From seconds as a real number, rounded to the nearest nanosecond. Not-a-number becomes zero; the rest saturates.
    pub fn from_secs_f64(s: f64) -> Span {
        Span((s * 1e9).round() as i64)
    }
    /// Whole nanoseconds.
    pub const fn nanos(self) -> i64 {
        self.0
    }
    /// Seconds as a real number (for fits and for people).
    pub fn secs_f64(self) -> f64 {
        self.0 as f64 / 1e9
    }
    /// Milliseconds as a real number (for fits and for people).
    pub fn millis_f64(self) -> f64 {
        self.0 as f64 / 1e6
    }
    /// The span without its sign.
    pub const fn abs(self) -> Span {
        Span(self.0.saturating_abs())
    }
    /// Whether the span is below zero.
    pub const fn is_negative(self) -> bool {
        self.0 < 0
    }
    /// The span times a whole number.
    pub const fn times(self, n: i64) -> Span {
        Span(self.0.saturating_mul(n))
    }
    /// The span times a real number, rounded to the nearest nanosecond.
    pub fn scaled(self, by: f64) -> Span {
        Span((self.0 as f64 * by).round() as i64)
    }
    /// The span divided by a whole number (rounded towards zero); division by zero gives zero.
    pub const fn divided(self, n: i64) -> Span {
        if n == 0 { Span(0) } else { Span(self.0.wrapping_div(n)) }
    }
}

impl Add for Span {
    type Output = Span;
    fn add(self, o: Span) -> Span {
        Span(self.0.saturating_add(o.0))
    }
}
impl Sub for Span {
    type Output = Span;
    fn sub(self, o: Span) -> Span {
        Span(self.0.saturating_sub(o.0))
    }
}
impl AddAssign for Span {
    fn add_assign(&mut self, o: Span) {
        *self = *self + o;
    }
}
impl SubAssign for Span {
    fn sub_assign(&mut self, o: Span) {
        *self = *self - o;
    }
}
impl Neg for Span {
    type Output = Span;
    fn neg(self) -> Span {
        Span(self.0.saturating_neg())
    }
}
impl fmt::Debug for Span {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:.6}ms", self.millis_f64())
    }
}
impl core::iter::Sum for Span {
    fn sum<I: Iterator<Item = Span>>(iter: I) -> Span {
        iter.fold(Span::ZERO, |a, b| a + b)
    }
}

macro_rules! instant {
    ($(#[$doc:meta])* $name:ident) => {
        $(#[$doc])*
        #[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default, Serialize, Deserialize)]
        pub struct $name(u64);

        impl $name {
            /// The clock's own zero.
            pub const ZERO: $name = $name(0);
            /// An instant that never comes.
            pub const FAR: $name = $name(u64::MAX);
            /// From nanoseconds since the clock's zero.
            pub const fn from_nanos(ns: u64) -> $name { $name(ns) }
            /// Nanoseconds since the clock's zero.
            pub const fn nanos(self) -> u64 { self.0 }
            /// The span from `earlier` to this instant, negative when `earlier` is later. Saturates.
            pub const fn since(self, earlier: $name) -> Span {
                let d = self.0 as i128 - earlier.0 as i128;
                if d > i64::MAX as i128 { Span(i64::MAX) }
                else if d < i64::MIN as i128 { Span(i64::MIN) }
                else { Span(d as i64) }
            }
        }
        impl Add<Span> for $name {
            type Output = $name;
            fn add(self, d: Span) -> $name { $name(self.0.saturating_add_signed(d.0)) }
        }
        impl AddAssign<Span> for $name {
            fn add_assign(&mut self, d: Span) { *self = *self + d; }
        }
        impl Sub<Span> for $name {
            type Output = $name;
            fn sub(self, d: Span) -> $name { self + (-d) }
        }
        impl Sub for $name {
            type Output = Span;
            fn sub(self, o: $name) -> Span { self.since(o) }
        }
        impl fmt::Debug for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                write!(f, concat!(stringify!($name), "({:.6}s)"), self.0 as f64 / 1e9)
            }
        }
    };
}

instant!(
    /// An instant on *our own* monotonic clock (CLOCK_MONOTONIC where it exists): never stepped, not counting sleep.
    MonoTime
);
instant!(
    /// An instant on *another machine's* monotonic clock. It can be compared with nothing of ours until a clock
    /// estimate has mapped it to [`MonoTime`].
    RemoteTime
);

impl RemoteTime {
    /// Maps to our clock: `offset` is (remote minus ours), as the clock estimator gives it.
    pub const fn to_local(self, offset: Span) -> MonoTime {
        let ns = self.0 as i128 - offset.0 as i128;
        if ns < 0 {
            MonoTime(0)
        } else if ns > u64::MAX as i128 {
            MonoTime(u64::MAX)
        } else {
            MonoTime(ns as u64)
        }
    }
    /// Reads an agent's own clock value as remote: used by an agent when it writes its own time into a message.
    pub const fn of_sender(own: MonoTime) -> RemoteTime {
        RemoteTime(own.0)
    }
}

/// Wall-clock time in nanoseconds since 1970-01-01T00:00:00Z: for display, the report and nothing else.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default, Debug, Serialize, Deserialize)]
pub struct WallTime(pub i64);

impl Sub<Span> for WallTime {
    type Output = WallTime;
    /// Saturates at the ends of the clock.
    fn sub(self, d: Span) -> WallTime {
        WallTime(self.0.saturating_sub(d.0))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn differences_are_exact_and_saturate() {
        let a = MonoTime::from_nanos(u64::MAX);
        assert_eq!(a - MonoTime::ZERO, Span::MAX);
        assert_eq!(MonoTime::ZERO - a, Span::MIN);
        let t = MonoTime::from_nanos(86_400_000_000_001);
        assert_eq!((t + Span::from_nanos(1)) - t, Span::from_nanos(1));
        assert_eq!(MonoTime::ZERO - Span::from_secs(1), MonoTime::ZERO);
    }

    #[test]
    fn remote_maps_by_offset() {
        let r = RemoteTime::from_nanos(5_000);
        assert_eq!(r.to_local(Span::from_nanos(4_000)), MonoTime::from_nanos(1_000));
        assert_eq!(r.to_local(Span::from_nanos(-4_000)), MonoTime::from_nanos(9_000));
        assert_eq!(r.to_local(Span::from_nanos(6_000)), MonoTime::ZERO);
    }
}
