//! Straight pieces in a noisy record: segment first, then fit.
//!
//! A least-squares line through a record with one step tilts to meet it half-way, so steps must be found before any
//! slope is believed. The record is cut into the pieces that minimise
//!
//! ```text
//! sum over pieces of (squared residuals about that piece's own line + penalty)
//! ```
//!
//! by dynamic programming ("optimal partitioning", Jackson et al. 2005): the best cut of the first n bins ends with
//! some last piece s..n, so `F(n) = min over s of F(s) + SSE(s, n) + penalty`, and SSE(s, n) comes from running sums at
//! once. F of older bins does not change when a bin comes, so a live record pays O(bins) for each new one.
//!
//! The penalty is in units of the noise, taken robustly from second differences of the bins (a line has none, a step
//! spoils three of them) at several lengths, of which the greatest counts: noise that is correlated from bin to bin is
//! greater in long means than its scatter from one bin to the next makes believe, and would be cut to pieces.
//!
//! Between pieces the record may *step* or just *bend*. The slope common to all pieces (one pair of crystals) is the
//! slope of each weighted by its own `Stt`; its variance is `(long-run variance of the noise) / (sum of Stt)`.

/// The shortest piece, in bins.
const SHORTEST: usize = 3;

/// One bin: the mean of some samples.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Bin {
    /// Mean time, in seconds.
    pub t: f64,
    /// Mean value.
    pub y: f64,
    /// How many samples.
    pub n: f64,
}

/// One straight piece: bins `from..to`, its line, and how well its slope is tied down.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Piece {
    pub from: usize,
    pub to: usize,
    /// Weighted mean time and value.
    pub t: f64,
    pub y: f64,
    pub slope: f64,
    /// Sum of weights, and the weighted sum of squared times about the mean.
    pub w: f64,
    pub stt: f64,
    /// Squared residuals.
    pub sse: f64,
}

/// Running sums up to a bin.
#[derive(Clone, Copy, Debug, Default)]
struct Sums {
    w: f64,
    t: f64,
    y: f64,
    tt: f64,
    ty: f64,
    yy: f64,
}

/// Up to `N` bins and their best cut.
#[derive(Clone, Debug)]
pub(crate) struct Segmenter<const N: usize> {
    bins: [Bin; N],
    /// Sums of bins before the `i`th one, `F` of them, and where their last piece begins; index `N` is [`Self::total`].
    sums: [Sums; N],
    cost: [f64; N],
    start: [u16; N],
    total: Sums,
    total_cost: f64,
    total_start: u16,
    len: usize,
    zero: (f64, f64),
}

impl<const N: usize> Segmenter<N> {
    pub(crate) fn new() -> Self {
        Segmenter {
            bins: [Bin::default(); N],
            sums: [Sums::default(); N],
            cost: [0.0; N],
            start: [0; N],
            total: Sums::default(),
            total_cost: 0.0,
            total_start: 0,
            len: 0,
            zero: (0.0, 0.0),
        }
    }

    pub(crate) fn len(&self) -> usize {
        self.len
    }
    /// The bins, in the times and values they were given in.
    pub(crate) fn bin(&self, i: usize) -> Bin {
        let b = self.bins[i];
        Bin { t: b.t + self.zero.0, y: b.y + self.zero.1, n: b.n }
    }

    /// Takes in one more bin and cuts anew; `penalty` is in the units of weighted squared residuals.
    pub(crate) fn push(&mut self, bin: Bin, penalty: f64) {
        if self.len == N {
            self.thin_out(penalty);
        }
        if self.len == 0 {
            self.zero = (bin.t, bin.y);
        }
        let b = Bin { t: bin.t - self.zero.0, y: bin.y - self.zero.1, n: bin.n };
        self.append(b, penalty);
    }

    fn append(&mut self, b: Bin, penalty: f64) {
        let i = self.len;
        self.bins[i] = b;
        self.sums[i] = self.total;
        self.cost[i] = self.total_cost;
        self.start[i] = self.total_start;
        let s = &mut self.total;
        s.w += b.n;
        s.t += b.n * b.t;
        s.y += b.n * b.y;
        s.tt += b.n * b.t * b.t;
        s.ty += b.n * b.t * b.y;
        s.yy += b.n * b.y * b.y;
        self.len += 1;
        let n = self.len;
        let mut best = (self.piece(0, n).sse, 0);
        for s in SHORTEST..=n.saturating_sub(SHORTEST) {
            let cost = self.cost[s] + self.piece(s, n).sse + penalty;
            if cost < best.0 {
                best = (cost, s);
            }
        }
        (self.total_cost, self.total_start) = (best.0, best.1 as u16);
    }

    fn sums_at(&self, i: usize) -> &Sums {
        if i == self.len { &self.total } else { &self.sums[i] }
    }

    /// The line through bins `from..to`, in the segmenter's own zeros.
    fn piece(&self, from: usize, to: usize) -> Piece {
        let (a, b) = (self.sums_at(from), self.sums_at(to));
        let w = b.w - a.w;
        if w <= 0.0 {
            return Piece { from, to, ..Piece::default() };
        }
        let (t, y) = ((b.t - a.t) / w, (b.y - a.y) / w);
        let stt = (b.tt - a.tt - w * t * t).max(0.0);
        let sty = b.ty - a.ty - w * t * y;
        let syy = b.yy - a.yy - w * y * y;
        let slope = if stt > 0.0 { sty / stt } else { 0.0 };
        Piece { from, to, t, y, slope, w, stt, sse: (syy - slope * sty).max(0.0) }
    }

    /// The line through bins `from..to`, in the times and values they were given in.
    pub(crate) fn line(&self, from: usize, to: usize) -> Piece {
        let p = self.piece(from.min(to), to.min(self.len));
        Piece { t: p.t + self.zero.0, y: p.y + self.zero.1, ..p }
    }

    /// The pieces of the best cut, newest first.
    pub(crate) fn pieces_backwards(&self) -> impl Iterator<Item = Piece> + '_ {
        let mut end = self.len;
        let mut start = usize::from(self.total_start);
        core::iter::from_fn(move || {
            if end == 0 {
                return None;
            }
            let piece = self.line(start, end);
            end = start;
            start = usize::from(self.start.get(end).copied().unwrap_or(0));
            Some(piece)
        })
    }

    /// The long-run variance of one sample's noise: that of a mean of n samples is this over n. `None` with too few
    /// bins to tell.
    pub(crate) fn noise(&self) -> Option<f64> {
        let mut scratch = [0.0; N];
        let mut by_length = [0.0; 5];
        let mut known = 0;
        for length in [1, 2, 4, 8, 16] {
            let groups = self.len / length;
            if groups < 8 || (length > 1 && groups < 16) {
                break;
            }
            // Newest groups first, so that the ragged end lies in the past.
            let group = |g: usize| self.piece(self.len - (g + 1) * length, self.len - g * length);
            let count = groups - 2;
            for (g, out) in scratch[..count].iter_mut().enumerate() {
                let (a, b, c) = (group(g), group(g + 1), group(g + 2));
                // b against the chord from a to c, scaled to the variance of one sample.
                let f = if c.t == a.t { 0.5 } else { (b.t - a.t) / (c.t - a.t) };
                let d = b.y - a.y * (1.0 - f) - c.y * f;
                let per_sample = 1.0 / b.w + (1.0 - f).powi(2) / a.w + f * f / c.w;
                *out = d.abs() / per_sample.sqrt();
            }
            let (_, median, _) = scratch[..count].select_nth_unstable_by(count / 2, f64::total_cmp);
            // The median of a normal deviate's size is 0.6745 sigma.
            by_length[known] = (*median / 0.6745).powi(2);
            known += 1;
        }
        let all = &by_length[..known];
        let greatest = all.iter().copied().reduce(f64::max)?;
        match all {
            // It still grows with length: the end of it lies beyond the record's reach.
            [.., a, b, c] if a < b && b < c && *b > 0.0 => Some(greatest.max(c * (c / b).min(2.0))),
            _ => Some(greatest),
        }
    }

    /// Cuts anew with another penalty.
    pub(crate) fn recut(&mut self, penalty: f64) {
        let (bins, len) = (self.bins, self.len);
        self.rebuild(&bins[..len], penalty);
    }

    fn rebuild(&mut self, bins: &[Bin], penalty: f64) {
        self.len = 0;
        (self.total, self.total_cost, self.total_start) = (Sums::default(), 0.0, 0);
        for b in bins {
            self.append(*b, penalty);
        }
    }

    /// Merges neighbours, the shortest first, where no piece ends between them and not among the newest, and cuts
    /// anew.
    fn thin_out(&mut self, penalty: f64) {
        let mut is_end = [false; N];
        for p in self.pieces_backwards() {
            if p.from < N {
                is_end[p.from] = true;
            }
        }
        let (old, len) = (self.bins, self.len);
        let lightest = old[..len].iter().map(|b| b.n).fold(f64::INFINITY, f64::min);
        let mut limit = 2.5 * lightest.max(1e-12);
        for _ in 0..64 {
            let mut kept = [Bin::default(); N];
            let (mut n, mut i) = (0, 0);
            while i < len {
                let b = old[i];
                let next = (i + 1 < len - len / 4 && !is_end[i + 1]).then(|| old[i + 1]);
                kept[n] = match next.filter(|c| b.n + c.n <= limit) {
                    Some(c) => {
                        i += 1;
                        let w = b.n + c.n;
                        Bin { t: (b.t * b.n + c.t * c.n) / w, y: (b.y * b.n + c.y * c.n) / w, n: w }
                    }
                    None => b,
                };
                i += 1;
                n += 1;
            }
            if n + N / 8 <= len {
                return self.rebuild(&kept[..n], penalty);
            }
            limit *= 2.0;
        }
        // Weights beyond all measure: forget the oldest.
        self.rebuild(&old[len / 2..len], penalty);
    }
}
