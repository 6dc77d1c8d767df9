//! Dropouts of all channels together: a block that was lost in several is one, and is told when no channel tells of it any more.

use arrayvec::ArrayVec;
use base::{MonoTime, Span};
use wire::message::Lost;

/// Dropouts of several channels within this of each other are one: a block was lost in all.
const ONE_DROPOUT: Span = Span::from_millis(10);

/// A dropout, as far as it is known.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct LostSound {
    /// Where it began.
    pub at: MonoTime,
    /// How long it is.
    pub length: Span,
    /// What it is like.
    pub what: Lost,
    /// In which channels, the lowest bit first; 0: in all.
    pub channels: u64,
}

/// See the module.
#[derive(Default)]
pub struct Dropouts {
    count: u16,
    last: Option<MonoTime>,
    waiting: ArrayVec<(MonoTime, LostSound), 4>,
}

impl Dropouts {
    /// How many there were; wraps.
    pub fn count(&self) -> u16 {
        self.count
    }

    /// One became known at `told`.
    pub fn on_lost(&mut self, told: MonoTime, lost: LostSound) {
        if self.last.is_none_or(|t| (told - t).abs() > ONE_DROPOUT) {
            self.count = self.count.wrapping_add(1);
            self.last = Some(told);
            // One that finds no room is counted all the same.
            let _ = self.waiting.try_push((told, lost));
        } else if let Some((_, l)) = self.waiting.last_mut() {
            l.channels = if l.channels == 0 || lost.channels == 0 { 0 } else { l.channels | lost.channels };
            l.length = l.length.max(lost.length);
            l.at = l.at.min(lost.at);
        }
    }

    /// The oldest of which no channel tells any more.
    pub fn settled(&mut self, now: MonoTime) -> Option<LostSound> {
        let settled = self.waiting.first().is_some_and(|(told, _)| now - *told > ONE_DROPOUT.times(2));
        settled.then(|| self.waiting.remove(0).1)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_several_channels_lose_at_once_is_one() {
        let t = |ms: i64| MonoTime::from_nanos(1_000_000_000) + Span::from_millis(ms);
        let lost =
            |ms, long, channels| LostSound { at: t(ms), length: Span::from_millis(long), what: Lost::Zeros, channels };
        let mut d = Dropouts::default();
        d.on_lost(t(5), lost(1, 4, 1));
        d.on_lost(t(6), lost(0, 5, 4));
        d.on_lost(t(40), lost(38, 2, 2));
        assert_eq!((d.count(), d.settled(t(20))), (2, None));
        assert_eq!(d.settled(t(70)), Some(lost(0, 5, 5)));
        assert_eq!(d.settled(t(70)), Some(lost(38, 2, 2)));
        assert_eq!(d.settled(t(70)), None);
        // A hole is in all channels, whatever one of them adds.
        d.on_lost(t(100), lost(90, 10, 0));
        d.on_lost(t(101), lost(90, 3, 8));
        assert_eq!(d.settled(t(200)), Some(lost(90, 10, 0)));
        // More than there is room for are counted.
        (0..9).for_each(|i| d.on_lost(t(300 + 20 * i), lost(300, 1, 1)));
        assert_eq!(d.count(), 12);
    }
}
