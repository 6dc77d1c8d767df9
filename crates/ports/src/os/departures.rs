//! Which datagram a kernel's transmit stamp belongs to.
//!
//! The kernel counts the datagrams of a socket and tells with each stamp which one it is of (`SOF_TIMESTAMPING_OPT_ID` in the kernel's
//! `Documentation/networking/timestamping.rst`). We count those that it took from us. The two counts run apart when a datagram is
//! refused behind the point where the kernel has counted it (a packet filter, no memory), and nothing tells of it. So each
//! stamp is held against what must be true of it: it can't be of a datagram that was never sent, nor older than the moment at
//! which that was handed over. One that breaks this shows that the counts have parted, and it is then of the newest
//! datagram that had been handed over before it; from there the counts agree again.

use base::{MonoTime, Span};

/// When a datagram left.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Departure {
    /// Its number, as [`super::Gate::send_stamped`] gave it.
    pub number: u32,
    /// When the kernel handed it to the network driver.
    pub at: MonoTime,
}

/// Datagrams whose stamp is waited for, and departures that nobody has asked for yet. Stamps come within a millisecond.
const REMEMBERED: usize = 64;
/// Two readings of two clocks are this far apart at most, unless we were held up between them. More would let two datagrams
/// that were sent one right behind the other be taken for each other.
const READING: Span = Span::from_micros(2);

/// The datagrams of one socket.
#[derive(Debug)]
pub(super) struct Departures {
    /// Whether the kernel was asked for stamps and agreed.
    pub on: bool,
    next: u32,
    /// The kernel's count minus ours.
    ahead: u32,
    sent: [Option<(u32, MonoTime)>; REMEMBERED],
    left: [Option<Departure>; REMEMBERED],
    oldest: usize,
    waiting: usize,
}

impl Default for Departures {
    fn default() -> Departures {
        Departures {
            on: false,
            next: 0,
            ahead: 0,
            sent: [None; REMEMBERED],
            left: [None; REMEMBERED],
            oldest: 0,
            waiting: 0,
        }
    }
}

impl Departures {
    /// A datagram is about to be handed over at `now`: its number.
    pub fn before_send(&mut self, now: MonoTime) -> u32 {
        self.sent[self.next as usize % REMEMBERED] = Some((self.next, now));
        self.next
    }

    /// What became of it.
    pub fn after_send(&mut self, taken: bool) {
        if taken {
            self.next = self.next.wrapping_add(1);
        } else {
            self.sent[self.next as usize % REMEMBERED] = None;
        }
    }

    /// The kernel says that the datagram it counts as `key` left at `at`.
    pub fn on_stamp(&mut self, key: u32, at: MonoTime) {
        let number = key.wrapping_sub(self.ahead);
        let known =
            self.sent[number as usize % REMEMBERED].filter(|(n, before)| *n == number && at + READING >= *before);
        let Some((number, before)) = known.or_else(|| self.newest_before(at)) else { return };
        self.ahead = key.wrapping_sub(number);
        self.sent[number as usize % REMEMBERED] = None;
        // Nothing leaves before it is handed over; what seems so is the reading of two clocks.
        self.put(Departure { number, at: at.max(before) });
    }

    /// The oldest departure that nobody has asked for yet.
    pub fn take(&mut self) -> Option<Departure> {
        if self.waiting == 0 {
            return None;
        }
        let oldest = self.left[self.oldest].take();
        self.oldest = (self.oldest + 1) % REMEMBERED;
        self.waiting -= 1;
        oldest
    }

    fn put(&mut self, departure: Departure) {
        if self.waiting == REMEMBERED {
            let _ = self.take();
        }
        self.left[(self.oldest + self.waiting) % REMEMBERED] = Some(departure);
        self.waiting += 1;
    }

    fn newest_before(&self, at: MonoTime) -> Option<(u32, MonoTime)> {
        self.sent.iter().flatten().filter(|(_, before)| at >= *before).max_by_key(|(_, before)| *before).copied()
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn us(n: u64) -> MonoTime {
        MonoTime::from_nanos(1_000_000_000 + n * 1_000)
    }

    fn send(d: &mut Departures, at: u64) -> u32 {
        let n = d.before_send(us(at));
        d.after_send(true);
        n
    }

    #[test]
    fn stamps_find_their_datagrams_in_any_order() {
        let mut d = Departures::default();
        let (a, b) = (send(&mut d, 0), send(&mut d, 3));
        d.on_stamp(1, us(8));
        d.on_stamp(0, us(7));
        assert_eq!(d.take(), Some(Departure { number: b, at: us(8) }));
        assert_eq!(d.take(), Some(Departure { number: a, at: us(7) }));
        assert_eq!(d.take(), None);
    }

    #[test]
    fn a_datagram_that_only_the_kernel_counted_shifts_nothing_for_long() {
        let mut d = Departures::default();
        send(&mut d, 0);
        d.on_stamp(0, us(5));
        // Refused behind the kernel's count: its key 1 is spent.
        d.before_send(us(5_000));
        d.after_send(false);
        let b = send(&mut d, 10_000);
        d.on_stamp(2, us(10_005));
        let c = send(&mut d, 15_000);
        d.on_stamp(3, us(15_005));
        d.take().unwrap();
        assert_eq!(d.take(), Some(Departure { number: b, at: us(10_005) }));
        assert_eq!(d.take(), Some(Departure { number: c, at: us(15_005) }));
    }

    #[test]
    fn two_at_once_after_a_lost_count_are_not_taken_for_each_other() {
        let mut d = Departures::default();
        d.before_send(us(0));
        d.after_send(false);
        let (a, b) = (send(&mut d, 100), send(&mut d, 110));
        d.on_stamp(1, us(105));
        d.on_stamp(2, us(115));
        assert_eq!(d.take(), Some(Departure { number: a, at: us(105) }));
        assert_eq!(d.take(), Some(Departure { number: b, at: us(115) }));
    }

    #[test]
    fn garbage_is_nobodys_departure() {
        let mut d = Departures::default();
        d.on_stamp(77, us(5));
        assert_eq!(d.take(), None);
        send(&mut d, 1_000);
        // Older than anything that was handed over.
        d.on_stamp(0, us(900));
        d.on_stamp(9, us(1));
        assert_eq!(d.take(), None);
        for i in 0..200 {
            send(&mut d, 2_000 + i);
            d.on_stamp(1 + i as u32, us(2_000 + i));
        }
        assert_eq!(std::iter::from_fn(|| d.take()).count(), REMEMBERED, "the oldest are forgotten");
    }

    #[test]
    fn nothing_leaves_before_it_is_handed_over() {
        let mut d = Departures::default();
        let n = send(&mut d, 1_000);
        d.on_stamp(0, us(999));
        assert_eq!(d.take(), Some(Departure { number: n, at: us(1_000) }));
    }
}
