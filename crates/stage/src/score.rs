//! What a song says in MIDI, message by message: MTC quarter frames, MIDI clock, patch changes; and what a transport says when it
//! starts, stops and goes to another place.

use base::Direction;
use timecode::Timecode;
use timecode::midi::encode::{CLOCK, CONTINUE, MtcEncoder, START, STOP, full_frame, patch, song_position};

use crate::show::{FRAME_RATE, SAMPLES_PER_FRAME, Song};

/// Samples between two quarter frames: 400 at 30 frames a second.
const SAMPLES_PER_QUARTER: i64 = SAMPLES_PER_FRAME / 4;
/// Clocks in a sixteenth, the unit of the song position pointer.
const CLOCKS_PER_SIXTEENTH: i64 = 6;
const CLOCKS_PER_BEAT: f64 = 24.0;

/// A reader's finger on the score: what comes next. Places are samples of the song.
pub struct Score {
    song: Song,
    quarter: i64,
    code: MtcEncoder,
    clock: i64,
    patch: usize,
}

impl Score {
    /// From this place on.
    pub fn new(song: &Song, from: i64) -> Score {
        let clock = first_clock(song, from);
        let patch = song.patches.iter().take_while(|p| song.bar_at(p.bar) < from).count();
        // Eight pieces make one label: a reader can use only whole sets, so code starts with one.
        let quarter = (from + 8 * SAMPLES_PER_QUARTER - 1).div_euclid(8 * SAMPLES_PER_QUARTER) * 8;
        let label = Timecode::from_frames(FRAME_RATE, i64::from(song.start().frames()) + quarter / 4);
        Score { song: song.clone(), quarter, code: MtcEncoder::new(label, Direction::Forward), clock, patch }
    }

    /// From the next quarter frame on the timecode reads this many frames more than the song's place.
    pub fn read_ahead(&mut self, frames: i64) {
        let here = i64::from(self.song.start().frames()) + self.quarter / 4;
        self.code = MtcEncoder::new(Timecode::from_frames(FRAME_RATE, here + frames), Direction::Forward);
    }

    /// Where the next message stands.
    pub fn next_at(&self) -> i64 {
        let patch = self.song.patches.get(self.patch).map_or(i64::MAX, |p| self.song.bar_at(p.bar));
        (self.quarter * SAMPLES_PER_QUARTER).min(clock_at(&self.song, self.clock)).min(patch)
    }

    /// Writes everything that stands at [`Score::next_at`] and goes on. A clock stands before a quarter frame, and both before a
    /// patch, which is the least urgent.
    pub fn write(&mut self, out: &mut Vec<u8>) {
        let at = self.next_at();
        if clock_at(&self.song, self.clock) == at {
            out.push(CLOCK);
            self.clock += 1;
        }
        if self.quarter * SAMPLES_PER_QUARTER == at {
            out.extend_from_slice(&self.code.next_message());
            self.quarter += 1;
        }
        while let Some(p) = self.song.patches.get(self.patch).filter(|p| self.song.bar_at(p.bar) == at) {
            out.extend_from_slice(&patch(p.channel, Some(p.bank), Some(0), p.program));
            self.patch += 1;
        }
    }

    /// What is said at a start from this place: start at the very beginning, else continue.
    pub fn start(from: i64) -> Vec<u8> {
        vec![if from == 0 { START } else { CONTINUE }]
    }

    /// What is said at a stop.
    pub fn stop() -> Vec<u8> {
        vec![STOP]
    }

    /// What is said when the transport goes to another place: a full timecode message and a song position pointer, both from the
    /// place that code will go on from.
    pub fn locate(song: &Song, to: i64) -> Vec<u8> {
        let label =
            Timecode::from_frames(FRAME_RATE, i64::from(song.start().frames()) + to.div_euclid(SAMPLES_PER_FRAME));
        let mut out = full_frame(label).to_vec();
        let sixteenths = (first_clock(song, to) / CLOCKS_PER_SIXTEENTH).clamp(0, 0x3fff);
        out.extend_from_slice(&song_position(sixteenths as u16));
        out
    }
}

/// The first clock at or after a place that a song position pointer can name.
fn first_clock(song: &Song, from: i64) -> i64 {
    let clocks = from.max(0) as f64 / song.samples_per_beat() * CLOCKS_PER_BEAT;
    (clocks / CLOCKS_PER_SIXTEENTH as f64 - 1e-6).ceil() as i64 * CLOCKS_PER_SIXTEENTH
}

fn clock_at(song: &Song, clock: i64) -> i64 {
    (clock as f64 * song.samples_per_beat() / CLOCKS_PER_BEAT).round() as i64
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::show::Show;

    fn read(score: &mut Score, until: i64) -> Vec<(i64, Vec<u8>)> {
        let mut all = Vec::new();
        while score.next_at() < until {
            let at = score.next_at();
            let mut bytes = Vec::new();
            score.write(&mut bytes);
            all.push((at, bytes));
        }
        all
    }

    #[test]
    fn a_second_of_score_has_its_120_quarter_frames_and_its_clocks() {
        let show = Show::new(2);
        let song = show.song(1).unwrap();
        let all = read(&mut Score::new(song, 0), 48_000);
        let bytes: Vec<u8> = all.iter().flat_map(|(_, b)| b.clone()).collect();
        assert_eq!(bytes.iter().filter(|b| **b == 0xf1).count(), 120);
        let clocks = 24.0 * song.tempo.0 / 60.0;
        assert!((bytes.iter().filter(|b| **b == 0xf8).count() as f64 - clocks).abs() <= 1.0);
        // The intro's two patches stand at the very beginning, after the first clock and quarter frame.
        assert_eq!(all[0].1[..3], [0xf8, 0xf1, 0x00]);
        assert_eq!(all[0].1.iter().filter(|b| *b & 0xf0 == 0xc0).count(), 2);
        // RP-004: piece 6 is the low nibble of the hours (1), piece 7 the high one with the rate (3: 30 frames) above it.
        assert_eq!(bytes.windows(2).find(|w| w[0] == 0xf1 && w[1] >> 4 == 6).map(|w| w[1]), Some(0x61));
        assert_eq!(bytes.windows(2).find(|w| w[0] == 0xf1 && w[1] >> 4 == 7).map(|w| w[1]), Some(0x76));
    }

    #[test]
    fn code_in_the_middle_starts_with_a_whole_set_and_the_pointer_says_the_same_place() {
        let show = Show::new(2);
        let song = show.song(2).unwrap();
        let from = song.bar_at(5) + 777;
        let all = read(&mut Score::new(song, from), from + 48_000);
        let (at, bytes) = all.iter().find(|(_, b)| b.contains(&0xf1)).unwrap();
        assert!(*at >= from && *at < from + 3_200 && at % 3_200 == 0);
        assert_eq!(bytes[bytes.iter().position(|b| *b == 0xf1).unwrap() + 1] >> 4, 0);
        let locate = Score::locate(song, from);
        assert_eq!(locate[..5], [0xf0, 0x7f, 0x7f, 1, 1]);
        let pointer = i64::from(locate[11]) + 128 * i64::from(locate[12]);
        let (first, _) = all.iter().find(|(_, b)| b.contains(&0xf8)).unwrap();
        assert_eq!(*first, clock_at(song, 6 * pointer));
    }
}
