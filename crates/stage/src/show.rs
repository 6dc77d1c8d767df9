//! The invented show that the simulated playback computers play: three songs, each on its own hour of timecode.
//!
//! Everything follows from a seed, so that two machines hold the same show without sharing a file.

use base::{Bpm, FrameRate, Hertz, Span};
use settings::duration::Duration;
use settings::show::{Section as SectionEntry, ShowFile, Song as SongEntry};
use timecode::Timecode;

/// The sample rate of all material.
pub const SAMPLE_RATE: Hertz = Hertz(48_000.0);
/// The same, for counting.
pub const SAMPLES_PER_SECOND: i64 = 48_000;
/// The frame rate of all timecode.
pub const FRAME_RATE: FrameRate = FrameRate::F30;
/// How many samples a frame of timecode lasts.
pub const SAMPLES_PER_FRAME: i64 = 1_600;
/// What a player sends out, in this order.
pub const CHANNELS: [&str; 6] = ["tracks L", "tracks R", "click", "cue", "timecode", "pilot"];
/// The channel of the linear timecode.
pub const TIMECODE: usize = 4;
/// The channel of the pilot tone.
pub const PILOT: usize = 5;
/// The pilots' frequencies by machine: they sound as long as an audio engine runs, also between songs. Whole numbers of hertz,
/// above all programme.
pub const PILOT_TONES: [Hertz; 2] = [Hertz(17_000.0), Hertz(18_500.0)];

/// A pad's message as every machine hears it: a note on channel 16. Which note does what is this rig's own choice.
pub mod pad {
    /// MIDI channel (1..=16) of the pads.
    pub const CHANNEL: u8 = 16;
    /// Starts the song that is loaded.
    pub const START: u8 = 36;
    /// Stops.
    pub const STOP: u8 = 38;
    /// Loads another song.
    pub const LOAD: u8 = 40;
}

/// A part of a song.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Section {
    /// Its name.
    pub name: &'static str,
    /// Its first bar, from 0.
    pub bar: u32,
}

/// A patch change of an outboard device.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct PatchChange {
    /// The bar it stands at, from 0.
    pub bar: u32,
    /// MIDI channel, 1..=16.
    pub channel: u8,
    /// Bank, most significant part.
    pub bank: u8,
    /// Program.
    pub program: u8,
}

/// One song.
#[derive(Clone, PartialEq, Debug)]
pub struct Song {
    /// Its place in the set list, from 1.
    pub number: u16,
    /// Its name.
    pub title: &'static str,
    /// Tempo; four beats to a bar.
    pub tempo: Bpm,
    /// Bars to its end.
    pub bars: u32,
    /// Its parts in order.
    pub sections: Vec<Section>,
    /// What it sends to outboard devices, in order.
    pub patches: Vec<PatchChange>,
    /// The root of its key.
    pub root: Hertz,
    /// Chord roots of a four-bar round, in semitones from the root, and whether each is minor.
    pub chords: [(i32, bool); 4],
    /// The seed of its material.
    pub seed: u64,
}

/// The show.
#[derive(Clone, PartialEq, Debug)]
pub struct Show {
    /// Its title.
    pub title: &'static str,
    /// Where it is played.
    pub venue: &'static str,
    /// The set list.
    pub songs: Vec<Song>,
}

const PARTS: [&str; 6] = ["intro", "verse 1", "chorus 1", "verse 2", "chorus 2", "outro"];

impl Show {
    /// The show of this seed: names are fixed; tempo, key, chords, patches and every sample follow from the seed.
    pub fn new(seed: u64) -> Show {
        const TITLES: [&str; 3] = ["Quillwater Ferry", "Nine Brass Herons", "Salt on the Ladder"];
        const ROUNDS: [[(i32, bool); 4]; 3] = [
            [(0, false), (9, true), (5, false), (7, false)],
            [(0, true), (8, false), (3, false), (10, false)],
            [(0, false), (5, false), (9, true), (7, false)],
        ];
        const BARS: [u32; 3] = [40, 36, 44];
        let songs = (0..3u16)
            .map(|i| {
                let k = usize::from(i);
                let draw = |what: u32, below: u64| crate::seed::at(seed, 0x100 + what, i64::from(i)) % below;
                let per_part = BARS[k] / PARTS.len() as u32;
                let sections: Vec<Section> =
                    PARTS.iter().enumerate().map(|(p, name)| Section { name, bar: p as u32 * per_part }).collect();
                let patches = sections
                    .iter()
                    .flat_map(|s| {
                        (1..=2u8).map(move |channel| PatchChange {
                            bar: s.bar,
                            channel,
                            bank: i as u8,
                            program: (crate::seed::at(seed, u32::from(channel), i64::from(s.bar) + 1000 * i64::from(i))
                                % 128) as u8,
                        })
                    })
                    .collect();
                Song {
                    number: i + 1,
                    title: TITLES[k],
                    tempo: Bpm(92.0 + draw(1, 45) as f64),
                    bars: BARS[k],
                    sections,
                    patches,
                    root: Hertz(110.0 * 2f64.powf(draw(2, 12) as f64 / 12.0)),
                    chords: ROUNDS[k],
                    seed: crate::seed::at(seed, 0x200, i64::from(i)),
                }
            })
            .collect();
        Show { title: "Demo night", venue: "The Foundling Pier", songs }
    }

    /// The song with this number, from 1.
    pub fn song(&self, number: u16) -> Option<&Song> {
        self.songs.get(usize::from(number).checked_sub(1)?)
    }

    /// The show file that a supervisor is given.
    pub fn file(&self) -> ShowFile {
        ShowFile {
            title: self.title.into(),
            frame_rate: FRAME_RATE,
            venue: self.venue.into(),
            hour_per_song: false,
            limits: Default::default(),
            policies: Default::default(),
            songs: self.songs.iter().map(Song::entry).collect(),
            devices: Vec::new(),
        }
    }
}

impl Song {
    /// The label of its first frame: the song's number as the hour.
    pub fn start(&self) -> Timecode {
        Timecode::from_frames(FRAME_RATE, i64::from(self.number) * 3600 * i64::from(FRAME_RATE.nominal()))
    }
    /// Samples in a beat (a quarter note), fractional.
    pub fn samples_per_beat(&self) -> f64 {
        SAMPLE_RATE.0 * 60.0 / self.tempo.0
    }
    /// The first sample of a bar.
    pub fn bar_at(&self, bar: u32) -> i64 {
        (f64::from(bar) * 4.0 * self.samples_per_beat()).round() as i64
    }
    /// How long it is.
    pub fn length(&self) -> Span {
        base::Samples(self.bar_at(self.bars) as f64).at(SAMPLE_RATE)
    }

    fn entry(&self) -> SongEntry {
        SongEntry {
            name: self.title.into(),
            start: self.start().to_string(),
            length: Duration(whole_millis(self.length())),
            tempo: Some(self.tempo.0),
            midi: None,
            sections: self
                .sections
                .iter()
                .map(|s| SectionEntry {
                    name: s.name.into(),
                    at: Duration(whole_millis(base::Samples(self.bar_at(s.bar) as f64).at(SAMPLE_RATE))),
                })
                .collect(),
            patches: Vec::new(),
            spare: false,
            notes: String::new(),
        }
    }
}

fn whole_millis(s: Span) -> Span {
    Span::from_millis(s.nanos() / 1_000_000)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn the_show_file_of_any_seed_passes_its_own_parser() {
        for seed in 0..50 {
            let show = Show::new(seed);
            let text = toml::to_string(&show.file()).unwrap();
            let back = ShowFile::parse("show.toml", &text).unwrap();
            assert_eq!(back, show.file());
            assert_eq!(
                back.songs.iter().map(|s| s.start.as_str()).collect::<Vec<_>>(),
                ["01:00:00:00", "02:00:00:00", "03:00:00:00"]
            );
            for s in &show.songs {
                let long = s.length().secs_f64();
                assert!((60.0..125.0).contains(&long), "{} lasts {long} s", s.title);
            }
        }
        assert_eq!(Show::new(5), Show::new(5));
        assert_ne!(Show::new(5), Show::new(6));
    }
}
