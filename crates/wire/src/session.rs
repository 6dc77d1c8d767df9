//! A session: the keys of one handshake, and the four lanes under them.
//!
//! Each direction has its own key (Noise specification, section 5.2, `Split`), so a frame thrown back at its sender does
//! not open. A nonce is the lane's number and the lane's counter, and never repeats under a key. A frame is authenticated
//! first and only then held against the replay window, so that a forgery can never spend a counter.
//!
//! A session can be split by lanes between threads: both halves use the same keys, each lane belongs to one half only.

use std::sync::Arc;

use arrayvec::ArrayVec;
use snow::StatelessTransportState;

use crate::beat::{Beat, BeatReply, MAX_BEAT};
use crate::codec;
use crate::header::{self, COUNTER_MASK, HEADER, HeaderError, Kind, Lane, SEALED_HEADER, VersionRange};
use crate::window::ReplayWindow;

/// Length of the authentication tag (ChaCha20-Poly1305, RFC 8439).
pub const TAG: usize = 16;
/// What sealing adds to a message.
pub const OVERHEAD: usize = SEALED_HEADER + TAG;
/// The longest message that can be sealed: a Noise message has at most 65,535 bytes (specification, section 3).
pub const MAX_PLAIN: usize = 65_535 - TAG;
/// The longest sealed frame.
pub const MAX_FRAME: usize = MAX_PLAIN + OVERHEAD;
/// How many former sessions are remembered, to tell stale frames from strange ones.
const FORMER: usize = 8;
/// What the first frame of a bulk connection says.
const ATTACH: &[u8] = b"bulk lane";

/// Why nothing was sealed.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
pub enum SealError {
    /// Message too long, or the buffer too small.
    #[error("the message does not fit into a frame or into the buffer")]
    TooLong,
    /// Another half of the split session owns this lane.
    #[error("this half of the session does not own the lane")]
    NotMine,
    /// The lane's counter is used up (2^56 frames): a new handshake is due.
    #[error("the lane's counter is used up")]
    Exhausted,
}

/// Why a frame was refused. Every refusal is counted by kind ([`Counters`]).
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
pub enum OpenError {
    /// It belongs to a session that was once ours: late, not hostile.
    #[error("a frame of a former session")]
    Stale,
    /// It names a session that was never ours.
    #[error("a frame of an unknown session")]
    Unknown,
    /// It is genuine and was seen before, or is too old to tell.
    #[error("a frame that was seen before")]
    Replayed,
    /// It is not from the holder of the key, or was altered on the way.
    #[error("a frame that is not from whom it claims")]
    Forged,
    /// It is no frame of this protocol, or of another lane.
    #[error("not a frame of this lane")]
    Malformed,
    /// No version in common.
    #[error("the other side speaks protocol version {theirs}, this one {ours}")]
    Version {
        /// What the frame says.
        theirs: VersionRange,
        /// What this build speaks.
        ours: VersionRange,
    },
    /// The buffer given is too small for the message.
    #[error("the buffer is too small for the message")]
    NoRoom,
}

/// How many frames came, by what became of them.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Counters {
    /// Opened.
    pub opened: u64,
    /// [`OpenError::Stale`].
    pub stale: u64,
    /// [`OpenError::Unknown`].
    pub unknown: u64,
    /// [`OpenError::Replayed`].
    pub replayed: u64,
    /// [`OpenError::Forged`].
    pub forged: u64,
    /// [`OpenError::Malformed`] and [`OpenError::NoRoom`].
    pub malformed: u64,
    /// [`OpenError::Version`].
    pub version: u64,
}

impl Counters {
    /// Counts one refusal. Public so that a shell can count frames that reached no session.
    pub fn count(&mut self, why: OpenError) {
        let n = match why {
            OpenError::Stale => &mut self.stale,
            OpenError::Unknown => &mut self.unknown,
            OpenError::Replayed => &mut self.replayed,
            OpenError::Forged => &mut self.forged,
            OpenError::Malformed | OpenError::NoRoom => &mut self.malformed,
            OpenError::Version { .. } => &mut self.version,
        };
        *n = n.saturating_add(1);
    }
}

/// Keys and lanes between one agent and the supervisor.
pub struct Session {
    id: u32,
    version: u8,
    keys: Arc<StatelessTransportState>,
    former: ArrayVec<u32, FORMER>,
    lanes: [LaneState; 4],
    counters: Counters,
}

#[derive(Clone, Default)]
struct LaneState {
    mine: bool,
    next: u64,
    seen: ReplayWindow,
}

impl Session {
    pub(crate) fn new(id: u32, version: u8, keys: StatelessTransportState) -> Session {
        let lane = LaneState { mine: true, ..LaneState::default() };
        let lanes = [lane.clone(), lane.clone(), lane.clone(), lane];
        Session { id, version, keys: Arc::new(keys), former: ArrayVec::new(), lanes, counters: Counters::default() }
    }

    /// The session's number, chosen by the supervisor.
    pub const fn id(&self) -> u32 {
        self.id
    }
    /// The protocol version that both sides speak.
    pub const fn version(&self) -> u8 {
        self.version
    }
    /// What became of the frames that came.
    pub const fn counters(&self) -> Counters {
        self.counters
    }
    /// Whether a frame has been opened. The first handshake message can be replayed by anybody who heard it, so a
    /// supervisor must not let a new session take an old one's place before this is true.
    pub const fn confirmed(&self) -> bool {
        self.counters.opened > 0
    }
    /// Takes an older session's place: its frames, and those of the ones before it, count as stale from now on.
    pub fn succeed(&mut self, old: &Session) {
        for id in old.former.iter().copied().chain([old.id]) {
            if self.former.is_full() {
                self.former.remove(0);
            }
            self.former.push(id);
        }
    }
    /// Hands `lanes` over to a second half under the same keys, for another thread. A lane already handed over stays where it is.
    #[must_use]
    pub fn split_off(&mut self, lanes: &[Lane]) -> Session {
        let mut half = Session {
            id: self.id,
            version: self.version,
            keys: Arc::clone(&self.keys),
            former: self.former.clone(),
            lanes: Default::default(),
            counters: Counters::default(),
        };
        for lane in lanes {
            half.lanes[lane.index()] = core::mem::take(&mut self.lanes[lane.index()]);
        }
        half
    }

    /// Seals `message` for `lane` into `out` and returns the frame's length ([`OVERHEAD`] more than the message's). Allocates nothing.
    pub fn seal(&mut self, lane: Lane, message: &[u8], out: &mut [u8]) -> Result<usize, SealError> {
        let state = &mut self.lanes[lane.index()];
        if !state.mine {
            return Err(SealError::NotMine);
        }
        if message.len() > MAX_PLAIN || out.len() < message.len() + OVERHEAD {
            return Err(SealError::TooLong);
        }
        if state.next > COUNTER_MASK {
            return Err(SealError::Exhausted);
        }
        let nonce = header::nonce(lane, state.next);
        state.next += 1;
        out[..HEADER].copy_from_slice(&header::clear(Kind::Sealed, self.id));
        out[HEADER..SEALED_HEADER].copy_from_slice(&nonce.to_le_bytes());
        let sealed = self.keys.write_message(nonce, message, &mut out[SEALED_HEADER..]);
        sealed.map(|n| n + SEALED_HEADER).map_err(|_| SealError::TooLong)
    }

    /// Opens a frame that came on `lane` into `out` and returns the message's length. Allocates nothing, panics on nothing.
    pub fn open(&mut self, lane: Lane, frame: &[u8], out: &mut [u8]) -> Result<usize, OpenError> {
        let opened = self.try_open(lane, frame, out);
        match opened {
            Ok(_) => self.counters.opened = self.counters.opened.saturating_add(1),
            Err(why) => self.counters.count(why),
        }
        opened
    }

    fn try_open(&mut self, lane: Lane, frame: &[u8], out: &mut [u8]) -> Result<usize, OpenError> {
        let header = header::peek(frame)?;
        let Some((claimed, counter)) = header.place else { return Err(OpenError::Malformed) };
        if header.session != self.id {
            let stale = self.former.contains(&header.session);
            return Err(if stale { OpenError::Stale } else { OpenError::Unknown });
        }
        let sealed = &frame[SEALED_HEADER..];
        let state = &mut self.lanes[lane.index()];
        if claimed != lane || !state.mine || sealed.len() < TAG || sealed.len() > MAX_PLAIN + TAG {
            return Err(OpenError::Malformed);
        }
        if out.len() < sealed.len() - TAG {
            return Err(OpenError::NoRoom);
        }
        let opened =
            self.keys.read_message(header::nonce(lane, counter), sealed, out).map_err(|_| OpenError::Forged)?;
        if state.seen.take(counter) { Ok(opened) } else { Err(OpenError::Replayed) }
    }

    /// Seals a beat as one datagram. Allocates nothing.
    pub fn seal_beat(&mut self, lane: Lane, beat: &Beat, out: &mut [u8; MAX_BEAT]) -> Result<usize, SealError> {
        let mut plain = [0; MAX_BEAT - OVERHEAD];
        let n = codec::encode_beat(beat, &mut plain).map_err(|_| SealError::TooLong)?;
        self.seal(lane, &plain[..n], out)
    }
    /// Opens a datagram as a beat. Allocates nothing.
    pub fn open_beat(&mut self, lane: Lane, datagram: &[u8]) -> Result<Beat, OpenError> {
        let mut plain = [0; MAX_BEAT];
        let n = self.open(lane, datagram, &mut plain)?;
        codec::decode_beat(&plain[..n]).map_err(|_| self.not_a_message())
    }
    /// Seals a reply as one datagram. Allocates nothing.
    pub fn seal_reply(&mut self, lane: Lane, reply: &BeatReply, out: &mut [u8; MAX_BEAT]) -> Result<usize, SealError> {
        let mut plain = [0; MAX_BEAT - OVERHEAD];
        let n = codec::encode_reply(reply, &mut plain).map_err(|_| SealError::TooLong)?;
        self.seal(lane, &plain[..n], out)
    }
    /// Opens a datagram as a reply. Allocates nothing.
    pub fn open_reply(&mut self, lane: Lane, datagram: &[u8]) -> Result<BeatReply, OpenError> {
        let mut plain = [0; MAX_BEAT];
        let n = self.open(lane, datagram, &mut plain)?;
        codec::decode_reply(&plain[..n]).map_err(|_| self.not_a_message())
    }

    /// The first frame of a bulk connection: it names the session in its header and proves by its seal that the same agent speaks.
    pub fn seal_attach(&mut self, out: &mut [u8]) -> Result<usize, SealError> {
        self.seal(Lane::Bulk, ATTACH, out)
    }
    /// Whether a bulk connection's first frame belongs to this session (found by [`header::peek`]).
    pub fn open_attach(&mut self, frame: &[u8]) -> Result<(), OpenError> {
        let mut plain = [0; 64];
        let n = self.open(Lane::Bulk, frame, &mut plain)?;
        if plain[..n] == *ATTACH { Ok(()) } else { Err(self.not_a_message()) }
    }

    /// A genuine frame whose message makes no sense.
    fn not_a_message(&mut self) -> OpenError {
        self.counters.count(OpenError::Malformed);
        OpenError::Malformed
    }
}

impl core::fmt::Debug for Session {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.debug_struct("Session").field("id", &self.id).field("counters", &self.counters).finish_non_exhaustive()
    }
}

impl From<HeaderError> for OpenError {
    fn from(e: HeaderError) -> OpenError {
        match e {
            HeaderError::Malformed => OpenError::Malformed,
            HeaderError::Version { theirs, ours } => OpenError::Version { theirs, ours },
        }
    }
}
