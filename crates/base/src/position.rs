//! Where in the show a machine is, as its own code said it.

use serde::{Deserialize, Serialize};

use crate::evidence::TransportState;
use crate::rate::FrameRate;
use crate::time::{RemoteTime, Span};

/// Where a position came from. The order is the order of trust where nothing else was configured.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SourceKind {
    /// Linear timecode, decoded from audio.
    Ltc,
    /// MIDI timecode.
    Mtc,
    /// OSC position messages.
    Osc,
    /// MIDI clock with song position pointer.
    MidiClock,
}

impl SourceKind {
    /// As the trade writes it.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Ltc => "LTC",
            Self::Mtc => "MTC",
            Self::Osc => "OSC",
            Self::MidiClock => "MIDI clock",
        }
    }
}

/// Which way a code runs.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Direction {
    /// Towards the end of the show.
    Forward,
    /// Backwards.
    Reverse,
    /// A single message that says where, not whither.
    None,
}

/// A raw position, before any show file has turned it into a song. Two positions can be subtracted when they are of one kind.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
pub enum ShowPosition {
    /// Timecode: real time since 00:00:00:00 at this rate's true speed, with the rate whose labels it wears.
    Timecode {
        /// The rate of the labels.
        rate: FrameRate,
        /// Time since 00:00:00:00.
        at: Span,
    },
    /// MIDI clock: thousandths of a clock (1/24 of a quarter note) since the start of the song. Its speed is told against
    /// [`CLOCKS_PER_SECOND`].
    Clocks {
        /// Thousandths of a clock.
        millis: i64,
    },
    /// A player that names its song and says how far in it is.
    Song {
        /// The song's number in the show file, from 1.
        number: u16,
        /// Time since the song's start.
        at: Span,
    },
}

/// Clocks a second at 120 quarter notes a minute: what a speed of one means for MIDI clock, whose own tempo is then a factor on it.
pub const CLOCKS_PER_SECOND: f64 = 48.0;

/// The newest position of one machine from one source: a point on a fitted line.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
pub struct PositionReport {
    /// Where it came from.
    pub source: SourceKind,
    /// Rolling, stopped, stalled, ...
    pub state: TransportState,
    /// The position on the fitted line ...
    pub position: ShowPosition,
    /// ... at this instant of the machine's own clock.
    pub at: RemoteTime,
    /// Rate of the position against the machine's clock, minus one, in parts per billion (0 = real time; -1e9 = standing).
    pub speed_ppb: i32,
    /// One standard deviation of the point on the line.
    pub sigma: Span,
    /// When the newest piece of code came in.
    pub last_heard: RemoteTime,
    /// Counts the jumps (locates, loops) seen on this source, so that a jump is noticed even if its beat was lost.
    pub jumps: u16,
}

impl PositionReport {
    /// Rate of the position against the machine's clock: 1 is real time, and 120 quarter notes a minute.
    pub fn speed(&self) -> f64 {
        1.0 + f64::from(self.speed_ppb) * 1e-9
    }

    /// The position at `at`, carried along the line.
    pub fn carried_to(&self, at: RemoteTime) -> ShowPosition {
        let dt = at - self.at;
        let moved = if self.state == TransportState::Rolling {
            dt + dt.scaled(f64::from(self.speed_ppb) * 1e-9)
        } else {
            Span::ZERO
        };
        match self.position {
            ShowPosition::Timecode { rate, at } => ShowPosition::Timecode { rate, at: at + moved },
            ShowPosition::Song { number, at } => ShowPosition::Song { number, at: at + moved },
            ShowPosition::Clocks { millis } => ShowPosition::Clocks {
                millis: millis.saturating_add((moved.secs_f64() * CLOCKS_PER_SECOND * 1e3).round() as i64),
            },
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_rolling_position_is_carried_at_its_speed() {
        let mut r = PositionReport {
            source: SourceKind::Mtc,
            state: TransportState::Rolling,
            position: ShowPosition::Timecode { rate: FrameRate::F30, at: Span::from_secs(10) },
            at: RemoteTime::from_nanos(0),
            speed_ppb: 1_000_000,
            sigma: Span::ZERO,
            last_heard: RemoteTime::from_nanos(0),
            jumps: 0,
        };
        let later = RemoteTime::from_nanos(1_000_000_000);
        let expect = Span::from_secs(11) + Span::from_millis(1);
        assert_eq!(r.carried_to(later), ShowPosition::Timecode { rate: FrameRate::F30, at: expect });
        // Clocks at 90 quarter notes a minute: 36 a second.
        let clocks = |millis| ShowPosition::Clocks { millis };
        let c = PositionReport { position: clocks(96_000), speed_ppb: -250_000_000, ..r };
        assert_eq!(c.carried_to(later), clocks(132_000));
        r.state = TransportState::Stopped;
        assert_eq!(r.carried_to(later), r.position);
    }
}
