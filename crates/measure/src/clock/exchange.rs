//! One exchange of four timestamps, and what it proves.
//!
//! RFC 5905 section 8 takes the offset and the round trip of one exchange to be
//!
//! ```text
//! theta = ((t2 - t1) + (t3 - t4)) / 2        delta = (t4 - t1) - (t3 - t2)
//! ```
//!
//! The two halves say more when they are kept apart. Let theta(t) be the other clock minus ours. The request needs
//! d >= 0 to arrive, so t2 - t1 = theta(t1) + d is an *upper* limit of the offset at t1. The reply needs e >= 0, so
//! t3 - t4 = theta(t4) - e is a *lower* limit of it at t4. Whatever the two delays are, and however unlike each other,
//! the truth lies between the limits; theta is their middle and delta their distance.

use base::{MonoTime, RemoteTime, Span};

/// Four timestamps: `t1` sent and `t4` received on our clock, `t2` received and `t3` sent on the other's.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Exchange {
    /// The number of the request, by which duplicates are known.
    pub seq: u64,
    /// We sent the request.
    pub t1: MonoTime,
    /// The other received it.
    pub t2: RemoteTime,
    /// The other sent the reply.
    pub t3: RemoteTime,
    /// We received the reply.
    pub t4: MonoTime,
}

impl Exchange {
    /// Offset of the other clock against ours, by RFC 5905 section 8.
    pub fn offset(&self) -> Span {
        let twice = self.upper_nanos() + self.lower_nanos();
        saturate(twice.div_euclid(2))
    }
    /// Round trip without the time the other took to answer, by RFC 5905 section 8.
    pub fn delay(&self) -> Span {
        self.t4.since(self.t1) - self.t3.since(self.t2)
    }
    /// `t2 - t1`: the offset at `t1` is not above it.
    pub fn upper(&self) -> Span {
        saturate(self.upper_nanos())
    }
    /// `t3 - t4`: the offset at `t4` is not below it.
    pub fn lower(&self) -> Span {
        saturate(self.lower_nanos())
    }

    fn upper_nanos(&self) -> i128 {
        i128::from(self.t2.nanos()) - i128::from(self.t1.nanos())
    }
    fn lower_nanos(&self) -> i128 {
        i128::from(self.t3.nanos()) - i128::from(self.t4.nanos())
    }
}

fn saturate(ns: i128) -> Span {
    Span::from_nanos(ns.clamp(i128::from(i64::MIN), i128::from(i64::MAX)) as i64)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn exchange(t: [u64; 4]) -> Exchange {
        Exchange {
            seq: 1,
            t1: MonoTime::from_nanos(t[0]),
            t2: RemoteTime::from_nanos(t[1]),
            t3: RemoteTime::from_nanos(t[2]),
            t4: MonoTime::from_nanos(t[3]),
        }
    }

    #[test]
    fn offset_and_delay_are_those_of_rfc_5905_section_8() {
        // theta = 1/2 * [(T2-T1) + (T3-T4)], delta = (T4-T1) - (T3-T2), worked by hand.
        let e = exchange([1_000, 11_300, 11_350, 1_150]);
        assert_eq!(e.offset(), Span::from_nanos((10_300 + 10_200) / 2));
        assert_eq!(e.delay(), Span::from_nanos(150 - 50));
        assert_eq!(e.upper() - e.lower(), e.delay());
    }

    #[test]
    fn a_negative_offset_is_no_different() {
        let e = exchange([1_000_000, 400_100, 400_100, 1_000_200]);
        assert_eq!(e.offset(), Span::from_nanos(-600_000));
        assert_eq!(e.delay(), Span::from_nanos(200));
    }

    #[test]
    fn the_wildest_stamps_saturate() {
        let e = exchange([0, u64::MAX, 0, u64::MAX]);
        assert_eq!(e.upper(), Span::MAX);
        assert_eq!(e.lower(), Span::MIN);
        let _ = (e.offset(), e.delay());
    }
}
