//! What a network does to datagrams: delay, jitter (and with it reordering), loss, duplicates and bursts of loss. Pure and
//! repeatable: the same seed and the same instants give the same fates, in virtual time and in the relay alike.

use base::{MonoTime, Span};
use serde::{Deserialize, Serialize};
use settings::duration::Duration;

use crate::seed::{self, Sequence};

/// How a network treats datagrams, one direction at a time. The default is a perfect wire.
#[derive(Clone, Copy, PartialEq, Debug, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Weather {
    /// Every datagram takes at least this long.
    pub delay: Duration,
    /// And up to this much longer, each by itself, so that they may overtake each other.
    pub jitter: Duration,
    /// The chance that one is lost, 0..1.
    pub loss: f64,
    /// The chance that one comes twice, 0..1.
    pub duplicate: f64,
    /// Now and then everything is lost for this long,
    pub burst: Duration,
    /// on average once in this time (zero: never).
    pub burst_every: Duration,
}

/// What becomes of one datagram: how long each copy takes; no copy is a loss.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Fate {
    /// The first copy.
    pub first: Option<Span>,
    /// A second one.
    pub second: Option<Span>,
}

impl Fate {
    /// Lost.
    pub const LOST: Fate = Fate { first: None, second: None };
    /// There at once.
    pub const AT_ONCE: Fate = Fate { first: Some(Span::ZERO), second: None };
}

impl Weather {
    /// Whether it does nothing at all.
    pub fn is_fair(&self) -> bool {
        *self == Weather::default()
    }

    /// Checks that chances are chances.
    ///
    /// # Errors
    /// Which figure is none, in words.
    pub fn check(&self) -> Result<(), String> {
        for (name, p) in [("loss", self.loss), ("duplicate", self.duplicate)] {
            if !(0.0..=1.0).contains(&p) {
                return Err(format!("{name} is a chance from 0 to 1, not {p}"));
            }
        }
        if self.burst_every.0.nanos() > 0 && self.burst.0 > self.burst_every.0 {
            return Err("a burst cannot last longer than burst_every".into());
        }
        Ok(())
    }
}

/// One direction of one path, with its own luck.
#[derive(Clone, Debug)]
pub struct Sky {
    seed: u64,
    luck: Sequence,
}

impl Sky {
    /// The sky of this seed.
    pub fn new(seed: u64) -> Sky {
        Sky { seed, luck: Sequence::new(seed) }
    }

    /// What becomes of a datagram sent now.
    pub fn fate(&mut self, weather: &Weather, now: MonoTime) -> Fate {
        if weather.is_fair() {
            return Fate::AT_ONCE;
        }
        // Always the same number of draws, so that a change of one figure does not shuffle the rest.
        let [lost, twice, late, later] = std::array::from_fn(|_| self.luck.unit());
        if lost < weather.loss || self.in_burst(weather, now) {
            return Fate::LOST;
        }
        let takes = |u: f64| weather.delay.0 + weather.jitter.0.scaled(u);
        Fate { first: Some(takes(late)), second: (twice < weather.duplicate).then(|| takes(later)) }
    }

    /// Time is cut into slots of `burst_every`; each has one burst at a drawn place within it.
    fn in_burst(&self, weather: &Weather, now: MonoTime) -> bool {
        let (every, burst) = (weather.burst_every.0.nanos() as u64, weather.burst.0.nanos() as u64);
        if every == 0 || burst == 0 {
            return false;
        }
        let (slot, into) = (now.nanos() / every, now.nanos() % every);
        let start = seed::at(self.seed, 0xb0, slot as i64) % (every - burst.min(every)).max(1);
        (start..start + burst).contains(&into)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn run(weather: Weather, seed: u64, n: u64) -> Vec<Fate> {
        let mut sky = Sky::new(seed);
        (0..n).map(|i| sky.fate(&weather, MonoTime::from_nanos(i * 5_000_000))).collect()
    }

    #[test]
    fn losses_duplicates_and_delays_come_at_their_rates() {
        let w = Weather {
            delay: Duration::millis(1),
            jitter: Duration::millis(12),
            loss: 0.05,
            duplicate: 0.02,
            ..Weather::default()
        };
        let fates = run(w, 9, 100_000);
        let lost = fates.iter().filter(|f| f.first.is_none()).count() as f64 / 1e5;
        let twice = fates.iter().filter(|f| f.second.is_some()).count() as f64 / 1e5;
        // Three deviations of a binomial count: sqrt(p (1 - p) / n) x 3 is 0.002 and 0.0014.
        assert!((lost - 0.05).abs() < 0.002, "{lost}");
        assert!((twice - 0.019).abs() < 0.0014, "{twice}");
        assert!(fates.iter().flat_map(|f| f.first).all(|d| (1..=13).contains(&(d.nanos() / 1_000_000))));
        assert!(
            fates
                .windows(2)
                .any(|p| matches!((p[0].first, p[1].first), (Some(a), Some(b)) if a > b + Span::from_millis(5))),
            "nothing overtook"
        );
        assert_eq!(fates, run(w, 9, 100_000));
        assert_ne!(fates, run(w, 10, 100_000));
    }

    #[test]
    fn bursts_last_what_they_should() {
        let w = Weather { burst: Duration::millis(50), burst_every: Duration::secs(2), ..Weather::default() };
        let fates = run(w, 4, 40_000);
        let lost = fates.iter().filter(|f| f.first.is_none()).count();
        // 200 s hold 100 bursts of ten beats.
        assert!((950..=1050).contains(&lost), "{lost}");
        assert!(run(Weather::default(), 1, 1000).iter().all(|f| *f == Fate::AT_ONCE));
    }
}
