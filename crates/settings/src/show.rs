//! `show.toml`: the songs of a show and where their timecode starts. It lives with the supervisor alone.

use std::path::PathBuf;

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
    /// A song without a `start` starts at the hour of its number: the first at 01:00:00:00 (common practice, no source).
    #[serde(default, skip_serializing_if = "is_false")]
    pub hour_per_song: bool,
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
    /// The timecode of its first frame, `HH:MM:SS:FF`; may be left out where `hour_per_song` says it.
    #[serde(default)]
    pub start: String,
    /// How long it is.
    pub length: Duration,
    /// Its tempo in beats per minute, where it is steady.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tempo: Option<f64>,
    /// A Standard MIDI File with its tempo map, beside the show file.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub midi: Option<PathBuf>,
    /// Parts of the song (verse, chorus, ...) and where they start.
    #[serde(default, rename = "section", skip_serializing_if = "Vec::is_empty")]
    pub sections: Vec<Section>,
    /// Notes for people.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub notes: String,
}

fn is_false(b: &bool) -> bool {
    !b
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
        let mut show: ShowFile = parse(file, text)?;
        let (hours, rate) = (show.hour_per_song, show.frame_rate);
        for (i, s) in show.songs.iter_mut().enumerate() {
            let err = |key: &str, what: &str, mend: &str| {
                Err(SettingsError::at_key(file, text, &format!("song[{i}].{key}"), what, mend))
            };
            if s.start.is_empty() {
                if !hours {
                    return err(
                        "start",
                        "this song has no start",
                        "write start = \"01:00:00:00\", or hour_per_song = true above the songs to give each its own hour",
                    );
                }
                if i + 1 > 23 {
                    return err("start", "a day has hours for 23 songs only", "write this song's start itself");
                }
                s.start = format!("{:02}:00:00:00", i + 1);
            }
            match s.start_fields() {
                Some([h, m, sec, f]) if h < 24 && m < 60 && sec < 60 && u32::from(f) < rate.nominal() => {
                    if rate.is_drop() && sec == 0 && f < 2 && m % 10 != 0 {
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
            if s.tempo.is_some() && s.midi.is_some() {
                return err("tempo", "its MIDI file has the tempo already", "leave one of tempo and midi out");
            }
            if s.tempo.is_some_and(|t| !(10.0..=500.0).contains(&t)) {
                return err("tempo", "a tempo is 10 to 500 beats per minute", "write tempo = 120.0, or leave it out");
            }
        }
        Ok(show)
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    const SHOW: &str = "title = \"t\"\nframe_rate = \"25\"\nhour_per_song = true\n[[song]]\nname = \"one\"\nlength = \"3:00\"\n\
        [[song]]\nname = \"two\"\nlength = \"3:00\"\nmidi = \"two.mid\"\n[[song]]\nname = \"three\"\nstart = \"20:00:00:00\"\nlength = \"1:00\"\n";

    #[test]
    fn one_line_gives_each_song_its_own_hour() {
        let show = ShowFile::parse("show.toml", SHOW).unwrap();
        let starts: Vec<_> = show.songs.iter().map(|s| s.start.as_str()).collect();
        assert_eq!(starts, ["01:00:00:00", "02:00:00:00", "20:00:00:00"]);
        let again = ShowFile::parse("again", &toml::to_string(&show).unwrap()).unwrap();
        assert_eq!(again, show);
    }

    #[test]
    fn errors_name_place_and_mend() {
        let many = SHOW.to_owned() + &"[[song]]\nname = \"x\"\nlength = \"1:00\"\n".repeat(21);
        let cases = [
            (SHOW.replace("hour_per_song = true\n", ""), "show.toml:3:1", "no start"),
            (many, "show.toml:", "23 songs only"),
            (SHOW.replace("midi =", "tempo = 120.0\nmidi ="), "show.toml:10:1", "the tempo already"),
            (SHOW.replace("20:00:00:00", "24:00:00:00"), "show.toml:13:1", "no timecode"),
        ];
        for (text, place, words) in cases {
            let e = ShowFile::parse("show.toml", &text).unwrap_err().to_string();
            assert!(e.starts_with(place), "{e}");
            assert!(e.contains(words) && e.contains("mend: "), "{e}");
        }
    }
}
