//! MIDI: bytes in as they arrive, positions and patches with their time out.

mod cadence;
mod clock;
pub mod encode;
mod event;
mod mtc;
mod mtc_reader;
mod parse;
mod reader;
mod run;
mod tempo;

pub use encode::MtcEncoder;
pub use event::{ClockPosition, MachineCommand, MidiEvent, MtcFrom, MtcPosition, Place, RefusedWhy, TransportEvent};
pub use mtc::{rate_bits, rate_of_bits};
pub use reader::{MidiCounts, MidiReader, MidiReaderConfig};
