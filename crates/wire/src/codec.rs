//! Messages to bytes and back.
//!
//! What follows a known message is ignored, so that a newer sender may have added fields. A variant's number beyond those
//! known is told apart from damage, so that a newer sender's messages are skipped instead of ending the talk.

use serde::{Deserialize, Serialize};

use crate::beat::{Beat, BeatReply};
use crate::message::{Down, Up};

/// The most bytes of one message: what one sealed frame can hold ([`crate::session::MAX_PLAIN`]).
pub const MAX_MESSAGE: usize = crate::session::MAX_PLAIN;

/// How many variants of [`Up`] this version knows.
const UP_VARIANTS: u32 = 17;
/// How many variants of [`Down`] this version knows.
const DOWN_VARIANTS: u32 = 7;

/// Why a message could not be read.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
pub enum DecodeError {
    /// A newer sender's message: skip it.
    #[error("message number {0} is not known to this version")]
    Unknown(u32),
    /// The bytes are no such message.
    #[error("the bytes are no message of this protocol")]
    Malformed,
}

/// The message does not fit.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
#[error("the message has more than {MAX_MESSAGE} bytes or does not fit into the buffer")]
pub struct EncodeError;

/// Writes a beat into `out` and returns its length. Allocates nothing.
pub fn encode_beat(beat: &Beat, out: &mut [u8]) -> Result<usize, EncodeError> {
    let own = into(beat, out)?;
    Ok(own + into(&beat.more, out.get_mut(own..).ok_or(EncodeError)?)?)
}
/// Reads a beat. Allocates nothing.
pub fn decode_beat(bytes: &[u8]) -> Result<Beat, DecodeError> {
    let (mut beat, rest) = postcard::take_from_bytes::<Beat>(bytes).map_err(|_| DecodeError::Malformed)?;
    if !rest.is_empty() {
        beat.more = from(rest)?;
    }
    Ok(beat)
}
/// Writes a reply into `out` and returns its length. Allocates nothing.
pub fn encode_reply(reply: &BeatReply, out: &mut [u8]) -> Result<usize, EncodeError> {
    into(reply, out)
}
/// Reads a reply. Allocates nothing.
pub fn decode_reply(bytes: &[u8]) -> Result<BeatReply, DecodeError> {
    from(bytes)
}
/// Writes an agent's message.
pub fn encode_up(message: &Up) -> Result<Vec<u8>, EncodeError> {
    to_vec(message)
}
/// Reads an agent's message.
pub fn decode_up(bytes: &[u8]) -> Result<Up, DecodeError> {
    known(bytes, UP_VARIANTS)?;
    from(bytes)
}
/// Writes a supervisor's message.
pub fn encode_down(message: &Down) -> Result<Vec<u8>, EncodeError> {
    to_vec(message)
}
/// Reads a supervisor's message.
pub fn decode_down(bytes: &[u8]) -> Result<Down, DecodeError> {
    known(bytes, DOWN_VARIANTS)?;
    from(bytes)
}

fn into<T: Serialize>(message: &T, out: &mut [u8]) -> Result<usize, EncodeError> {
    postcard::to_slice(message, out).map(|written| written.len()).map_err(|_| EncodeError)
}

fn to_vec<T: Serialize>(message: &T) -> Result<Vec<u8>, EncodeError> {
    let bytes = postcard::to_stdvec(message).map_err(|_| EncodeError)?;
    if bytes.len() > MAX_MESSAGE { Err(EncodeError) } else { Ok(bytes) }
}

fn from<'a, T: Deserialize<'a>>(bytes: &'a [u8]) -> Result<T, DecodeError> {
    postcard::take_from_bytes(bytes).map(|(message, _rest)| message).map_err(|_| DecodeError::Malformed)
}

fn known(bytes: &[u8], variants: u32) -> Result<(), DecodeError> {
    match from::<u32>(bytes)? {
        number if number < variants => Ok(()),
        number => Err(DecodeError::Unknown(number)),
    }
}
