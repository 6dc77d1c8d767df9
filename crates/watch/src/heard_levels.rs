//! The levels of all of a machine's channels, as its beats bring them: the first eight each time, the others in their turn.

use base::Dbfs;
use wire::beat::MAX_LEVELS;
use wire::channels::MAX_CHANNELS;
use wire::{Beat, ChannelLevel, Pilot};

use crate::channels::Roles;

/// All channels' newest levels.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct HeardLevels {
    levels: [ChannelLevel; MAX_CHANNELS],
    channels: usize,
    pilots: Option<bool>,
}

impl Default for HeardLevels {
    /// Nothing was heard.
    fn default() -> HeardLevels {
        HeardLevels { levels: [ChannelLevel::default(); MAX_CHANNELS], channels: 0, pilots: None }
    }
}

impl HeardLevels {
    /// Takes in the newest beat. What a channel read stands until its next turn; one that never had a turn reads silence.
    pub fn on_beat(&mut self, beat: &Beat) {
        let more = &beat.more;
        let said = usize::from(more.heard).min(MAX_CHANNELS);
        let channels = said.max(beat.levels.len());
        if channels != self.channels {
            *self = HeardLevels { channels, ..HeardLevels::default() };
        }
        self.levels.iter_mut().zip(&beat.levels).for_each(|(to, l)| *to = *l);
        // A window begins beyond the first eight: what claims otherwise is no window.
        let first = usize::from(more.first);
        if first >= MAX_LEVELS {
            self.levels.iter_mut().take(said).skip(first).zip(&more.levels).for_each(|(to, l)| *to = *l);
        }
        let all = beat.levels.iter().map(|l| l.pilot).chain([more.pilot]).filter(|p| *p != Pilot::NotExpected);
        self.pilots = all.map(|p| p == Pilot::Present).reduce(|a, b| a && b);
    }

    /// The channels in their order.
    pub fn all(&self) -> &[ChannelLevel] {
        &self.levels[..self.channels]
    }

    /// Whether all pilots that are expected are there; none: none is.
    pub fn pilots(&self) -> Option<bool> {
        self.pilots
    }

    /// The highest sample of all channels.
    pub fn peak(&self) -> Option<Dbfs> {
        self.all().iter().map(|l| l.peak).max().map(Dbfs::from)
    }

    /// Power mean of the programme channels.
    pub fn programme(&self, roles: &Roles) -> Option<Dbfs> {
        let of = self.all().iter().zip(&roles.programme).filter(|(_, p)| **p);
        let (n, power) = of.fold((0u32, 0f64), |(n, sum), (l, _)| (n + 1, sum + Dbfs::from(l.rms).amplitude().powi(2)));
        (n > 0).then(|| Dbfs::from_amplitude((power / f64::from(n)).sqrt()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use wire::CentiDbfs;
    use wire::channels::{MoreChannels, Round};

    fn level(c: usize) -> ChannelLevel {
        ChannelLevel { peak: CentiDbfs(c as i16), rms: CentiDbfs(-(c as i16)), pilot: Pilot::NotExpected }
    }

    /// What an agent of so many channels tells in its next beat.
    fn beat(channels: usize, round: &mut Round, pilot: Pilot) -> Beat {
        let (first, n) = round.turn(channels);
        Beat {
            levels: (0..channels.min(MAX_LEVELS)).map(level).collect(),
            more: MoreChannels {
                heard: channels as u8,
                pilot,
                first: first as u8,
                levels: (first..first + n).map(level).collect(),
            },
            ..Beat::default()
        }
    }

    #[test]
    fn four_beats_bring_all_64_channels() {
        let (mut heard, mut round) = (HeardLevels::default(), Round::default());
        for _ in 0..4 {
            heard.on_beat(&beat(64, &mut round, Pilot::NotExpected));
        }
        assert_eq!(heard.all(), (0..64).map(level).collect::<Vec<_>>());
        assert_eq!(heard.pilots(), None);
        // A pilot on the last channel is missed by the next beat, whose turn it is not.
        heard.on_beat(&beat(64, &mut round, Pilot::Absent));
        assert_eq!(heard.pilots(), Some(false));
        // With another device there are fewer.
        heard.on_beat(&beat(9, &mut Round::default(), Pilot::Present));
        assert_eq!((heard.all().len(), heard.pilots()), (9, Some(true)));
        assert_eq!(heard.all()[8], level(8));
    }

    #[test]
    fn an_older_agent_has_its_eight_and_a_lying_one_no_more_than_64() {
        let mut heard = HeardLevels::default();
        heard.on_beat(&Beat { levels: (0..8).map(level).collect(), ..Beat::default() });
        assert_eq!(heard.all(), (0..8).map(level).collect::<Vec<_>>());
        let lie =
            |first| MoreChannels { heard: 255, first, levels: (0..14).map(level).collect(), ..Default::default() };
        for first in [0, 7, 8, 60, 255] {
            heard.on_beat(&Beat { more: lie(first), ..Beat::default() });
            assert_eq!(heard.all().len(), 64);
        }
        assert_eq!(heard.all()[60..], [level(0), level(1), level(2), level(3)]);
        assert_eq!(heard.all()[0], ChannelLevel::default(), "no window reaches into the first eight");
    }
}
