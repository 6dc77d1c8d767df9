//! The handshake: Noise IK (Noise specification revision 34, section 7.5) over the urgent lane.
//!
//! The agent knows the supervisor's static key beforehand (pairing) and begins; the supervisor learns the agent's static
//! key from the first message and looks up which machine it belongs to. The prologue binds the magic, the version range of
//! the agent's clear header and the rig's id, so that neither a range altered on the way nor another rig's handshake passes.
//!
//! ```text
//! agent      -> Knock : header, e, es, s, ss, empty payload           11 + 96 bytes
//! supervisor -> Answer: header, e, ee, se, payload {version, session} 11 + 48 + 5 bytes
//! ```

use base::RigId;
use snow::{Builder, HandshakeState};

use crate::header::{self, HEADER, HeaderError, Kind, MAGIC, VERSIONS, VersionRange};
use crate::keys::{PublicKey, SecretKey};
use crate::session::Session;

/// The Noise protocol in use.
pub const PATTERN: &str = "Noise_IK_25519_ChaChaPoly_BLAKE2s";
/// Length of the first frame.
pub const KNOCK: usize = HEADER + 96;
/// Length of the second frame.
pub const ANSWER: usize = HEADER + 48 + ANSWER_PAYLOAD;

const ANSWER_PAYLOAD: usize = 5;

/// Why a handshake failed.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
pub enum HandshakeError {
    /// The frame is not the expected handshake message.
    #[error("not a handshake message of this protocol")]
    Malformed,
    /// Other keys, another rig, or altered on the way.
    #[error("the handshake does not fit our keys: not paired with each other, another rig, or altered on the way")]
    Refused,
    /// No version in common.
    #[error("the other side speaks protocol version {theirs}, this one {ours}")]
    Version {
        /// What the other side speaks.
        theirs: VersionRange,
        /// What this build speaks.
        ours: VersionRange,
    },
    /// The system gave no randomness, or a key is unusable.
    #[error("no handshake could be built: no randomness, or an unusable key")]
    Unable,
}

impl From<HeaderError> for HandshakeError {
    fn from(e: HeaderError) -> HandshakeError {
        match e {
            HeaderError::Malformed => HandshakeError::Malformed,
            HeaderError::Version { theirs, ours } => HandshakeError::Version { theirs, ours },
        }
    }
}

/// The agent's side.
pub struct Initiator {
    state: HandshakeState,
}

impl Initiator {
    /// Begins: returns the side to be kept and the frame to be sent.
    pub fn start(
        me: &SecretKey,
        supervisor: &PublicKey,
        rig: RigId,
    ) -> Result<(Initiator, [u8; KNOCK]), HandshakeError> {
        let prologue = prologue(VERSIONS, rig);
        let mut state = builder(me, &prologue)?
            .remote_public_key(supervisor.bytes())
            .and_then(Builder::build_initiator)
            .map_err(|_| HandshakeError::Unable)?;
        let mut frame = [0; KNOCK];
        frame[..HEADER].copy_from_slice(&header::clear(Kind::Knock, 0));
        state.write_message(&[], &mut frame[HEADER..]).map_err(|_| HandshakeError::Unable)?;
        Ok((Initiator { state }, frame))
    }

    /// Ends with the supervisor's answer.
    pub fn finish(mut self, frame: &[u8]) -> Result<Session, HandshakeError> {
        let header = header::peek(frame)?;
        if header.kind != Kind::Answer || frame.len() != ANSWER {
            return Err(HandshakeError::Malformed);
        }
        let mut payload = [0; ANSWER_PAYLOAD];
        self.state.read_message(&frame[HEADER..], &mut payload).map_err(|_| HandshakeError::Refused)?;
        let [version, s0, s1, s2, s3] = payload;
        if version < VERSIONS.min || version > VERSIONS.max {
            let theirs = VersionRange { min: version, max: version };
            return Err(HandshakeError::Version { theirs, ours: VERSIONS });
        }
        let keys = self.state.into_stateless_transport_mode().map_err(|_| HandshakeError::Refused)?;
        Ok(Session::new(u32::from_le_bytes([s0, s1, s2, s3]), version, keys))
    }
}

/// The supervisor's side, with the agent's key known and nothing promised yet.
pub struct Responder {
    state: HandshakeState,
    peer: PublicKey,
    version: u8,
}

impl Responder {
    /// Reads an agent's first frame. On [`HandshakeError::Version`], answer with [`other_version`].
    pub fn read(me: &SecretKey, rig: RigId, frame: &[u8]) -> Result<Responder, HandshakeError> {
        let header = header::peek(frame)?;
        let version = VERSIONS.common(header.versions).ok_or(HandshakeError::Malformed)?;
        if header.kind != Kind::Knock || frame.len() != KNOCK {
            return Err(HandshakeError::Malformed);
        }
        let prologue = prologue(header.versions, rig);
        let mut state = builder(me, &prologue)?.build_responder().map_err(|_| HandshakeError::Unable)?;
        state.read_message(&frame[HEADER..], &mut []).map_err(|_| HandshakeError::Refused)?;
        let peer = state.get_remote_static().and_then(PublicKey::of_slice).ok_or(HandshakeError::Refused)?;
        Ok(Responder { state, peer, version })
    }

    /// Whose key it is. The frame may be a replay: see [`Session::confirmed`].
    pub const fn peer(&self) -> PublicKey {
        self.peer
    }

    /// Answers under this session number: one that is not 0 and not in use.
    pub fn accept(mut self, session: u32) -> Result<(Session, [u8; ANSWER]), HandshakeError> {
        let [s0, s1, s2, s3] = session.to_le_bytes();
        let mut frame = [0; ANSWER];
        frame[..HEADER].copy_from_slice(&header::clear(Kind::Answer, 0));
        self.state
            .write_message(&[self.version, s0, s1, s2, s3], &mut frame[HEADER..])
            .map_err(|_| HandshakeError::Unable)?;
        let keys = self.state.into_stateless_transport_mode().map_err(|_| HandshakeError::Unable)?;
        Ok((Session::new(session, self.version, keys), frame))
    }
}

/// The frame that tells an agent which versions this supervisor speaks. The agent's [`Initiator::finish`] then names both.
pub fn other_version() -> [u8; HEADER] {
    header::clear(Kind::OtherVersion, 0)
}

fn builder<'a>(me: &'a SecretKey, prologue: &'a [u8]) -> Result<Builder<'a>, HandshakeError> {
    let params = PATTERN.parse().map_err(|_| HandshakeError::Unable)?;
    Builder::new(params)
        .local_private_key(me.bytes())
        .and_then(|b| b.prologue(prologue))
        .map_err(|_| HandshakeError::Unable)
}

fn prologue(versions: VersionRange, rig: RigId) -> [u8; 22] {
    let mut p = [0; 22];
    p[..4].copy_from_slice(&MAGIC);
    p[4] = versions.min;
    p[5] = versions.max;
    p[6..].copy_from_slice(&rig.0);
    p
}
