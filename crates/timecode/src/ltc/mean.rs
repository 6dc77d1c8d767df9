//! The running mean that takes noise above the code away before edges are looked for.
//!
//! Samples are loaded many at a time, and the sums over the mean's length are worked out for all of them at once: a plain
//! run through memory. What the slicer has not seen of them yet is the future, and it takes them one after the other; so it
//! makes no difference how many are loaded at once.

/// Samples beyond this are taken as broken: code has no business 24 dB above full scale.
const LIMIT: f32 = 16.0;
/// How many of the past are kept at least.
const KEPT: usize = 128;
/// How many there is room for; a power of two.
const ROOM: usize = 512;
/// No running mean longer than this, so that the means kept reach back over its slope.
pub(super) const LENGTH_MAX: usize = 100;

/// The running mean, kept as a sum over `length` samples.
#[derive(Clone, Debug)]
pub(super) struct Mean {
    samples: [f32; ROOM],
    sums: [f64; ROOM],
    /// Up to where samples are loaded, and up to where they have been seen.
    loaded: usize,
    seen: usize,
    /// How many samples had come before those in memory; at first it stands for a past that never was.
    gone: i64,
    pub length: usize,
    pub scale: f64,
    pub delay: f64,
    /// How far back the sum lies that is surely on a flat top when no edge has come since.
    pub back: usize,
}

impl Mean {
    pub(super) fn new(length: usize) -> Mean {
        let mut m = Mean {
            samples: [0.0; ROOM],
            sums: [0.0; ROOM],
            loaded: KEPT,
            seen: KEPT,
            gone: -(KEPT as i64),
            length: 1,
            scale: 1.0,
            delay: 0.0,
            back: 1,
        };
        m.set_length(length);
        m
    }

    /// Loads samples, when all that were loaded before have been seen. Returns how many.
    pub(super) fn load(&mut self, samples: &[f32]) -> usize {
        if self.loaded == ROOM {
            self.samples.copy_within(ROOM - KEPT.., 0);
            self.sums.copy_within(ROOM - KEPT.., 0);
            self.gone += (ROOM - KEPT) as i64;
            (self.loaded, self.seen) = (KEPT, KEPT);
        }
        let from = self.loaded;
        let free = &mut self.samples[from..];
        for (to, x) in free.iter_mut().zip(samples) {
            // Not-a-number fails the comparison too.
            *to = if x.abs() < LIMIT { *x } else { 0.0 };
        }
        let taken = free.len().min(samples.len());
        self.loaded += taken;
        self.sum_up();
        taken
    }

    /// The sums of all that has not been seen.
    fn sum_up(&mut self) {
        let (from, to) = (self.seen, self.loaded);
        let leaving = &self.samples[from - self.length..];
        let coming = &self.samples[from..to];
        let mut sum = self.sums[from - 1];
        for ((s, new), old) in self.sums[from..to].iter_mut().zip(coming).zip(leaving) {
            sum += f64::from(*new) - f64::from(*old);
            *s = sum;
        }
    }

    /// The sums not seen yet, the next first.
    #[inline]
    pub(super) fn ahead(&self) -> &[f64] {
        &self.sums[self.seen..self.loaded]
    }

    /// So many of those have been seen now.
    #[inline]
    pub(super) fn see(&mut self, count: usize) {
        self.seen += count;
    }

    /// How many samples have been seen, ever.
    #[inline]
    pub(super) fn count(&self) -> i64 {
        self.gone + self.seen as i64
    }

    /// The sum so many samples ago; 0 is the newest seen.
    #[inline]
    pub(super) fn sum_ago(&self, back: usize) -> f64 {
        self.sums[self.seen.wrapping_sub(1 + back) % ROOM]
    }

    /// The mean so many samples ago.
    #[inline]
    pub(super) fn ago(&self, back: usize) -> f64 {
        self.sum_ago(back) * self.scale
    }

    #[cold]
    pub(super) fn set_length(&mut self, length: usize) {
        // Sums of the old length still say the same as means.
        let ratio = length as f64 / self.length as f64;
        self.sums[..self.seen].iter_mut().for_each(|s| *s *= ratio);
        self.length = length;
        self.scale = 1.0 / length as f64;
        self.delay = (length as f64 - 1.0) / 2.0;
        let newest = self.samples[self.seen - length..self.seen].iter();
        self.sums[self.seen - 1] = newest.rev().map(|x| f64::from(*x)).sum();
        self.sum_up();
        // An edge's slope is as long as the mean, and the crossing is noticed a third of a slope late.
        self.back = (1.2 * length as f64).ceil() as usize + 1;
    }
}
