//! Whether this machine slept.
//!
//! CLOCK_MONOTONIC stands still while a machine sleeps and CLOCK_BOOTTIME does not; otherwise they run as one. So any
//! growth of their difference is sleep. The two can't be read at the same instant, hence a little tolerance.

use base::{MonoTime, Span};

/// What two readings a moment apart may differ by without sleep.
const TOLERANCE: Span = Span::from_millis(50);

/// Compares the two clocks.
#[derive(Clone, Copy, Debug, Default)]
pub struct SleepWatch {
    difference: Option<Span>,
}

impl SleepWatch {
    /// Both clocks, read one right after the other (`boot` in the same nanoseconds). Gives how long the machine slept
    /// since the last reading, if it did.
    pub fn on_clocks(&mut self, mono: MonoTime, boot: MonoTime) -> Option<Span> {
        let difference = boot.since(mono);
        let before = self.difference.replace(difference)?;
        let slept = difference - before;
        (slept > TOLERANCE).then_some(slept)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sleep_is_growth_of_the_difference() {
        let at = |s: u64| MonoTime::from_nanos(s * 1_000_000_000);
        let mut watch = SleepWatch::default();
        assert_eq!(watch.on_clocks(at(10), at(100)), None);
        assert_eq!(watch.on_clocks(at(11), at(101)), None);
        assert_eq!(watch.on_clocks(at(12), at(132)), Some(Span::from_secs(30)));
        assert_eq!(watch.on_clocks(at(13), at(133)), None);
    }
}
