//! `show.toml`: the songs of a show and where their timecode starts. It lives with the supervisor alone.

use std::path::PathBuf;

use base::FrameRate;
use serde::{Deserialize, Serialize};

use crate::duration::Duration;
use crate::error::{SettingsError, Wrong, parse};
use crate::rig::{Limits, LoneStop, OnLinkLoss, Policies};

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
    /// Limits that hold for this show in place of the rig's.
    #[serde(default, skip_serializing_if = "ShowLimits::is_none")]
    pub limits: ShowLimits,
    /// Policies that hold for this show in place of the rig's.
    #[serde(default, skip_serializing_if = "ShowPolicies::is_none")]
    pub policies: ShowPolicies,
    /// The set list, in order.
    #[serde(default, rename = "song", skip_serializing_if = "Vec::is_empty")]
    pub songs: Vec<Song>,
    /// Devices that take their patches from the machine on air.
    #[serde(default, rename = "device", skip_serializing_if = "Vec::is_empty")]
    pub devices: Vec<crate::devices::Device>,
}

/// Limits of a show: what is not written is the rig's. Their meaning: [`Limits`].
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct ShowLimits {
    /// In place of [`Limits::near_offset`].
    #[serde(skip_serializing_if = "Option::is_none")]
    pub near_offset: Option<Duration>,
    /// In place of [`Limits::far_offset`].
    #[serde(skip_serializing_if = "Option::is_none")]
    pub far_offset: Option<Duration>,
    /// In place of [`Limits::warn_offset`].
    #[serde(skip_serializing_if = "Option::is_none")]
    pub warn_offset: Option<Duration>,
    /// In place of [`Limits::silence_confirmed`].
    #[serde(skip_serializing_if = "Option::is_none")]
    pub silence_confirmed: Option<Duration>,
    /// In place of [`Limits::fit_hold`].
    #[serde(skip_serializing_if = "Option::is_none")]
    pub fit_hold: Option<Duration>,
    /// In place of [`Limits::louder_db`].
    #[serde(skip_serializing_if = "Option::is_none")]
    pub louder_db: Option<f64>,
    /// In place of [`Limits::ears_louder_db`].
    #[serde(skip_serializing_if = "Option::is_none")]
    pub ears_louder_db: Option<f64>,
}

impl ShowLimits {
    fn is_none(&self) -> bool {
        *self == ShowLimits::default()
    }

    /// The rig's limits with what this show has of its own.
    fn over(&self, rig: &Limits) -> Limits {
        Limits {
            near_offset: self.near_offset.unwrap_or(rig.near_offset),
            far_offset: self.far_offset.unwrap_or(rig.far_offset),
            warn_offset: self.warn_offset.unwrap_or(rig.warn_offset),
            silence_confirmed: self.silence_confirmed.unwrap_or(rig.silence_confirmed),
            fit_hold: self.fit_hold.unwrap_or(rig.fit_hold),
            louder_db: self.louder_db.unwrap_or(rig.louder_db),
            ears_louder_db: self.ears_louder_db.unwrap_or(rig.ears_louder_db),
        }
    }
}

/// Policies of a show: what is not written is the rig's. Their meaning: [`Policies`].
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct ShowPolicies {
    /// In place of [`Policies::on_link_loss`].
    #[serde(skip_serializing_if = "Option::is_none")]
    pub on_link_loss: Option<OnLinkLoss>,
    /// In place of [`Policies::lone_stop`].
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lone_stop: Option<LoneStop>,
}

impl ShowPolicies {
    fn is_none(&self) -> bool {
        *self == ShowPolicies::default()
    }

    /// The rig's policies with what this show has of its own.
    pub fn over(&self, rig: &Policies) -> Policies {
        Policies {
            on_link_loss: self.on_link_loss.or(rig.on_link_loss),
            lone_stop: self.lone_stop.unwrap_or(rig.lone_stop),
        }
    }
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
    /// Patches that the player is expected to send in it.
    #[serde(default, rename = "patch", skip_serializing_if = "Vec::is_empty")]
    pub patches: Vec<ExpectedPatch>,
    /// Known by its timecode, and not played unless it is added at the venue: an encore in reserve.
    #[serde(default, skip_serializing_if = "is_false")]
    pub spare: bool,
    /// Notes for people.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub notes: String,
}

/// A program change that a player is expected to send.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ExpectedPatch {
    /// When, from the song's start.
    #[serde(default)]
    pub at: Duration,
    /// MIDI channel, 1 to 16.
    pub channel: u8,
    /// Bank select before it, most and least significant; left out: none is sent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bank: Option<[u8; 2]>,
    /// Program, 0 to 127 as MIDI counts.
    pub program: u8,
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
        let (show, wrong) = ShowFile::read(file, text)?;
        match wrong.into_iter().next() {
            Some(e) => Err(e),
            None => Ok(show),
        }
    }

    /// The same, with everything that is wrong with it: what [`ShowFile::parse`] would refuse.
    ///
    /// # Errors
    /// What is no TOML, or has keys that are unknown, missing or of another type.
    pub fn read(file: &str, text: &str) -> Result<(ShowFile, Vec<SettingsError>), SettingsError> {
        let mut show: ShowFile = parse(file, text)?;
        let mut wrong = Vec::new();
        let (hours, rate) = (show.hour_per_song, show.frame_rate);
        for (i, s) in show.songs.iter_mut().enumerate() {
            let why = check_start(s, i, hours, rate).into_iter().chain(check_song(s));
            wrong.extend(why.map(|w| w.at(file, text, &format!("song[{i}]"))));
        }
        for (i, d) in show.devices.iter().enumerate() {
            wrong.extend(d.check().err().map(|w| w.at(file, text, &format!("device[{i}]"))));
        }
        Ok((show, wrong))
    }

    /// The rig's limits with what this show has of its own.
    ///
    /// # Errors
    /// When both together make no sense, said of the show's.
    pub fn limits_over(&self, rig: &Limits, file: &str, text: &str) -> Result<Limits, SettingsError> {
        let both = self.limits.over(rig);
        match both.check() {
            Some(wrong) => Err(wrong.at(file, text, "limits")),
            None => Ok(both),
        }
    }
}

/// Gives a song its start, where it has none and may have none.
fn check_start(s: &mut Song, i: usize, hours: bool, rate: FrameRate) -> Option<Wrong> {
    let wrong = |what, mend| Some(Wrong { key: "start", what, mend });
    if s.start.is_empty() {
        if !hours {
            return wrong(
                "this song has no start",
                "write start = \"01:00:00:00\", or hour_per_song = true above the songs to give each its own hour",
            );
        }
        if i + 1 > 23 {
            return wrong("a day has hours for 23 songs only", "write this song's start itself");
        }
        s.start = format!("{:02}:00:00:00", i + 1);
    }
    match s.start_fields() {
        Some([h, m, sec, f]) if h < 24 && m < 60 && sec < 60 && u32::from(f) < rate.nominal() => {
            if rate.is_drop() && sec == 0 && f < 2 && m % 10 != 0 {
                return wrong(
                    "this label is dropped in drop-frame timecode",
                    "start at frame ;02, or at a tenth minute",
                );
            }
            None
        }
        _ => wrong("this is no timecode of the show's frame rate", "write HH:MM:SS:FF, such as \"01:00:00:00\""),
    }
}

/// What is wrong with the rest of a song.
fn check_song(s: &Song) -> Vec<Wrong> {
    let mut wrong = Vec::new();
    let mut say = |is: bool, key, what, mend| {
        if is {
            wrong.push(Wrong { key, what, mend });
        }
    };
    say(s.name.trim().is_empty(), "name", "a song has a name", "write name = \"Quillwater Ferry\"");
    say(s.length.0.nanos() <= 0, "length", "a song has a length", "write length = \"3:20\"");
    say(
        s.tempo.is_some() && s.midi.is_some(),
        "tempo",
        "its MIDI file has the tempo already",
        "leave one of tempo and midi out",
    );
    say(
        s.tempo.is_some_and(|t| !(10.0..=500.0).contains(&t)),
        "tempo",
        "a tempo is 10 to 500 beats per minute",
        "write tempo = 120.0, or leave it out",
    );
    let sound = |p: &ExpectedPatch| {
        (1..=16).contains(&p.channel) && p.program < 128 && p.bank.is_none_or(|b| b.iter().all(|n| *n < 128))
    };
    say(
        !s.patches.iter().all(sound),
        "patch",
        "a patch has a channel of 1 to 16, and a program and bank of 0 to 127",
        "write channel = 1, program = 12, bank = [0, 2]",
    );
    wrong
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
    fn a_show_has_limits_of_its_own_over_the_rigs() {
        let text = SHOW.replace(
            "hour_per_song = true\n",
            "hour_per_song = true\n[limits]\nwarn_offset = \"9ms\"\n[policies]\nlone_stop = \"changeover\"\n",
        );
        let show = ShowFile::parse("show.toml", &text).unwrap();
        let rig = Limits { near_offset: Duration::millis(12), ..Limits::default() };
        let l = show.limits.over(&rig);
        assert_eq!((l.warn_offset, l.near_offset), (Duration::millis(9), Duration::millis(12)));
        let p = show.policies.over(&Policies { on_link_loss: Some(OnLinkLoss::Hold), ..Policies::default() });
        assert_eq!((p.lone_stop, p.on_link_loss), (LoneStop::Changeover, Some(OnLinkLoss::Hold)));
        let wide =
            show.limits_over(&Limits { far_offset: Duration::millis(1), ..rig }, "show.toml", &text).unwrap_err();
        assert!(wide.to_string().contains("limits.near_offset"), "{wide}");
        let e = ShowFile::parse("show.toml", &text.replace("warn_offset", "warn")).unwrap_err().to_string();
        assert!(e.starts_with("show.toml:5:1") && e.contains("unknown field"), "{e}");
    }

    #[test]
    fn all_that_is_wrong_is_told_at_once() {
        let text = SHOW.replace("20:00:00:00", "20:00:00:25").replace("\"1:00\"", "\"0s\"")
            + "[[song.patch]]\nchannel = 17\nprogram = 1\n[[song]]\nname = \"\"\nlength = \"1:00\"\ntempo = 5.0\n";
        let (_, wrong) = ShowFile::read("show.toml", &text).unwrap();
        let told: Vec<String> =
            wrong.iter().map(|e| e.to_string().lines().next().unwrap_or_default().to_owned()).collect();
        assert_eq!(
            told,
            [
                "show.toml:13:1: song[2].start: this is no timecode of the show's frame rate",
                "show.toml:14:1: song[2].length: a song has a length",
                "show.toml:11:1: song[2].patch: a patch has a channel of 1 to 16, and a program and bank of 0 to 127",
                "show.toml:19:1: song[3].name: a song has a name",
                "show.toml:21:1: song[3].tempo: a tempo is 10 to 500 beats per minute",
            ]
        );
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
