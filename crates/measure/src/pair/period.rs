//! Whether material repeats, so that other lags fit alike. The derivation stands in `comparator.rs`.

use super::comparator::ALIKE;

/// Running energies of both blocks.
pub(crate) struct Energies {
    a: Vec<f64>,
    b: Vec<f64>,
}

impl Energies {
    /// For blocks of at most this many samples together.
    pub(crate) fn new(capacity: usize) -> Energies {
        Energies { a: Vec::with_capacity(capacity + 2), b: Vec::with_capacity(capacity + 2) }
    }

    /// The period, from a circular correlation of the two (`c[n]`: B later by `n`) and the lag at which they match.
    pub(crate) fn period(&mut self, c: &[f32], a: &[f32], b: &[f32], lag: i64) -> Option<f64> {
        for (sums, block) in [(&mut self.a, a), (&mut self.b, b)] {
            sums.clear();
            let mut sum = 0.0;
            sums.push(sum);
            for v in block {
                sum += if v.is_finite() { f64::from(*v).powi(2) } else { 0.0 };
                sums.push(sum);
            }
        }
        let size = c.len() as i64;
        let at = |l: i64| f64::from(c[l.rem_euclid(size) as usize]);
        let here = self.common(lag);
        let (sign, here) = (at(lag).signum(), at(lag).abs() / here?);
        // Both directions where both have enough to say.
        let ratio = |t: i64| {
            let side = |l: i64| self.common(l).map(|energy| sign * at(l) / energy / here);
            match (side(lag + t), side(lag - t)) {
                (Some(x), Some(y)) => Some((x + y) / 2.0),
                (x, y) => x.or(y),
            }
        };
        let longest = a.len().max(b.len()) as i64;
        let known = (1..longest).map_while(|t| ratio(t).map(|r| (t, r)));
        let mut after_dip = known.skip_while(|(_, r)| *r > 0.5).peekable();
        after_dip.peek()?;
        let top = after_dip.clone().map(|(_, r)| r).reduce(f64::max).filter(|r| *r >= ALIKE)?;
        // The first rise that is as good as the best, to its top.
        let mut t = after_dip.find(|(_, r)| *r >= 0.85 * top)?.0;
        while let (Some(x), Some(y)) = (ratio(t), ratio(t + 1)) {
            if y <= x {
                break;
            }
            t += 1;
        }
        let (x, y, z) = (ratio(t - 1)?, ratio(t)?, ratio(t + 1).or(ratio(t))?);
        // The top of the parabola through three samples.
        let bend = x - 2.0 * y + z;
        Some(t as f64 + if bend < 0.0 { (0.5 * (x - z) / bend).clamp(-0.5, 0.5) } else { 0.0 })
    }

    /// Root of the energies that overlap at a lag; `None` where less than an eighth is left of either.
    fn common(&self, lag: i64) -> Option<f64> {
        let (na, nb) = (self.a.len() as i64 - 1, self.b.len() as i64 - 1);
        let (from, to) = ((-lag).max(0), na.min(nb - lag));
        if from >= to {
            return None;
        }
        let ea = self.a[to as usize] - self.a[from as usize];
        let eb = self.b[(to + lag) as usize] - self.b[(from + lag) as usize];
        let enough = |part: f64, all: f64| part > 0.125 * all;
        let (all_a, all_b) = (*self.a.last()?, *self.b.last()?);
        (enough(ea, all_a) && enough(eb, all_b)).then(|| (ea * eb).sqrt())
    }
}
