//! Stretches of digital zeros with sound going on across them.

use super::history::{History, Sound};
use super::{Dropout, DropoutKind, Scale};

/// Samples next to an edge that show a clean cut.
const EDGE: u64 = 8;
/// Below this nobody hears the edge (-60 dBFS; common practice, no source).
const HEARD: f32 = 1e-3;

/// Finds them.
///
/// What is asked of a stretch, and which music that lets pass:
/// - The sound breaks off at both ends: its last 1.5 ms are about as strong as its last 20 ms, and at one end at least it is a
///   clean cut: still near its level in the last samples, or still as steep. A fade is neither. Steepness counts only if it is
///   several steps of quantisation, since in eight bits any soft sound has plateaus of zeros with steps of one round them.
/// - Before it sound had gone on for as long as the stretch at least: clicks with pauses between have not.
/// - After it there is the same sound, by its level, and (if the stretch is long) by its brightness: a new note is not.
/// - It is no part of a pattern: a gated sound, or a wave that rests at zero, has stretches of one length at even distances.
#[derive(Clone, Debug)]
pub struct Zeros {
    scale: Scale,
    /// Zeros at the end of what was heard.
    run: u64,
    before: Option<Before>,
    pending: Option<Pending>,
    sounding_since: u64,
    /// The last two stretches, newest first: start and length.
    last: [Option<(u64, u64)>; 2],
}

/// What there was before the stretch that goes on now.
#[derive(Clone, Copy, Debug)]
struct Before {
    sound: Sound,
    edge: Edge,
}

#[derive(Clone, Copy, Debug)]
struct Pending {
    before: Before,
    from: u64,
    to: u64,
}

impl Zeros {
    pub fn new(scale: Scale) -> Zeros {
        Zeros { scale, run: 0, before: None, pending: None, sounding_since: 0, last: [None; 2] }
    }

    /// Number of the sample since which there was sound, dropouts apart.
    pub fn sounding_since(&self) -> u64 {
        self.sounding_since
    }

    /// The newest sample, which `history` has already.
    #[inline]
    pub fn on_sample(&mut self, x: f32, history: &History) -> Option<Dropout> {
        if x == 0.0 {
            self.run += 1;
            if self.run == self.scale.least_zeros {
                self.before = self.look_back(history);
            }
        } else if self.run > 0 {
            self.on_end(history);
        }
        let p = self.pending.filter(|p| history.len() >= p.to + self.scale.delay)?;
        self.pending = None;
        self.judge(&p, history)
    }

    fn look_back(&self, history: &History) -> Option<Before> {
        let from = history.len() - self.run;
        let sound = history.sound(from.saturating_sub(self.scale.local), from);
        let edge = history.sound(from.saturating_sub(EDGE), from);
        let near = history.sound(from.saturating_sub(self.scale.delay / 2), from);
        let audible = sound.peak >= HEARD && sound.peak >= 8.0 * sound.quantum;
        Some(Before { sound, edge: if audible { Edge::of(&edge, &near, &sound) } else { Edge::Soft } })
    }

    fn on_end(&mut self, history: &History) {
        let run = core::mem::take(&mut self.run);
        let Some(before) = self.before.take() else { return };
        let to = history.len() - 1;
        let from = to - run;
        let patterned = self.is_patterned(from, run);
        self.last = [Some((from, run)), self.last[0]];
        let sounded = from.saturating_sub(self.sounding_since);
        let long_enough = sounded >= run.max(self.scale.delay);
        if run <= self.scale.longest && before.edge != Edge::Soft && long_enough && !patterned {
            self.pending = Some(Pending { before, from, to });
        } else if !patterned {
            self.sounding_since = to;
        }
    }

    /// Three stretches of one length at even distances, not far apart for their length, make a pattern.
    fn is_patterned(&self, from: u64, run: u64) -> bool {
        let [Some((b, b_run)), Some((a, a_run))] = self.last else { return false };
        let alike = |x: u64, y: u64| x.abs_diff(y) * 10 <= x.max(y) + 10;
        let apart = from - b;
        alike(run, b_run) && alike(run, a_run) && alike(apart, b - a) && apart <= 6 * run.max(self.scale.least_zeros)
    }

    fn judge(&mut self, p: &Pending, history: &History) -> Option<Dropout> {
        let sound = p.before.sound;
        let after = history.sound(p.to, p.to + self.scale.delay);
        let near = history.sound(p.to, p.to + self.scale.delay / 2);
        let end = Edge::of(&history.sound(p.to, p.to + EDGE), &near, &sound);
        // Three milliseconds hold a part of a deep note's period: peaks are compared, and only so far.
        let like = |ratio: f32| (1.0 / ratio..ratio).contains(&(after.peak / sound.peak));
        let is_long = p.to - p.from > self.scale.long;
        let same =
            if is_long { like(2.0) && (0.6..1.7).contains(&(after.brightness / sound.brightness)) } else { like(6.0) };
        let cut = end == Edge::Clean || (end == Edge::Hard && p.before.edge == Edge::Clean);
        if same && cut {
            return Some(Dropout { kind: DropoutKind::Zeros, from: p.from, to: p.to });
        }
        self.sounding_since = p.to;
        None
    }
}

/// How a sound begins or ends.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Edge {
    /// Within a sample.
    Clean,
    /// Within a millisecond or so, or a clean one at a zero crossing.
    Hard,
    /// Slower.
    Soft,
}

impl Edge {
    /// Of `sound`, whose part next to the edge is `near`, and whose samples next to it are `edge`.
    fn of(edge: &Sound, near: &Sound, sound: &Sound) -> Edge {
        let steep = edge.slope >= 0.3 * sound.slope && edge.slope >= 4.0 * sound.quantum;
        if edge.peak >= 0.2 * sound.peak || steep {
            Edge::Clean
        } else if near.rms >= 0.3 * sound.rms {
            Edge::Hard
        } else {
            Edge::Soft
        }
    }
}
