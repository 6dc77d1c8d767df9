//! Standard MIDI Files (SMF 1.0), parsed by `midly`: tempo map, meters, markers, cues, patches, and what is in force at any
//! time.
//!
//! `midly` forgives: a track that breaks off in the middle of an event simply ends there. A technician must know, so the file's
//! chunks are walked first and each track is checked to have been read to its end.

use base::{FrameRate, Span};
use midly::{Format, Fps, MetaMessage, MidiMessage, Timing, TrackEventKind};

use crate::chase::Chase;
use crate::tempo_map::{Division, TempoMap};

/// Why a file was refused.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
pub enum SmfError {
    /// Not even a header.
    #[error("not a Standard MIDI File: {0}")]
    NotSmf(String),
    /// Format 2.
    #[error(
        "format 2 holds independent patterns, not one song: it has no single timeline to chase (save the song as format 0 or 1)"
    )]
    Patterns,
    /// A division of no ticks.
    #[error("byte 12: the division is 0 ticks, so that no time passes")]
    NoDivision,
    /// The file ends within a chunk.
    #[error(
        "byte {at}: the chunk that starts here claims {claimed} bytes, but only {left} follow (the file was cut short)"
    )]
    CutShort {
        /// Where the chunk's header starts.
        at: usize,
        /// What its header says.
        claimed: u32,
        /// What there is.
        left: usize,
    },
    /// Fewer tracks than the header says.
    #[error("the header announces {announced} tracks, but only {found} are there (the file was cut short)")]
    TracksMissing {
        /// What the header says.
        announced: u16,
        /// What there is.
        found: usize,
    },
    /// A track holds something that is no event.
    #[error("track {track}, byte {at} of the file: not a MIDI event")]
    BadEvent {
        /// Which track, from 1.
        track: usize,
        /// Where in the file.
        at: usize,
    },
}

/// One entry of the file that matters to a show.
#[derive(Clone, PartialEq, Debug)]
pub struct SmfEvent {
    /// Ticks since the start.
    pub tick: u64,
    /// Time since the start.
    pub at: Span,
    /// What.
    pub what: SmfWhat,
}

/// What an entry says.
#[derive(Clone, PartialEq, Debug)]
pub enum SmfWhat {
    /// A tempo, in microseconds a quarter note.
    Tempo(u32),
    /// A meter: numerator, and the denominator as a power of two.
    Meter(u8, u8),
    /// A marker (meta event 06).
    Marker(String),
    /// A cue point (meta event 07).
    Cue(String),
    /// A program change; bank parts are `None` where never sent on that channel.
    Patch {
        /// Channel, 1 to 16.
        channel: u8,
        /// Bank select, most significant.
        bank_msb: Option<u8>,
        /// Bank select, least significant.
        bank_lsb: Option<u8>,
        /// Program, 0 to 127.
        program: u8,
    },
    /// A controller: channel 1 to 16, number, value.
    Control(u8, u8, u8),
    /// Pitch bend: channel 1 to 16, -8192 to 8191.
    Bend(u8, i16),
}

/// A file's contents, in order of time.
#[derive(Clone, PartialEq, Debug)]
pub struct Smf {
    tracks: usize,
    length: Span,
    map: TempoMap,
    events: Vec<SmfEvent>,
}

impl Smf {
    /// Reads the bytes of a file.
    ///
    /// # Errors
    /// When it is no such file, was cut short, or is of format 2.
    pub fn parse(bytes: &[u8]) -> Result<Smf, SmfError> {
        let bytes = unwrapped(bytes)?;
        check_chunks(bytes)?;
        let (header, tracks) = midly::parse(bytes).map_err(|e| SmfError::NotSmf(e.to_string()))?;
        if header.format == Format::Sequential {
            return Err(SmfError::Patterns);
        }
        let mut map = TempoMap::new(division(header.timing)?);

        let mut raw = Vec::new();
        let (mut count, mut end) = (0, 0u64);
        for track in tracks {
            let track = track.map_err(|e| SmfError::NotSmf(e.to_string()))?;
            count += 1;
            end = end.max(read_track(bytes, count, track, &mut raw)?);
        }
        // Tracks run side by side; what falls on one tick keeps the order of the tracks.
        raw.sort_by_key(|&(tick, _)| tick);
        for (tick, what) in &raw {
            match *what {
                SmfWhat::Tempo(micros) => map.add_tempo(*tick, micros),
                SmfWhat::Meter(numerator, power) => map.add_meter(*tick, numerator, power),
                _ => {}
            }
        }
        let mut banks = [(None, None); 16];
        let events = raw.into_iter().map(|(tick, mut what)| {
            with_bank(&mut banks, &mut what);
            SmfEvent { tick, at: map.time_of(tick), what }
        });
        let events = events.collect();
        Ok(Smf { tracks: count, length: map.time_of(end), map, events })
    }

    /// How many tracks it has.
    pub const fn tracks(&self) -> usize {
        self.tracks
    }
    /// How long it is: to the end of the longest track.
    pub const fn length(&self) -> Span {
        self.length
    }
    /// Its tempo map.
    pub const fn tempo_map(&self) -> &TempoMap {
        &self.map
    }
    /// What matters to a show, in order of time.
    pub fn events(&self) -> &[SmfEvent] {
        &self.events
    }

    /// What is in force at this time, what happens at that very instant included.
    pub fn chase(&self, at: Span) -> Chase {
        let mut chase = Chase::new();
        for event in self.events.iter().take_while(|e| e.at <= at) {
            match event.what {
                SmfWhat::Patch { channel, program, .. } => chase.on_program(channel, program),
                SmfWhat::Control(channel, controller, value) => chase.on_control(channel, controller, value),
                SmfWhat::Bend(channel, value) => chase.on_bend(channel, value),
                SmfWhat::Tempo(_) | SmfWhat::Meter(..) | SmfWhat::Marker(_) | SmfWhat::Cue(_) => {}
            }
        }
        chase
    }
}

/// Some files come in a RIFF wrapper: `RIFF`, length, `RMID`, then chunks of which `data` is the file (lengths little-endian).
fn unwrapped(bytes: &[u8]) -> Result<&[u8], SmfError> {
    if !bytes.starts_with(b"RIFF") {
        return Ok(bytes);
    }
    let wrong = || SmfError::NotSmf("it is a RIFF file without MIDI data".into());
    if bytes.get(8..12) != Some(b"RMID") {
        return Err(wrong());
    }
    let mut at = 12usize;
    loop {
        let header = bytes.get(at..at.saturating_add(8)).ok_or_else(wrong)?;
        let length = u32::from_le_bytes([header[4], header[5], header[6], header[7]]);
        let content = &bytes[at + 8..];
        if &header[..4] == b"data" {
            let left = content.len();
            return content.get(..length as usize).ok_or(SmfError::CutShort { at, claimed: length, left });
        }
        // Chunks are padded to whole words.
        at = at.saturating_add(8).saturating_add(length as usize + (length as usize & 1));
    }
}

/// Walks the chunks by their lengths: all there, none beyond the end.
fn check_chunks(bytes: &[u8]) -> Result<(), SmfError> {
    let (mut at, mut announced, mut found) = (0, None, 0);
    while let Some((id, length)) = chunk_header(bytes, at) {
        if at == 0 && id != b"MThd" {
            return Err(SmfError::NotSmf("it does not begin with MThd".into()));
        }
        let left = bytes.len() - at - 8;
        if left < length as usize {
            return Err(SmfError::CutShort { at, claimed: length, left });
        }
        match id {
            // -128 frames a second: `midly` would negate it, which does not go.
            b"MThd" if bytes.get(at + 12) == Some(&0x80) => {
                return Err(SmfError::NotSmf(format!("byte {}: no such frame rate", at + 12)));
            }
            b"MThd" if announced.is_none() => {
                announced = bytes.get(at + 10..at + 12).map(|n| u16::from_be_bytes([n[0], n[1]]));
            }
            b"MTrk" => found += 1,
            // Chunks of other kinds are to be passed over (SMF 1.0).
            _ => {}
        }
        at += 8 + length as usize;
    }
    match announced {
        None => Err(SmfError::NotSmf("it has no header".into())),
        Some(announced) if usize::from(announced) > found => Err(SmfError::TracksMissing { announced, found }),
        Some(_) => Ok(()),
    }
}

fn chunk_header(bytes: &[u8], at: usize) -> Option<(&[u8], u32)> {
    let header = bytes.get(at..at.checked_add(8)?)?;
    Some((&header[..4], u32::from_be_bytes([header[4], header[5], header[6], header[7]])))
}

fn division(timing: Timing) -> Result<Division, SmfError> {
    let division = match timing {
        Timing::Metrical(ticks) => Division::Beat(ticks.as_int()),
        Timing::Timecode(fps, ticks) => {
            let rate = match fps {
                Fps::Fps24 => FrameRate::F24,
                Fps::Fps25 => FrameRate::F25,
                Fps::Fps29 => FrameRate::F29_97Df,
                Fps::Fps30 => FrameRate::F30,
            };
            Division::Frame(rate, ticks)
        }
    };
    match division {
        Division::Beat(0) | Division::Frame(_, 0) => Err(SmfError::NoDivision),
        division => Ok(division),
    }
}

/// Collects a track's entries; the tick at which it ends.
fn read_track(
    file: &[u8],
    number: usize,
    track: midly::EventIter<'_>,
    into: &mut Vec<(u64, SmfWhat)>,
) -> Result<u64, SmfError> {
    let mut tick = 0u64;
    let place = |inside: &[u8]| inside.as_ptr() as usize - file.as_ptr() as usize;
    let (mut read, end) = (place(track.unread()), place(track.unread()) + track.unread().len());
    for item in track.bytemapped() {
        let bad = SmfError::BadEvent { track: number, at: read };
        let (bytes, event) = item.map_err(|_| bad)?;
        // The mapped bytes leave out the delta time before them.
        read = place(bytes) + bytes.len();
        tick += u64::from(event.delta.as_int());
        match event.kind {
            TrackEventKind::Meta(MetaMessage::EndOfTrack) => return Ok(tick),
            kind => into.extend(what(kind).map(|w| (tick, w))),
        }
    }
    // The iterator stops without a word where an event cannot be read.
    if read < end { Err(SmfError::BadEvent { track: number, at: read }) } else { Ok(tick) }
}

fn what(kind: TrackEventKind<'_>) -> Option<SmfWhat> {
    Some(match kind {
        TrackEventKind::Meta(MetaMessage::Tempo(micros)) => SmfWhat::Tempo(micros.as_int()),
        TrackEventKind::Meta(MetaMessage::TimeSignature(numerator, power, ..)) => SmfWhat::Meter(numerator, power),
        TrackEventKind::Meta(MetaMessage::Marker(text)) => SmfWhat::Marker(words(text)),
        TrackEventKind::Meta(MetaMessage::CuePoint(text)) => SmfWhat::Cue(words(text)),
        TrackEventKind::Midi { channel, message } => {
            let channel = channel.as_int() + 1;
            match message {
                MidiMessage::ProgramChange { program } => {
                    SmfWhat::Patch { channel, bank_msb: None, bank_lsb: None, program: program.as_int() }
                }
                MidiMessage::Controller { controller, value } => {
                    SmfWhat::Control(channel, controller.as_int(), value.as_int())
                }
                MidiMessage::PitchBend { bend } => SmfWhat::Bend(channel, bend.as_int()),
                _ => return None,
            }
        }
        _ => return None,
    })
}

/// Keeps each channel's bank select and writes it into its program changes.
fn with_bank(banks: &mut [(Option<u8>, Option<u8>); 16], what: &mut SmfWhat) {
    match what {
        SmfWhat::Control(channel, 0, value) => banks[usize::from(*channel - 1) & 15].0 = Some(*value),
        SmfWhat::Control(channel, 32, value) => banks[usize::from(*channel - 1) & 15].1 = Some(*value),
        SmfWhat::Patch { channel, bank_msb, bank_lsb, .. } => {
            (*bank_msb, *bank_lsb) = banks[usize::from(*channel - 1) & 15];
        }
        _ => {}
    }
}

/// Text is ASCII by SMF 1.0; what is no UTF-8 is read as Latin-1, as older programs write it.
fn words(text: &[u8]) -> String {
    match core::str::from_utf8(text) {
        Ok(text) => text.to_owned(),
        Err(_) => text.iter().map(|&b| char::from(b)).collect(),
    }
}

#[cfg(test)]
#[path = "smf_tests.rs"]
mod tests;
