//! How often something happened of late, from a counter that an agent tells and that wraps.

use base::{MonoTime, Span};

/// Counts increases over the last minute in six buckets of ten seconds.
#[derive(Default)]
pub(crate) struct LastMinute {
    last: Option<u16>,
    buckets: [u16; 6],
    at: usize,
    turned: MonoTime,
}

impl LastMinute {
    /// Nothing counted yet.
    pub(crate) fn new(now: MonoTime) -> LastMinute {
        LastMinute { turned: now, ..LastMinute::default() }
    }

    /// A counter stands at `count` now. Gives by how much it rose in the last minute.
    pub(crate) fn on_count(&mut self, count: u16, now: MonoTime) -> u16 {
        while now - self.turned >= Span::from_secs(10) {
            let behind = now - self.turned;
            self.turned = if behind > Span::from_secs(120) { now } else { self.turned + Span::from_secs(10) };
            self.at = (self.at + 1) % self.buckets.len();
            self.buckets[self.at] = 0;
        }
        let more = self.last.map_or(0, |l| count.wrapping_sub(l));
        self.last = Some(count);
        self.buckets[self.at] = self.buckets[self.at].saturating_add(more);
        self.sum()
    }
    fn sum(&self) -> u16 {
        self.buckets.iter().fold(0, |a, b| a.saturating_add(*b))
    }
}
