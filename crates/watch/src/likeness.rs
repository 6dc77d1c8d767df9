//! Channel by channel: is what two machines play the same sound? Their excerpts of the same moments are laid side by side.
//!
//! A code says where a machine thinks it is; only this says what is heard: another mix, a muted stem, a polarity flip, a bounce
//! from last week. It is slow (each channel has its turn every few seconds), so it informs people and the judge's memory that
//! both sounded alike; it never condemns a machine by itself.
//!
//! A difference counts when two turns in a row show it. A channel that has been alike in this show and is no more is worth a
//! warning; one that never was may be meant so (an effect that draws lots), which is told once and mildly.

use std::collections::BTreeMap;

use base::{Db, Dbfs, Hertz, Machine, MonoTime, Span};
use serde::{Deserialize, Serialize};

/// One slot of excerpts.
const SLOT: Span = Span::from_secs(1);
/// Above this a channel sounds ...
const SOUNDS: Dbfs = Dbfs(-55.0);
/// ... and below this it is silent (common practice, no source).
const SILENT: Dbfs = Dbfs(-75.0);
/// Surely the same material, and surely not.
const SURE: f64 = 0.5;
const SURELY_NOT: f64 = 0.2;
/// A change of level against what it was that is worth a word.
const LEVEL: Db = Db(3.0);
/// Turns that must agree.
const TURNS: u32 = 2;
/// So many turns without likeness, others being alike, make a channel one that never is.
const NEVER: u32 = 5;
/// Fewer common samples than this are not compared.
const LEAST: usize = 2_000;
/// Excerpts are placed this well, and the offset has changed by no more since they were heard.
const EDGE: Span = Span::from_millis(20);

/// One machine's excerpt on the supervisor's clock.
#[derive(Clone, Debug)]
pub struct Heard {
    /// When its first sample was heard.
    pub at: MonoTime,
    /// Samples a second.
    pub rate: Hertz,
    /// The samples, full scale 1.
    pub samples: Vec<f32>,
}

impl Heard {
    fn end(&self) -> MonoTime {
        self.at + base::Samples(self.samples.len() as f64).at(self.rate)
    }
}

/// What laying two stretches side by side showed.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Side {
    /// How many samples the second lies behind the first.
    pub behind: f64,
    /// Its level relative to the first.
    pub gain: Db,
    /// Its polarity is the other.
    pub inverted: bool,
    /// 0: unrelated; 1: the same.
    pub confidence: f64,
    /// The material repeats, so that other offsets fit alike.
    pub repeats: bool,
}

/// What is so about a machine's channel against the reference machine's.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
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

/// What is remembered of all channels.
#[derive(Default)]
pub struct LikenessBook {
    waiting: BTreeMap<(String, i64, usize), Heard>,
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
    /// An excerpt came in. Where its counterpart has come too, both are compared by `side`: reference first, equal rates and equal
    /// lengths. `apart`: how far that machine may lie from the reference, if both played the same place from the one instant to the
    /// other; a stretch in which one of them stood, started or jumped is dropped.
    pub fn on_excerpt(
        &mut self,
        machine: Machine,
        channel: &str,
        heard: Heard,
        apart: impl Fn(Machine, MonoTime, MonoTime) -> Option<Span>,
        mut side: impl FnMut(&[f32], &[f32]) -> Option<Side>,
        mut tell: impl FnMut(Compared),
    ) {
        // Excerpts begin shortly after a slot does.
        let slot = (heard.at.nanos() as i64 + SLOT.nanos() / 2) / SLOT.nanos();
        self.waiting.retain(|(_, s, _), _| (slot - *s).abs() <= 2);
        self.waiting.insert((channel.to_owned(), slot, machine.index()), heard);
        let find = |m: usize| {
            let key = (channel.to_owned(), slot, m);
            self.waiting.contains_key(&key).then_some(key)
        };
        let Some(reference) = find(0) else { return };
        let others: Vec<_> = if machine == Machine::A {
            (1..base::ids::MAX_MACHINES).filter_map(find).collect()
        } else {
            find(machine.index()).into_iter().collect()
        };
        for key in others {
            let Some(other) = self.waiting.remove(&key) else { continue };
            let (Some(m), Some(first)) = (Machine::new(key.2), self.waiting.get(&reference)) else { continue };
            let Some(apart) = apart(m, first.at.min(other.at), first.end().max(other.end())) else { continue };
            let Some((at, found, lag, confidence)) = lay(first, &other, apart, &mut side) else { continue };
            let others_alike = self.channels.iter().any(|((i, c), x)| *i == key.2 && c != channel && x.alike > 0);
            let book = self.channels.entry((key.2, channel.to_owned())).or_default();
            let same = |l: &Likeness| matches!(l, Likeness::Same | Likeness::Inverted);
            let gain = found.filter(|(l, _)| same(l)).map(|(_, gain)| gain);
            let found = found.map(|f| book.weigh(f, others_alike));
            let changed = found.and_then(|f| book.note(f));
            tell(Compared { machine: m, channel: channel.to_owned(), at, found, lag, gain, confidence, changed });
        }
    }

    /// What stands for a machine's channels, in the order of their names.
    pub fn standing(&self, m: Machine) -> impl Iterator<Item = (&str, Likeness)> {
        self.channels
            .iter()
            .filter(move |((i, _), _)| *i == m.index())
            .filter_map(|((_, name), c)| Some((name.as_str(), c.standing?)))
    }
}

/// A turn's raw finding: the gain is still unjudged.
type Laid = (MonoTime, Option<(Likeness, Db)>, Option<Span>, f64);

/// Lays the common stretch of two excerpts side by side.
///
/// With `b(t) = a(t - D)`, and first samples heard at `ta` and `tb`, sample `n` of `b` is sample `n + (tb - ta - D) r` of `a`. The
/// comparison says by how many samples `d` the second lies behind: `d = (D - (tb - ta)) r`, so that `D = d / r + (tb - ta)`.
///
/// Sound that only the edge of a stretch holds lies outside the other's: what counts is heard farther inside than both are apart.
fn lay(a: &Heard, b: &Heard, apart: Span, side: &mut impl FnMut(&[f32], &[f32]) -> Option<Side>) -> Option<Laid> {
    if (a.rate.0 - b.rate.0).abs() > 1.0 {
        return None;
    }
    let skip = |later: MonoTime, earlier: MonoTime| ((later - earlier).secs_f64().max(0.0) * a.rate.0).round() as usize;
    let (skip_a, skip_b) = (skip(b.at, a.at), skip(a.at, b.at));
    let (xa, xb) = (a.samples.get(skip_a..)?, b.samples.get(skip_b..)?);
    let n = xa.len().min(xb.len());
    let edge = ((apart + EDGE).secs_f64() * a.rate.0).ceil() as usize;
    if n < LEAST + 2 * edge {
        return None;
    }
    let (xa, xb) = (&xa[..n], &xb[..n]);
    let level =
        |x: &[f32]| Dbfs::from_amplitude((x.iter().map(|s| f64::from(*s).powi(2)).sum::<f64>() / n as f64).sqrt());
    let sounds = |x: &[f32]| level(&x[edge..n - edge]).0 > SOUNDS.0;
    let silent = |x: &[f32]| level(x).0 < SILENT.0;
    let begin = |t: MonoTime, skip: usize| t + base::Samples(skip as f64).at(a.rate);
    let (ta, tb) = (begin(a.at, skip_a), begin(b.at, skip_b));
    let plain = |l: Likeness| Some((ta, Some((l, Db(0.0))), None, 1.0));
    match (sounds(xa), sounds(xb)) {
        (true, false) if silent(xb) => return plain(Likeness::Silent),
        (false, true) if silent(xa) => return plain(Likeness::Alone),
        (true, true) => {}
        _ => return None,
    }
    let s = side(xa, xb)?;
    let lag = (s.confidence >= SURE && !s.repeats).then(|| base::Span::from_secs_f64(s.behind / a.rate.0) + (tb - ta));
    let found = if s.confidence >= SURE {
        // Half a period of a tone looks like the other polarity: what repeats does not tell.
        let inverted = s.inverted && !s.repeats;
        Some((if inverted { Likeness::Inverted } else { Likeness::Same }, s.gain))
    } else if s.confidence <= SURELY_NOT {
        Some((Likeness::Other, Db(0.0)))
    } else {
        None
    };
    Some((ta, found, lag, s.confidence))
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
        let same = |a: Likeness, b: Likeness| core::mem::discriminant(&a) == core::mem::discriminant(&b);
        self.run = if self.last.is_some_and(|l| same(l, found)) { self.run + 1 } else { 1 };
        self.last = Some(found);
        // A sound that was never alike waits until it is known to be one of that kind.
        let settled = found != Likeness::Other || self.alike > 0;
        if self.run < TURNS && found != Likeness::NeverAlike
            || !settled
            || self.standing.is_some_and(|s| same(s, found))
        {
            return None;
        }
        let first = self.standing.is_none() && found == Likeness::Same;
        self.standing = Some(found);
        (!first).then_some(found)
    }
}

impl Likeness {
    /// Whether a person should know.
    pub const fn is_trouble(self) -> bool {
        !matches!(self, Likeness::Same | Likeness::NeverAlike)
    }

    /// In words: machine `m`'s channel against machine `r`'s.
    pub fn say(self, m: Machine, r: Machine, channel: &str) -> String {
        match self {
            Likeness::Same => format!("{m}'s `{channel}` sounds like {r}'s."),
            Likeness::Inverted => format!("{m}'s `{channel}` has the other polarity than {r}'s."),
            Likeness::Level(by) => {
                let word = if by.0 < 0.0 { "softer" } else { "louder" };
                format!("{m}'s `{channel}` has become {:.1} dB {word} against {r}'s.", by.abs().0)
            }
            Likeness::Silent => format!("{m}'s `{channel}` is silent where {r}'s is not."),
            Likeness::Alone => format!("{m}'s `{channel}` sounds where {r}'s is silent."),
            Likeness::Other => format!("{m}'s `{channel}` no longer sounds like {r}'s: another mix, or another place."),
            Likeness::NeverAlike => {
                format!("{m}'s `{channel}` never sounded like {r}'s: an effect that draws lots, or another bounce.")
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE: Hertz = Hertz(8_000.0);

    /// Plays turns of one channel, machine A loud, B at the given level, `side` finding what it is told.
    fn play(book: &mut LikenessBook, channel: &str, turns: std::ops::Range<u64>, b: f32, s: Side) -> Vec<Compared> {
        let mut all = Vec::new();
        for k in turns {
            let at = |late: i64| MonoTime::from_nanos(k * 1_000_000_000) + Span::from_micros(late);
            let wave = |a: f32| (0..7_680).map(|i| if i % 2 == 0 { a } else { -a }).collect::<Vec<_>>();
            for (m, late, a) in [(Machine::A, 0, 0.1), (Machine::B, 2_000, b)] {
                let heard = Heard { at: at(late), rate: RATE, samples: wave(a) };
                book.on_excerpt(
                    m,
                    channel,
                    heard,
                    |_, _, _| Some(Span::from_millis(3)),
                    |_, _| Some(s),
                    |c| all.push(c),
                );
            }
        }
        all
    }

    const ALIKE: Side = Side { behind: 0.0, gain: Db(0.0), inverted: false, confidence: 0.95, repeats: false };
    const OTHER: Side = Side { confidence: 0.05, ..ALIKE };

    fn changes(all: &[Compared]) -> Vec<Likeness> {
        all.iter().filter_map(|c| c.changed).collect()
    }

    #[test]
    fn a_channel_that_was_alike_and_is_no_more_is_told_after_two_turns() {
        let mut book = LikenessBook::default();
        let all = play(&mut book, "keys", 10..14, 0.1, ALIKE);
        assert_eq!((all.len(), changes(&all)), (4, vec![]));
        assert_eq!(changes(&play(&mut book, "keys", 14..15, 0.1, OTHER)), []);
        assert_eq!(changes(&play(&mut book, "keys", 15..18, 0.1, OTHER)), [Likeness::Other]);
        assert_eq!(changes(&play(&mut book, "keys", 18..21, 0.1, ALIKE)), [Likeness::Same]);
        assert_eq!(book.standing(Machine::B).collect::<Vec<_>>(), [("keys", Likeness::Same)]);
    }

    #[test]
    fn a_beep_at_the_edge_of_a_stretch_says_nothing() {
        // A's stretch still holds the first 4 ms of a beep that B plays 3 ms later.
        let mut told = Vec::new();
        let mut book = LikenessBook::default();
        for k in 10..20 {
            for (m, beep) in [(Machine::A, 32), (Machine::B, 8)] {
                let mut samples = vec![0.0; 7_680];
                samples[7_680 - beep..].fill(0.5);
                let heard = Heard { at: MonoTime::from_nanos(k * 1_000_000_000), rate: RATE, samples };
                let apart = |_, _, _| Some(Span::from_millis(3));
                book.on_excerpt(m, "cue", heard, apart, |_, _| Some(OTHER), |c| told.push(c));
            }
        }
        assert_eq!(told, []);
        // Where the other is silent throughout, a beep well inside is enough to say so.
        let mut samples = vec![0.0; 7_680];
        samples[4_000..4_400].fill(0.5);
        for (m, samples) in [(Machine::A, samples), (Machine::B, vec![0.0; 7_680])] {
            let heard = Heard { at: MonoTime::from_nanos(30_000_000_000), rate: RATE, samples };
            book.on_excerpt(m, "cue", heard, |_, _, _| Some(Span::ZERO), |_, _| None, |c| told.push(c));
        }
        assert_eq!(told.iter().map(|c| c.found).collect::<Vec<_>>(), [Some(Likeness::Silent)]);
    }

    #[test]
    fn the_stretch_that_is_asked_about_holds_both_excerpts() {
        let mut book = LikenessBook::default();
        let at = |ms: u64| MonoTime::from_nanos(ms * 1_000_000);
        let asked = std::cell::RefCell::new(Vec::new());
        for (m, ms) in [(Machine::A, 10_000), (Machine::B, 10_002)] {
            let heard = Heard { at: at(ms), rate: RATE, samples: vec![0.1; 8_000] };
            let apart = |m, from, to| {
                asked.borrow_mut().push((m, from, to));
                None
            };
            book.on_excerpt(m, "keys", heard, apart, |_, _| Some(ALIKE), |_| panic!("one of them may have stood"));
        }
        assert_eq!(asked.into_inner(), [(Machine::B, at(10_000), at(11_002))]);
    }

    #[test]
    fn polarity_level_and_silence_have_their_own_words() {
        for (side, b, want) in [
            (Side { inverted: true, ..ALIKE }, 0.1, "other polarity"),
            (Side { gain: Db(-6.0), ..ALIKE }, 0.1, "6.0 dB softer"),
            (ALIKE, 0.0, "B's `keys` is silent where A's is not."),
        ] {
            let mut book = LikenessBook::default();
            play(&mut book, "keys", 10..12, 0.1, ALIKE);
            let all = changes(&play(&mut book, "keys", 12..15, b, side));
            assert_eq!(all.len(), 1, "{want}");
            assert!(all[0].is_trouble());
            let text = all[0].say(Machine::B, Machine::A, "keys");
            assert!(text.contains(want), "{text}");
        }
    }

    #[test]
    fn what_never_was_alike_is_told_once_and_mildly() {
        let mut book = LikenessBook::default();
        assert_eq!(changes(&play(&mut book, "wash", 10..20, 0.1, OTHER)), [], "nothing is alike: out of step, maybe");
        play(&mut book, "keys", 20..22, 0.1, ALIKE);
        let all = changes(&play(&mut book, "wash", 22..32, 0.1, OTHER));
        assert_eq!(all, [Likeness::NeverAlike]);
        assert!(!all[0].is_trouble());
    }

    #[test]
    fn the_lag_counts_from_the_stamps() {
        // B's excerpt begins 2 ms after A's; 16 samples of A are skipped. Sounds that lie alike after that are 0 ms apart.
        let mut book = LikenessBook::default();
        let lag = |c: &[Compared]| c[0].lag.map(|l| l.millis_f64());
        let zero = lag(&play(&mut book, "keys", 10..11, 0.1, ALIKE));
        assert!(zero.is_some_and(|l| l.abs() < 1e-3), "{zero:?}");
        // 8 samples at 8 kHz behind: B is 1 ms late, the reference ahead.
        let late = lag(&play(&mut book, "keys", 11..12, 0.1, Side { behind: 8.0, ..ALIKE }));
        assert!(late.is_some_and(|l| (l - 1.0).abs() < 1e-3), "{late:?}");
        // A bare click repeats: its lag is not told.
        assert_eq!(lag(&play(&mut book, "click", 12..13, 0.1, Side { repeats: true, ..ALIKE })), None);
    }

    #[test]
    fn rests_and_machines_elsewhere_say_nothing() {
        let mut book = LikenessBook::default();
        let heard = |ms: i64| Heard {
            at: MonoTime::from_nanos(5_000_000_000) + Span::from_millis(ms),
            rate: RATE,
            samples: vec![0.1; 7_680],
        };
        let mut told = 0;
        for m in [Machine::A, Machine::B] {
            book.on_excerpt(m, "keys", heard(0), |_, _, _| None, |_, _| Some(ALIKE), |_| told += 1);
        }
        let silent = Heard { samples: vec![0.0; 7_680], ..heard(1_000) };
        for m in [Machine::A, Machine::B] {
            book.on_excerpt(m, "keys", silent.clone(), |_, _, _| Some(Span::ZERO), |_, _| Some(ALIKE), |_| told += 1);
        }
        // Too little in common.
        book.on_excerpt(
            Machine::A,
            "keys",
            heard(9_000),
            |_, _, _| Some(Span::ZERO),
            |_, _| Some(ALIKE),
            |_| told += 1,
        );
        book.on_excerpt(
            Machine::B,
            "keys",
            heard(9_900),
            |_, _, _| Some(Span::ZERO),
            |_, _| Some(ALIKE),
            |_| told += 1,
        );
        assert_eq!(told, 0);
    }
}
