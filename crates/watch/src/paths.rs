//! One network path to one machine: its address, its clock exchange and whether it lives.
//!
//! An exchange is that of RFC 5905 section 8 with us as the client, completed the interleaved way (RFC 9769): a datagram can't carry
//! the stamp of its own departure that the network driver gave it, so that stamp comes later. Which of the four come from where:
//!
//! ```text
//! t1  our reply left        the kernel's transmit stamp, told to `on_reply_left`; else our clock before sealing
//! t2  it came there         the echo in the beat (the agent's kernel receive stamp)
//! t3  the echoing beat left  `prev_sent` of one of the next beats, which names this one; else that beat's own `sent`
//! t4  it came here          our kernel receive stamp
//! ```
//!
//! A stamp is used only for the very datagram whose number it comes with: reply and echo for t1, beat and `prev_sent` for t3. A lost
//! beat therefore costs the better stamp of one exchange and never mixes two. The agent tells the stamp again and again until it
//! has echoed the next reply, so that only the loss of the echoing beat itself costs it. Stamps of our own clock instead are
//! early, since what comes before the driver takes time: the exchange's limits get wider by that and stay limits.

use core::net::SocketAddr;

use base::{ClockState, MonoTime, RemoteTime, Span};
use measure::clock::{ClockConfig, ClockEstimate, ClockEstimator, Exchange};
use wire::{Beat, BeatReply};

/// Replies whose send time is remembered: at twenty a second more than three seconds of them.
const REMEMBERED: usize = 64;
/// A path that was silent for this many beat intervals is not alive.
const ALIVE_INTERVALS: i64 = 10;
/// An exchange waits for its better t3 until the beats have come so much farther.
const PATIENCE: i32 = 4;

/// One path to one machine.
pub struct Path {
    estimator: ClockEstimator,
    /// Where its newest authentic beat came from: replies go there.
    pub address: Option<SocketAddr>,
    /// When its newest beat came.
    pub last_heard: Option<MonoTime>,
    /// There and back, by the newest exchange.
    pub round_trip: Option<Span>,
    newest_beat: Option<(u32, MonoTime)>,
    reply_seq: u32,
    sent: [Option<(u32, MonoTime)>; REMEMBERED],
    last_echo: Option<u32>,
    /// Whether its agent has transmit stamps.
    stamps: bool,
    /// An exchange, complete but for a better t3, and the beat that t3 is of.
    open: Option<(Exchange, u32)>,
    /// Exchanges so far, and how many of them had the driver's stamp of the beat.
    exchanges: (u32, u32),
    beats_since_reply: u32,
}

impl Path {
    /// A path that has not been heard yet.
    pub fn new() -> Path {
        Path {
            estimator: ClockEstimator::new(ClockConfig::default()),
            address: None,
            last_heard: None,
            round_trip: None,
            newest_beat: None,
            reply_seq: 0,
            sent: [None; REMEMBERED],
            last_echo: None,
            stamps: false,
            open: None,
            exchanges: (0, 0),
            beats_since_reply: 0,
        }
    }

    /// Takes a beat that came in at `at`. The first beat that echoes a reply makes an exchange.
    pub fn on_beat(&mut self, from: SocketAddr, beat: &Beat, at: MonoTime) {
        self.address = Some(from);
        self.last_heard = Some(self.last_heard.map_or(at, |t| t.max(at)));
        if self.newest_beat.is_none_or(|(seq, _)| beat.seq.wrapping_sub(seq) as i32 > 0) {
            self.newest_beat = Some((beat.seq, at));
        }
        self.beats_since_reply = self.beats_since_reply.saturating_add(1);
        self.stamps |= beat.prev_sent.is_some();
        self.close_with(beat);
        let Some(echo) = beat.echo else { return };
        if self.last_echo == Some(echo.reply) {
            return;
        }
        self.last_echo = Some(echo.reply);
        let slot = self.sent[echo.reply as usize % REMEMBERED];
        let Some((seq, t1)) = slot.filter(|(seq, _)| *seq == echo.reply) else { return };
        if let Some((exchange, _)) = self.open.take() {
            self.close(exchange);
        }
        let exchange = Exchange { seq: u64::from(seq), t1, t2: echo.received, t3: beat.sent, t4: at };
        if self.stamps {
            self.open = Some((exchange, beat.seq));
        } else {
            self.close(exchange);
        }
    }

    /// When a reply truly left, by the network driver's stamp.
    pub fn on_reply_left(&mut self, reply: u32, at: MonoTime) {
        if let Some((seq, t1)) = &mut self.sent[reply as usize % REMEMBERED]
            && *seq == reply
        {
            *t1 = at.max(*t1);
        }
    }

    /// One of both machines slept, and its monotonic clock stood meanwhile: the offset is lost, the rate is not. Exchanges that began
    /// before are void.
    pub fn on_sleep(&mut self) {
        self.estimator.on_own_sleep();
        self.sent = [None; REMEMBERED];
        self.open = None;
    }

    /// Closes the open exchange if this beat tells when the echoing one left, or comes so late that none will.
    fn close_with(&mut self, beat: &Beat) {
        let Some((mut exchange, echoing)) = self.open else { return };
        let told = beat.prev_sent.filter(|(seq, _)| *seq == echoing).map(|(_, left)| left);
        if told.is_none() && (beat.seq.wrapping_sub(echoing) as i32) < PATIENCE {
            return;
        }
        // It left after it was made, and before it could be told of: anything else is no stamp.
        if let Some(left) = told.filter(|left| *left >= exchange.t3 && *left <= beat.sent) {
            exchange.t3 = left;
            self.exchanges.1 = self.exchanges.1.wrapping_add(1);
        }
        self.open = None;
        self.close(exchange);
    }

    fn close(&mut self, exchange: Exchange) {
        self.exchanges.0 = self.exchanges.0.wrapping_add(1);
        self.round_trip = Some(exchange.delay());
        let _ = self.estimator.on_exchange(exchange);
    }

    /// How many exchanges there were, and how many of them had the network driver's stamp of the beat (both wrap).
    pub fn exchanges(&self) -> (u32, u32) {
        self.exchanges
    }

    /// The number of the newest reply.
    pub fn newest_reply(&self) -> u32 {
        self.reply_seq
    }

    /// The reply that is due now, if one is: each other beat while the clock is being learnt, then each tenth (20 a second at
    /// 5 ms). Remembers its departure.
    pub fn reply_due(&mut self, now: MonoTime, template: BeatReply) -> Option<(SocketAddr, BeatReply)> {
        let every = if self.estimator.estimate(now).state == ClockState::Tracking { 10 } else { 2 };
        let to = self.address?;
        let (of_beat, beat_received) = self.newest_beat?;
        if self.beats_since_reply < every {
            return None;
        }
        self.beats_since_reply = 0;
        self.reply_seq = self.reply_seq.wrapping_add(1);
        self.sent[self.reply_seq as usize % REMEMBERED] = Some((self.reply_seq, now));
        let beat_received = RemoteTime::of_sender(beat_received);
        Some((
            to,
            BeatReply { seq: self.reply_seq, sent: RemoteTime::of_sender(now), of_beat, beat_received, ..template },
        ))
    }

    /// The other clock by this path.
    pub fn clock(&self, now: MonoTime) -> ClockEstimate {
        self.estimator.estimate(now)
    }

    /// Whether beats come over it.
    pub fn is_alive(&self, now: MonoTime, interval: Span) -> bool {
        self.last_heard.is_some_and(|t| now - t <= interval.times(ALIVE_INTERVALS))
    }
}

impl Default for Path {
    fn default() -> Path {
        Path::new()
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use wire::Echo;

    /// The other clock is ahead by this.
    const AHEAD: Span = Span::from_secs(500);
    /// From handing over to the driver, and from there to the other end.
    const TO_DRIVER: Span = Span::from_micros(40);
    const WAY: Span = Span::from_micros(100);

    fn ours(us: i64) -> MonoTime {
        MonoTime::from_nanos(10_000_000_000) + Span::from_micros(us)
    }
    fn theirs(at: MonoTime) -> RemoteTime {
        RemoteTime::of_sender(at + AHEAD)
    }

    /// A path, and the agent at its other end.
    struct Talk {
        path: Path,
        now: i64,
        seq: u32,
        echo: Option<Echo>,
        echoing: Option<(u32, RemoteTime)>,
    }

    impl Talk {
        fn new() -> Talk {
            Talk { path: Path::new(), now: 0, seq: 0, echo: None, echoing: None }
        }

        /// One beat; `lose` it or not, and `tell` the stamp of the echoing one (as `garbled` makes it) or not.
        fn beat(&mut self, lose: bool, tell: bool, garbled: impl Fn(RemoteTime) -> RemoteTime) {
            self.now += 5_000;
            self.seq += 1;
            let made = ours(self.now);
            let prev_sent = self.echoing.filter(|_| tell).map(|(seq, t)| (seq, garbled(t)));
            let beat = Beat { seq: self.seq, sent: theirs(made), echo: self.echo, prev_sent, ..Beat::default() };
            if self.echo.is_some_and(|e| e.reply != self.path.newest_reply()) || self.echoing.is_none() {
                self.echoing = Some((self.seq, theirs(made + TO_DRIVER)));
            }
            if !lose {
                self.path.on_beat(([127, 0, 0, 1], 1).into(), &beat, made + TO_DRIVER + WAY);
            }
            if let Some((_, reply)) = self.path.reply_due(ours(self.now + 1_000), BeatReply::default()) {
                let left = ours(self.now + 1_000) + TO_DRIVER;
                self.path.on_reply_left(reply.seq, left);
                self.echo = Some(Echo { reply: reply.seq, received: theirs(left + WAY) });
                self.echoing = Some((self.seq + 1, theirs(ours(self.now + 5_000) + TO_DRIVER)));
            }
        }

        fn error(&self) -> (Span, Span) {
            let c = self.path.clock(ours(self.now));
            assert_eq!(c.state, ClockState::Tracking);
            ((c.offset - AHEAD).abs(), c.bound)
        }
    }

    #[test]
    fn exact_stamps_at_both_ends_leave_the_way_alone() {
        let mut t = Talk::new();
        (0..2_000).for_each(|_| t.beat(false, true, |x| x));
        let (error, bound) = t.error();
        // Both ways are alike, and all that is unequal (sealing, the way to the driver) lies outside of them.
        assert!(error <= Span::from_micros(2), "{error:?}");
        assert!(bound <= WAY + Span::from_micros(12), "{bound:?}");
        assert_eq!(t.path.round_trip, Some(WAY.times(2)));
        let (all, exact) = t.path.exchanges();
        assert!(exact + 8 >= all && all > 100, "{exact} of {all}");
    }

    #[test]
    fn without_stamps_the_exchange_is_the_plain_one() {
        let mut t = Talk::new();
        (0..2_000).for_each(|_| t.beat(false, false, |x| x));
        assert_eq!(t.path.exchanges().1, 0);
        assert_eq!(t.path.round_trip, Some(WAY.times(2) + TO_DRIVER));
        let (error, bound) = t.error();
        assert!(error <= bound && bound <= WAY + TO_DRIVER, "{error:?} {bound:?}");
    }

    #[test]
    fn lost_beats_mix_no_two_exchanges() {
        let mut t = Talk::new();
        let mut state = 7u32;
        for _ in 0..4_000 {
            // A fifth is lost (a generator of Numerical Recipes' kind: any will do).
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            t.beat(state >> 24 < 51, true, |x| x);
            if let Some(there_and_back) = t.path.round_trip {
                let plain = WAY.times(2) + TO_DRIVER;
                assert!(there_and_back == WAY.times(2) || there_and_back == plain, "{there_and_back:?}");
            }
        }
        let (error, bound) = t.error();
        assert!(error <= bound, "{error:?} {bound:?}");
        let (all, exact) = t.path.exchanges();
        assert!(exact * 10 >= all * 7 && exact < all, "{exact} of {all}");
    }

    #[test]
    fn stamps_that_cannot_be_are_not_used() {
        for garble in [-1i64, 10_000_000_000, i64::MIN / 2, 50_000_000] {
            let mut t = Talk::new();
            (0..1_000).for_each(|_| {
                t.beat(false, true, |x| RemoteTime::from_nanos(x.nanos().saturating_add_signed(garble - 41_000)));
            });
            assert_eq!(t.path.exchanges().1, 0, "{garble}");
            let (error, bound) = t.error();
            assert!(error <= bound && bound <= WAY + TO_DRIVER, "{garble}: {error:?} {bound:?}");
        }
    }
}
