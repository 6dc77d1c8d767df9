//! Where a frame's first edge lies, from all edges near it.
//!
//! One edge alone carries the noise of one edge. Over sixteen half cells either side there are some two dozen, and
//! on a line (or, in a ramp of speed, a parabola) their errors average out: the middle of a parabola through N points is
//! 2.25/N of one point's variance. Two models with three parameters each are fitted by least squares to edges at time
//! `t_i`, `c_i` half cells from the wanted one:
//!
//! ```text
//! parabola:  t = a + b c + k c^2
//! hinge:     t = a + b c + k max(c, 0)      a step of speed right at the frame's edge
//! ```
//!
//! and the one that leaves less is taken. When the wanted edge itself lies further from the model than the model's own
//! scatter explains, the speed changed somehow else, and the edge speaks for itself. Where edges lie on one side only (the
//! first and last frame) a straight line is carried to the wanted place.

use super::clock::Edge;

/// Half cells either side.
const REACH: i64 = 16;
/// An edge this share of a bit too early or late is none of its frame's, but a cut.
const CUT: f64 = 0.2;
/// Edges that a side must have to be counted on.
const ENOUGH: f64 = 5.0;
/// A scatter of this share of a bit is no noise.
const MISREAD: f64 = 0.12;

/// Least squares in up to three unknowns, by normal equations; `c` is scaled to about 1 to keep them well conditioned.
#[derive(Default)]
struct Sums {
    m: [[f64; 3]; 3],
    v: [f64; 3],
    tt: f64,
    n: f64,
}

impl Sums {
    fn add(&mut self, basis: [f64; 3], t: f64) {
        for (row, a) in self.m.iter_mut().zip(basis) {
            for (cell, b) in row.iter_mut().zip(basis) {
                *cell += a * b;
            }
        }
        for (cell, a) in self.v.iter_mut().zip(basis) {
            *cell += a * t;
        }
        self.tt += t * t;
        self.n += 1.0;
    }

    /// The first `k` unknowns and the sum of squares left over.
    fn solve(&self, k: usize) -> Option<([f64; 3], f64)> {
        let (mut m, mut v) = (self.m, self.v);
        for i in 0..k {
            // Positive definite when solvable at all: no pivoting needed.
            if m[i][i] < 1e-9 {
                return None;
            }
            for j in i + 1..k {
                let f = m[j][i] / m[i][i];
                let row = m[i];
                for (a, b) in m[j].iter_mut().zip(row).skip(i) {
                    *a -= f * b;
                }
                v[j] -= f * v[i];
            }
        }
        let mut x = [0.0; 3];
        for i in (0..k).rev() {
            let known: f64 = (i + 1..k).map(|j| m[i][j] * x[j]).sum();
            x[i] = (v[i] - known) / m[i][i];
        }
        let explained: f64 = (0..k).map(|i| x[i] * self.v[i]).sum();
        Some((x, (self.tt - explained).max(0.0)))
    }
}

/// A fitted edge.
#[derive(Clone, Copy, Debug)]
pub(super) struct Fitted {
    /// Its sample.
    pub at: f64,
    /// A tape was cut just here: the edge came too early for what went before, or too late for what follows, though the
    /// speed is the same.
    pub cut_before: bool,
    pub cut_after: bool,
}

/// The edge at half cell `cell`, from the edges given newest first. None when there are too few near it.
pub(super) fn fit_edge<'a>(edges: impl Iterator<Item = &'a Edge>, cell: i64, period: f64) -> Option<Fitted> {
    let mut parabola = Sums::default();
    let mut hinge = Sums::default();
    // Each side by itself, as a straight line.
    let (mut before, mut after) = (Sums::default(), Sums::default());
    let mut own = None;
    // Times are taken relative to the first edge found, less the even run of cells, to keep the sums small.
    let mut origin = None;
    let half = period / 2.0;
    for e in edges {
        let c = e.cell - cell;
        if c > REACH {
            continue;
        }
        if c < -REACH {
            break;
        }
        if e.heard.onset {
            continue;
        }
        let even = e.heard.at - c as f64 * half;
        let t = even - *origin.get_or_insert(even);
        let c = c as f64 / REACH as f64;
        if c == 0.0 {
            own = Some(t);
        } else {
            let side = if c < 0.0 { &mut before } else { &mut after };
            side.add([1.0, c, 0.0], t);
        }
        parabola.add([1.0, c, c * c], t);
        hinge.add([1.0, c, c.max(0.0)], t);
    }
    let origin = origin?;
    let (cut_before, cut_after) = cuts(&before, &after, own, period);
    let fitted = |t: f64| Fitted { at: origin + t, cut_before, cut_after };
    if before.n < ENOUGH || after.n < ENOUGH {
        // What little there is on the other side is what breaks off or begins there.
        let side = if before.n < after.n { after } else { before };
        if side.n < ENOUGH {
            return own.map(fitted);
        }
        let (x, left) = side.solve(2)?;
        let strays = |own: f64| (own - x[0]).abs() > 0.1 + 3.0 * (left / (side.n - 2.0)).sqrt();
        return match own {
            Some(own) if !strays(own) => {
                let mut with = side;
                with.add([1.0, 0.0, 0.0], own);
                with.solve(2).map(|(x, _)| fitted(x[0]))
            }
            _ => Some(fitted(x[0])),
        };
    }
    let (p, p_left) = parabola.solve(3)?;
    let (h, h_left) = hinge.solve(3)?;
    let (x, left) = if h_left < 0.5 * p_left { (h, h_left) } else { (p, p_left) };
    Some(fitted(settle(x[0], left, parabola.n - 3.0, own, period)))
}

/// Whether the edge lies too early for the line before it, or too late for the line after it.
fn cuts(before: &Sums, after: &Sums, own: Option<f64>, period: f64) -> (bool, bool) {
    let line = |side: &Sums| (side.n >= ENOUGH).then(|| side.solve(2)).flatten();
    let (Some(own), before, after) = (own, line(before), line(after)) else { return (false, false) };
    if let (Some((b, _)), Some((a, _))) = (before, after)
        && (a[1] - b[1]).abs() > 0.1 * 0.5 * period * REACH as f64
    {
        // A step of speed, no cut.
        return (false, false);
    }
    let strays = |line: Option<([f64; 3], f64)>, sign: f64| {
        line.is_some_and(|(x, left)| sign * (own - x[0]) > (CUT * period).max(2.0 * left.sqrt()))
    };
    (strays(before, -1.0), strays(after, 1.0))
}

/// The model's value, unless the edge itself contradicts it, or the edges so scatter that they have been misread.
fn settle(model: f64, left: f64, freedom: f64, own: Option<f64>, period: f64) -> f64 {
    let scatter = (left / freedom.max(1.0)).sqrt();
    match own {
        Some(own) if scatter > MISREAD * period || (own - model).abs() > 0.05 + 4.0 * scatter => own,
        _ => model,
    }
}
