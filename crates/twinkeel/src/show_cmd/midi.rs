//! What a song's MIDI file tells.

use std::path::Path;

use base::Span;
use settings::duration::Duration;
use settings::show::{ExpectedPatch, Section};
use timecode::smf::{Smf, SmfWhat};

/// What is taken from a file.
pub struct MidiFacts {
    /// How long it is.
    pub length: Span,
    /// Its markers.
    pub sections: Vec<Section>,
    /// Its program changes.
    pub patches: Vec<ExpectedPatch>,
}

/// Reads a file.
///
/// # Errors
/// Why it cannot be, in words.
pub fn read(path: &Path) -> Result<MidiFacts, String> {
    let bytes = std::fs::read(path).map_err(|e| e.to_string())?;
    let smf = Smf::parse(&bytes).map_err(|e| e.to_string())?;
    let mut facts = MidiFacts { length: smf.length(), sections: Vec::new(), patches: Vec::new() };
    for e in smf.events() {
        // To the millisecond, as people write.
        let at = Duration(Span::from_millis((e.at.nanos() + 500_000) / 1_000_000));
        match &e.what {
            SmfWhat::Marker(name) if !name.trim().is_empty() => {
                facts.sections.push(Section { name: name.trim().to_owned(), at });
            }
            SmfWhat::Patch { channel, bank_msb, bank_lsb, program } => {
                let bank = match (bank_msb, bank_lsb) {
                    (None, None) => None,
                    (msb, lsb) => Some([msb.unwrap_or(0), lsb.unwrap_or(0)]),
                };
                facts.patches.push(ExpectedPatch { at, channel: *channel, bank, program: *program });
            }
            _ => {}
        }
    }
    Ok(facts)
}
