//! From edges to bits: a bit lasts one period; a one has an edge in its middle (biphase mark, SMPTE ST 12-1).
//!
//! Unlocked, the newest intervals are split in two classes. When they stand 1 : 2 and fit, the short one is half a bit,
//! and all edges since the last lock are read again with that period, so that nothing is lost by having to learn it: the
//! sixty-odd equal cells of a frame that is all zeros say nothing of the period until the sync word comes.
//!
//! Locked, each edge is one or two half cells after the last by what lies nearer, counted from where a phase-locked loop has
//! that last edge. What fits neither, and a one whose second half does not come, is a break: the bits before it and those
//! after it do not belong together.

use super::word::BITS;

/// How many edges are kept: a frame has at most 160.
pub(super) const EDGES: usize = 512;
/// How many of the newest intervals a lock is judged by.
const WINDOW: u64 = 12;
/// The period follows by this share of the error while edges are clean.
const GAIN: f64 = 0.125;
/// The scatter of edges (RMS, in bit periods) up to which they are clean, from which on they are noisy, and the share of an
/// edge's error by which the phase is then corrected.
const CLEAN: f64 = 0.03;
const NOISY: f64 = 0.08;
const SLOW: f64 = 0.3;
/// How late the second half of a one may be, in half cells.
const LATE: f64 = 1.7;
/// An edge that takes a half cell to change sides may have been two that a fault ran together: it counts as such a misfit.
const FAINT: f64 = 0.9;
/// Good bits after which a break is taken as an accident, not as a wrong period.
const GOOD_RUN: u32 = 12;
/// How many edges are read again at most: those of a frame and some more.
const REREAD: u64 = 200;
/// A lock under which no run of good bits was longer than this was none.
const HELD: u32 = 24;
/// Cells are numbered anew after a break, this far on, so that no frame seems to reach across it.
const BREAK_CELLS: i64 = 1_000;

/// The half cell of an edge that has not been read.
const UNREAD: i64 = i64::MAX / 2;

/// One edge as it was heard. Times in samples.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Heard {
    /// When.
    pub at: f64,
    /// How long the change took.
    pub took: f64,
    /// Where sound began, and only roughly.
    pub onset: bool,
}

/// One edge as the clock read it.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Edge {
    pub heard: Heard,
    /// Half cells since the beginning, with a leap at each break.
    pub cell: i64,
    /// How near it came to being read otherwise: 0 right where it was due, 1 on the border.
    pub misfit: f32,
}

/// What comes out, in order.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) enum Clocked {
    /// A bit whose last half cell ends at this cell.
    Bit { one: bool, end: i64 },
    /// What follows does not belong to what went before.
    Break,
}

/// The bit clock.
#[derive(Clone, Debug)]
pub(super) struct BitClock {
    edges: [Edge; EDGES],
    /// How many edges have ever come; the newest is at `count - 1`.
    count: u64,
    /// The first edge that no lock has read.
    unread: u64,
    /// An interval that differs too much from a later one to be code together, by the edge it ends at; 0 before any.
    unlike: u64,
    period: f64,
    /// The period that the lock began with.
    fitted: f64,
    /// Where the loop has the last edge, and the mean square of what edges stray from it, in periods.
    phase: f64,
    scatter: f64,
    /// The loop's gains, how many edges it has read, and half cells a sample.
    gain: f64,
    period_gain: f64,
    edges_read: u32,
    per_half: f64,
    shortest: f64,
    longest: f64,
    locked: bool,
    /// Reading edges that came before the lock.
    rereading: bool,
    /// Halfway through a one.
    halfway: bool,
    good: u32,
    /// The longest run of good bits of this lock, and the edge it began to read at.
    held: u32,
    lock_read_from: u64,
    cell: i64,
}

impl BitClock {
    /// With the shortest and longest bit period to be believed, in samples.
    pub(super) fn new(shortest: f64, longest: f64) -> BitClock {
        BitClock {
            edges: [Edge::default(); EDGES],
            count: 0,
            unread: 0,
            unlike: 0,
            period: longest,
            fitted: longest,
            phase: 0.0,
            scatter: 0.0,
            gain: 1.0,
            period_gain: GAIN,
            edges_read: 0,
            per_half: 2.0 / longest,
            shortest,
            longest,
            locked: false,
            rereading: false,
            halfway: false,
            good: 0,
            held: 0,
            lock_read_from: 0,
            cell: 0,
        }
    }

    fn edge(&self, i: u64) -> &Edge {
        &self.edges[(i % EDGES as u64) as usize]
    }

    /// Samples a bit lasts, when known.
    pub(super) fn period(&self) -> Option<f64> {
        self.locked.then_some(self.period)
    }

    /// Edges from the newest backwards.
    pub(super) fn newest_first(&self) -> impl Iterator<Item = &Edge> {
        let oldest = self.count.saturating_sub(EDGES as u64);
        (oldest..self.count).rev().map(|i| self.edge(i))
    }

    /// The sample of edge `i`, when it is still kept.
    pub(super) fn at(&self, i: u64) -> Option<f64> {
        (i < self.count && i + EDGES as u64 > self.count).then(|| self.edge(i).heard.at)
    }

    /// The edge at this half cell, when it came lately.
    pub(super) fn find(&self, cell: i64) -> Option<u64> {
        let oldest = self.count.saturating_sub(EDGES as u64);
        let last = (oldest..self.count).rev().find(|i| self.edge(*i).cell <= cell)?;
        (self.edge(last).cell == cell).then_some(last)
    }

    /// An edge.
    pub(super) fn on_edge(&mut self, heard: Heard, out: &mut impl FnMut(&Self, Clocked)) {
        let i = self.count;
        self.edges[(i % EDGES as u64) as usize] = Edge { heard, cell: UNREAD, misfit: 0.0 };
        self.count += 1;
        if self.locked {
            self.read(i, out);
        } else if let Some(period) = self.fit() {
            self.locked = true;
            self.period = period;
            self.fitted = period;
            self.scatter = CLEAN * CLEAN;
            self.set_gains();
            self.good = 0;
            self.halfway = false;
            let from = self.unread.max(self.count.saturating_sub(REREAD));
            self.held = 0;
            self.lock_read_from = from;
            self.start_at(from);
            self.rereading = true;
            for i in from + 1..self.count {
                self.read(i, out);
            }
            self.rereading = false;
        }
    }

    /// The signal is gone. When the level stood long enough on its side after the last edge (until sample `stood`), the
    /// bit then under way has been whole, though no edge closed it.
    pub(super) fn on_lost(&mut self, stood: f64, out: &mut impl FnMut(&Self, Clocked)) {
        if self.locked && self.count > 0 {
            let cells = (stood - self.edge(self.count - 1).heard.at) / self.period * 2.0;
            // The flat top ends before the edge does, and a sample stands for the half sample either side of it.
            let slack = 1.2f64.min(0.35 + 2.0 / self.period);
            let whole = if self.halfway { cells > 1.0 - slack } else { cells > 2.0 - slack && cells < 2.6 };
            if whole {
                self.cell += if self.halfway { 1 } else { 2 };
                out(self, Clocked::Bit { one: self.halfway, end: self.cell });
            }
        }
        self.unlock(self.count, out);
    }

    fn unlock(&mut self, unread: u64, out: &mut impl FnMut(&Self, Clocked)) {
        self.locked = false;
        self.unread = unread;
        out(self, Clocked::Break);
        self.cell += BREAK_CELLS;
        self.halfway = false;
    }

    /// Takes edge `i` as a bit's start.
    fn start_at(&mut self, i: u64) {
        let cell = self.cell;
        let e = &mut self.edges[(i % EDGES as u64) as usize];
        e.cell = cell;
        e.misfit = 0.0;
        self.phase = e.heard.at;
        self.halfway = false;
        if self.rereading {
            // What was read up to here may be no code at all: it must not spoil the period.
            self.period = self.fitted;
            self.set_gains();
        }
    }

    /// Reads the interval that ends at edge `i`: how many half cells it lies after the last one, and how well.
    fn read(&mut self, i: u64, out: &mut impl FnMut(&Self, Clocked)) {
        if self.edge(i).heard.onset {
            // What sounded before is another signal, or this one's first stir.
            self.good = 0;
            out(self, Clocked::Break);
            self.cell += BREAK_CELLS;
            self.start_at(i);
            return;
        }
        let now = self.edge(i).heard.at;
        let r = (now - self.phase) * self.per_half;
        // Where sound began is known only roughly, so the first interval may be of any length that is not absurd.
        let rough = self.edge(i - 1).heard.onset && (0.2..3.4).contains(&r);
        // The second half of a one cannot be a whole bit, so it may be later than a first half that might be one.
        let cells = if r < if self.halfway { LATE } else { 1.5 } { 1.0 } else { 2.0 };
        let misfit = if rough { 0.0 } else { 2.0 * (r - cells) };
        let odd = self.halfway && cells > 1.5;
        if odd
            || misfit.abs()
                > if cells > 1.5 {
                    1.6
                } else if self.halfway && r > 1.0 {
                    2.0 * (LATE - 1.0)
                } else {
                    1.0
                }
        {
            self.broken(i, out);
            return;
        }
        if rough {
            self.phase = now;
        } else {
            self.follow(now, cells);
        }
        self.take(i, cells as i64, misfit);
        if cells < 1.5 && !self.halfway {
            self.halfway = true;
        } else {
            self.bit(self.halfway, out);
        }
    }

    /// Corrects phase and period by an edge that came `cells` half cells after the last.
    ///
    /// A loop of second order whose gains follow the scatter it sees. Clean edges are taken at their word, so that speed
    /// may change at once; noisy ones are averaged over, since an edge that strays a quarter of a bit is misread.
    fn follow(&mut self, now: f64, cells: f64) {
        let due = self.phase + cells * 0.5 * self.period;
        let error = now - due;
        let relative = 0.5 * error * self.per_half;
        self.scatter += (relative * relative - self.scatter) / 32.0;
        self.phase = due + self.gain * error;
        self.period += self.period_gain * if cells > 1.5 { error } else { 2.0 * error };
        // One step of Newton's towards 2 / period: exact enough for so small a change, and quicker than a division.
        self.per_half *= 2.0 - 0.5 * self.period * self.per_half;
        // The gains change slowly.
        self.edges_read = self.edges_read.wrapping_add(1);
        if self.edges_read.is_multiple_of(8) {
            self.set_gains();
        }
    }

    fn set_gains(&mut self) {
        self.per_half = 2.0 / self.period;
        let noisy = (self.scatter.sqrt() - CLEAN) / (NOISY - CLEAN);
        self.gain = (1.0 - noisy * (1.0 - SLOW)).clamp(SLOW, 1.0);
        self.period_gain = GAIN * self.gain * self.gain;
    }

    fn take(&mut self, i: u64, cells: i64, misfit: f64) {
        self.cell += cells;
        let cell = self.cell;
        let faint = FAINT * self.per_half;
        let e = &mut self.edges[(i % EDGES as u64) as usize];
        e.cell = cell;
        e.misfit = misfit.abs().max(e.heard.took * faint) as f32;
    }

    fn bit(&mut self, one: bool, out: &mut impl FnMut(&Self, Clocked)) {
        self.halfway = false;
        self.good = self.good.saturating_add(1);
        self.held = self.held.max(self.good);
        out(self, Clocked::Bit { one, end: self.cell });
    }

    /// Edge `i` fits nothing.
    fn broken(&mut self, i: u64, out: &mut impl FnMut(&Self, Clocked)) {
        if self.good < GOOD_RUN && !self.rereading {
            // A lock that never held has read nothing.
            let unread = if self.held < HELD { self.lock_read_from } else { i - 1 };
            self.unlock(unread, out);
            return;
        }
        self.good = 0;
        out(self, Clocked::Break);
        self.cell += BREAK_CELLS;
        let was_halfway = core::mem::take(&mut self.halfway);
        let cells = |from: u64| (self.edge(from + 1).heard.at - self.edge(from).heard.at) * self.per_half;
        if was_halfway && (1.5..2.8).contains(&cells(i - 1)) {
            // Both ends of a whole cell start bits: the edge before was one, and no bit's middle. So the halves just before
            // it pair the other way.
            let oldest = self.count.saturating_sub(EDGES as u64 - 1);
            let halves =
                (oldest..i - 1).rev().take(BITS as usize).take_while(|from| (0.7..1.3).contains(&cells(*from)));
            let ones = halves.count() as u64 / 2;
            self.start_at(i - 1 - 2 * ones);
            for end in (i - 1 - 2 * ones..i - 1).step_by(2) {
                self.take(end + 1, 1, 0.0);
                self.take(end + 2, 1, 0.0);
                self.bit(true, out);
            }
            self.phase = self.edge(i).heard.at;
            self.take(i, 2, 0.0);
            self.bit(false, out);
        } else {
            self.start_at(i);
        }
    }

    /// The bit period by the newest intervals, when they look like code.
    fn fit(&mut self) -> Option<f64> {
        let first = self.unread.max(self.count.saturating_sub(WINDOW + 1));
        // Most of what is no code is told at once: its intervals differ too much, and go on to while these two are among the
        // newest.
        if self.count < first + 7 || self.unlike > first {
            return None;
        }
        let (mut least, mut most) = (f64::INFINITY, 0f64);
        for i in (first + 1..self.count).rev() {
            let d = self.edge(i).heard.at - self.edge(i - 1).heard.at;
            least = least.min(d);
            most = most.max(d);
            if most > 4.5 * least {
                self.unlike = i;
                return None;
            }
        }
        let this = &*self;
        let intervals = || (first + 1..this.count).map(|i| this.edge(i).heard.at - this.edge(i - 1).heard.at);
        // Two classes, split at 1.5 times the shortest, then at the middle of their means.
        let mut split = 1.45 * intervals().fold(f64::INFINITY, f64::min);
        let mut means = (0.0, 0.0);
        for _ in 0..2 {
            let (mut short, mut long) = ((0.0, 0.0), (0.0, 0.0));
            for d in intervals() {
                let class = if d < split { &mut short } else { &mut long };
                class.0 += d;
                class.1 += 1.0;
            }
            if short.1 < 2.0 || long.1 < 2.0 {
                return None;
            }
            means = (short.0 / short.1, long.0 / long.1);
            split = 0.5 * (means.0 + means.1);
        }
        let (short, long) = means;
        let fits = |d: f64| {
            let class = if d < split { short } else { long };
            (d - class).abs() < 0.45 * short
        };
        let period = (2.0 * short + 2.0 * long) / 3.0;
        ((1.65..2.4).contains(&(long / short))
            && intervals().all(fits)
            && halves_pair(intervals().map(|d| d < split))
            && (self.shortest..self.longest).contains(&period))
        .then_some(period)
    }
}

/// Whether between any two whole bits lies an even number of halves.
fn halves_pair(is_half: impl Iterator<Item = bool>) -> bool {
    // None before the first whole bit: there a run may have begun before the window.
    let mut run = None;
    for half in is_half {
        run = match (half, run) {
            (true, run) => run.map(|n: u32| n + 1),
            (false, Some(n)) if n % 2 == 1 => return false,
            (false, _) => Some(0),
        };
    }
    true
}
