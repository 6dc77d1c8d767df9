//! Levels of more channels than a beat always carries: a window that goes round with the beats, and what must not wait for its turn.
//!
//! The first eight channels stand in every beat, as they always did. Of the others each beat carries fourteen: four windows hold the
//! 56 that there may be, and at beats of 5 ms go round in 20 ms, which is how often meters are read. What must be known at once is no
//! channel's level: whether there is sound at all, since when not, and whether it is wrong are told of all channels together in every
//! beat, and so is the pilot, here.
//!
//! These fields follow a beat's own. An older sender ends before them, and an older reader ignores them.

use arrayvec::ArrayVec;
use serde::{Deserialize, Serialize};

use crate::beat::MAX_LEVELS;
use crate::levels::{ChannelLevel, Pilot};

/// The most channels of a machine.
pub const MAX_CHANNELS: usize = 64;
/// The most channels beyond the first eight in one beat.
pub const WINDOW: usize = 14;

/// What a beat says of the channels beyond the first eight, and of all of them together.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct MoreChannels {
    /// How many channels there are; 0: the sender is older than this and does not say, or has no ears.
    pub heard: u8,
    /// The pilots on all channels together: absent where any that is expected is.
    pub pilot: Pilot,
    /// The channel of the first of `levels`, counted from 0.
    pub first: u8,
    /// Levels from that channel on.
    pub levels: ArrayVec<ChannelLevel, WINDOW>,
}

/// Which window a beat carries: goes round.
#[derive(Clone, Copy, Debug, Default)]
pub struct Round(usize);

impl Round {
    /// The window whose turn it is, of that many channels: its first channel, and how many. The next call gives the next one.
    pub fn turn(&mut self, channels: usize) -> (usize, usize) {
        let channels = channels.min(MAX_CHANNELS);
        if self.0 < MAX_LEVELS || self.0 >= channels {
            self.0 = MAX_LEVELS;
        }
        let first = self.0;
        self.0 += WINDOW;
        (first, channels.saturating_sub(first).min(WINDOW))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_channel_has_its_turn_within_four_beats() {
        for channels in 0..80 {
            let mut round = Round::default();
            let mut seen = [false; MAX_CHANNELS];
            for _ in 0..4 {
                let (first, n) = round.turn(channels);
                (first..first + n).for_each(|c| seen[c] = true);
            }
            let expected = MAX_LEVELS.min(channels)..channels.min(MAX_CHANNELS);
            assert!((0..MAX_CHANNELS).all(|c| seen[c] == expected.contains(&c)), "{channels}");
        }
    }
}
