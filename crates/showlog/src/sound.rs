//! Sound kept round a changeover: what each machine sounded like, and what the house heard.

use base::{Machine, MonoTime, Span};

/// Where a stretch of sound was heard.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum HeardAt {
    /// At a machine's own output, by its agent.
    Machine(Machine),
    /// At the changeover's output, by the tap.
    House,
}

/// A stretch of one channel.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Sound {
    /// When its first sample was heard, on the record's clock.
    pub at: MonoTime,
    /// Where.
    pub heard_at: HeardAt,
    /// The channel's name.
    pub channel: String,
    /// Samples a second, in thousandths.
    pub rate_millihertz: u32,
    /// Samples of 16 bits; full scale is 32,767.
    pub samples: Vec<i16>,
}

impl Sound {
    /// How long it lasts; nothing without a rate.
    pub fn lasts(&self) -> Span {
        match self.rate_millihertz {
            0 => Span::ZERO,
            rate => Span::from_nanos((self.samples.len() as i128 * 1_000_000_000_000 / i128::from(rate)) as i64),
        }
    }
    pub(crate) fn bytes(&self) -> Vec<u8> {
        self.samples.iter().flat_map(|s| s.to_le_bytes()).collect()
    }
    pub(crate) fn samples_of(bytes: &[u8]) -> Vec<i16> {
        bytes.chunks_exact(2).map(|b| i16::from_le_bytes([b[0], b[1]])).collect()
    }
}

impl HeardAt {
    /// For the file: the machine's place in the rig, or -1 for the house.
    pub(crate) fn number(self) -> i64 {
        match self {
            HeardAt::Machine(m) => m.index() as i64,
            HeardAt::House => -1,
        }
    }
    pub(crate) fn of(number: i64) -> Option<HeardAt> {
        match number {
            -1 => Some(HeardAt::House),
            n => usize::try_from(n).ok().and_then(Machine::new).map(HeardAt::Machine),
        }
    }
}

impl std::fmt::Display for HeardAt {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            HeardAt::Machine(m) => m.fmt(f),
            HeardAt::House => f.write_str("house"),
        }
    }
}
