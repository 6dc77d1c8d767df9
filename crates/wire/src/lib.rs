//! What agents and the supervisor say to each other, and how it is sealed.
//!
//! A rig has two kinds of talk. *Beats* go by UDP every few milliseconds over one or two paths, one datagram each, and
//! replies come back ten to twenty times a second. Everything else goes over two reliable TCP lanes: an urgent one
//! (the handshake, patches, triggers, commands, goodbye) and a bulk one (manifests, excerpts).
//!
//! Everything is sealed with keys from one Noise handshake ([`handshake`]), each direction under its own key, each lane
//! with its own counter and replay window ([`session`], [`window`]). Messages ([`beat`], [`message`]) are `postcard`;
//! their enums and structs only ever grow at the end. [`feed`] is the codec of the local socket by which players hand
//! MIDI bytes and audio to an agent; it is not sealed, since it never leaves the machine.

pub mod beat;
pub mod channels;
pub mod codec;
pub mod feed;
pub mod framing;
pub mod handshake;
pub mod header;
pub mod keys;
pub mod levels;
pub mod manifest;
pub mod message;
pub mod session;
mod text;
pub mod window;

pub use beat::{Beat, BeatReply, Echo, HostFlags, MAX_BEAT, SourceFlags, StopCause};
pub use codec::{DecodeError, decode_beat, decode_down, decode_reply, decode_up, encode_down, encode_up};
pub use feed::{FeedError, FeedFrame, FeedReader, PcmView};
pub use framing::{FrameError, FrameReader};
pub use handshake::{HandshakeError, Initiator, Responder};
pub use header::{Header, HeaderError, Kind, Lane, VERSIONS, VersionRange, peek};
pub use keys::{KeyError, KeyPair, PublicKey, SecretKey};
pub use levels::{CentiDbfs, ChannelLevel, Pilot};
pub use message::{
    ChannelMeters, Down, Excerpt, Exclusive, ExclusivePart, GoodbyeWhy, Health, Hello, Inventory, Kit, Meters,
    PatchMessage, PatchStream, RefuseWhy, Up,
};
pub use session::{Counters, OpenError, SealError, Session};
