//! The running mean that takes noise above the code away before edges are looked for.

/// Samples beyond this are taken as broken: code has no business 24 dB above full scale.
pub(super) const LIMIT: f32 = 16.0;
/// Longest running mean.
pub(super) const MEAN_MAX: usize = 128;
/// No running mean longer than this, so that the means kept reach back over its slope.
pub(super) const LENGTH_MAX: usize = 100;

/// The running mean, kept as a sum over `length` samples.
#[derive(Clone, Debug)]
pub(super) struct Mean {
    pub samples: [f32; MEAN_MAX],
    pub sums: [f32; MEAN_MAX],
    /// Where the next sample goes, and how many have come in.
    pub count: u64,
    pub length: usize,
    pub sum: f64,
    pub scale: f64,
    pub delay: f64,
    /// How far back the sum lies that is surely on a flat top when no edge has come since.
    pub back: usize,
}

impl Mean {
    pub(super) fn new(length: usize) -> Mean {
        let mut m = Mean {
            samples: [0.0; MEAN_MAX],
            sums: [0.0; MEAN_MAX],
            count: 0,
            length: 1,
            sum: 0.0,
            scale: 1.0,
            delay: 0.0,
            back: 1,
        };
        m.set_length(length);
        m
    }

    pub(super) fn index(count: u64) -> usize {
        count as usize % MEAN_MAX
    }

    pub(super) fn push(&mut self, x: f32) {
        // Not-a-number fails the comparison too.
        let x = if x.abs() < LIMIT { x } else { 0.0 };
        let old = self.samples[Self::index(self.count.wrapping_sub(self.length as u64))];
        self.samples[Self::index(self.count)] = x;
        self.sum += f64::from(x) - f64::from(old);
        self.sums[Self::index(self.count)] = self.sum as f32;
        self.count = self.count.wrapping_add(1);
    }

    /// The mean so many samples ago; 0 is the newest.
    pub(super) fn ago(&self, back: usize) -> f64 {
        f64::from(self.sums[Self::index(self.count.wrapping_sub(1 + back as u64))]) * self.scale
    }

    pub(super) fn set_length(&mut self, length: usize) {
        // Sums of the old length still say the same as means.
        let ratio = length as f32 / self.length as f32;
        self.sums.iter_mut().for_each(|s| *s *= ratio);
        self.length = length;
        self.scale = 1.0 / length as f64;
        self.delay = (length as f64 - 1.0) / 2.0;
        let ago = |i: u64| self.samples[Self::index(self.count.wrapping_sub(1 + i))];
        self.sum = (0..length as u64).map(|i| f64::from(ago(i))).sum();
        self.sums[Self::index(self.count.wrapping_sub(1))] = self.sum as f32;
        // An edge's slope is as long as the mean, and the crossing is noticed a third of a slope late.
        self.back = (1.2 * length as f64).ceil() as usize + 1;
    }
}
