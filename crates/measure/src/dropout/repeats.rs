//! Blocks that were played twice.

use super::history::History;
use super::{Dropout, DropoutKind, Scale};

/// Places remembered: more than there are within the longest block.
const PLACES: usize = 2_048;
/// The shortest block.
const LEAST: u64 = 16;
/// A block that is stuck is played so often at most before it counts as a sound of its own.
const TIMES: u64 = 8;
/// Softer blocks are not looked at: in a few steps of quantisation everything is like something.
const HEARD: f32 = 3e-3;

/// Finds them.
///
/// Repetition is first noticed by a fingerprint of four samples that was met before, then followed sample by sample. To cost
/// little, only one fingerprint in eight is kept; which one depends on the samples themselves, so that both plays of a
/// block keep the same ones.
///
/// A block of N samples played twice is equal to what came N samples before for exactly N samples: a periodic sound is so for
/// longer, and a repeated hit begins with an attack after a decay, while a block begins anywhere in a sound.
#[derive(Clone, Debug)]
pub struct Repeats {
    scale: Scale,
    print: u32,
    places: Box<[u64]>,
    run: Option<Run>,
    /// A run that ended, and where.
    pending: Option<(Run, u64)>,
    /// The last one found: where it ended.
    found_to: u64,
    /// Nothing from before this is compared.
    since: u64,
}

#[derive(Clone, Copy, Debug)]
struct Run {
    from: u64,
    lag: u64,
}

impl Repeats {
    pub fn new(scale: Scale) -> Repeats {
        let places = vec![0; PLACES].into();
        Repeats { scale, print: 0, places, run: None, pending: None, found_to: 0, since: 0 }
    }

    /// Whether the break of the curve at this sample is one end of a repetition.
    pub fn explains(&self, at: u64) -> bool {
        let near = |place: u64| place.abs_diff(at) <= 2;
        let begins = |r: Run| near(r.from);
        self.run.is_some_and(begins) || self.pending.is_some_and(|(r, to)| begins(r) || near(to)) || near(self.found_to)
    }

    /// Nothing before the next sample counts.
    pub fn forget(&mut self) {
        (self.run, self.pending) = (None, None);
        self.since = u64::MAX;
    }

    /// The newest sample, which `history` has already.
    #[inline]
    pub fn on_sample(&mut self, x: f32, history: &History) -> Option<Dropout> {
        let n = history.len() - 1;
        if self.since == u64::MAX {
            self.since = n;
        }
        self.print = (self.print << 8) ^ x.to_bits().wrapping_mul(0x9E37_79B1);
        let print = self.print.wrapping_mul(0x85EB_CA6B);
        match self.run {
            Some(r) if x != history.at(n - r.lag) => {
                self.run = None;
                self.on_end(r, n);
            }
            Some(_) => {}
            None if print >> 29 == 0 => self.look_up(print, n, history),
            None => {}
        }
        if print >> 29 == 0 {
            self.places[(print >> 8) as usize % PLACES] = n;
        }
        let (r, to) = self.pending.filter(|(_, to)| history.len() >= to + self.scale.delay)?;
        self.pending = None;
        self.judge(r, to, history)
    }

    fn look_up(&mut self, print: u32, n: u64, history: &History) {
        let place = self.places[(print >> 8) as usize % PLACES];
        let lag = n - place.min(n);
        if !(LEAST..=self.scale.block).contains(&lag) || place < self.since {
            return;
        }
        // Back to where the likeness begins: as far as a block reaches.
        let furthest = n.saturating_sub(self.scale.block).max(self.since + lag);
        let mut from = n + 1;
        while from > furthest && history.at(from - 1) == history.at(from - 1 - lag) {
            from -= 1;
        }
        if n + 1 - from >= 4 {
            self.run = Some(Run { from, lag });
        }
    }

    fn on_end(&mut self, r: Run, to: u64) {
        let length = to - r.from;
        // A sample or two may be alike beyond the block by chance.
        let whole = (length + 2) / r.lag;
        if (1..=TIMES).contains(&whole) && length.abs_diff(whole * r.lag) <= 2 {
            self.pending = Some((r, to));
        }
    }

    fn judge(&mut self, r: Run, to: u64, history: &History) -> Option<Dropout> {
        let first = r.from - r.lag;
        let reach = self.scale.delay;
        if first < reach || !history.reaches(first - reach) {
            return None;
        }
        let before = history.sound(first - reach, first);
        let block = history.sound(first, r.from);
        let begin = history.sound(r.from, r.from + reach.min(r.lag));
        let end = history.sound(r.from - reach.min(r.lag), r.from);
        let after = history.sound(to, to + reach);
        // Where the block begins again there is neither an attack nor an end, and sound goes on round both plays.
        let even = |a: f32, b: f32| a <= 2.5 * b && b <= 2.5 * a;
        let goes_on = even(before.rms, block.rms) && even(after.rms, block.rms) && even(begin.rms, end.rms);
        let is_a_sound = block.peak >= HEARD && block.peak >= 16.0 * block.quantum && block.slope > 0.0;
        if goes_on && is_a_sound {
            self.found_to = to;
            return Some(Dropout { kind: DropoutKind::Repeat, from: r.from, to });
        }
        None
    }
}
