//! The newest samples, and what is measured over a stretch of them.

use super::Scale;

/// The newest samples, found by their number.
#[derive(Clone, Debug)]
pub struct History {
    ring: Box<[f32]>,
    len: u64,
}

/// What a stretch sounds like.
#[derive(Clone, Copy, Debug)]
pub struct Sound {
    /// Greatest magnitude.
    pub peak: f32,
    /// Root mean square.
    pub rms: f32,
    /// Greatest step from one sample to the next.
    pub slope: f32,
    /// RMS of those steps by RMS of the samples: grows with frequency.
    pub brightness: f32,
    /// The smallest step that is none: as a rule a step of quantisation.
    pub quantum: f32,
}

impl History {
    /// Room for a repeated block, the block before it and what is compared round them.
    pub fn new(scale: &Scale) -> History {
        let room = (2 * scale.block + scale.local + 2 * scale.delay + 64).next_power_of_two();
        History { ring: vec![0.0; room as usize].into(), len: 0 }
    }

    #[inline]
    pub fn push(&mut self, x: f32) {
        let at = self.len as usize & (self.ring.len() - 1);
        self.ring[at] = x;
        self.len += 1;
    }

    /// Samples pushed so far: the newest one's number and one.
    #[inline]
    pub fn len(&self) -> u64 {
        self.len
    }

    /// A sample by its number; 0 before the first. Numbers older than the ring give newer samples: ask [`reaches`](Self::reaches).
    #[inline]
    pub fn at(&self, number: u64) -> f32 {
        self.ring[number as usize & (self.ring.len() - 1)]
    }

    /// Whether the sample is still there.
    pub fn reaches(&self, number: u64) -> bool {
        number < self.len && self.len - number <= self.ring.len() as u64
    }

    /// What samples `from..to` sound like, as far as they are still there.
    pub fn sound(&self, from: u64, to: u64) -> Sound {
        let oldest = self.len.saturating_sub(self.ring.len() as u64);
        let (from, to) = (from.max(oldest), to.min(self.len));
        let (mut peak, mut slope, mut quantum) = (0f32, 0f32, f32::INFINITY);
        let (mut squares, mut step_squares) = (0f32, 0f32);
        let mut before = None;
        for i in from..to {
            let x = self.at(i);
            peak = peak.max(x.abs());
            squares += x * x;
            if let Some(b) = before.replace(x) {
                let step = (x - b).abs();
                slope = slope.max(step);
                step_squares += step * step;
                if step > 0.0 {
                    quantum = quantum.min(step);
                }
            }
        }
        let n = to.saturating_sub(from).max(1) as f32;
        let brightness = if squares > 0.0 { (step_squares / squares).sqrt() } else { 0.0 };
        Sound { peak, rms: (squares / n).sqrt(), slope, brightness, quantum }
    }
}
