//! Channel by channel: does a machine sound as its twin does? Levels are compared, not samples, so only what is plain is said:
//! a channel that is silent while the twin's is not, and channels that are all moved by one.

use base::{Dbfs, MonoTime, Span};
use rig::ChannelTrouble;
use wire::Beat;
use wire::beat::MAX_LEVELS;

/// Levels are looked at over this many comparisons, half a second at fifty a second.
const LOOKS: usize = 25;
/// Trouble must last this long.
const LASTS: Span = Span::from_millis(300);
/// A channel above this has signal ...
const LOUD: Dbfs = Dbfs(-45.0);
/// ... and below this it has none.
const SILENT: Dbfs = Dbfs(-80.0);
/// Two channels this close are alike (ratio of powers: 3 dB).
const ALIKE: f64 = 2.0;

/// What one machine's channels have been like of late.
#[derive(Default)]
pub struct ChannelBook {
    powers: [[f32; MAX_LEVELS]; LOOKS],
    at: usize,
    filled: usize,
    channels: usize,
    suspected: Option<(ChannelTrouble, MonoTime)>,
    /// What is wrong with them, as far as the twin shows.
    pub trouble: ChannelTrouble,
}

impl ChannelBook {
    /// Takes in a beat's levels.
    pub fn on_beat(&mut self, beat: &Beat) {
        self.channels = beat.levels.len();
        let mut row = [0f32; MAX_LEVELS];
        for (p, l) in row.iter_mut().zip(&beat.levels) {
            *p = Dbfs::from(l.rms).amplitude().powi(2) as f32;
        }
        self.powers[self.at] = row;
        self.at = (self.at + 1) % LOOKS;
        self.filled = (self.filled + 1).min(LOOKS);
    }

    /// Compares it with its twin, both rolling in step; call it as often as levels are taken in.
    pub fn compare(&mut self, twin: &ChannelBook, programme: &[bool; MAX_LEVELS], now: MonoTime) {
        let found = self.look(twin, programme);
        self.suspected = match self.suspected {
            Some((what, since)) if what == found => Some((what, since)),
            _ => Some((found, now)),
        };
        if let Some((what, _)) = self.suspected.filter(|(_, since)| now - *since >= LASTS) {
            self.trouble = what;
        }
    }

    /// Nothing can be compared now: what was found stands until it can.
    pub fn rest(&mut self) {
        self.filled = 0;
        self.suspected = None;
    }

    fn look(&self, twin: &ChannelBook, programme: &[bool; MAX_LEVELS]) -> ChannelTrouble {
        let n = self.channels.min(twin.channels);
        if self.filled < LOOKS || twin.filled < LOOKS || n < 2 {
            return ChannelTrouble::None;
        }
        let mean = |b: &ChannelBook, c: usize| b.powers.iter().map(|r| f64::from(r[c])).sum::<f64>() / LOOKS as f64;
        let power = |l: Dbfs| l.amplitude().powi(2);
        let (loud, silent) = (power(LOUD), power(SILENT));
        let alike = |a: f64, b: f64| a <= b * ALIKE && b <= a * ALIKE;
        let theirs: [f64; MAX_LEVELS] = core::array::from_fn(|c| mean(twin, c));
        let ours: [f64; MAX_LEVELS] = core::array::from_fn(|c| mean(self, c));
        let straight = (0..n).filter(|c| theirs[*c] > loud).all(|c| alike(ours[c], theirs[c]));
        let moved = (0..n - 1).filter(|c| theirs[*c] > loud);
        if !straight && moved.clone().count() >= 2 && moved.clone().all(|c| alike(ours[c + 1], theirs[c])) {
            return ChannelTrouble::Shifted;
        }
        let mut heard = (0..n).filter(|c| programme[*c] && theirs[*c] > loud);
        let silent_one = heard.clone().any(|c| ours[c] < silent);
        if silent_one && heard.any(|c| ours[c] >= silent) {
            return ChannelTrouble::OneSilent;
        }
        ChannelTrouble::None
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use wire::{CentiDbfs, ChannelLevel};

    fn run(ours: &[f64], theirs: &[f64]) -> ChannelTrouble {
        let beat = |levels: &[f64]| {
            let mut b = Beat::default();
            b.levels.extend(
                levels.iter().map(|l| ChannelLevel { rms: CentiDbfs::from(Dbfs(*l)), ..ChannelLevel::default() }),
            );
            b
        };
        let (mut a, mut b) = (ChannelBook::default(), ChannelBook::default());
        for i in 0..60 {
            a.on_beat(&beat(ours));
            b.on_beat(&beat(theirs));
            a.compare(&b, &[true; MAX_LEVELS], MonoTime::ZERO + Span::from_millis(20 * i));
        }
        a.trouble
    }

    const NONE: f64 = f64::NEG_INFINITY;

    #[test]
    fn twins_that_sound_alike_are_well() {
        assert_eq!(run(&[-20.0, -21.0, -30.0], &[-20.5, -21.0, -31.0]), ChannelTrouble::None);
        assert_eq!(
            run(&[NONE, NONE, NONE], &[-20.5, -21.0, -31.0]),
            ChannelTrouble::None,
            "all silent is another matter"
        );
    }

    #[test]
    fn a_silent_channel_and_moved_ones_are_told_apart() {
        assert_eq!(run(&[NONE, -21.0, -30.0], &[-20.0, -21.0, -30.0]), ChannelTrouble::OneSilent);
        assert_eq!(run(&[NONE, -20.0, -26.0, -35.0], &[-20.0, -26.0, -35.0, NONE]), ChannelTrouble::Shifted);
    }
}
