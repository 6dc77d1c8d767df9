//! The song, and tonight's set.

use base::Span;
use serde::{Deserialize, Serialize};

/// Where the show is.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct Song {
    /// Its number in the set, from 1.
    pub number: u16,
    /// Its name.
    pub name: String,
    /// How far in we are.
    #[serde(rename = "at_ns")]
    pub at: Span,
    /// How much of it is left, when its length is known.
    #[serde(rename = "left_ns")]
    pub left: Option<Span>,
    /// The timecode on air, "01:02:03:04" ("01:02:03;04" with dropped labels).
    pub timecode: Option<String>,
    /// "bar 33, beat 2", when a tempo map is known.
    pub bar: Option<String>,
    /// Whether it moves.
    pub rolling: bool,
}

/// What comes next.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct NextSong {
    /// Its number in the set, from 1.
    pub number: u16,
    /// Its name.
    pub name: String,
    /// How it starts: "by trigger", "at 01:10:00:00", "in 42 s".
    pub start: String,
    /// Its place in tonight's set, from 1; 0: not known.
    #[serde(default)]
    pub place: u16,
}

/// One entry of tonight's set.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct SetEntry {
    /// Its place, from 1.
    pub place: u16,
    /// The song's number in the show file, from 1.
    pub number: u16,
    /// Its name.
    pub name: String,
    /// The timecode of its first frame.
    pub start: String,
    /// Where the show is with it.
    pub state: SetState,
    /// It was added at the venue.
    pub added: bool,
}

/// Where the show is with an entry of the set.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SetState {
    /// It has been played, or passed.
    Played,
    /// It is the one that the show is in.
    Now,
    /// It comes next.
    Next,
    /// It comes later.
    #[default]
    ToCome,
    /// It is not played tonight.
    Skipped,
}
