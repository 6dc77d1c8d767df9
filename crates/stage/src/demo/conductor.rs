//! Who plays the show when nobody does: song after song, with a gap between them, for ever.

use base::{MonoTime, Span};

use crate::scenario::Show as Cue;
use crate::show::Show;

/// From load to start: patches and a full timecode message have gone out by then.
const READY: Span = Span::from_secs(2);
/// From a song's end to the next load.
const APPLAUSE: Span = Span::from_secs(4);

/// Gives cues in time.
pub struct Conductor {
    lengths: Vec<Span>,
    /// The song that plays or comes next, counted from 0.
    song: usize,
    next: (MonoTime, Cue),
}

impl Conductor {
    /// Begins with song 1 a second from now.
    pub fn new(show: &Show, now: MonoTime) -> Conductor {
        let lengths = show.songs.iter().map(crate::show::Song::length).collect();
        Conductor { lengths, song: 0, next: (now + Span::from_secs(1), Cue::Load(1)) }
    }

    /// The cue that is due, if one is.
    pub fn cue(&mut self, now: MonoTime) -> Option<Cue> {
        let (at, cue) = self.next;
        if now < at {
            return None;
        }
        self.next = match cue {
            Cue::Load(_) => (at + READY, Cue::Start),
            Cue::Start => (at + self.lengths.get(self.song).copied().unwrap_or(READY), Cue::Stop),
            Cue::Stop => {
                self.song = (self.song + 1) % self.lengths.len().max(1);
                (at + APPLAUSE, Cue::Load(self.song as u16 + 1))
            }
        };
        Some(cue)
    }

    /// Ends what plays and goes to the next song.
    pub fn skip(&mut self, now: MonoTime) {
        if let (_, Cue::Stop) = self.next {
            self.next.0 = now;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn songs_follow_each_other_round_and_round() {
        let show = Show::new(1);
        let t = |s: i64| MonoTime::from_nanos(1) + Span::from_millis(s);
        let mut c = Conductor::new(&show, t(0));
        let mut cues = Vec::new();
        for ms in (0..400_000).step_by(50) {
            if let Some(cue) = c.cue(t(ms)) {
                cues.push((ms, cue));
            }
            if ms == 10_000 {
                c.skip(t(ms));
            }
        }
        let order: Vec<Cue> = cues.iter().map(|(_, c)| *c).collect();
        let song = |n| [Cue::Load(n), Cue::Start, Cue::Stop];
        assert_eq!(order[..12], [song(1), song(2), song(3), song(1)].concat());
        assert_eq!(cues[2].0, 10_050, "skipped");
        let second = (cues[5].0 - cues[4].0) as f64 / 1e3;
        assert!((second - show.songs[1].length().secs_f64()).abs() < 0.06, "{second}");
    }
}
