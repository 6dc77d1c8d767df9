//! Channel by channel: does a machine sound as its twin does? Levels are compared, not samples, so only what is plain is said:
//! a channel that is silent while the twin's is not, channels that are all moved by one, and how much louder people's ears would
//! get it after a changeover.

use base::{Db, Dbfs, MonoTime, Span};
use rig::ChannelTrouble;
use wire::ChannelLevel;
use wire::channels::MAX_CHANNELS;

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

/// Channels that come further on than this are not looked for: a patch is moved by one or by a pair.
const FURTHEST: usize = 3;

/// Loudness follows over this many looks, twenty seconds: a click more or less, a stem that drops out for a bar, or a machine
/// that sags as it dies must not forbid the changeover that they call for.
const LOUDNESS_OVER: f32 = 1_000.0;

/// What a machine's channels are for, in their order.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Roles {
    /// What the house hears.
    pub programme: [bool; MAX_CHANNELS],
    /// What in-ear monitors carry.
    pub in_ears: [bool; MAX_CHANNELS],
}

impl Default for Roles {
    /// Nothing is known: all of it may be programme.
    fn default() -> Roles {
        Roles { programme: [true; MAX_CHANNELS], in_ears: [false; MAX_CHANNELS] }
    }
}

/// How much louder this machine is than its twin, as far as was heard while both sounded.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct Louder {
    /// The programme as a whole.
    pub programme: Option<Db>,
    /// The worst of the channels that go to in-ear monitors.
    pub in_ears: Option<Db>,
}

/// What one machine's channels have been like of late.
pub struct ChannelBook {
    powers: [[f32; MAX_CHANNELS]; LOOKS],
    at: usize,
    filled: usize,
    channels: usize,
    /// Its sound is called noise.
    noise: bool,
    suspected: Option<(ChannelTrouble, MonoTime)>,
    programme: Both,
    each: [Both; MAX_CHANNELS],
    /// How much louder it is than its twin.
    pub louder: Louder,
    /// What is wrong with them, as far as the twin shows.
    pub trouble: ChannelTrouble,
    /// How much further on its channels come than the twin's, where they do: then one of the two is moved.
    pub moved_by: usize,
}

/// How much louder one is than the other, in decibels, over looks at which both sound. Ratios are averaged, not powers: a burst of
/// noise is one look like any other. What was heard last stands until both sound again: a changeover is for when one of them
/// does not, and must not be forbidden by that.
#[derive(Clone, Copy, Default)]
struct Both {
    decibels: f32,
    looks: f32,
}

impl Both {
    fn hear(&mut self, ours: f32, theirs: f32) {
        if ours > 0.0 && theirs > 0.0 {
            self.looks = (self.looks + 1.0).min(LOUDNESS_OVER);
            self.decibels += (10.0 * (ours / theirs).log10() - self.decibels) / self.looks;
        }
    }
    fn ratio(&self) -> Option<Db> {
        (self.looks >= LOUDNESS_OVER).then(|| Db(f64::from(self.decibels)))
    }
}

impl Default for ChannelBook {
    /// Nothing was heard.
    fn default() -> ChannelBook {
        ChannelBook {
            powers: [[0.0; MAX_CHANNELS]; LOOKS],
            at: 0,
            filled: 0,
            channels: 0,
            noise: false,
            suspected: None,
            programme: Both::default(),
            each: [Both::default(); MAX_CHANNELS],
            louder: Louder::default(),
            trouble: ChannelTrouble::None,
            moved_by: 0,
        }
    }
}

impl ChannelBook {
    /// Takes in its channels' newest levels. `noise`: its agent calls its sound noise.
    pub fn on_levels(&mut self, levels: &[ChannelLevel], noise: bool) {
        self.channels = levels.len().min(MAX_CHANNELS);
        self.noise = noise;
        let mut row = [0f32; MAX_CHANNELS];
        for (p, l) in row.iter_mut().zip(levels) {
            *p = Dbfs::from(l.rms).amplitude().powi(2) as f32;
        }
        self.powers[self.at] = row;
        self.at = (self.at + 1) % LOOKS;
        self.filled = (self.filled + 1).min(LOOKS);
    }

    /// Compares it with its twin, both rolling in step; call it as often as levels are taken in.
    pub fn compare(&mut self, twin: &ChannelBook, roles: &Roles, now: MonoTime) {
        let found = self.look(twin, &roles.programme);
        self.weigh(twin, roles);
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

    /// How loud it is against its twin. Like is compared with like: a channel that is silent in one of them says nothing of the
    /// loudness of the other, and noise is a fault of its own that says nothing of how loud the music will be when it has ended.
    fn weigh(&mut self, twin: &ChannelBook, roles: &Roles) {
        if self.noise || twin.noise {
            return;
        }
        let n = self.channels.min(twin.channels);
        let newest = |b: &ChannelBook| b.powers[(b.at + LOOKS - 1) % LOOKS];
        let (ours, theirs) = (newest(self), newest(twin));
        let floor = LOUD.amplitude().powi(2) as f32;
        let both_sound = |c: &usize| ours[*c] > floor && theirs[*c] > floor;
        let programme = || (0..n).filter(|c| roles.programme[*c]).filter(both_sound);
        self.programme.hear(programme().map(|c| ours[c]).sum(), programme().map(|c| theirs[c]).sum());
        self.louder.programme = self.programme.ratio();
        (0..n).filter(both_sound).for_each(|c| self.each[c].hear(ours[c], theirs[c]));
        let ears = (0..n).filter(|c| roles.in_ears[*c]).filter_map(|c| self.each[c].ratio());
        self.louder.in_ears = ears.max_by(|a, b| a.0.total_cmp(&b.0));
    }

    fn look(&mut self, twin: &ChannelBook, programme: &[bool; MAX_CHANNELS]) -> ChannelTrouble {
        let n = self.channels.min(twin.channels);
        if self.filled < LOOKS || twin.filled < LOOKS || n < 2 {
            return ChannelTrouble::None;
        }
        let mean = |b: &ChannelBook, c: usize| {
            let sum = |c| b.powers.iter().map(|r| f64::from(r[c])).sum::<f64>();
            if c < n { sum(c) / LOOKS as f64 } else { 0.0 }
        };
        let power = |l: Dbfs| l.amplitude().powi(2);
        let (loud, silent) = (power(LOUD), power(SILENT));
        let alike = |a: f64, b: f64| a <= b * ALIKE && b <= a * ALIKE;
        let theirs: [f64; MAX_CHANNELS] = core::array::from_fn(|c| mean(twin, c));
        let ours: [f64; MAX_CHANNELS] = core::array::from_fn(|c| mean(self, c));
        let straight = (0..n).filter(|c| theirs[*c] > loud).all(|c| alike(ours[c], theirs[c]));
        let comes = |by: &usize| {
            let mut moved = (0..n.saturating_sub(*by)).filter(|c| theirs[*c] > loud);
            moved.clone().count() >= 2 && moved.all(|c| alike(ours[c + by], theirs[c]))
        };
        if let Some(by) = (1..=FURTHEST).find(comes).filter(|_| !straight) {
            self.moved_by = by;
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
    use wire::CentiDbfs;

    fn heard(levels: &[f64]) -> Vec<ChannelLevel> {
        levels.iter().map(|l| ChannelLevel { rms: CentiDbfs::from(Dbfs(*l)), ..ChannelLevel::default() }).collect()
    }

    fn run(ours: &[f64], theirs: &[f64]) -> ChannelTrouble {
        let (mut a, mut b) = (ChannelBook::default(), ChannelBook::default());
        for i in 0..60 {
            a.on_levels(&heard(ours), false);
            b.on_levels(&heard(theirs), false);
            a.compare(&b, &Roles::default(), MonoTime::ZERO + Span::from_millis(20 * i));
        }
        a.trouble
    }

    #[test]
    fn how_much_louder_stands_when_the_twin_falls_silent() {
        let mut roles = Roles { programme: core::array::from_fn(|c| c < 2), ..Roles::default() };
        roles.in_ears[2] = true;
        let (mut a, mut b) = (ChannelBook::default(), ChannelBook::default());
        for i in 0..1_400 {
            b.on_levels(&heard(&[-20.0, -20.0, -26.0]), false);
            let quiet = i > 1_200;
            a.on_levels(&heard(&if quiet { [NONE, NONE, NONE] } else { [-27.0, -27.0, -30.0] }), false);
            b.compare(&a, &roles, MonoTime::ZERO + Span::from_millis(20 * i));
            if i == 500 {
                assert_eq!(b.louder, Louder::default(), "twenty seconds are not over");
            }
            if i >= 1_200 {
                let (p, e) = (b.louder.programme.map(|d| d.0), b.louder.in_ears.map(|d| d.0));
                assert!(
                    p.is_some_and(|d| (d - 7.0).abs() < 0.1) && e.is_some_and(|d| (d - 4.0).abs() < 0.1),
                    "{p:?} {e:?}"
                );
            }
        }
    }

    const NONE: f64 = f64::NEG_INFINITY;

    #[test]
    fn a_long_noise_makes_nobody_loud_afterwards() {
        let (mut a, mut b) = (ChannelBook::default(), ChannelBook::default());
        for i in 0..3_000 {
            let noise = (1_500..2_500).contains(&i);
            a.on_levels(&heard(&[-20.0]), false);
            b.on_levels(&heard(&[if noise { -3.0 } else { -20.0 }]), noise);
            b.compare(&a, &Roles::default(), MonoTime::ZERO + Span::from_millis(20 * i));
        }
        assert!(b.louder.programme.is_some_and(|d| d.0.abs() < 0.01), "{:?}", b.louder);
    }

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
        let pair = [[NONE, NONE, -20.0, -26.0, -35.0], [-20.0, -26.0, -35.0, NONE, NONE]];
        assert_eq!(run(&pair[0], &pair[1]), ChannelTrouble::Shifted);
        assert_eq!(
            run(&pair[1], &pair[0]),
            ChannelTrouble::OneSilent,
            "the one that comes further on is said to be moved"
        );
    }

    #[test]
    fn what_goes_wrong_on_the_last_of_64_channels_is_told_as_on_the_first() {
        let full: Vec<f64> = (0..64).map(|c| -15.0 - f64::from(c % 7) * 4.0).collect();
        assert_eq!(run(&full, &full), ChannelTrouble::None);
        let mut silent = full.clone();
        silent[63] = NONE;
        assert_eq!(run(&silent, &full), ChannelTrouble::OneSilent);
        let moved: Vec<f64> = [NONE].into_iter().chain(full[..63].iter().copied()).collect();
        assert_eq!(run(&moved, &full), ChannelTrouble::Shifted);
    }
}
