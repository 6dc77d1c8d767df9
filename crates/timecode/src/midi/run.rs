//! Pieces of timecode that came in a row, and what their arrivals tell.

use base::{FrameRate, MonoTime};

use super::cadence::Cadence;

/// Speeds that are followed, as a factor on the length of a quarter frame, with room for jitter.
const SHORTEST: f64 = 0.4;
const LONGEST: f64 = 2.5;
/// Points in the line through the arrivals.
const MEMORY: u32 = 16;

/// Pieces in a row.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Run {
    pub(crate) pieces: [u8; 8],
    pub(crate) at: [MonoTime; 8],
    /// The last piece.
    pub(crate) last: u8,
    pub(crate) last_at: MonoTime,
    /// +1 or -1; 0 when fewer than two pieces are in.
    pub(crate) step: i8,
    pub(crate) length: u8,
}

impl Run {
    /// Nothing yet.
    pub(crate) const fn new() -> Run {
        Run { pieces: [0; 8], at: [MonoTime::ZERO; 8], last: 0, last_at: MonoTime::ZERO, step: 0, length: 0 }
    }
    pub(crate) fn begin(&mut self, piece: u8, bits: u8, at: MonoTime) {
        self.length = 0;
        self.step = 0;
        self.put(piece, bits, at);
    }
    /// A piece next to the last one, up or down.
    #[inline]
    pub(crate) fn add(&mut self, piece: u8, bits: u8, at: MonoTime) {
        self.step = if piece.wrapping_sub(self.last) & 7 == 1 { 1 } else { -1 };
        self.put(piece, bits, at);
    }
    #[inline]
    fn put(&mut self, piece: u8, bits: u8, at: MonoTime) {
        self.pieces[usize::from(piece)] = bits;
        self.at[usize::from(piece)] = at;
        self.last = piece;
        self.last_at = at;
        self.length = (self.length + 1).min(8);
    }

    /// The gaps between the eight pieces, oldest first.
    fn gaps(&self) -> [f64; 7] {
        core::array::from_fn(|i| {
            let back = |n: i8| usize::from((self.last as i8 - self.step * n) as u8 & 7);
            let (older, newer) = (self.at[back(7 - i as i8)], self.at[back(6 - i as i8)]);
            (newer - older).nanos() as f64
        })
    }

    /// Eight lost in a row leave the order as it was. If one gap stands out of a steady run, the pieces before it are of
    /// another time. Where pieces clump, most gaps are nothing and one is long: that is no sign.
    pub(crate) fn forget_before_a_gap(&mut self) {
        let gaps = self.gaps();
        let mut sorted = gaps;
        sorted.sort_unstable_by(f64::total_cmp);
        let median = sorted[3];
        // 1 ms of jitter at either end, and the shortest quarter frame there can be: 30 a second at double speed.
        let steady = median > 1.0e6;
        let limit = if steady { 3.0 * median + 2.5e6 } else { 250.0e6 };
        if let Some(i) = gaps.iter().rposition(|&g| g > limit) {
            self.length = (7 - i) as u8;
        }
    }

    /// The line through the run's arrivals.
    pub(crate) fn cadence(&self, rate: FrameRate) -> Cadence {
        let nominal = quarter_frame(rate);
        let limits = (SHORTEST * nominal, LONGEST * nominal);
        let gaps = self.gaps();
        let mean = gaps.iter().sum::<f64>() / 7.0;
        let most = gaps.iter().copied().fold(0.0, f64::max);
        let close = |g: &&f64| **g < 0.2 * nominal;
        let together = gaps.iter().filter(close).count() as f64;
        if together >= 3.0 {
            // In clumps: the run tells how long they are, not how fast the code is.
            let with_the_last = gaps.iter().rev().take_while(close).count() as f64;
            let clump = (together.max(most / nominal), with_the_last);
            return Cadence::clumped(self.last_at, nominal, limits, MEMORY, clump);
        }
        let guess = if mean >= limits.0 && mean <= limits.1 { mean } else { nominal };
        let oldest = self.at[usize::from((self.last as i8 - self.step * 7) as u8 & 7)];
        let mut cadence = Cadence::new(oldest, guess, limits, 4, MEMORY);
        for back in (0..7i8).rev() {
            cadence.on_tick(self.at[usize::from((self.last as i8 - self.step * back) as u8 & 7)], 1);
        }
        cadence
    }
}

/// Nanoseconds a quarter frame at the rate's true speed.
fn quarter_frame(rate: FrameRate) -> f64 {
    0.25e9 / rate.per_second()
}
