//! Breaks of the curve: samples left out, or foreign ones put in.

use super::history::History;
use super::repeats::Repeats;
use super::{Dropout, DropoutKind, Scale};

/// A break stands out by so much from all that two seconds held.
const STANDS_OUT: f32 = 12.0;
/// Smaller ones nobody hears (common practice, no source).
const HEARD: f32 = 0.01;
/// Two seconds of 100 ms each.
const SLOTS: usize = 20;

/// Finds them.
///
/// Where samples are missing from smooth sound, its curvature (the second difference x\[n\] - 2 x\[n-1\] + x\[n-2\]) has one
/// spike of two samples: it is small before and small after, and the sound is as loud as it was. An attack or a click
/// raises it for longer; bright sound hides the spike, and then nothing is said; sound that breaks by its nature (a saw
/// wave, notes cut hard) has broken within the last two seconds already, and nothing stands out.
#[derive(Clone, Debug)]
pub struct Jumps {
    scale: Scale,
    x1: f32,
    x2: f32,
    /// The greatest curvature in each of the last slots, a break that is being judged apart.
    slots: [f32; SLOTS],
    slot: usize,
    slot_ends: u64,
    /// The greatest of all slots.
    hold: f32,
    /// Where the curve broke, how far, and what the curvature was until then.
    pending: Option<(u64, f32, f32)>,
    after: f32,
    /// The last one found: at which sample, and the curvature round it.
    found: Option<(u64, f32)>,
    /// Samples heard since the last gap.
    settled: u64,
}

impl Jumps {
    pub fn new(scale: Scale) -> Jumps {
        Jumps {
            scale,
            x1: 0.0,
            x2: 0.0,
            slots: [0.0; SLOTS],
            slot: 0,
            slot_ends: 0,
            hold: 0.0,
            pending: None,
            after: 0.0,
            found: None,
            settled: 0,
        }
    }

    /// Nothing before the next sample counts.
    pub fn forget(&mut self) {
        (self.pending, self.found, self.settled) = (None, None, 0);
    }

    /// The newest sample, which `history` has already.
    #[inline]
    pub fn on_sample(&mut self, x: f32, history: &History, repeats: &Repeats, sounding_since: u64) -> Option<Dropout> {
        let curvature = (x - 2.0 * self.x1 + self.x2).abs();
        (self.x2, self.x1) = (self.x1, x);
        self.settled += 1;
        if curvature > self.hold || self.pending.is_some() || history.len() > self.slot_ends {
            return self.on_more(curvature, history, repeats, sounding_since);
        }
        self.slots[self.slot] = self.slots[self.slot].max(curvature);
        None
    }

    /// What is rarely to be done.
    fn on_more(
        &mut self,
        curvature: f32,
        history: &History,
        repeats: &Repeats,
        sounding_since: u64,
    ) -> Option<Dropout> {
        let n = history.len() - 1;
        if history.len() > self.slot_ends {
            self.slot_ends = history.len() + self.scale.slot;
            self.slot = (self.slot + 1) % SLOTS;
            self.slots[self.slot] = 0.0;
            self.hold = self.slots.iter().fold(0.0, |a, b| a.max(*b));
        }
        if let Some((at, spike, hold)) = self.pending {
            // The spike itself has two samples, and a smoothed one a few more.
            if n > at + 2 {
                self.after = self.after.max(curvature);
            }
            if n < at + self.scale.delay {
                return None;
            }
            self.pending = None;
            if self.is_break(at, hold, history) {
                return self.on_break(at, hold, repeats);
            }
            // It was something else, which may come again.
            self.see(spike.max(self.after));
            return None;
        }
        let whole = 10 * self.scale.slot;
        let known = self.settled > whole && n > sounding_since + whole && self.hold > 0.0;
        if known && curvature > HEARD && curvature > STANDS_OUT * self.hold {
            (self.pending, self.after) = (Some((n, curvature, self.hold)), 0.0);
        } else {
            self.see(curvature);
        }
        None
    }

    fn see(&mut self, curvature: f32) {
        self.slots[self.slot] = self.slots[self.slot].max(curvature);
        self.hold = self.hold.max(curvature);
    }

    /// Whether all is after the spike as it was before.
    fn is_break(&self, at: u64, hold: f32, history: &History) -> bool {
        let before = history.sound(at.saturating_sub(self.scale.local), at);
        let after = history.sound(at, at + self.scale.delay);
        let level = after.peak / before.peak.max(f32::MIN_POSITIVE);
        self.after <= 1.5 * hold && (0.2..1.25).contains(&level)
    }

    fn on_break(&mut self, at: u64, hold: f32, repeats: &Repeats) -> Option<Dropout> {
        if repeats.explains(at) {
            return None;
        }
        // Two breaks a block apart are the ends of one thing.
        let first = self.found.replace((at, hold)).map(|f| f.0).filter(|f| at - f <= self.scale.block);
        Some(Dropout { kind: DropoutKind::Jump, from: first.unwrap_or(at), to: at })
    }
}
