//! What an alarm sounds like: a pattern of pulses for each priority, as a pure function of the sample's number.
//!
//! It has to be told from a cue (speech), from a click (a tick of some milliseconds on the beat) and from music. So a pulse is long, of one pitch between
//! two notes of the tempered scale, rich in harmonics, and the pulses stand in an uneven rhythm that is on nobody's beat.
//!
//! Published (IEC 60601-1-8, Table 4, as vendors of loudspeakers restate it: a pulse's frequency from 150 Hz to 1 kHz, at least four harmonics of it from 300 Hz
//! to 4 kHz within 15 dB of it; and its grouping of five pulses, three and two, for high priority and three for medium, as a university's collection of such
//! sounds restates it). Lengths, pitches and pauses are our own choice: common practice, no source. It is no medical alarm and claims no conformity.

use base::Hertz;

use crate::alarm_codes::Priority;

/// Each partial has this share of the one below: 0.8 to the fourth is 7.8 dB below the fundamental.
const SHARE: f64 = 0.8;
/// Fundamental and four harmonics.
const PARTIALS: i32 = 5;
/// A pulse rises and falls over so many seconds: it does not click.
const EDGE: f64 = 0.02;

/// One burst of pulses.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Pattern {
    /// The pulses' pitch.
    pub pitch: Hertz,
    /// How long a pulse is, in seconds.
    pub pulse: f64,
    /// When each begins, in seconds from the burst's beginning.
    pub begins: &'static [f64],
    /// After so many seconds from its beginning it comes again, for as long as nobody has acknowledged; none: once.
    pub again: Option<f64>,
}

/// Three and two. 405 Hz lies between G4 (392.0) and G sharp (415.3).
const HIGH: Pattern =
    Pattern { pitch: Hertz(405.0), pulse: 0.15, begins: &[0.0, 0.26, 0.52, 1.0, 1.26], again: Some(8.0) };
/// Three, lower and slower. 302 Hz lies between D4 (293.7) and D sharp (311.1).
const MEDIUM: Pattern = Pattern { pitch: Hertz(302.0), pulse: 0.22, begins: &[0.0, 0.42, 0.84], again: None };

impl Pattern {
    /// What a priority sounds like; a low one waits for the gap between songs, where somebody looks anyway: it is silent.
    pub const fn of(priority: Priority) -> Option<Pattern> {
        match priority {
            Priority::High => Some(HIGH),
            Priority::Medium => Some(MEDIUM),
            Priority::Low => None,
        }
    }

    /// How long a burst is, in seconds.
    pub fn length(&self) -> f64 {
        self.begins.last().map_or(0.0, |b| b + self.pulse)
    }

    /// The burst's sample of this number at this rate; its peak is at most 1. Allocates nothing.
    ///
    /// A pulse is the sum of a^k sin(2 pi (k + 1) f t) over k = 0..4, divided by the sum of all a^k, which no such sum can exceed, and shaped by half a
    /// period of a raised cosine at both ends.
    pub fn sample(&self, number: u64, rate: Hertz) -> f32 {
        let t = number as f64 / rate.0;
        let Some(t) = self.begins.iter().rev().find(|b| t >= **b).map(|b| t - b) else { return 0.0 };
        if t >= self.pulse {
            return 0.0;
        }
        let edge = (t.min(self.pulse - t) / EDGE).min(1.0);
        let shape = 0.5 - 0.5 * (core::f64::consts::PI * edge).cos();
        let (mut sum, mut most, mut share) = (0.0, 0.0, 1.0);
        for k in 1..=PARTIALS {
            sum += share * (core::f64::consts::TAU * f64::from(k) * self.pitch.0 * t).sin();
            most += share;
            share *= SHARE;
        }
        (shape * sum / most) as f32
    }
}

/// Whether an alarm sounds now: of the alarms that are unacknowledged and neither shelved nor over, the highest rules.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct Ringing {
    /// What sounds.
    sounds: Option<Priority>,
}

/// What to do with the tone.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Ring {
    /// Begin this pattern from its beginning.
    Begin(Priority),
    /// Be silent at once.
    Cease,
}

impl Ringing {
    /// What to do when `loudest` is the highest priority that nobody has acknowledged; `None`: as before.
    pub fn look(&mut self, loudest: Option<Priority>) -> Option<Ring> {
        let loudest = loudest.filter(|p| Pattern::of(*p).is_some());
        if loudest == self.sounds {
            return None;
        }
        self.sounds = loudest;
        Some(loudest.map_or(Ring::Cease, Ring::Begin))
    }
}
