//! `twinkeel inspect`: the live path's own code over recordings. Each instrument is one file; with `--json` each line of
//! output is one JSON object, and the last line is `{"summary":{...}}`.

pub mod beats;
pub mod clock;
pub mod drift;
pub mod level;
mod level_plot;
pub mod ltc;
mod ltc_plot;
pub mod midi;
pub mod pair;
mod pair_plot;
pub mod wav;

use std::fmt;

/// Whether the record held anything: decides between exit code 0 and 1.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Outcome {
    /// Yes (exit code 0).
    Found,
    /// The record is sound but holds nothing of the kind, or the answer is no (exit code 1).
    Nothing,
}

/// Why a record could not be read (exit code 2): names the file, the place, what is wrong and the mend.
#[derive(Debug)]
pub struct InspectError(pub String);

impl fmt::Display for InspectError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl std::error::Error for InspectError {}

impl From<std::io::Error> for InspectError {
    fn from(e: std::io::Error) -> InspectError {
        InspectError(format!("standard output: {e}"))
    }
}
