//! Channel by channel: is what two machines play the same sound? Their excerpts of the same moments are laid side by side.
//!
//! A code says where a machine thinks it is; only this says what is heard: another mix, a muted stem, a polarity flip, a bounce
//! from last week. It is slow (each channel has its turn every few seconds), so it informs people and the judge's memory that
//! both sounded alike; it never condemns a machine by itself.
//!
//! A difference counts when two turns in a row show it. A channel that has been alike in this show and is no more is worth a
//! warning; one that never was may be meant so (an effect that draws lots), which is told once and mildly.
//!
//! A channel that is not like its own counterpart is held against the others that were heard at the same time: cables change places,
//! and the click comes where tracks should be.

mod lay;
mod words;

use std::collections::BTreeMap;

use base::{Db, Machine, MonoTime, Span};
use serde::{Deserialize, Serialize};

pub use lay::{Heard, Side};
use lay::{Laid, SURE, lay};

/// One slot of excerpts.
const SLOT: Span = Span::from_secs(1);
/// Less sure than this, another channel is tried, and must be surer by so much: left and right are alike, too, and a copy is surest.
const WHOLLY: f64 = 0.9;
const SURER: f64 = 0.15;
/// A change of level against what it was that is worth a word.
const LEVEL: Db = Db(3.0);
/// Turns that must agree.
const TURNS: u32 = 2;
/// So many turns without likeness, others being alike, make a channel one that never is.
const NEVER: u32 = 5;

/// What is so about a machine's channel against the reference machine's.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Likeness {
    /// The same sound.
    Same,
    /// The same with the other polarity.
    Inverted,
    /// The same, but its level has changed by this.
    Level(Db),
    /// It is silent, the reference sounds.
    Silent,
    /// It sounds, the reference is silent.
    Alone,
    /// Another sound.
    Other,
    /// The sound of another of the reference's channels, by its name.
    Another(String),
    /// Another sound, and never the same in this show while other channels were.
    NeverAlike,
}

/// One comparison.
#[derive(Clone, PartialEq, Debug)]
pub struct Compared {
    /// The machine that was held against the reference.
    pub machine: Machine,
    /// The channel's name.
    pub channel: String,
    /// When the excerpts began.
    pub at: MonoTime,
    /// What this turn showed; none: it could not be told.
    pub found: Option<Likeness>,
    /// The reference's sound minus this one's: positive, the reference is ahead. Only where the material tells it alone.
    pub lag: Option<Span>,
    /// Its level against the reference's, where both are the same sound.
    pub gain: Option<Db>,
    /// How sure.
    pub confidence: f64,
    /// What is so now, if this turn changed it.
    pub changed: Option<Likeness>,
}

/// A channel's name, the slot, the machine's index.
type Key = (String, i64, usize);

/// What is remembered of all channels.
#[derive(Default)]
pub struct LikenessBook {
    waiting: BTreeMap<Key, Heard>,
    channels: BTreeMap<(usize, String), Channel>,
}

#[derive(Default)]
struct Channel {
    standing: Option<Likeness>,
    last: Option<Likeness>,
    run: u32,
    alike: u32,
    unlike: u32,
    gain: Option<Db>,
}

impl LikenessBook {
    /// An excerpt came in. It is compared by the next [`LikenessBook::compare`], if its counterpart has come by then.
    pub fn on_excerpt(&mut self, machine: Machine, channel: &str, heard: Heard) {
        // Excerpts begin shortly after a slot does.
        let slot = i64::try_from(heard.at.nanos()).unwrap_or(i64::MAX).saturating_add(SLOT.nanos() / 2) / SLOT.nanos();
        self.waiting.retain(|(_, s, _), _| (slot - *s).abs() <= 2);
        self.waiting.insert((channel.to_owned(), slot, machine.index()), heard);
    }

    /// Compares what has come, each excerpt once, by `side`: reference first, equal rates and equal lengths. `apart`: how far that machine
    /// may lie from the reference, if both played the same place from the one instant to the other; a stretch in which one of them stood,
    /// started or jumped is dropped. Call it when all channels of a moment have had time to come.
    pub fn compare(
        &mut self,
        apart: impl Fn(Machine, MonoTime, MonoTime) -> Option<Span>,
        mut side: impl FnMut(&[f32], &[f32]) -> Option<Side>,
        mut tell: impl FnMut(Compared),
    ) {
        let has_reference = |k: &&Key| k.2 > 0 && self.waiting.contains_key(&(k.0.clone(), k.1, 0));
        let due: Vec<Key> = self.waiting.keys().filter(has_reference).cloned().collect();
        let mut laid = Vec::new();
        for key in due {
            let Some(other) = self.waiting.remove(&key) else { continue };
            let (Some(m), Some(first)) = (Machine::new(key.2), self.waiting.get(&(key.0.clone(), key.1, 0))) else {
                continue;
            };
            let Some(apart) = apart(m, first.at.min(other.at), first.end().max(other.end())) else { continue };
            let own = lay(first, &other, apart, &mut side);
            laid.push((key, other, apart, own));
        }
        for (key, other, apart, own) in &laid {
            let Some((at, mut found, mut lag, mut confidence)) = own.clone() else { continue };
            let (channel, slot, i) = key;
            let Some(m) = Machine::new(*i) else { continue };
            if !is_wholly_alike(own) {
                let least =
                    if matches!(found, Some((Likeness::Alone, _))) { SURE } else { (confidence + SURER).max(SURE) };
                // What comes where it belongs does not come here as well: left and right have much in common.
                let in_place = |c: &String| {
                    laid.iter().any(|(k, _, _, o)| (&k.0, k.1, k.2) == (c, *slot, *i) && is_wholly_alike(o))
                };
                let others =
                    self.waiting.iter().filter(|((c, s, m), _)| *m == 0 && s == slot && c != channel && !in_place(c));
                let alike = others.filter_map(|((c, ..), reference)| {
                    let (_, found, _, confidence) = lay(reference, other, *apart, &mut side)?;
                    let same = matches!(found, Some((Likeness::Same | Likeness::Inverted, _)));
                    (same && confidence >= least).then(|| (c.clone(), confidence))
                });
                if let Some((name, surer)) = alike.max_by(|a, b| a.1.total_cmp(&b.1)) {
                    (found, lag, confidence) = (Some((Likeness::Another(name), Db(0.0))), None, surer);
                }
            }
            let others_alike = self.channels.iter().any(|((j, c), x)| j == i && c != channel && x.alike > 0);
            let book = self.channels.entry((*i, channel.clone())).or_default();
            let same = |l: &Likeness| matches!(l, Likeness::Same | Likeness::Inverted);
            let gain = found.as_ref().filter(|(l, _)| same(l)).map(|(_, gain)| *gain);
            let found = found.map(|f| book.weigh(f, others_alike));
            let changed = found.clone().and_then(|f| book.note(f));
            tell(Compared { machine: m, channel: channel.clone(), at, found, lag, gain, confidence, changed });
        }
    }

    /// What stands for a machine's channels, in the order of their names.
    pub fn standing(&self, m: Machine) -> impl Iterator<Item = (&str, Likeness)> {
        self.channels
            .iter()
            .filter(move |((i, _), _)| *i == m.index())
            .filter_map(|((_, name), c)| Some((name.as_str(), c.standing.clone()?)))
    }
}

/// Whether a turn leaves nothing to be explained.
fn is_wholly_alike(laid: &Option<Laid>) -> bool {
    laid.as_ref().is_some_and(|(_, found, _, confidence)| {
        matches!(found, Some((Likeness::Same | Likeness::Inverted, _))) && *confidence >= WHOLLY
    })
}

impl Channel {
    /// A turn's finding against what is known of the channel.
    fn weigh(&mut self, (found, gain): (Likeness, Db), others_alike: bool) -> Likeness {
        match found {
            Likeness::Same | Likeness::Inverted => {
                self.alike += 1;
                self.unlike = 0;
                let usual = *self.gain.get_or_insert(gain);
                let change = Db(gain.0 - usual.0);
                if found == Likeness::Same && change.abs().0 > LEVEL.0 { Likeness::Level(change) } else { found }
            }
            Likeness::Other if self.alike == 0 => {
                self.unlike += 1;
                if others_alike && self.unlike >= NEVER { Likeness::NeverAlike } else { found }
            }
            other => other,
        }
    }

    /// Counts turns that agree. Gives what is so from now on, if that is new.
    fn note(&mut self, found: Likeness) -> Option<Likeness> {
        let same = |a: &Likeness| core::mem::discriminant(a) == core::mem::discriminant(&found);
        self.run = if self.last.as_ref().is_some_and(same) { self.run + 1 } else { 1 };
        // A sound that was never alike waits until it is known to be one of that kind.
        let settled = found != Likeness::Other || self.alike > 0;
        if self.run < TURNS && found != Likeness::NeverAlike || !settled || self.standing.as_ref().is_some_and(same) {
            self.last = Some(found);
            return None;
        }
        let first = self.standing.is_none() && found == Likeness::Same;
        (self.last, self.standing) = (Some(found.clone()), Some(found.clone()));
        (!first).then_some(found)
    }
}

#[cfg(test)]
mod tests;
