//! Dropouts of one channel: where programme is missing, told apart from music that is silent.
//!
//! A player that does not fill its buffer in time leaves one of three marks, each a finder of its own:
//! - [`zeros`]: a stretch of digital zeros with sound going on across it;
//! - [`repeats`]: a block played twice, equal to the last bit;
//! - [`jumps`]: a block left out, or a wrong one put in: the curve breaks, and goes on as before.
//!
//! What music does of itself must not be mistaken for that: it fades, rests, gates, repeats and clicks. So each finder
//! wants what a fault has and music has not: edges that are no part of the sound, the same sound on both sides, lengths of
//! blocks. In doubt nothing is said: one dropout that is missed costs less than an alarm that nobody believes.
//!
//! A whole block that never came leaves nothing to see in noise-like sound; the instants of callbacks tell of it, which is
//! their reader's work.
//!
//! All is known within [`DropoutDetector::DELAY`] of a dropout's end. Nothing is allocated after `new`.

mod history;
mod jumps;
mod repeats;
mod zeros;

use base::{Hertz, Span};

use history::History;
use jumps::Jumps;
use repeats::Repeats;
use zeros::Zeros;

/// What a dropout looks like.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum DropoutKind {
    /// Digital zeros.
    Zeros,
    /// What was played just before, again.
    Repeat,
    /// The curve breaks: something is missing at one place (`from` = `to`), or foreign between two.
    Jump,
}

/// A dropout of one channel.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Dropout {
    /// What it looks like.
    pub kind: DropoutKind,
    /// The first sample that is not programme, counted from the first ever heard.
    pub from: u64,
    /// The first sample that is programme again. Equal to `from` where samples are missing between two others.
    pub to: u64,
}

/// Listens to one channel.
#[derive(Clone, Debug)]
pub struct DropoutDetector {
    history: History,
    zeros: Zeros,
    repeats: Repeats,
    jumps: Jumps,
}

impl DropoutDetector {
    /// How long after its end a dropout is reported: so long must sound go on to be the same sound.
    pub const DELAY: Span = Span::from_millis(3);

    /// For a channel at this rate. Allocates what it will ever need: some 100 kB at 48 kHz.
    pub fn new(rate: Hertz) -> DropoutDetector {
        let scale = Scale::of(rate);
        DropoutDetector {
            history: History::new(&scale),
            zeros: Zeros::new(scale),
            repeats: Repeats::new(scale),
            jumps: Jumps::new(scale),
        }
    }

    /// Takes in samples of this channel alone.
    pub fn on_samples(&mut self, samples: &[f32], found: &mut impl FnMut(Dropout)) {
        samples.iter().for_each(|s| self.on_sample(*s, found));
    }

    /// Takes in one channel of interleaved samples. Nothing happens when there is no such channel.
    pub fn on_interleaved(
        &mut self,
        samples: &[f32],
        channel: usize,
        channels: usize,
        found: &mut impl FnMut(Dropout),
    ) {
        if channel < channels {
            samples.iter().skip(channel).step_by(channels).for_each(|s| self.on_sample(*s, found));
        }
    }

    /// Takes in one sample. What is infinite or not a number counts as zero.
    #[inline]
    pub fn on_sample(&mut self, s: f32, found: &mut impl FnMut(Dropout)) {
        let x = if s.is_finite() { s } else { 0.0 };
        self.history.push(x);
        if let Some(d) = self.zeros.on_sample(x, &self.history) {
            found(d);
        }
        if let Some(d) = self.repeats.on_sample(x, &self.history) {
            found(d);
        }
        if let Some(d) = self.jumps.on_sample(x, &self.history, &self.repeats, self.zeros.sounding_since()) {
            found(d);
        }
    }

    /// Samples were lost before the next one: what comes is not held against what was.
    pub fn on_gap(&mut self) {
        self.repeats.forget();
        self.jumps.forget();
    }

    /// Samples heard so far.
    pub fn heard(&self) -> u64 {
        self.history.len()
    }
}

/// Spans in samples at one rate.
#[derive(Clone, Copy, Debug)]
struct Scale {
    /// 3 ms: [`DropoutDetector::DELAY`].
    delay: u64,
    /// 20 ms: a period of the deepest note.
    local: u64,
    /// 100 ms.
    slot: u64,
    /// The shortest stretch of zeros that no zero crossing makes: 1/3 ms, and at least 8 samples.
    least_zeros: u64,
    /// 100 ms: longer than most buffers.
    long: u64,
    /// 250 ms: longer is a rest, whatever its edges.
    longest: u64,
    /// The longest block that is looked for twice: 85 ms, that is 4096 samples at 48 kHz.
    block: u64,
}

impl Scale {
    fn of(rate: Hertz) -> Scale {
        // Rates out of all reason must not make a buffer out of all reason.
        let rate = if rate.0.is_finite() { rate.0.clamp(1_000.0, 1_000_000.0) } else { 48_000.0 };
        let n = |seconds: f64| (rate * seconds).round() as u64;
        Scale {
            delay: n(0.003),
            local: n(0.020),
            slot: n(0.1),
            least_zeros: n(1.0 / 3_000.0).max(8),
            long: n(0.1),
            longest: n(0.25),
            block: n(4_096.0 / 48_000.0),
        }
    }
}
