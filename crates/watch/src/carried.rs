//! Which machine the tap of the switch's output carries, by the place of the timecode that is heard on it.
//!
//! What the tap hears, each machine's agent heard before it: by how much, is the machine's *lag*, constant as long as the way from that
//! machine through the switch to the tap is. With `p_m(t)` the place of machine `m` at the instant `t` and `p(t)` the place on the tap,
//!
//! ```text
//! lag_m(t) = p_m(t) - p(t)
//! ```
//!
//! and while the tap carries `m` that is its way, `w_m`. While it carries `k`, `lag_m = w_k + (p_m - p_k)`: the lag of a machine that is
//! not carried shows how far it plays from the one that is. So each machine's way is learnt while the switch or a pilot says that it is
//! carried, and then the one whose lag is its way is carried, unless another's is too: machines that play within a fraction of a
//! millisecond of each other cannot be told by this, and nobody could hear the difference either.
//!
//! A machine that was never on air on this tap has no way yet, and then nothing is told: an agent that hears late makes it look
//! behind by as much as its way is shorter. A full check goes there and back, so that each has one.
//!
//! The tap cannot come to carry another machine without its code breaking off: the way of a machine that merely seems to have changed (its
//! clock was read anew) is no change of what is carried.

use arrayvec::ArrayVec;
use base::{Machine, MonoTime, ShowPosition, Span};

use crate::apart::difference;
use crate::machine::PerMachine;

/// Frames of code that must agree, and over how many the middle one is taken.
const AGREE: usize = 3;
const MIDDLE_OF: usize = 5;
/// Frames after which a way is known: a second of code.
const KNOWN_AFTER: u32 = 24;
/// A way follows what is heard over so many frames.
const FOLLOWS: u32 = 250;
/// Never is a way known better than this, nor are a clock and a code ...
const FINEST: Span = Span::from_micros(250);
/// ... and lags that scatter more than this tell nothing.
const COARSEST: Span = Span::from_millis(3);
/// Not carried is what lies farther from its way than so many times what is allowed to one that is.
const CLEARLY: i64 = 3;
/// Code that breaks off: more time than this between two frames, or a place that gained or lost this much against time.
const MISSED: Span = Span::from_millis(70);
const BROKE: Span = Span::from_micros(600);
/// A finding is worth something for so long: two frames and what they need to come.
const WORTH: Span = Span::from_millis(150);

/// What a machine plays at an instant, as its agent hears it.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub enum Plays {
    /// Its code does not roll, or there is no such machine: what the tap hears is not its.
    #[default]
    Nothing,
    /// Its code rolls and is here.
    At(ShowPosition),
    /// Nobody knows.
    Unknown,
}

/// See the module.
#[derive(Default)]
pub struct Carried {
    ways: PerMachine<Way>,
    last: Option<(MonoTime, ShowPosition)>,
    lags: ArrayVec<PerMachine<Option<Span>>, MIDDLE_OF>,
    /// What was last found, and whether the code broke off since.
    stands: Option<Machine>,
    broke: bool,
    found: Option<(Machine, MonoTime)>,
}

/// The way from a machine's player to the tap, against the way to its own ears.
#[derive(Clone, Copy, Default)]
struct Way {
    lag: Span,
    /// How far single frames lie from that, in the mean.
    scatter: Span,
    frames: u32,
    /// Frames in a row that were nowhere near.
    astray: u32,
}

impl Way {
    fn is_known(&self) -> bool {
        self.frames >= KNOWN_AFTER && self.allowed() <= COARSEST
    }

    /// Single frames scatter as a bell curve does: its mean magnitude is 0.8 of a standard deviation, so this is five of them; the middle
    /// of several frames scatters less.
    fn allowed(&self) -> Span {
        self.scatter.times(6).max(FINEST)
    }

    fn fits(&self, lag: Span) -> bool {
        (lag - self.lag).abs() <= self.allowed()
    }

    fn is_far(&self, lag: Span) -> bool {
        (lag - self.lag).abs() > self.allowed().times(CLEARLY)
    }

    fn learn(&mut self, lag: Span) {
        if self.is_known() && self.is_far(lag) {
            self.astray += 1;
            if self.astray >= KNOWN_AFTER {
                *self = Way::default();
            }
            return;
        }
        self.astray = 0;
        if self.frames == 0 {
            *self = Way { lag, scatter: FINEST, frames: 1, astray: 0 };
            return;
        }
        self.frames = (self.frames + 1).min(FOLLOWS);
        let over = i64::from(self.frames);
        let off = lag - self.lag;
        self.lag += off.divided(over);
        self.scatter += (off.abs() - self.scatter).divided(over);
    }
}

impl Carried {
    /// The tap is another one now, or was opened anew: its ways are not what they were.
    pub fn forget(&mut self) {
        *self = Carried::default();
    }

    /// A frame of code on the tap ended at `at` with this place. `plays`: what each machine played at that instant. `known`: what is carried
    /// as the switch or a pilot says it, and as it has been for longer than a command takes.
    pub fn on_code(&mut self, at: MonoTime, place: ShowPosition, plays: &PerMachine<Plays>, known: Option<Machine>) {
        if self.breaks_off(at, place) {
            self.broke = true;
            self.lags.clear();
        }
        self.last = Some((at, place));
        if self.lags.is_full() {
            self.lags.remove(0);
        }
        let lags = plays.map(|p| match p {
            Plays::At(there) => difference(there, place, 1.0),
            Plays::Nothing | Plays::Unknown => None,
        });
        self.lags.push(lags);
        self.found = self.look(plays).filter(|m| self.may_be(*m, plays)).map(|m| (m, at));
        // What contradicts what is known is told, not learnt.
        let Some(k) = known.filter(|k| self.found.is_none_or(|(m, _)| m == *k)) else { return };
        if let (Some(way), Some(Some(lag))) = (self.ways.get_mut(k.index()), lags.get(k.index())) {
            way.learn(*lag);
        }
    }

    /// Which machine is carried, and since when that frame is over; none: it cannot be told.
    pub fn now(&self, now: MonoTime) -> Option<(Machine, MonoTime)> {
        self.found.filter(|(_, at)| now - *at <= WORTH)
    }

    fn breaks_off(&self, at: MonoTime, place: ShowPosition) -> bool {
        let Some((before, was)) = self.last else { return true };
        let passed = at - before;
        let moved = difference(place, was, 1.0);
        passed > MISSED || moved.is_none_or(|m| (m - passed).abs() > BROKE)
    }

    /// The one machine whose lag is its way, when no other's is or may be.
    fn look(&self, plays: &PerMachine<Plays>) -> Option<Machine> {
        let mut fitting = None;
        for (i, way) in self.ways.iter().enumerate() {
            if plays[i] == Plays::Nothing {
                continue;
            }
            let lag = self.middle(i).filter(|_| way.is_known() && plays[i] != Plays::Unknown)?;
            if way.fits(lag) && fitting.is_none() {
                fitting = Machine::new(i);
            } else if !way.is_far(lag) {
                return None;
            }
        }
        fitting
    }

    /// Another machine than before is believed only after the code broke off, or that one ceased.
    fn may_be(&mut self, m: Machine, plays: &PerMachine<Plays>) -> bool {
        let stands = self.stands.filter(|s| plays[s.index()] != Plays::Nothing);
        let may = self.broke || stands.is_none_or(|s| s == m);
        if may {
            self.stands = Some(m);
            self.broke = false;
        }
        may
    }

    /// The middle one of a machine's newest lags.
    fn middle(&self, i: usize) -> Option<Span> {
        let mut of: ArrayVec<Span, MIDDLE_OF> = self.lags.iter().filter_map(|l| l[i]).collect();
        of.sort_unstable();
        (of.len() >= AGREE).then(|| of[of.len() / 2])
    }
}

#[cfg(test)]
mod tests {
    use base::FrameRate;

    use super::*;

    const A: Machine = Machine::A;
    const B: Machine = Machine::B;

    /// Two machines, the second `apart` behind the first, on a tap that hears them so much later than their agents do.
    struct Rig {
        carried: Carried,
        frame: u64,
        apart: Span,
        ways: [Span; 2],
        luck: u64,
        /// What single frames scatter by, at most.
        noise: Span,
    }

    impl Rig {
        fn new(apart: Span) -> Rig {
            let ways = [Span::from_millis(4), Span::from_micros(6_300)];
            Rig { carried: Carried::default(), frame: 0, apart, ways, luck: 7, noise: Span::from_micros(40) }
        }

        /// Evenly from minus one to one (a linear congruential generator, Knuth's MMIX constants, from memory).
        fn chance(&mut self) -> f64 {
            self.luck = self.luck.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (self.luck >> 11) as f64 / (1u64 << 52) as f64 - 1.0
        }

        /// So many frames of 25 a second of which the tap carries `on_air`'s. Gives what was told at their ends.
        fn play(
            &mut self,
            frames: u32,
            on_air: Machine,
            known: Option<Machine>,
            stands: &[Machine],
        ) -> Vec<Option<Machine>> {
            let mut told = Vec::new();
            for _ in 0..frames {
                self.frame += 1;
                let at = MonoTime::from_nanos(self.frame * 40_000_000);
                let show = |behind: Span| at.since(MonoTime::ZERO) - behind;
                let player = [Span::ZERO, self.apart];
                let here = |p: Span| ShowPosition::Timecode { rate: FrameRate::F25, at: p };
                // The tap hears what was played its way ago.
                let i = on_air.index();
                let noise = self.noise.scaled(self.chance());
                let heard = here(show(player[i]) - self.ways[i] + noise);
                let mut plays = PerMachine::<Plays>::default();
                for m in [A, B] {
                    plays[m.index()] =
                        if stands.contains(&m) { Plays::Nothing } else { Plays::At(here(show(player[m.index()]))) };
                }
                self.carried.on_code(at, heard, &plays, known);
                told.push(self.carried.now(at).map(|(m, _)| m));
            }
            told
        }

        /// Line-up: both were on air, and the switch said so.
        fn lined_up(apart: Span) -> Rig {
            let mut rig = Rig::new(apart);
            rig.play(50, A, Some(A), &[]);
            rig.play(50, B, Some(B), &[]);
            rig.play(50, A, Some(A), &[]);
            rig
        }
    }

    fn only(told: &[Option<Machine>], m: Machine) -> bool {
        told.iter().all(|t| *t == Some(m))
    }

    #[test]
    fn each_is_told_by_its_lag_three_frames_after_a_change() {
        let mut rig = Rig::lined_up(Span::from_millis(3));
        assert!(only(&rig.play(100, A, None, &[]), A));
        let told = rig.play(100, B, None, &[]);
        assert_eq!(told[..2], [None, None]);
        assert!(only(&told[2..], B), "{told:?}");
    }

    #[test]
    fn a_switch_that_says_what_is_not_so_is_contradicted_and_teaches_nothing() {
        let mut rig = Rig::lined_up(Span::from_millis(3));
        assert!(only(&rig.play(500, A, Some(B), &[]), A));
    }

    #[test]
    fn until_both_were_on_air_nothing_is_told() {
        let mut rig = Rig::new(Span::from_millis(3));
        assert!(rig.play(500, A, Some(A), &[]).iter().all(Option::is_none));
    }

    #[test]
    fn machines_too_close_to_be_told_apart_are_not_told_apart() {
        // The ways differ: on the tap they are 2.3 ms apart, and so is what can be told.
        for (apart, can) in [(0, true), (-2_300, false), (-2_100, false), (-3_900, true)] {
            let mut rig = Rig::lined_up(Span::from_micros(apart));
            let told = rig.play(100, A, None, &[]);
            assert_eq!(told.iter().all(|t| *t == Some(A)), can, "{apart} us: {told:?}");
            assert!(told.iter().all(|t| *t != Some(B)), "{apart} us: {told:?}");
        }
    }

    #[test]
    fn one_that_does_not_play_is_not_what_is_heard() {
        let mut rig = Rig::lined_up(Span::from_micros(-2_300));
        let told = rig.play(10, B, None, &[A]);
        assert!(only(&told[3..], B), "{told:?}");
    }

    #[test]
    fn of_a_machine_that_nobody_hears_nothing_is_supposed() {
        let mut rig = Rig::lined_up(Span::from_millis(3));
        let mut plays = PerMachine::<Plays>::default();
        plays[1] = Plays::Unknown;
        for i in 1..20u64 {
            let at = MonoTime::from_nanos((rig.frame + i) * 40_000_000);
            let place = |behind| ShowPosition::Timecode { rate: FrameRate::F25, at: at.since(MonoTime::ZERO) - behind };
            plays[0] = Plays::At(place(Span::ZERO));
            rig.carried.on_code(at, place(Span::from_millis(4)), &plays, None);
            assert_eq!(rig.carried.now(at), None);
        }
    }

    /// The agent's clock was read anew and A's lag is now what B's would be: the tap's code ran on, so nothing else is carried.
    #[test]
    fn without_a_break_in_its_code_the_tap_carries_nobody_else() {
        let mut rig = Rig::lined_up(Span::from_millis(3));
        rig.play(10, A, None, &[]);
        // B's way, and its place, as A's were: what would look like B.
        rig.ways = [Span::from_micros(4_000), Span::from_micros(6_300)];
        let tap = rig.ways[0];
        let mut told = Vec::new();
        for i in 1..20u64 {
            let at = MonoTime::from_nanos((rig.frame + i) * 40_000_000);
            let place = |behind| ShowPosition::Timecode { rate: FrameRate::F25, at: at.since(MonoTime::ZERO) - behind };
            let mut plays = PerMachine::<Plays>::default();
            plays[0] = Plays::At(place(Span::from_millis(-6)));
            plays[1] = Plays::At(place(tap - rig.ways[1]));
            rig.carried.on_code(at, place(tap), &plays, None);
            told.push(rig.carried.now(at).map(|(m, _)| m));
        }
        assert!(told[5..].iter().all(Option::is_none), "{told:?}");
    }

    #[test]
    fn code_that_scatters_much_tells_nothing() {
        let mut rig = Rig::new(Span::from_millis(3));
        rig.noise = Span::from_millis(4);
        for (m, n) in [(A, 60), (B, 60), (A, 500)] {
            assert!(rig.play(n, m, Some(m), &[]).iter().all(Option::is_none));
        }
    }

    #[test]
    fn what_it_says_grows_old() {
        let mut rig = Rig::lined_up(Span::from_millis(3));
        rig.play(10, A, None, &[]);
        let end = MonoTime::from_nanos(rig.frame * 40_000_000);
        assert!(rig.carried.now(end + Span::from_millis(100)).is_some());
        assert_eq!(rig.carried.now(end + Span::from_millis(200)), None);
    }
}
