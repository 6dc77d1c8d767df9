//! Which loudspeaker a channel feeds, as far as loudness cares: BS.1770-4 weighs what comes from the sides by +1.5 dB
//! (a factor of 1.41 on the power) and leaves out the low-frequency channel.

use ebur128::Channel;

/// Where a channel is heard from.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Place {
    /// The front, the back, above or below: weight 1.
    Plain,
    /// The side: between 60 and 120 degrees off the front and less than 30 degrees above or below it. Weight 1.41.
    Side,
    /// Low-frequency effects: left out.
    LowFrequency,
}

impl Place {
    pub(super) const fn weight(self) -> Channel {
        match self {
            Place::Plain => Channel::Left,
            Place::Side => Channel::LeftSurround,
            Place::LowFrequency => Channel::Unused,
        }
    }
}

/// Where all channels of a recording are heard from.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Layout(Vec<Place>);

/// Bits of a WAV file's channel mask (Microsoft, *Multiple Channel Audio Data and WAVE Files*).
mod mask {
    pub const LOW_FREQUENCY: u32 = 0x8;
    pub const BACK: u32 = 0x10 | 0x20;
    pub const SIDE: u32 = 0x200 | 0x400;
    /// Left and right of one kind each: front, back, front of centre, side, top front, top back.
    const PAIRS: [u32; 6] = [0x3, BACK, 0xC0, SIDE, 0x1000 | 0x4000, 0x8000 | 0x2_0000];

    /// Some programs set as many bits as there are channels, from the lowest on, and so name a left loudspeaker without its
    /// right one: no such room exists.
    pub fn is_believable(m: u32) -> bool {
        PAIRS.iter().all(|p| m & p == 0 || m & p == *p)
    }
}

impl Layout {
    /// The layout of a recording, by its channel mask where it has one that names every channel (bit order is channel
    /// order) and can be believed, else by the number of channels:
    ///
    /// | channels | taken for |
    /// |---|---|
    /// | 1 | one loudspeaker in front (weight 1: a mono file reads 3 LU less than the same in both channels of a stereo one) |
    /// | 2, 3 | L R, L R C |
    /// | 4 | L R Ls Rs |
    /// | 5 | L R C Ls Rs |
    /// | 6 | L R C LFE Ls Rs |
    /// | more | tracks of a show, each weighed alike: no common order of loudspeakers can be assumed |
    ///
    /// A mask's back pair is the surround pair of BS.775 (110 degrees) where there is no side pair (5.1 as most files have it);
    /// with a side pair it stands behind (135 degrees) and is weighed plainly.
    pub fn of(channels: usize, mask: Option<u32>) -> Layout {
        if let Some(m) = mask.filter(|m| m.count_ones() as usize == channels && mask::is_believable(*m)) {
            let side = if m & mask::SIDE != 0 { mask::SIDE } else { mask::BACK };
            let bits = (0..u32::BITS).map(|b| 1 << b).filter(|b| m & b != 0);
            let place = |b: u32| match b {
                mask::LOW_FREQUENCY => Place::LowFrequency,
                b if b & side != 0 => Place::Side,
                _ => Place::Plain,
            };
            return Layout(bits.map(place).collect());
        }
        use Place::{LowFrequency, Plain, Side};
        Layout(match channels {
            4 => vec![Plain, Plain, Side, Side],
            5 => vec![Plain, Plain, Plain, Side, Side],
            6 => vec![Plain, Plain, Plain, LowFrequency, Side, Side],
            n => vec![Plain; n],
        })
    }

    /// Place of each channel, in order.
    pub fn places(&self) -> &[Place] {
        &self.0
    }
}
