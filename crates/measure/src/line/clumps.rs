//! How code comes in: one tick at a time, or held back and let go in clumps by a player's or a driver's buffer.
//!
//! A player that computes 2048 samples at a time sends all the quarter frames of 43 ms at once. That is neither a stall
//! nor jitter, and the longest silence it makes has to be learnt before a silence can be called a stall.

/// The longest clump allowed for before anything is learnt, in seconds: 2048 samples at 48 kHz (common practice).
const FIRST_ALLOWANCE: f64 = 0.043;
/// No clump longer than this is learnt, in seconds: it would hide real stalls.
const LONGEST: f64 = 0.060;
/// How long a silence is remembered, in seconds (between one and two of these).
const MEMORY: f64 = 4.0;
/// So much code must have been heard before the first allowance lapses, in seconds.
const LEARNING: f64 = 0.5;
/// A gap shorter than this part of a tick, or of the silence between clumps once that is known, is inside a clump.
const INSIDE: f64 = 0.35;

#[derive(Clone, Debug)]
pub(super) struct Clumps {
    /// The spacing of ticks in the code itself, in seconds.
    tick: f64,
    longest: [f64; 2],
    bucket_age: f64,
    heard: f64,
    /// The part of gaps that lie inside clumps, smoothed.
    inside: f64,
}

impl Clumps {
    pub(super) fn new(tick: f64) -> Clumps {
        Clumps { tick, longest: [0.0; 2], bucket_age: 0.0, heard: 0.0, inside: 0.0 }
    }

    /// Takes in one gap between arrivals, and what the position moved in it.
    pub(super) fn on_gap(&mut self, gap: f64, moved: f64) {
        let moved = moved.abs();
        if moved > 0.0 && moved < 0.5 {
            // The median spacing, a step towards each sample.
            let pace = if self.heard < LEARNING { 0.2 } else { 0.02 };
            self.tick += (pace * self.tick).min((moved - self.tick).abs()).copysign(moved - self.tick);
        }
        // Ticks lost on the way are not a clump.
        let silence = (gap - moved.max(self.tick)).clamp(0.0, LONGEST);
        self.longest[0] = self.longest[0].max(silence);
        self.bucket_age += gap;
        self.heard += gap;
        if self.bucket_age > MEMORY {
            self.longest = [0.0, self.longest[0]];
            self.bucket_age = 0.0;
        }
        let is_inside = if gap < INSIDE * self.tick { 1.0 } else { 0.0 };
        self.inside += 0.05 * (is_inside - self.inside);
    }

    pub(super) fn tick(&self) -> f64 {
        self.tick
    }
    pub(super) fn is_inside(&self, gap: f64) -> bool {
        let learnt = if self.clumped() { self.longest[0].max(self.longest[1]) } else { 0.0 };
        gap < INSIDE * (self.tick + learnt)
    }
    /// Whether code comes in clumps of two and more.
    pub(super) fn clumped(&self) -> bool {
        self.inside > 0.3
    }
    /// Whether code surely comes one tick at a time: enough was heard to tell.
    pub(super) fn one_at_a_time(&self) -> bool {
        !self.clumped() && self.heard >= LEARNING / 2.0
    }
    /// The learnt clump: how much longer than a tick silence lasts when all is well.
    pub(super) fn clump(&self) -> f64 {
        let learnt = self.longest[0].max(self.longest[1]);
        if self.heard < LEARNING { learnt.max(FIRST_ALLOWANCE) } else { learnt }
    }
    /// Silence for longer than this is a stall: the learnt clump and three ticks.
    pub(super) fn stall_after(&self) -> f64 {
        self.clump() + 3.0 * self.tick
    }
}
