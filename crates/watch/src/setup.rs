//! What the brain must be told once: the machines, the songs and the limits.

use arrayvec::ArrayVec;
use base::ids::MAX_MACHINES;
use base::{SourceKind, Span};

/// One song as a stretch of timecode.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct SongSpan {
    /// Its number in the set list, from 1.
    pub number: u16,
    /// Time since 00:00:00:00 at which it starts.
    pub start: Span,
    /// How long it is.
    pub length: Span,
    /// Where its sections start, from the song's start, rising.
    pub sections: Vec<Span>,
}

/// Everything the brain is told at its start.
#[derive(Clone, Debug)]
pub struct Setup {
    /// The time between two beats, per machine.
    pub beat_intervals: ArrayVec<Span, MAX_MACHINES>,
    /// How many network paths the supervisor listens on.
    pub paths: usize,
    /// The set list; empty: no show file.
    pub songs: Vec<SongSpan>,
    /// The order in which position sources are believed.
    pub prefer: [SourceKind; 4],
    /// Whether a tap of the switch's output is configured.
    pub has_tap: bool,
    /// What the judgement is told.
    pub rig: rig::Setup,
}

impl Setup {
    /// The song that holds a timecode position: its index in the list. A position up to a second before the start counts as
    /// the song's pre-roll, one behind its end (until the next song) as its tail, for an hour at most.
    pub fn song_at(&self, at: Span) -> Option<usize> {
        let pre_roll = Span::from_secs(1);
        let hour = Span::from_secs(3600);
        self.songs
            .iter()
            .enumerate()
            .filter(|(_, s)| at + pre_roll >= s.start && at < s.start + hour.max(s.length))
            .max_by_key(|(_, s)| s.start)
            .map(|(i, _)| i)
    }
}

impl SongSpan {
    /// The section (from 1) that holds a time since the song's start; 0 before the first.
    pub fn section_at(&self, at: Span) -> u16 {
        self.sections.iter().filter(|s| **s <= at).count().min(usize::from(u16::MAX)) as u16
    }
}

/// The order in which position sources are believed where nothing else is said: the sample-accurate code first, the one that
/// counts beats last.
pub const PREFERENCE: [SourceKind; 4] = [SourceKind::Ltc, SourceKind::Mtc, SourceKind::Osc, SourceKind::MidiClock];
