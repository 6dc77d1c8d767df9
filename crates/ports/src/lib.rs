//! MIDI ports and audio devices behind one small face, and what the shells need of the operating system.
//!
//! Every source, be it a MIDI port or an audio device, gives the same thing: [`Arrivals`], a stream of stamped MIDI bytes,
//! stamped blocks of audio and changes of the source's state. A source is opened again for ever; nobody who reads
//! arrivals ever sees a device library.
//!
//! * [`midi`]: MIDI in and out. * [`serial`]: serial ports. * [`audio`]: audio in. * [`audio_out`]: one sound out. * [`list_midi`], [`list_audio`]: what there is.

pub mod arrivals;
pub mod audio;
pub mod audio_out;
mod error;
#[cfg(feature = "jack")]
mod jack;
mod keeper;
pub mod listing;
pub mod local;
pub mod midi;
pub mod os;
mod quiet;
mod reader;
pub mod serial;

pub use arrivals::{Arrival, Arrivals, Format, MidiBytes, PcmBlock, SourceState, Wake};
pub use error::PortError;
pub use listing::{AudioDevice, Listing, MidiPort, PortDirection, list_audio, list_midi};
pub use reader::read;

/// The host name that stands for the system's own one.
pub const DEFAULT: &str = "default";
/// A port or device name that means: open, and let a person patch it by hand (JACK only).
pub const UNCONNECTED: &str = "unconnected";
