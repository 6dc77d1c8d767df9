//! `twinkeel inspect midi`: captured MIDI bytes through the live reader, or a Standard MIDI File.

mod capture;
mod file;

use std::io::Write;
use std::path::{Path, PathBuf};

use super::{InspectError, Outcome};
use capture::Capture;

/// Read captured MIDI (.jsonl) or a Standard MIDI File (.mid)
#[derive(clap::Args, Debug)]
#[command(after_help = "Example: twinkeel inspect midi night.jsonl --json
         twinkeel inspect midi 'Harbour Lights.mid' --at 93.5

A capture has one line per arrival, {\"t\":seconds,\"hex\":\"f1 00 ...\"}, with the bytes cut anywhere. A file is known \
by its first bytes, not by its name. --at tells what is in force at that second of a Standard MIDI File: what a patch \
chase would send.")]
pub struct MidiArgs {
    /// The capture or Standard MIDI File
    #[arg(value_name = "FILE")]
    pub file: PathBuf,
    /// What is in force at this time of a Standard MIDI File
    #[arg(long, value_name = "SECONDS", allow_negative_numbers = true)]
    pub at: Option<f64>,
    /// Print one JSON object a line
    #[arg(long)]
    pub json: bool,
}

/// Reads the file and prints what it holds.
///
/// # Errors
/// When the file cannot be read, or is neither a capture nor a Standard MIDI File of format 0 or 1.
pub fn run(args: &MidiArgs, out: &mut dyn Write) -> Result<Outcome, InspectError> {
    let path = &args.file;
    let wrong = |what: String| InspectError(format!("{}: {what}", path.display()));
    let bytes = std::fs::read(path).map_err(|e| wrong(format!("cannot be read: {e}")))?;
    if is_file(path, &bytes) {
        return file::run(&bytes, args.at, args.json, out, &wrong);
    }
    if args.at.is_some() {
        return Err(wrong("--at is for Standard MIDI Files; this is a capture: leave --at out".into()));
    }
    let text = String::from_utf8(bytes).map_err(|e| {
        wrong(format!(
            "byte {}: neither a Standard MIDI File (MThd) nor a capture in lines of JSON",
            e.utf8_error().valid_up_to()
        ))
    })?;
    Capture::new(args.json, out).run(&text, &wrong)
}

/// The first bytes decide; where they tell nothing, the name does.
fn is_file(path: &Path, bytes: &[u8]) -> bool {
    let named =
        path.extension().is_some_and(|e| ["mid", "midi", "smf", "rmi"].iter().any(|n| e.eq_ignore_ascii_case(n)));
    bytes.starts_with(b"MThd") || bytes.starts_with(b"RIFF") || named
}
