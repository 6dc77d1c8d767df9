//! From timecode to song and back: which song of the show a code's position lies in, how far into it, and in which bar.
//!
//! A song is known by the *label* at which it starts. Labels are names, so a song that starts at `03:00:00:00` starts there
//! at whatever rate the code runs; the time into it then passes as the code's own rate says. (Giving each song its own hour is common
//! practice, no source: [`own_hour`].)

use base::{FrameRate, ShowPosition, Span};

use crate::smpte::Timecode;
use crate::tempo_map::{BarBeat, TempoMap};

/// A song of the show.
#[derive(Clone, PartialEq, Debug)]
pub struct SongEntry {
    /// The label of its first frame.
    pub start: Timecode,
    /// How long it is.
    pub length: Span,
    /// Its tempo map, when there is a MIDI file or a steady tempo.
    pub tempo: Option<TempoMap>,
}

/// Where in the show something is.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct SongPlace {
    /// The song's number, from 1, in the order of the set list.
    pub song: u16,
    /// Time since its start.
    pub at: Span,
    /// Bar and beat, where the tempo map is known.
    pub bar_beat: Option<BarBeat>,
}

/// The songs of a show.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct SongMap {
    songs: Vec<SongEntry>,
    /// A code that stands or stops a little before its song still belongs to it.
    lead_in: Span,
}

/// The label at the start of hour `number` (1 to 23): the trade's habit of giving each song an hour of its own.
pub fn own_hour(rate: FrameRate, number: u8) -> Option<Timecode> {
    Timecode::new(rate, number, 0, 0, 0).ok()
}

impl SongMap {
    /// The songs in the order of the set list. `lead_in`: how long before its first frame a song may be said to begin (a count-in,
    /// pre-roll); times in it are negative.
    pub fn new(songs: Vec<SongEntry>, lead_in: Span) -> SongMap {
        SongMap { songs, lead_in }
    }

    /// The songs in the order of the set list.
    pub fn songs(&self) -> &[SongEntry] {
        &self.songs
    }

    /// Which song a position lies in; `None` between songs. Where songs overlap, the one that started last holds. `current` is the
    /// song that is playing, if that is known: a MIDI clock counts from *its* start.
    pub fn place(&self, position: ShowPosition, current: Option<u16>) -> Option<SongPlace> {
        match position {
            ShowPosition::Timecode { rate, at } => self.place_of_code(rate, at),
            ShowPosition::Song { number, at } => self.place_in(number, at),
            ShowPosition::Clocks { millis } => {
                let number = current?;
                let tempo = self.song(number)?.tempo.as_ref()?;
                self.place_in(number, tempo.time_of_clock(millis as f64 / 1_000.0)?)
            }
        }
    }

    /// The label that a code at `rate` wears this far into the song, and how far its frame has gone; `None` when there is no such song.
    pub fn timecode_of(&self, song: u16, at: Span, rate: FrameRate) -> Option<(Timecode, f64)> {
        let start = start_at_rate(self.song(song)?.start, rate).since_midnight();
        Some(Timecode::at(rate, start + at))
    }

    fn song(&self, number: u16) -> Option<&SongEntry> {
        self.songs.get(usize::from(number.checked_sub(1)?))
    }

    fn place_of_code(&self, rate: FrameRate, at: Span) -> Option<SongPlace> {
        let day = rate.frames(i64::from(Timecode::frames_per_day(rate)));
        let inside = (1u16..).zip(&self.songs).filter_map(|(number, song)| {
            let mut into = at - start_at_rate(song.start, rate).since_midnight();
            // A song may run past midnight, or a code stand a little before it.
            if into < -self.lead_in {
                into += day;
            } else if into + self.lead_in >= day {
                into -= day;
            }
            (into >= -self.lead_in && into < song.length).then_some((into, number))
        });
        let (into, number) = inside.min_by_key(|&(into, _)| (into.is_negative(), into.abs()))?;
        self.place_in(number, into)
    }

    fn place_in(&self, number: u16, at: Span) -> Option<SongPlace> {
        let song = self.song(number)?;
        let bar_beat = song.tempo.as_ref().filter(|_| !at.is_negative()).and_then(|t| t.bar_beat_at(at));
        Some(SongPlace { song: number, at, bar_beat })
    }
}

/// The same label at another rate; a frame number that rate does not have, or drops, becomes the nearest one after it in time.
fn start_at_rate(start: Timecode, rate: FrameRate) -> Timecode {
    if start.rate() == rate {
        return start;
    }
    let frame = u32::from(start.frame()) * rate.nominal() / start.rate().nominal();
    let (h, m, s) = (start.hours(), start.minutes(), start.seconds());
    let label = |f: u32| Timecode::new(rate, h, m, s, f as u8).ok();
    label(frame).or_else(|| label(frame + 2)).unwrap_or_else(|| Timecode::at(rate, start.since_midnight()).0)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]
    use super::*;
    use base::Bpm;
    use proptest::prelude::*;

    fn show(rate: FrameRate) -> SongMap {
        let song = |hour, length| SongEntry {
            start: own_hour(rate, hour).unwrap(),
            length: Span::from_secs(length),
            tempo: Some(TempoMap::steady(Bpm(120.0))),
        };
        SongMap::new(vec![song(1, 200), song(2, 300), song(23, 7_200)], Span::from_secs(5))
    }

    fn code(rate: FrameRate, label: &str) -> ShowPosition {
        ShowPosition::Timecode { rate, at: Timecode::parse(label, rate).unwrap().since_midnight() }
    }

    #[test]
    fn a_code_lies_in_its_song_or_between() {
        let rate = FrameRate::F25;
        let place = |label| show(rate).place(code(rate, label), None);
        let first = place("01:00:10:05").unwrap();
        assert_eq!((first.song, first.at), (1, Span::from_millis(10_200)));
        let bar = first.bar_beat.unwrap();
        assert_eq!((bar.bar, bar.beat), (6, 1)); // 10.2 s at 120: beat 20.4
        assert!((bar.fraction - 0.4).abs() < 1e-6);
        assert_eq!(place("02:00:00:00").unwrap().song, 2);
        assert_eq!(place("01:04:00:00"), None);
        // Pre-roll counts, before that is nothing.
        assert_eq!(place("01:59:57:00").map(|p| (p.song, p.at)), Some((2, Span::from_secs(-3))));
        assert_eq!(place("01:59:54:00"), None);
        // Past midnight.
        assert_eq!(place("00:30:00:00").map(|p| (p.song, p.at)), Some((3, Span::from_secs(5_400))));
    }

    #[test]
    fn a_label_is_a_name_at_any_rate() {
        let map = show(FrameRate::F25);
        for rate in FrameRate::ALL {
            let p = map.place(code(rate, "02:00:00:00"), None).unwrap();
            assert_eq!((p.song, p.at), (2, Span::ZERO), "{rate:?}");
        }
    }

    #[test]
    fn clocks_count_from_the_current_song() {
        let map = show(FrameRate::F30);
        let position = ShowPosition::Clocks { millis: 24_000 * 8 };
        assert_eq!(map.place(position, None), None);
        assert_eq!(map.place(position, Some(2)).map(|p| (p.song, p.at)), Some((2, Span::from_secs(4))));
    }

    proptest! {
        #[test]
        fn there_and_back(rate in 0usize..6, song in 1u16..=3, ms in 0i64..199_999) {
            let rate = FrameRate::ALL[rate];
            let map = show(rate);
            let at = Span::from_millis(ms);
            let (label, fraction) = map.timecode_of(song, at, rate).unwrap();
            let code = label.since_midnight() + rate.frames(1).scaled(fraction);
            let place = map.place(ShowPosition::Timecode { rate, at: code }, None).unwrap();
            prop_assert_eq!(place.song, song);
            prop_assert!((place.at - at).abs() <= Span::from_nanos(4));
        }
    }
}
