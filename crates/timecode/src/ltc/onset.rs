//! A sudden sound out of (near) silence is itself an edge, the *onset*: code often starts without a crossing.
//!
//! It is placed where the rise was half done, once the rise is over: as long as the running mean's own slope, since a half
//! cell later comes the next edge.

use super::mean::LENGTH_MAX;

/// While a rise is watched, one this many times higher starts it anew.
const HIGHER: f64 = 2.0;
/// Longest rise that is watched.
const RISE_MAX: usize = LENGTH_MAX + 2;

/// A rise out of silence that is being watched.
#[derive(Clone, Debug)]
pub(super) struct Rise {
    /// The signal less the baseline since the sample before it began.
    seen: [f32; RISE_MAX],
    count: usize,
    /// How many to watch; 0 when no rise is watched.
    wanted: usize,
    /// The highest point so far, as an amplitude.
    highest: f64,
}

/// A rise that is over.
#[derive(Clone, Copy, Debug)]
pub(super) struct Risen {
    /// So many samples before the newest it was half done.
    pub ago: f64,
    /// The level it rose to, and the side, +1 or -1.
    pub level: f64,
    pub side: f64,
}

impl Rise {
    pub(super) fn none() -> Rise {
        Rise { seen: [0.0; RISE_MAX], count: 0, wanted: 0, highest: 0.0 }
    }

    pub(super) fn is_watched(&self) -> bool {
        self.wanted > 0
    }

    pub(super) fn highest(&self) -> f64 {
        self.highest
    }

    /// A rise began with the sample `y`, seen through a running mean of this length.
    #[cold]
    pub(super) fn start(&mut self, before: f64, y: f64, length: usize) {
        self.highest = y.abs();
        self.count = 2;
        self.wanted = (length + 2).min(RISE_MAX);
        self.seen[0] = before as f32;
        self.seen[1] = y as f32;
    }

    /// One more sample. When the rise is over with it, the highest point is the level and the first crossing of half of it
    /// the onset.
    #[cold]
    pub(super) fn watch(&mut self, y: f64, length: usize) -> Option<Risen> {
        if y.abs() > HIGHER * self.highest {
            let before = f64::from(self.seen[self.count - 1]);
            self.start(before, y, length);
            return None;
        }
        self.highest = self.highest.max(y.abs());
        self.seen[self.count] = y as f32;
        self.count += 1;
        if self.count < self.wanted {
            return None;
        }
        self.wanted = 0;
        let seen = &self.seen[..self.count];
        let half = 0.5 * self.highest;
        let high = |y: f32| f64::from(y.abs()) >= half;
        let i = seen.iter().position(|y| high(*y)).unwrap_or(0).max(1);
        let side = f64::from(seen[i].signum());
        let (low, above) = (f64::from(seen[i - 1]) * side, f64::from(seen[i]) * side);
        let part = if above > low { ((half - low) / (above - low)).clamp(0.0, 1.0) } else { 0.5 };
        // The highest point of a noisy level lies above it: take the mean of the top instead.
        let top = seen.iter().filter(|y| high(**y));
        let count = top.clone().count().max(1) as f64;
        let level = top.map(|y| f64::from(y.abs())).sum::<f64>() / count;
        Some(Risen { ago: (seen.len() - 1 - i) as f64 + 1.0 - part, level, side })
    }
}
