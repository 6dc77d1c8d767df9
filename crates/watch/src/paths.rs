//! One network path to one machine: its address, its clock exchange and whether it lives.

use core::net::SocketAddr;

use base::{ClockState, MonoTime, RemoteTime, Span};
use measure::clock::{ClockConfig, ClockEstimate, ClockEstimator, Exchange};
use wire::{Beat, BeatReply};

/// Replies whose send time is remembered: at twenty a second more than three seconds of them.
const REMEMBERED: usize = 64;
/// A path that was silent for this many beat intervals is not alive.
const ALIVE_INTERVALS: i64 = 10;

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
            beats_since_reply: 0,
        }
    }

    /// Takes a beat that came in at `at`. The first beat that echoes a reply completes an exchange in which we are the client of
    /// RFC 5905 section 8: t1 our reply's departure, t2 its arrival there, t3 the beat's departure there, t4 its arrival here.
    pub fn on_beat(&mut self, from: SocketAddr, beat: &Beat, at: MonoTime) {
        self.address = Some(from);
        self.last_heard = Some(self.last_heard.map_or(at, |t| t.max(at)));
        if self.newest_beat.is_none_or(|(seq, _)| beat.seq.wrapping_sub(seq) as i32 > 0) {
            self.newest_beat = Some((beat.seq, at));
        }
        self.beats_since_reply = self.beats_since_reply.saturating_add(1);
        let Some(echo) = beat.echo else { return };
        if self.last_echo == Some(echo.reply) {
            return;
        }
        self.last_echo = Some(echo.reply);
        let slot = self.sent[echo.reply as usize % REMEMBERED];
        if let Some((seq, t1)) = slot.filter(|(seq, _)| *seq == echo.reply) {
            let exchange = Exchange { seq: u64::from(seq), t1, t2: echo.received, t3: beat.sent, t4: at };
            self.round_trip = Some((at - t1) - (beat.sent - echo.received));
            let _ = self.estimator.on_exchange(exchange);
        }
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
