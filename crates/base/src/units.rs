//! Quantities with their unit in the type.

use core::fmt;
use serde::{Deserialize, Serialize};

use crate::time::Span;

macro_rules! unit {
    ($(#[$doc:meta])* $name:ident, $suffix:literal, $digits:literal) => {
        $(#[$doc])*
        #[derive(Clone, Copy, PartialEq, PartialOrd, Default, Debug, Serialize, Deserialize)]
        pub struct $name(pub f64);
        impl $name {
            /// Without its sign.
            pub fn abs(self) -> $name { $name(self.0.abs()) }
        }
        impl core::ops::Add for $name { type Output = $name; fn add(self, o: $name) -> $name { $name(self.0 + o.0) } }
        impl core::ops::Sub for $name { type Output = $name; fn sub(self, o: $name) -> $name { $name(self.0 - o.0) } }
        impl core::ops::Neg for $name { type Output = $name; fn neg(self) -> $name { $name(-self.0) } }
        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                write!(f, "{:.*} {}", f.precision().unwrap_or($digits), self.0, $suffix)
            }
        }
    };
}

unit!(
    /// Milliseconds, as people read an offset.
    Millis, "ms", 1
);
unit!(
    /// Parts per million: microseconds per second. The unit of drift and of a crystal's error.
    Ppm, "ppm", 1
);
unit!(
    /// A count of audio samples, fractional where known to a fraction.
    Samples, "samples", 1
);
unit!(
    /// Level relative to digital full scale, in decibels. Silence is minus infinity.
    Dbfs, "dBFS", 1
);
unit!(
    /// A ratio in decibels.
    Db, "dB", 1
);
unit!(
    /// Frequency in hertz, also a sample rate.
    Hertz, "Hz", 0
);
unit!(
    /// Tempo in beats (quarter notes) per minute.
    Bpm, "bpm", 1
);

impl From<Span> for Millis {
    fn from(s: Span) -> Millis {
        Millis(s.millis_f64())
    }
}
impl From<Millis> for Span {
    fn from(m: Millis) -> Span {
        Span::from_secs_f64(m.0 / 1e3)
    }
}

impl Samples {
    /// How long this many samples last at `rate`.
    pub fn at(self, rate: Hertz) -> Span {
        Span::from_secs_f64(self.0 / rate.0)
    }
    /// How many samples fit into `span` at `rate`.
    pub fn of(span: Span, rate: Hertz) -> Samples {
        Samples(span.secs_f64() * rate.0)
    }
}

impl Dbfs {
    /// Nothing but digital zeros.
    pub const SILENCE: Dbfs = Dbfs(f64::NEG_INFINITY);
    /// From a linear amplitude where 1.0 is full scale.
    pub fn from_amplitude(a: f64) -> Dbfs {
        Dbfs(20.0 * a.abs().log10())
    }
    /// The linear amplitude where 1.0 is full scale.
    pub fn amplitude(self) -> f64 {
        10f64.powf(self.0 / 20.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn levels_and_samples_convert() {
        assert!((Dbfs::from_amplitude(0.5).0 + 6.0206).abs() < 1e-4);
        assert_eq!(Dbfs::from_amplitude(0.0), Dbfs::SILENCE);
        assert_eq!(Dbfs::SILENCE.amplitude(), 0.0);
        assert_eq!(Samples(48.0).at(Hertz(48_000.0)), Span::from_millis(1));
        assert_eq!(format!("{}", Millis(3.04)), "3.0 ms");
    }
}
