//! One input of the switch as an ideal analogue one: blocks of samples with the instant of their first become a signal that can be
//! asked for at any instant. Between samples lies a cubic through four of them (Catmull and Rom, 1974); where no block was, zero.

use std::collections::VecDeque;

use base::{MonoTime, Span};

use crate::show::SAMPLE_RATE;

/// Blocks are forgotten this long after they were needed.
const KEEP: Span = Span::from_millis(20);

/// One input.
pub struct Analogue<const N: usize> {
    blocks: VecDeque<Block<N>>,
}

struct Block<const N: usize> {
    at: MonoTime,
    frames: Vec<[f32; N]>,
}

impl<const N: usize> Block<N> {
    fn nominal(&self) -> Span {
        base::Samples(self.frames.len() as f64).at(SAMPLE_RATE)
    }
}

impl<const N: usize> Default for Analogue<N> {
    fn default() -> Self {
        Analogue { blocks: VecDeque::new() }
    }
}

impl<const N: usize> Analogue<N> {
    /// A block came in; those that lie before the last one are of no use any more.
    pub fn on_block(&mut self, at: MonoTime, frames: Vec<[f32; N]>) {
        if !frames.is_empty() && self.blocks.back().is_none_or(|b| at > b.at) {
            self.blocks.push_back(Block { at, frames });
        }
    }

    /// Nothing before this instant will be asked for any more.
    pub fn forget(&mut self, before: MonoTime) {
        while self.blocks.get(1).is_some_and(|next| next.at + KEEP < before) {
            self.blocks.pop_front();
        }
    }

    /// The signal at an instant.
    pub fn at(&self, t: MonoTime) -> [f32; N] {
        let Some(k) = self.blocks.iter().rposition(|b| b.at <= t) else {
            return [0.0; N];
        };
        let block = &self.blocks[k];
        let count = block.frames.len();
        // A player's own crystal shows in the distance to its next block; a hole is longer than a block and a half.
        let lasts = match self.blocks.get(k + 1) {
            Some(next) if next.at - block.at < block.nominal().scaled(1.5) => next.at - block.at,
            _ => block.nominal(),
        };
        let place = (t - block.at).nanos() as f64 / lasts.nanos() as f64 * count as f64;
        let i = place.floor() as usize;
        if i >= count {
            return [0.0; N];
        }
        let x = (place - place.floor()) as f32;
        let [a, b, c, d] = [-1, 0, 1, 2].map(|o| self.sample(k, i as isize + o));
        std::array::from_fn(|n| cubic([a[n], b[n], c[n], d[n]], x))
    }

    /// Sample `i` of block `k`, reaching over into its neighbours where they join.
    fn sample(&self, k: usize, i: isize) -> [f32; N] {
        let block = &self.blocks[k];
        let count = block.frames.len() as isize;
        if (0..count).contains(&i) {
            return block.frames[i as usize];
        }
        let (other, i) = if i < 0 { (k.checked_sub(1), i) } else { (Some(k + 1), i - count) };
        let Some(other) = other.and_then(|o| self.blocks.get(o)) else {
            return [0.0; N];
        };
        let (early, late) = if other.at < block.at { (other, block) } else { (block, other) };
        if late.at - early.at > early.nominal().scaled(1.5) {
            return [0.0; N];
        }
        let i = if i < 0 { other.frames.len() as isize + i } else { i };
        usize::try_from(i).ok().and_then(|i| other.frames.get(i)).copied().unwrap_or([0.0; N])
    }
}

/// The cubic whose slope at `b` and `c` is that of their neighbours' chord, at `x` in 0..1 from `b` to `c`.
fn cubic([a, b, c, d]: [f32; 4], x: f32) -> f32 {
    b + 0.5 * x * (c - a + x * (2.0 * a - 5.0 * b + 4.0 * c - d + x * (3.0 * (b - c) + d - a)))
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn t(ns: f64) -> MonoTime {
        MonoTime::from_nanos(1_000_000_000 + ns.round() as u64)
    }

    /// A crystal that is 100 ppm fast plays a tone; asked on true time, the tone is where that crystal put it.
    #[test]
    fn a_fast_crystal_is_heard_fast() {
        let mut input = Analogue::<1>::default();
        let period = 1e9 / (48_000.0 * 1.0001);
        let tone = |n: f64| (n * std::f64::consts::TAU * 440.0 / 48_000.0).sin();
        for k in 0..400 {
            let first = f64::from(k) * 128.0;
            input.on_block(t(first * period), (0..128).map(|i| [tone(first + f64::from(i)) as f32]).collect());
        }
        let mut worst = 0f64;
        for m in 100..45_000 {
            let ns = f64::from(m) * 1e9 / 48_000.0;
            input.forget(t(ns));
            worst = worst.max((f64::from(input.at(t(ns))[0]) - tone(ns / period)).abs());
        }
        assert!(worst < 2e-3, "{worst}");
    }

    #[test]
    fn a_missing_block_is_a_hole_of_its_own_length() {
        let mut input = Analogue::<1>::default();
        for k in [0u32, 1, 3, 4] {
            input.on_block(t(f64::from(k) * 128.0 * 1e9 / 48_000.0), vec![[0.5]; 128]);
        }
        let zeros = (0..640).filter(|m| input.at(t((f64::from(*m) + 0.25) * 1e9 / 48_000.0))[0].abs() < 0.001).count();
        assert!((126..=128).contains(&zeros), "{zeros}");
        assert_eq!(input.at(t(1e9)), [0.0]);
    }
}
