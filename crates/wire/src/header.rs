//! The clear header that stands before everything sealed.
//!
//! | bytes | what |
//! |---|---|
//! | 4 | magic `TWKL` |
//! | 1 + 1 | lowest and highest protocol version that the sender speaks |
//! | 4 | session, little endian; 0 in a handshake |
//! | 1 | kind |
//! | 8 | sealed frames only: nonce, little endian: lane in the highest byte, 56-bit counter below |
//!
//! The header is not secret and not trusted: the versions of a handshake are bound into it (prologue), the lane is part of
//! the nonce, and a wrong session finds no key. Whatever else is altered makes the frame fail to open.

/// First bytes of every frame.
pub const MAGIC: [u8; 4] = *b"TWKL";
/// Length of the header of a handshake frame.
pub const HEADER: usize = 11;
/// Length of the header of a sealed frame.
pub const SEALED_HEADER: usize = HEADER + 8;
/// The versions this build speaks. Version N accepts N-1, so that an upgrade does not blind a rig.
pub const VERSIONS: VersionRange = VersionRange { min: 1, max: 1 };

/// Lowest and highest protocol version that somebody speaks.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub struct VersionRange {
    /// Lowest.
    pub min: u8,
    /// Highest.
    pub max: u8,
}

impl VersionRange {
    /// The highest version that both speak.
    pub const fn common(self, other: VersionRange) -> Option<u8> {
        let max = if self.max < other.max { self.max } else { other.max };
        if max >= self.min && max >= other.min { Some(max) } else { None }
    }
}

impl core::fmt::Display for VersionRange {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        if self.min == self.max { write!(f, "{}", self.max) } else { write!(f, "{} to {}", self.min, self.max) }
    }
}

/// What a frame is.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
#[repr(u8)]
pub enum Kind {
    /// First message of the handshake, agent to supervisor.
    Knock = 1,
    /// Second message of the handshake, supervisor to agent.
    Answer = 2,
    /// "We have no version in common": header only, its range is the supervisor's.
    OtherVersion = 3,
    /// Everything after the handshake.
    Sealed = 4,
}

/// A stream or path of a session, each with its own counter.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
#[repr(u8)]
pub enum Lane {
    /// The urgent TCP lane.
    Urgent = 0,
    /// Beats on the first network path.
    Path1 = 1,
    /// Beats on the second network path.
    Path2 = 2,
    /// The bulk TCP lane.
    Bulk = 3,
}

impl Lane {
    /// Every lane.
    pub const ALL: [Lane; 4] = [Lane::Urgent, Lane::Path1, Lane::Path2, Lane::Bulk];

    /// The lane's place in [`Lane::ALL`].
    pub const fn index(self) -> usize {
        self as usize
    }
    fn of(byte: u8) -> Option<Lane> {
        Lane::ALL.get(usize::from(byte)).copied()
    }
}

/// A frame's header, read.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Header {
    /// Versions that the sender speaks.
    pub versions: VersionRange,
    /// Session, 0 in a handshake.
    pub session: u32,
    /// What it is.
    pub kind: Kind,
    /// For sealed frames: the lane and its counter.
    pub place: Option<(Lane, u64)>,
}

/// Why a header could not be read.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
pub enum HeaderError {
    /// Too short, other magic, unknown kind or lane.
    #[error("not a frame of this protocol")]
    Malformed,
    /// No version in common.
    #[error("the other side speaks protocol version {theirs}, this one {ours}")]
    Version {
        /// What the frame says.
        theirs: VersionRange,
        /// What this build speaks.
        ours: VersionRange,
    },
}

/// Reads the header of a frame, to find the session it claims to belong to. Nothing in it is to be trusted.
pub fn peek(frame: &[u8]) -> Result<Header, HeaderError> {
    let clear: &[u8; HEADER] = frame.first_chunk().ok_or(HeaderError::Malformed)?;
    let [a, b, c, d, min, max, s0, s1, s2, s3, kind] = *clear;
    if [a, b, c, d] != MAGIC || min > max {
        return Err(HeaderError::Malformed);
    }
    let versions = VersionRange { min, max };
    if VERSIONS.common(versions).is_none() {
        return Err(HeaderError::Version { theirs: versions, ours: VERSIONS });
    }
    let kind = match kind {
        1 => Kind::Knock,
        2 => Kind::Answer,
        3 => Kind::OtherVersion,
        4 => Kind::Sealed,
        _ => return Err(HeaderError::Malformed),
    };
    let place = match kind {
        Kind::Sealed => Some(place(&frame[HEADER..])?),
        _ => None,
    };
    Ok(Header { versions, session: u32::from_le_bytes([s0, s1, s2, s3]), kind, place })
}

fn place(rest: &[u8]) -> Result<(Lane, u64), HeaderError> {
    let nonce = u64::from_le_bytes(*rest.first_chunk().ok_or(HeaderError::Malformed)?);
    let lane = Lane::of((nonce >> 56) as u8).ok_or(HeaderError::Malformed)?;
    Ok((lane, nonce & COUNTER_MASK))
}

/// The counter's part of a nonce.
pub(crate) const COUNTER_MASK: u64 = (1 << 56) - 1;

/// The nonce of a lane and its counter.
pub(crate) const fn nonce(lane: Lane, counter: u64) -> u64 {
    ((lane as u64) << 56) | (counter & COUNTER_MASK)
}

/// The header's first part.
pub(crate) fn clear(kind: Kind, session: u32) -> [u8; HEADER] {
    let [a, b, c, d] = MAGIC;
    let [s0, s1, s2, s3] = session.to_le_bytes();
    [a, b, c, d, VERSIONS.min, VERSIONS.max, s0, s1, s2, s3, kind as u8]
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn both_ranges_are_named_when_nothing_is_common() {
        let mut frame = clear(Kind::Knock, 0);
        frame[4] = 7;
        frame[5] = 9;
        let refused = peek(&frame).unwrap_err();
        assert_eq!(refused.to_string(), "the other side speaks protocol version 7 to 9, this one 1");
    }

    #[test]
    fn the_highest_common_version_is_taken() {
        let range = |min, max| VersionRange { min, max };
        assert_eq!(range(1, 2).common(range(2, 3)), Some(2));
        assert_eq!(range(1, 3).common(range(2, 3)), Some(3));
        assert_eq!(range(1, 1).common(range(2, 3)), None);
    }
}
