//! `show.toml`: the songs of a show and where their timecode starts. It lives with the supervisor alone.

use base::FrameRate;
use serde::{Deserialize, Serialize};

use crate::duration::Duration;
use crate::error::{SettingsError, parse};

/// The whole file.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ShowFile {
    /// The show's title.
    pub title: String,
    /// The rate of all timecode in this show.
    pub frame_rate: FrameRate,
    /// Where it is played.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub venue: String,
    /// The set list, in order.
    #[serde(default, rename = "song")]
    pub songs: Vec<Song>,
}

/// One entry of the set list.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Song {
    /// Its name.
    pub name: String,
    /// The timecode of its first frame, `HH:MM:SS:FF`. Each song on its own hour: common practice, no source.
    pub start: String,
    /// How long it is.
    pub length: Duration,
    /// Its tempo in beats per minute, where it is steady.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tempo: Option<f64>,
    /// Parts of the song (verse, chorus, ...) and where they start.
    #[serde(default, rename = "section", skip_serializing_if = "Vec::is_empty")]
    pub sections: Vec<Section>,
    /// Notes for people.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub notes: String,
}

/// A part of a song.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Section {
    /// Its name.
    pub name: String,
    /// Where it starts, from the song's start.
    pub at: Duration,
}

impl Song {
    /// The four fields of `start`: hours, minutes, seconds, frames. `;` before the frames is taken for `:`.
    pub fn start_fields(&self) -> Option<[u8; 4]> {
        let mut fields = [0u8; 4];
        let mut parts = self.start.split([':', ';']);
        for f in &mut fields {
            *f = parts.next()?.parse().ok()?;
        }
        parts.next().is_none().then_some(fields)
    }
}

impl ShowFile {
    /// Parses and checks the text of `show.toml`.
    ///
    /// # Errors
    /// What is wrong, where, and the mend.
    pub fn parse(file: &str, text: &str) -> Result<ShowFile, SettingsError> {
        let show: ShowFile = parse(file, text)?;
        for (i, s) in show.songs.iter().enumerate() {
            let err = |key: &str, what: &str, mend: &str| {
                Err(SettingsError::at_key(file, text, &format!("song[{i}].{key}"), what, mend))
            };
            match s.start_fields() {
                Some([h, m, sec, f]) if h < 24 && m < 60 && sec < 60 && u32::from(f) < show.frame_rate.nominal() => {
                    if show.frame_rate.is_drop() && sec == 0 && f < 2 && m % 10 != 0 {
                        return err(
                            "start",
                            "this label is dropped in drop-frame timecode",
                            "start at frame ;02, or at a tenth minute",
                        );
                    }
                }
                _ => {
                    return err(
                        "start",
                        "this is no timecode of the show's frame rate",
                        "write HH:MM:SS:FF, such as \"01:00:00:00\"",
                    );
                }
            }
            if s.length.0.nanos() <= 0 {
                return err("length", "a song has a length", "write length = \"3:20\"");
            }
            if s.tempo.is_some_and(|t| !(10.0..=500.0).contains(&t)) {
                return err("tempo", "a tempo is 10 to 500 beats per minute", "write tempo = 120.0, or leave it out");
            }
        }
        Ok(show)
    }
}
