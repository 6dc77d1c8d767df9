//! Configuration as types, parsed from text. Reading the file itself is the caller's: this crate does no I/O.
//!
//! Every error names file, line, column and key, what is wrong and the mend. Unknown keys are refused: a misspelt limit
//! must not silently become the default.

pub mod agent;
pub mod alarm_sound;
pub mod buttons;
pub mod cue_lights;
pub mod devices;
pub mod duration;
mod error;
pub mod ignore;
pub mod outputs;
mod outside;
pub mod rig;
pub mod show;
pub mod sources;
pub mod tap;

pub use agent::AgentFile;
pub use error::{Place, SettingsError, parse, written_at};
pub use rig::RigFile;
pub use show::ShowFile;
