//! Which words to believe.
//!
//! A word is reported when it goes on from the last one reported: right after it in the signal, its label one frame on
//! in its direction, with the same flags. After a dropout a word goes on when its label is what the last one
//! would have counted to by now. Anything else (the first word, a jump, a turn) waits until the next word goes on from it;
//! then both are reported, and if none does, neither. So a word whose label noise has changed is never reported.
//!
//! User bits may change with every frame, and no counting can check them. So where they have been constant, a word in
//! which they change waits for the next one, which must not go back to the old; and a word is refused when its user bits
//! differ from its neighbour's where an interval came near to being read otherwise, or when the number of its zeros is odd
//! though the code's is known to be even (polarity correction).
//!
//! The nominal rate (24, 25 or 30 labels a second) is what the labels allow: 30 when the drop flag is set or a frame number
//! of 25 or more was seen, and what fits when the seconds turn. Until that has happened, the measured speed decides.
//! Whether it is an NTSC rate (1000/1001): drop-frame code is; else the larger part of the frames decides, each counted
//! whose measured speed (a running mean) lies within 0.05 % of the one or the other. Code played at another speed
//! fits neither and counts for none; when none was counted, it is the whole rate.

use base::{Direction, FrameRate};

use super::frames::Found;
use super::{GapKind, LtcEvent, LtcFrame, RejectedWhy};
use crate::smpte::Timecode;

/// A misfit from which on a word is doubtful.
const DOUBTFUL: f32 = 0.8;
/// How many words in a row with even zeros make polarity correction known.
const EVEN_KNOWN: u32 = 12;
/// After so many words with the same user bits a change of them waits for the next word to bear it out.
const USER_CONSTANT: u32 = 4;
/// The longest dropout over which code is counted on, in frames.
const BRIDGE: f64 = 300.0;

/// The nominal rates, as sets of one bit each.
const NOMINALS: [(FrameRate, FrameRate); 3] =
    [(FrameRate::F24, FrameRate::F23_976), (FrameRate::F25, FrameRate::F25), (FrameRate::F30, FrameRate::F29_97)];
const ANY: u8 = 0b111;

/// The judge of words.
#[derive(Clone, Debug)]
pub(super) struct Steady {
    sample_rate: f64,
    given: Option<FrameRate>,
    /// Which of [`NOMINALS`] the labels allow.
    nominals: u8,
    last: Option<Found>,
    unconfirmed: Option<Found>,
    /// Nothing but (near) silence was heard at some time since the last word reported.
    silence: bool,
    even_run: u32,
    /// How many words in a row were reported with the user bits of the one before.
    same_user_bits: u32,
    mean_length: f64,
    ntsc: u32,
    whole: u32,
}

impl Steady {
    pub(super) fn new(sample_rate: f64, given: Option<FrameRate>) -> Steady {
        Steady {
            sample_rate,
            given,
            nominals: Self::given_nominals(given),
            last: None,
            unconfirmed: None,
            silence: false,
            even_run: 0,
            same_user_bits: 0,
            mean_length: 0.0,
            ntsc: 0,
            whole: 0,
        }
    }

    fn given_nominals(given: Option<FrameRate>) -> u8 {
        given.map_or(ANY, |g| {
            NOMINALS.iter().enumerate().filter(|(_, (r, _))| r.nominal() == g.nominal()).map(|(i, _)| 1 << i).sum()
        })
    }

    /// The signal fell to (near) silence.
    pub(super) fn on_silence(&mut self) {
        self.silence = self.last.is_some();
    }

    /// The rate as known so far: None before the first frame.
    pub(super) fn rate(&self) -> Option<FrameRate> {
        self.last.map(|l| self.rate_of(&l))
    }

    /// A word came.
    pub(super) fn on_word(&mut self, w: Found, sink: &mut impl FnMut(LtcEvent)) {
        let possible = if w.cut { 0 } else { self.possible(&w) };
        if possible == 0 {
            let why = if w.cut { RejectedWhy::BitErrors } else { RejectedWhy::Impossible };
            return sink(LtcEvent::Rejected { start_sample: w.start, end_sample: w.end, why });
        }
        if let Some(last) = self.last {
            let on = self.goes_on(&last, &w, possible & self.nominals);
            if on != 0 {
                if self.believable(&last, &w) {
                    let changed = w.word.user_bits() != last.word.user_bits();
                    if changed && self.same_user_bits >= USER_CONSTANT {
                        match self.unconfirmed.take() {
                            Some(first) if self.follows(&first, &w, on) != 0 => {
                                self.nominals = on;
                                self.report(first, sink);
                                self.report(w, sink);
                            }
                            other => {
                                self.unconfirmed = other;
                                self.drop_unconfirmed(sink);
                                self.unconfirmed = Some(w);
                            }
                        }
                        return;
                    }
                    self.drop_unconfirmed(sink);
                    self.nominals = on;
                    self.report(w, sink);
                } else {
                    let why = RejectedWhy::BitErrors;
                    sink(LtcEvent::Rejected { start_sample: w.start, end_sample: w.end, why });
                }
                return;
            }
        }
        if let Some(first) = self.unconfirmed {
            // New code may be of another rate than the old.
            let allowed = Self::given_nominals(self.given);
            let on = self.follows(&first, &w, possible & self.possible(&first) & allowed);
            if on != 0 && self.believable(&first, &w) {
                self.unconfirmed = None;
                self.nominals = if on & self.nominals != 0 { on & self.nominals } else { on };
                self.report(first, sink);
                self.report(w, sink);
                return;
            }
        }
        self.drop_unconfirmed(sink);
        self.unconfirmed = Some(w);
    }

    /// Nothing more will come that could confirm anything.
    pub(super) fn finish(&mut self, sink: &mut impl FnMut(LtcEvent)) {
        self.drop_unconfirmed(sink);
    }

    fn drop_unconfirmed(&mut self, sink: &mut impl FnMut(LtcEvent)) {
        if let Some(w) = self.unconfirmed.take() {
            let why = RejectedWhy::Unconfirmed;
            sink(LtcEvent::Rejected { start_sample: w.start, end_sample: w.end, why });
        }
    }

    /// Which nominal rates have a frame of this word's label.
    fn possible(&self, w: &Found) -> u8 {
        let allowed = Self::given_nominals(self.given);
        // Only code of 30 frames drops any, unless the rate was given and the flag means nothing.
        let allowed = if w.word.drop_flag() && self.given.is_none() { allowed & 0b100 } else { allowed };
        (0..3).filter(|i| allowed >> i & 1 == 1 && w.word.label(label_rate(*i, w)).is_ok()).map(|i| 1 << i).sum()
    }

    /// At which of these nominal rates `next` goes on from `last`, right after it or after a dropout.
    fn goes_on(&self, last: &Found, next: &Found, nominals: u8) -> u8 {
        let on = self.follows(last, next, nominals);
        if on != 0 || !same_code(last, next) {
            return on;
        }
        let length = 0.5 * (last.end - last.start + next.end - next.start);
        let missed = (next.start - last.end) / length;
        let whole = missed.round();
        let bridged = (1.0..BRIDGE).contains(&whole) && (missed - whole).abs() < 0.1 + 0.002 * whole;
        if bridged && next.misfit < DOUBTFUL { counts_on(last, next, whole as i64 + 1, nominals) } else { 0 }
    }

    fn follows(&self, last: &Found, next: &Found, nominals: u8) -> u8 {
        let length = last.end - last.start;
        if same_code(last, next) && (next.start - last.end).abs() < 0.01 * length {
            counts_on(last, next, 1, nominals)
        } else {
            0
        }
    }

    /// Whether the bits that no counting can check deserve trust.
    fn believable(&self, last: &Found, next: &Found) -> bool {
        let even = self.even_run >= EVEN_KNOWN && !next.word.zeros_even();
        let doubtful = next.misfit >= DOUBTFUL && next.word.user_bits() != last.word.user_bits();
        !even && !doubtful
    }

    fn report(&mut self, w: Found, sink: &mut impl FnMut(LtcEvent)) {
        if let Some(last) = self.last {
            let contiguous = (w.start - last.end).abs() < 0.01 * (last.end - last.start);
            let on = self.goes_on(&last, &w, self.nominals) != 0;
            if !(contiguous && (on || turned(&last, &w, self.rate_of(&w)))) {
                let kind = match (self.silence, on) {
                    (true, _) => GapKind::Silence,
                    (false, true) => GapKind::Damage,
                    (false, false) => GapKind::Jump,
                };
                sink(LtcEvent::Gap { from_sample: last.end, to_sample: w.start.max(last.end), kind });
            }
        }
        let same = self.last.is_some_and(|l| l.word.user_bits() == w.word.user_bits());
        self.same_user_bits = if same { self.same_user_bits.saturating_add(1) } else { 0 };
        self.silence = false;
        self.learn(&w);
        self.last = Some(w);
        let rate = self.rate_of(&w);
        if let Ok(timecode) = w.word.label(rate) {
            sink(LtcEvent::Frame(LtcFrame {
                timecode,
                start_sample: w.start,
                end_sample: w.end,
                direction: w.direction,
                frames_per_second: self.sample_rate / (w.end - w.start),
                user_bits: w.word.user_bits(),
                drop_frame: w.word.drop_flag(),
            }));
        }
    }

    fn learn(&mut self, w: &Found) {
        self.even_run = if w.word.zeros_even() { self.even_run.saturating_add(1) } else { 0 };
        let length = w.end - w.start;
        if !(0.9 * length..1.1 * length).contains(&self.mean_length) {
            self.mean_length = length;
        }
        self.mean_length += (length - self.mean_length) / 16.0;
        let (whole, ntsc) = NOMINALS[self.nominal(w)];
        let speed = self.sample_rate / self.mean_length;
        let near = |r: FrameRate| (speed / r.per_second() - 1.0).abs() < 5e-4;
        if near(whole) {
            self.whole = self.whole.saturating_add(1);
        } else if near(ntsc) {
            self.ntsc = self.ntsc.saturating_add(1);
        }
    }

    /// Which of [`NOMINALS`] this word is taken to be of: of those allowed, the nearest to the measured speed.
    fn nominal(&self, w: &Found) -> usize {
        let possible = self.possible(w);
        let allowed = if possible & self.nominals != 0 { possible & self.nominals } else { possible };
        let speed = self.sample_rate / if self.mean_length > 0.0 { self.mean_length } else { w.end - w.start };
        let off = |i: &usize| (speed / NOMINALS[*i].0.per_second()).ln().abs();
        (0..3).filter(|i| allowed >> i & 1 == 1).min_by(|a, b| off(a).total_cmp(&off(b))).unwrap_or(2)
    }

    fn rate_of(&self, w: &Found) -> FrameRate {
        let i = self.nominal(w);
        let (whole, ntsc) = NOMINALS[i];
        match (label_rate(i, w), self.given) {
            (FrameRate::F29_97Df, _) => FrameRate::F29_97Df,
            // A given drop-frame rate cannot name labels whose flag is not set.
            (_, Some(FrameRate::F29_97Df)) => FrameRate::F29_97,
            (_, Some(given)) => given,
            _ if self.ntsc > self.whole => ntsc,
            _ => whole,
        }
    }
}

/// The rate to count a word's labels at.
fn label_rate(nominal: usize, w: &Found) -> FrameRate {
    let (whole, _) = NOMINALS[nominal];
    if whole == FrameRate::F30 && w.word.drop_flag() { FrameRate::F29_97Df } else { whole }
}

/// Same direction, same flags.
fn same_code(a: &Found, b: &Found) -> bool {
    a.direction == b.direction && a.word.steady_flags() == b.word.steady_flags()
}

fn label(w: &Found, nominal: usize) -> Option<Timecode> {
    w.word.label(label_rate(nominal, w)).ok()
}

/// At which of these nominal rates `b`'s label lies this many frames on from `a`'s, in the direction of play.
fn counts_on(a: &Found, b: &Found, frames: i64, nominals: u8) -> u8 {
    let frames = if b.direction == Direction::Reverse { -frames } else { frames };
    (0..3)
        .filter(|i| nominals >> i & 1 == 1)
        .filter(|i| label(a, *i).zip(label(b, *i)).is_some_and(|(a, b)| a.plus(frames) == b))
        .map(|i| 1 << i)
        .sum()
}

/// The code turned round on the spot: the same frame, or its neighbour, the other way.
fn turned(a: &Found, b: &Found, rate: FrameRate) -> bool {
    a.direction != b.direction
        && matches!((a.word.label(rate), b.word.label(rate)), (Ok(a), Ok(b)) if b.frames_since(a).abs() <= 1)
}
