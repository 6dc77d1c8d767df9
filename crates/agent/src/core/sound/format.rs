//! What a machine's audio is, and what its channels are for.

use base::{Dbfs, FrameRate, Hertz};

/// The format of a machine's audio as its source delivers it.
#[derive(Clone, PartialEq, Debug)]
pub struct SoundFormat {
    /// Samples a second.
    pub rate: Hertz,
    /// Channel names in order.
    pub channels: Vec<String>,
    /// Which channel carries LTC.
    pub timecode: Option<usize>,
    /// Its rate, if that is known.
    pub ltc_rate: Option<FrameRate>,
    /// The frequency of the steady tone on the channel named `pilot`.
    pub pilot: Option<Hertz>,
    /// The noise floor of an analogue input: samples up to it are silence. None: only zeros are.
    pub floor: Option<Dbfs>,
    /// Whether it is heard from outside: its source goes on when the player does not, so that an input where neither sound nor code
    /// comes any more is all there is to tell its end by.
    pub outside: bool,
    /// Whether the stamps are a block's true instants (a simulated player's) or a driver's, which may jitter.
    pub exact_stamps: bool,
}

impl SoundFormat {
    /// Whether another format means the same samples.
    pub fn same_sound(&self, other: &SoundFormat) -> bool {
        self == other
    }
    /// Whether a channel is programme: heard by people, unlike timecode and pilot.
    pub fn is_programme(&self, channel: usize) -> bool {
        Some(channel) != self.timecode
            && self.channels.get(channel).is_some_and(|n| !matches!(n.as_str(), "" | "pilot" | "timecode"))
    }

    /// Named channels that people hear: their place in a block, and their name.
    pub(super) fn worth_comparing(&self) -> Vec<(usize, String)> {
        self.channels.iter().cloned().enumerate().filter(|(c, _)| self.is_programme(*c)).collect()
    }
}
