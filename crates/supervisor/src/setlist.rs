//! Tonight's order of the songs. It begins as the show file has it; at the venue a person moves a song, skips one, adds an encore. A song
//! keeps the number that it has in the show file whatever its place is, since its timecode tells it by that.

use serde::{Deserialize, Serialize};

/// The most entries of a set: some more than anybody plays.
const MOST: usize = 200;

/// One entry of tonight's set.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Entry {
    /// The song's number in the show file, from 1.
    pub song: u16,
    /// It is not played tonight.
    #[serde(default)]
    pub skipped: bool,
    /// It was added at the venue.
    #[serde(default)]
    pub added: bool,
}

/// Tonight's set, and where in it the show is.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct SetList {
    entries: Vec<Entry>,
    /// The place of the song that began last.
    at: Option<usize>,
}

/// What a person does to the set. Places count from 1.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Change {
    /// An entry goes to another place.
    Move {
        /// Where it is.
        from: usize,
        /// Where it goes.
        to: usize,
    },
    /// An entry is skipped, or not.
    Skip {
        /// Which.
        place: usize,
        /// Whether.
        skip: bool,
    },
    /// A song is played once more, or one that was not to be played: at the end.
    Add {
        /// Its number in the show file.
        song: u16,
    },
    /// As the show file has it.
    Restore,
}

impl SetList {
    /// As the show file has it; `spare[i]`: song `i + 1` is listed and not played.
    pub fn of(spare: &[bool]) -> SetList {
        let entries = (1..).zip(spare).filter(|(_, spare)| !**spare).map(|(song, _)| Entry {
            song,
            skipped: false,
            added: false,
        });
        SetList { entries: entries.collect(), at: None }
    }

    /// What was kept, if it is a set of so many songs.
    pub fn kept(entries: Vec<Entry>, songs: usize) -> Option<SetList> {
        let sound = entries.len() <= MOST && entries.iter().all(|e| (1..=songs).contains(&usize::from(e.song)));
        sound.then_some(SetList { entries, at: None })
    }

    /// The entries in their order.
    pub fn entries(&self) -> &[Entry] {
        &self.entries
    }

    /// The place of the song that began last, from 0.
    pub const fn at(&self) -> Option<usize> {
        self.at
    }

    /// A song began. The next entry of that song is it; where there is none behind, the first.
    pub fn on_song(&mut self, song: u16) {
        let from = self.at.map_or(0, |a| a + 1);
        let is = |(_, e): &(usize, &Entry)| e.song == song;
        let behind = self.entries.iter().enumerate().skip(from).find(|e| is(e) && !e.1.skipped);
        let found = behind.or_else(|| self.entries.iter().enumerate().find(is));
        // A song that is not of the set leaves the place: the set goes on behind it.
        if let Some((i, _)) = found {
            self.at = Some(i);
        }
    }

    /// The entry that comes next; none: the set is over.
    pub fn next(&self) -> Option<(usize, Entry)> {
        let from = self.at.map_or(0, |a| a + 1);
        self.entries.iter().copied().enumerate().skip(from).find(|(_, e)| !e.skipped)
    }

    /// Does it. `songs`: how many the show file has; `spare` as for [`SetList::of`].
    ///
    /// # Errors
    /// Why it cannot be, in words.
    pub fn change(&mut self, change: Change, spare: &[bool]) -> Result<(), String> {
        let len = self.entries.len();
        let place = |p: usize| match p {
            p if (1..=len).contains(&p) => Ok(p - 1),
            _ if len == 0 => Err("the set is empty".to_string()),
            p => Err(format!("there is no place {p}: the set has {len}")),
        };
        match change {
            Change::Move { from, to } => {
                let (from, to) = (place(from)?, place(to)?);
                let entry = self.entries.remove(from);
                self.entries.insert(to, entry);
                // The song that is playing stays the one that is playing.
                self.at = self.at.map(|a| match a {
                    a if a == from => to,
                    a if from < a && a <= to => a - 1,
                    a if to <= a && a < from => a + 1,
                    a => a,
                });
            }
            Change::Skip { place: p, skip } => {
                let p = place(p)?;
                if skip && self.at == Some(p) {
                    return Err("this song has begun already".into());
                }
                self.entries[p].skipped = skip;
            }
            Change::Add { song } => {
                if !(1..=spare.len()).contains(&usize::from(song)) {
                    return Err(format!("the show file has no song {song}"));
                }
                if len >= MOST {
                    return Err(format!("a set has at most {MOST} entries"));
                }
                self.entries.push(Entry { song, skipped: false, added: true });
            }
            Change::Restore => {
                let playing = self.at.and_then(|a| self.entries.get(a)).map(|e| e.song);
                *self = SetList::of(spare);
                if let Some(song) = playing {
                    self.on_song(song);
                }
            }
        }
        Ok(())
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn songs(s: &SetList) -> Vec<u16> {
        s.entries().iter().map(|e| e.song).collect()
    }

    #[test]
    fn what_comes_next_follows_the_order_the_skips_and_the_encore() {
        let spare = [false, false, false, true];
        let mut s = SetList::of(&spare);
        assert_eq!(songs(&s), [1, 2, 3], "a spare song waits to be added");
        let next = |s: &SetList| s.next().map(|n| n.1.song);
        assert_eq!(next(&s), Some(1));
        s.on_song(1);
        s.change(Change::Move { from: 3, to: 2 }, &spare).unwrap();
        assert_eq!((songs(&s), next(&s)), (vec![1, 3, 2], Some(3)));
        s.change(Change::Skip { place: 2, skip: true }, &spare).unwrap();
        assert_eq!(next(&s), Some(2));
        s.on_song(2);
        assert_eq!(next(&s), None);
        s.change(Change::Add { song: 4 }, &spare).unwrap();
        s.change(Change::Add { song: 1 }, &spare).unwrap();
        assert_eq!(next(&s), Some(4));
        s.on_song(4);
        s.on_song(1);
        assert_eq!((s.at(), next(&s)), (Some(4), None), "song 1 is played again, and it is the encore");
        for (wrong, words) in [
            (Change::Move { from: 9, to: 1 }, "no place 9"),
            (Change::Move { from: 1, to: 0 }, "no place 0"),
            (Change::Skip { place: 5, skip: true }, "has begun"),
            (Change::Add { song: 5 }, "no song 5"),
        ] {
            let before = s.clone();
            let why = s.change(wrong, &spare).unwrap_err();
            assert!(why.contains(words), "{why}");
            assert_eq!(s, before);
        }
        s.change(Change::Restore, &spare).unwrap();
        assert_eq!((songs(&s), s.at()), (vec![1, 2, 3], Some(0)));
        assert_eq!(SetList::kept(vec![Entry { song: 4, skipped: false, added: true }], 3), None);
    }

    proptest! {
        /// Whatever is moved, the song that plays goes on playing, and no entry is lost.
        #[test]
        fn moving_loses_nothing(moves in prop::collection::vec((1usize..8, 1usize..8), 0..20), playing in 1u16..8) {
            let mut s = SetList::of(&[false; 7]);
            s.on_song(playing);
            for (from, to) in moves {
                s.change(Change::Move { from, to }, &[false; 7]).unwrap();
            }
            prop_assert_eq!(s.entries()[s.at().unwrap()].song, playing);
            let mut all = songs(&s);
            all.sort_unstable();
            prop_assert_eq!(all, (1..=7).collect::<Vec<u16>>());
        }
    }
}
