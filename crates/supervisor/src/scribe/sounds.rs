//! Which sound goes into the record: what the machines sounded like from ten seconds before each changeover to ten seconds after it,
//! and what the house heard of it.

use std::collections::VecDeque;

use base::{MonoTime, Span};
use showlog::{HeardAt, Sound};

/// So far on either side.
const AROUND: Span = Span::from_secs(10);
/// Excerpts that may wait for a changeover: two channels of eight machines, each second.
const MOST: usize = 16 * 12;

/// The newest sound, and until when all of it is kept.
#[derive(Default)]
pub struct Sounds {
    newest: VecDeque<Sound>,
    until: Option<MonoTime>,
}

impl Sounds {
    /// A stretch came.
    pub fn on_sound(&mut self, sound: Sound, mut keep: impl FnMut(Sound)) {
        // The tap hands in what it was asked for.
        if sound.heard_at == HeardAt::House || self.until.is_some_and(|until| sound.at <= until) {
            keep(sound);
            return;
        }
        while self.newest.front().is_some_and(|s| sound.at - s.at > AROUND + Span::from_secs(1)) {
            self.newest.pop_front();
        }
        if self.newest.len() >= MOST {
            self.newest.pop_front();
        }
        self.newest.push_back(sound);
    }

    /// A changeover begins.
    pub fn on_changeover(&mut self, at: MonoTime, keep: impl FnMut(Sound)) {
        self.until = self.until.max(Some(at + AROUND));
        self.newest.drain(..).filter(|s| s.at + s.lasts() >= at - AROUND).for_each(keep);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(tenths: i64) -> MonoTime {
        MonoTime::from_nanos(1_000_000_000_000) + Span::from_millis(100 * tenths)
    }
    fn sound(tenths: i64, heard_at: HeardAt) -> Sound {
        Sound {
            at: at(tenths),
            heard_at,
            channel: "tracks L".into(),
            rate_millihertz: 8_000_000,
            samples: vec![1; 7_680],
        }
    }

    #[test]
    fn ten_seconds_before_and_after_are_kept_and_no_more() {
        let (mut sounds, mut kept) = (Sounds::default(), Vec::new());
        let a = HeardAt::Machine(base::Machine::A);
        for second in 0..60 {
            if second == 30 {
                sounds.on_changeover(at(300), |s| kept.push(s));
            }
            sounds.on_sound(sound(10 * second, a), |s| kept.push(s));
        }
        let starts: Vec<i64> = kept.iter().map(|s| (s.at - at(0)).nanos() / 1_000_000_000).collect();
        assert_eq!(starts, (20..=40).collect::<Vec<_>>());
        sounds.on_sound(sound(700, HeardAt::House), |s| kept.push(s));
        assert_eq!(kept.len(), 22, "the house is always kept");
        // A second changeover soon after repeats nothing.
        sounds.on_changeover(at(600), |s| kept.push(s));
        assert!(kept.windows(2).all(|w| w[0] != w[1]));
    }
}
