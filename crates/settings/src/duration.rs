//! Durations as people write them: `5ms`, `1.5s`, `3min`, `3:20` (minutes and seconds), `1:03:20`.

use base::Span;
use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// A duration in a configuration file: written with its unit, so that nobody has to guess it.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Default)]
pub struct Duration(pub Span);

impl Duration {
    /// Whole milliseconds.
    pub const fn millis(ms: i64) -> Duration {
        Duration(Span::from_millis(ms))
    }
    /// Whole seconds.
    pub const fn secs(s: i64) -> Duration {
        Duration(Span::from_secs(s))
    }
}

const WRITE_LIKE: &str = "write a duration with its unit, such as \"5ms\", \"1.5s\", \"3min\" or \"3:20\"";

impl std::str::FromStr for Duration {
    type Err = String;
    fn from_str(text: &str) -> Result<Duration, String> {
        let t = text.trim();
        let wrong = || format!("\"{text}\" is not a duration; {WRITE_LIKE}");
        if t.contains(':') {
            let mut total = 0f64;
            let parts: Vec<&str> = t.split(':').collect();
            if parts.len() > 3 {
                return Err(wrong());
            }
            for (i, p) in parts.iter().enumerate() {
                let n: f64 = p.parse().map_err(|_| wrong())?;
                if !n.is_finite() || n < 0.0 || (i > 0 && n >= 60.0) {
                    return Err(wrong());
                }
                total = total * 60.0 + n;
            }
            return Ok(Duration(Span::from_secs_f64(total)));
        }
        let unit_at = t.find(|c: char| c.is_ascii_alphabetic() || c == 'µ').ok_or_else(wrong)?;
        let (number, unit) = t.split_at(unit_at);
        let n: f64 = number.trim().parse().map_err(|_| wrong())?;
        let factor = match unit {
            "us" | "µs" => 1e-6,
            "ms" => 1e-3,
            "s" => 1.0,
            "min" => 60.0,
            "h" => 3600.0,
            _ => return Err(wrong()),
        };
        if !n.is_finite() || n < 0.0 {
            return Err(wrong());
        }
        Ok(Duration(Span::from_secs_f64(n * factor)))
    }
}

impl std::fmt::Display for Duration {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let ns = self.0.nanos();
        match ns {
            n if n % 1_000_000_000 == 0 => write!(f, "{}s", n / 1_000_000_000),
            n if n % 1_000_000 == 0 => write!(f, "{}ms", n / 1_000_000),
            n => write!(f, "{}us", n as f64 / 1e3),
        }
    }
}

impl Serialize for Duration {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Duration {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Duration, D::Error> {
        struct V;
        impl serde::de::Visitor<'_> for V {
            type Value = Duration;
            fn expecting(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                f.write_str("a duration in quotes with its unit, such as \"5ms\"")
            }
            fn visit_str<E: serde::de::Error>(self, s: &str) -> Result<Duration, E> {
                s.parse().map_err(E::custom)
            }
        }
        d.deserialize_str(V)
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn durations_read_as_people_write_them() {
        let d = |s: &str| s.parse::<Duration>().map(|d| d.0);
        assert_eq!(d("5ms"), Ok(Span::from_millis(5)));
        assert_eq!(d("1.5 s"), Ok(Span::from_millis(1500)));
        assert_eq!(d("3:20"), Ok(Span::from_secs(200)));
        assert_eq!(d("1:03:20.5"), Ok(Span::from_millis(3_800_500)));
        for bad in ["5", "ms", "-5ms", "1:75", "nans", "1:2:3:4", "5 weeks", ""] {
            assert!(d(bad).is_err(), "{bad}");
        }
        for good in ["5ms", "2s", "125us"] {
            assert_eq!(good.parse::<Duration>().unwrap().to_string(), good);
        }
    }
}
