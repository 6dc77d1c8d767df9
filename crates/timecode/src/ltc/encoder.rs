//! Makes LTC. The code is a level that changes at exact instants; each sample is computed from its distance to the nearest
//! change, so that edges lie where they should to a fraction of a sample at any speed.
//!
//! Position is counted in half cells (half a bit): 160 a frame. A change lies at each bit's start and, for a one, in its
//! middle (biphase mark, SMPTE ST 12-1). An edge is a quarter sine either side of its middle,
//!
//! ```text
//! x(d) = level sin(pi/2 min(1, 2 |d| / width))        d samples from the edge
//! ```
//!
//! whose 10 to 90 % time is 0.5903 of `width`. At low sample rates the standard's 25 us are shorter than a sample; then the
//! edge is widened to one and a half samples, since a step between two samples would hide where it lay.

use base::{Dbfs, Hertz, Span};

use super::word::{BITS, LtcWord};
use crate::smpte::Timecode;

/// Half cells in a frame.
const CELLS: f64 = 2.0 * BITS as f64;
/// The share of an edge between 10 % and 90 % of its swing: `2 asin(0.8) / pi`.
const RISE_SHARE: f64 = 0.5903;
/// The narrowest edge in samples.
const NARROWEST: f64 = 1.5;

/// An LTC generator. Streams: each [`fill`](LtcEncoder::fill) goes on where the last one ended. Allocates nothing.
#[derive(Clone, Debug)]
pub struct LtcEncoder {
    sample_rate: f64,
    amplitude: f64,
    rise: f64,
    label: Timecode,
    user_bits: [u8; 4],
    word: u128,
    /// Half cells into the frame, 0 to 160.
    at: f64,
    /// Which side of zero the level is on in the half cell that `at` lies in.
    side: f64,
}

impl LtcEncoder {
    /// A generator that starts with the first edge of `start`'s bit 0, at -6 dBFS, with edges of 25 us
    /// (SMPTE ST 12-1: 25 +- 5 us between 10 % and 90 %) and user bits zero.
    pub fn new(sample_rate: Hertz, start: Timecode) -> LtcEncoder {
        let sample_rate = if sample_rate.0.is_finite() { sample_rate.0.clamp(1e3, 1e6) } else { 48_000.0 };
        let mut e = LtcEncoder {
            sample_rate,
            amplitude: Dbfs(-6.0).amplitude(),
            rise: 25e-6 * sample_rate,
            label: start,
            user_bits: [0; 4],
            word: 0,
            at: 0.0,
            side: 1.0,
        };
        e.rewrite();
        e
    }

    /// With another level (of the flat top).
    pub fn with_level(mut self, level: Dbfs) -> LtcEncoder {
        self.set_level(level);
        self
    }
    /// With another rise time (10 % to 90 %); zero gives the steepest edge whose place can still be told.
    pub fn with_rise_time(mut self, rise: Span) -> LtcEncoder {
        self.rise = rise.secs_f64().max(0.0) * self.sample_rate;
        self
    }
    /// With user bits, binary group 1 in the high half of the first byte.
    pub fn with_user_bits(mut self, user_bits: [u8; 4]) -> LtcEncoder {
        self.set_user_bits(user_bits);
        self
    }

    /// Changes the level from the next sample on.
    pub fn set_level(&mut self, level: Dbfs) {
        let a = level.amplitude();
        self.amplitude = if a.is_finite() { a } else { 0.0 };
    }
    /// Changes the user bits, from the next sample on: call it between frames.
    pub fn set_user_bits(&mut self, user_bits: [u8; 4]) {
        self.user_bits = user_bits;
        self.rewrite();
    }
    /// Jumps to the first edge of bit 0 of `label`.
    pub fn locate(&mut self, label: Timecode) {
        self.label = label;
        self.at = 0.0;
        self.rewrite();
    }
    /// The frame in which the next sample lies, and how far into it (0 up to, not including, 1).
    pub fn position(&self) -> (Timecode, f64) {
        (self.label, self.at / CELLS)
    }

    /// Fills `out` with code at `speed` times real time: negative runs backwards, zero stands still on a steady level.
    /// Speeds beyond what the sample rate can carry (a sample a half cell) are held there; not-a-number stands still.
    pub fn fill(&mut self, out: &mut [f32], speed: f64) {
        let speed = if speed.is_finite() { speed } else { 0.0 };
        let step = (speed * self.label.rate().per_second() * CELLS / self.sample_rate).clamp(-1.0, 1.0);
        let pace = step.abs();
        // An edge may not be wider than a half cell, or it would swallow its neighbour.
        let half_width = (self.rise / RISE_SHARE).max(NARROWEST).min(1.0 / pace.max(1e-9)) / 2.0;
        let scale = core::f64::consts::FRAC_PI_2 / (half_width * pace.max(1e-9));
        for sample in out {
            let near = (self.at + 0.5) as u32;
            let level = if self.changes_at(near) {
                let angle = (self.at - f64::from(near)).abs() * scale;
                if angle < core::f64::consts::FRAC_PI_2 { angle.sin() } else { 1.0 }
            } else {
                1.0
            };
            *sample = (self.amplitude * self.side * level) as f32;
            self.advance(step);
        }
    }

    /// Moves on by `step` half cells, changing sides at each edge passed.
    fn advance(&mut self, step: f64) {
        let from = self.at.floor() as i32;
        self.at += step;
        let to = self.at.floor() as i32;
        let passed = if step >= 0.0 { from + 1..to + 1 } else { to + 1..from + 1 };
        for boundary in passed {
            // Boundaries 0 and 160 are bit starts whatever the frame beyond holds.
            if boundary <= 0 || boundary >= CELLS as i32 || self.changes_at(boundary as u32) {
                self.side = -self.side;
            }
        }
        if self.at >= CELLS {
            self.at -= CELLS;
            self.label = self.label.plus(1);
            self.rewrite();
        } else if self.at < 0.0 {
            // Adding may round up to the frame's very end, which belongs to the next frame.
            self.at = (self.at + CELLS).min(CELLS - 1e-9);
            self.label = self.label.plus(-1);
            self.rewrite();
        }
    }

    /// Whether the level changes at the start of this half cell.
    fn changes_at(&self, cell: u32) -> bool {
        cell.is_multiple_of(2) || self.word >> (BITS - 1 - cell / 2).min(127) & 1 == 1
    }

    fn rewrite(&mut self) {
        self.word = LtcWord::new(self.label, self.user_bits).passing();
    }
}
