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

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    /// Standard MIDI Files 1.0: format 0, 96 ticks a quarter note, 100 quarter notes a minute (600,000 us), so that a tick lasts 6.25 ms. A
    /// marker and a program change (bank 1/2, program 12, channel 2) at 0, a marker at tick 384 (four quarter notes, 2.4 s), the end there.
    const SONG: &[u8] = b"MThd\0\0\0\x06\0\0\0\x01\0\x60MTrk\0\0\0\x2a\
        \0\xff\x51\x03\x09\x27\xc0\0\xff\x06\x05verse\0\xb1\x00\x01\0\xb1\x20\x02\0\xc1\x0c\
        \x83\x00\xff\x06\x06chorus\0\xff\x2f\0";

    #[test]
    fn markers_patches_and_length_are_read() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("song.mid");
        std::fs::write(&path, SONG).unwrap();
        let facts = read(&path).unwrap();
        assert_eq!(facts.length, Span::from_millis(2_400));
        let section = |name: &str, ms| Section { name: name.into(), at: Duration::millis(ms) };
        assert_eq!(facts.sections, [section("verse", 0), section("chorus", 2_400)]);
        let patch = ExpectedPatch { at: Duration::millis(0), channel: 2, bank: Some([1, 2]), program: 12 };
        assert_eq!(facts.patches, [patch]);
        std::fs::write(&path, b"RIFF").unwrap();
        assert!(read(&path).is_err());
        assert!(read(&dir.path().join("none.mid")).is_err());
    }
}
