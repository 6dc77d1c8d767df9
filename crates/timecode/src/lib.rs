//! Position codes: SMPTE timecode, MTC, LTC, MIDI clock, Standard MIDI Files, OSC position messages.
//!
//! Everything here is pure: bytes or samples in, in chunks cut anywhere; positions with their time out. Nothing reads a
//! clock, and nothing on the live path allocates.

pub mod chase;
pub mod ltc;
pub mod midi;
pub mod osc;
pub mod smf;
pub mod smpte;
pub mod songs;
pub mod tempo_map;

pub use smpte::{Timecode, TimecodeError};
