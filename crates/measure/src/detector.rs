//! The failure detector: when does a missing beat mean that the machine is silent?
//!
//! After W. Chen, S. Toueg and M. K. Aguilera, "On the Quality of Service of Failure Detectors", IEEE Transactions on
//! Computers 51(5), 2002. A sender beats every interval eta. For each expected beat there is a *freshness point*; a
//! receiver trusts the sender at an instant if it holds a beat at least as new as the last freshness point that has
//! passed, and suspects it otherwise.
//!
//! * NFD-S, where the sender's clock is known: the freshness point of the beat after number n is `sent(n) + eta + delta`.
//!   The network's delay and its jitter do not shift the point, so the time from a crash to the verdict is at most
//!   `eta + delta`, whatever the beats before the crash went through.
//! * NFD-E, where it is not: the expected *arrival* of the next beat, averaged over the last ones, plus alpha.
//!
//! Both margins (delta and alpha are one here) are learnt from how late beats come and how many are lost, see [`margin`].
//! Beats of several network paths are merged: the first copy counts. While only one of them brings beats, the margin is what that one
//! needs alone, see [`lone`].
//!
//! What the watcher does to itself is taken off: time during which it was not awake, as its shell measures it, moves the
//! freshness point. The shell drains its sockets first and only then asks for a verdict.

mod arrival;
mod lone;
pub mod margin;

use base::{MonoTime, Span};

use arrival::ExpectedArrival;
use lone::LonePaths;
use margin::{Margin, MarginConfig};

/// How a detector is set up.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct DetectorConfig {
    /// The time between two beats: eta.
    pub interval: Span,
    /// How the margin is learnt.
    pub margin: MarginConfig,
}

impl DetectorConfig {
    /// Beats at this interval, margins as in [`MarginConfig::default`].
    pub fn every(interval: Span) -> DetectorConfig {
        DetectorConfig { interval, ..DetectorConfig::default() }
    }
}

impl Default for DetectorConfig {
    fn default() -> DetectorConfig {
        DetectorConfig { interval: Span::from_millis(5), margin: MarginConfig::default() }
    }
}

/// What the detector holds of the sender.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug, Default)]
pub enum BeatState {
    /// No beat yet.
    #[default]
    Never,
    /// Beats come.
    Heard,
    /// The freshness point has passed.
    Silent,
    /// The sender announced a pause: nothing is expected of it.
    Paused,
}

/// A change of state.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum BeatVerdict {
    /// Beats come (again).
    Heard {
        /// How long none had come: from the newest beat before to this one. `None` for the first beat of all.
        waited: Option<Span>,
    },
    /// No beat past the freshness point.
    Silent {
        /// When the first missed beat was due.
        first_missed: MonoTime,
        /// Since the newest beat arrived.
        waited: Span,
    },
}

/// How many beats came, for the record.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct BeatCounts {
    /// New beats, in order or ahead of it.
    pub heard: u64,
    /// Beats overtaken by a newer one, or never come.
    pub missed: u64,
    /// Second copies and beats that came after a newer one.
    pub late_or_double: u64,
}

/// Watches the beats of one sender, all its network paths together.
#[derive(Clone, Debug)]
pub struct BeatDetector {
    interval: Span,
    state: BeatState,
    newest: Option<Newest>,
    margin: Margin,
    paths: LonePaths,
    expected: ExpectedArrival,
    /// How long the watcher itself was not awake since the newest beat.
    excused: Span,
    /// The next beat is a new sender's first.
    anew: bool,
    counts: BeatCounts,
}

#[derive(Clone, Copy, Debug)]
struct Newest {
    seq: u64,
    arrived: MonoTime,
    /// When the beat after it is due: sent by NFD-S, received by NFD-E.
    next_due: MonoTime,
}

impl BeatDetector {
    /// Nothing heard yet, nothing expected. An interval below 0.1 ms is taken as 0.1 ms.
    pub fn new(config: DetectorConfig) -> BeatDetector {
        let interval = config.interval.max(Span::from_micros(100));
        BeatDetector {
            interval,
            state: BeatState::Never,
            newest: None,
            margin: Margin::new(interval, config.margin),
            paths: LonePaths::new(interval, config.margin),
            expected: ExpectedArrival::new(interval),
            excused: Span::ZERO,
            anew: false,
            counts: BeatCounts::default(),
        }
    }

    /// A beat came on a path (counted from 0). `sent` is when it was sent, on *our* clock, while the clock estimate tracks; `None`
    /// while it does not. Returns the change of state, if it made one.
    pub fn on_beat(&mut self, path: usize, seq: u64, sent: Option<MonoTime>, arrived: MonoTime) -> Option<BeatVerdict> {
        let before = self.newest;
        let learn = self.state != BeatState::Paused && !self.anew;
        let due = sent.map_or(arrived, |sent| sent.min(arrived)) + self.interval;
        self.paths.on_beat(path, seq, arrived, due, self.excused, learn);
        if before.is_some_and(|newest| seq <= newest.seq) {
            self.counts.late_or_double += 1;
            return None;
        }
        if let Some(newest) = before {
            let missed = seq - newest.seq - 1;
            self.counts.missed = self.counts.missed.saturating_add(missed);
            if learn {
                self.margin.on_arrival(missed, arrived - newest.next_due - self.excused);
            }
        }
        self.anew = false;
        self.counts.heard += 1;
        let expected = self.expected.on_arrival(seq, arrived);
        // A beat cannot have been sent after it came; a clock estimate that says so is off by that much.
        let next_due = sent.map_or(expected, |sent| sent.min(arrived) + self.interval);
        let newest = Newest { seq, arrived, next_due };
        self.newest = Some(newest);
        self.excused = Span::ZERO;
        let is_stale = arrived >= self.freshness_point(newest);
        match self.state {
            BeatState::Heard => None,
            // Old news, held up on the way: it does not show that the sender lives now.
            BeatState::Silent if is_stale => None,
            BeatState::Never | BeatState::Silent | BeatState::Paused => {
                self.state = BeatState::Heard;
                Some(BeatVerdict::Heard { waited: before.map(|b| arrived - b.arrived) })
            }
        }
    }

    /// Time has come. Call it at [`BeatDetector::next_deadline`], after everything that lay in the sockets was given to
    /// [`BeatDetector::on_beat`], and after each wake-up that came late. `own_lateness` is how much later than asked the
    /// watcher woke: that long it could not have noticed anything, and the deadline moves by as much.
    pub fn on_time(&mut self, now: MonoTime, own_lateness: Span) -> Option<BeatVerdict> {
        let (BeatState::Heard, Some(newest)) = (self.state, self.newest) else { return None };
        self.excused += own_lateness.max(Span::ZERO);
        if now < self.freshness_point(newest) {
            return None;
        }
        self.state = BeatState::Silent;
        Some(BeatVerdict::Silent { first_missed: newest.next_due, waited: now - newest.arrived })
    }

    /// The sender says that it pauses (goodbye, sleep): nothing is expected until its next beat.
    pub fn on_pause(&mut self) {
        if self.state != BeatState::Never {
            self.state = BeatState::Paused;
        }
    }

    /// The sender was started anew: how long its first beat takes tells of the start, not of the network, and is not learnt. Until
    /// then the old one's deadline stands.
    pub fn on_new_sender(&mut self) {
        self.anew = true;
        self.expected = ExpectedArrival::new(self.interval);
    }

    /// When to ask for a verdict next.
    pub fn next_deadline(&self) -> Option<MonoTime> {
        match self.state {
            BeatState::Heard => self.newest.map(|newest| self.freshness_point(newest)),
            BeatState::Never | BeatState::Silent | BeatState::Paused => None,
        }
    }
    /// What is held of the sender.
    pub const fn state(&self) -> BeatState {
        self.state
    }
    /// While silent: when the first missed beat was due.
    pub fn first_missed_due(&self) -> Option<MonoTime> {
        self.newest.filter(|_| self.state == BeatState::Silent).map(|newest| newest.next_due)
    }
    /// When the newest beat came.
    pub fn last_arrival(&self) -> Option<MonoTime> {
        self.newest.map(|newest| newest.arrived)
    }
    /// The margin in force: how long after it was due a beat may still come.
    pub fn margin(&self) -> Span {
        let lone = self.newest.and_then(|n| self.paths.only(n.seq));
        self.margin.now().max(lone.unwrap_or(Span::ZERO))
    }
    /// How many beats came.
    pub const fn counts(&self) -> BeatCounts {
        self.counts
    }

    fn freshness_point(&self, newest: Newest) -> MonoTime {
        newest.next_due + self.margin() + self.excused
    }
}

#[cfg(test)]
mod tests;
