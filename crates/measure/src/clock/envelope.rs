//! The line through the low-delay exchanges: offset and skew from the two envelopes of the one-way limits.
//!
//! Every exchange gives an upper limit u of the offset at t1 and a lower limit l of it at t4 (`exchange.rs`). With an
//! even clock, theta(t) = a + b t, and path delays that have a floor, the upper limits lie above the line
//! a + f + b t and the lower ones below a - g + b t, where f and g are the floors of the two ways. So
//!
//! - take both envelopes, with *one* slope b, since there is one pair of clocks: theta is midway between them when
//!   f = g, and within half their distance of it whatever f and g are;
//! - each way needs only its own lucky packets. A round trip must be lucky twice, which is why the least-delay
//!   filter of RFC 5905 section 10 has fewer good ones to choose from, and hands out old ones.
//!
//! The record is cut into bins. Of each bin only its lowest u and its highest l are kept (both seen along the present
//! slope); when the bins are all used, neighbours merge and the bins become twice as long, up to `WIDEST`: early on
//! the fit follows every exchange, later it looks back `BINS * WIDEST` and still costs the same.
//!
//! Through the kept points goes a weighted least-squares line with a level for each way and one slope:
//!
//! ```text
//! b = (sum_u w (t - tu)(u - ub) + sum_l w (t - tl)(l - lb) + P b0) / (sum_u w (t - tu)^2 + sum_l w (t - tl)^2 + P)
//! ```
//!
//! tu, ub, tl, lb being weighted means and P = s^2 / sigma0^2 the weight of what was believed of b beforehand (crystals
//! are within some 100 ppm; after a step the old skew). A bin all of whose packets waited in a queue lies far inside
//! its limit, so the weights fall with the square of that excess, in units of the scale s of the residuals. s is taken
//! from their lower quantile, so that it does not see the queue as long as two fifths of the points are good ones.

/// Bins kept at most.
pub(super) const BINS: usize = 48;
/// The first bins' length and the longest, in seconds.
const NARROWEST: f64 = 0.125;
const WIDEST: f64 = 1.0;
/// No residual scale below this is believed, in seconds: clocks are read to some tens of nanoseconds.
const SCALE_FLOOR: f64 = 30e-9;

/// A limit at an instant, in seconds from the estimator's own zero.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Limit {
    pub t: f64,
    pub y: f64,
}

#[derive(Clone, Copy, Debug, Default)]
struct Bin {
    starts: f64,
    upper: Limit,
    lower: Limit,
}

/// What the fit says. All in seconds; slopes are seconds a second.
#[derive(Clone, Copy, Debug)]
pub(super) struct Fit {
    /// Where the line is known best.
    pub t_mid: f64,
    /// The two levels there, and the slope.
    pub upper: f64,
    pub lower: f64,
    pub slope: f64,
    /// One standard deviation of the slope, and of the middle at `t_mid`.
    pub slope_sigma: f64,
    pub level_sigma: f64,
    /// The scale of the residuals.
    pub scale: f64,
}

impl Fit {
    pub(super) fn upper_at(&self, t: f64) -> f64 {
        self.upper + self.slope * (t - self.t_mid)
    }
    pub(super) fn lower_at(&self, t: f64) -> f64 {
        self.lower + self.slope * (t - self.t_mid)
    }
    pub(super) fn middle_at(&self, t: f64) -> f64 {
        (self.upper + self.lower) / 2.0 + self.slope * (t - self.t_mid)
    }
    /// One standard deviation of the middle at `t`.
    pub(super) fn sigma_at(&self, t: f64) -> f64 {
        self.level_sigma.hypot(self.slope_sigma * (t - self.t_mid))
    }
    /// Half the distance of the envelopes: no unlikeness of the two ways can shift the offset by more.
    pub(super) fn half_width(&self) -> f64 {
        ((self.upper - self.lower) / 2.0).max(0.0)
    }
}

/// What was believed of the slope beforehand.
#[derive(Clone, Copy, Debug)]
pub(super) struct SlopePrior {
    pub slope: f64,
    pub sigma: f64,
}

#[derive(Clone, Debug)]
pub(super) struct Envelope {
    bins: [Bin; BINS],
    len: usize,
    width: f64,
    prior: SlopePrior,
    fit: Option<Fit>,
}

impl Envelope {
    pub(super) fn new(prior: SlopePrior) -> Envelope {
        Envelope { bins: [Bin::default(); BINS], len: 0, width: NARROWEST, prior, fit: None }
    }

    pub(super) fn fit(&self) -> Option<&Fit> {
        self.fit.as_ref()
    }

    /// Takes in both limits of one exchange and fits anew if they changed anything.
    pub(super) fn on_limits(&mut self, upper: Limit, lower: Limit) {
        let slope = self.fit.map_or(self.prior.slope, |f| f.slope);
        if self.len > 0 && lower.t < self.bins[self.len - 1].starts + self.width {
            let bin = &mut self.bins[self.len - 1];
            let better_upper = upper.y - slope * upper.t < bin.upper.y - slope * bin.upper.t;
            let better_lower = lower.y - slope * lower.t > bin.lower.y - slope * bin.lower.t;
            if better_upper {
                bin.upper = upper;
            }
            if better_lower {
                bin.lower = lower;
            }
            if better_upper || better_lower {
                self.refit();
            }
            return;
        }
        let bent = self.len >= BINS / 2 && self.len.is_multiple_of(4) && self.is_bent();
        if bent {
            self.forget_oldest(self.len / 2);
        }
        if self.len == BINS {
            if self.width < WIDEST {
                self.merge(slope);
            } else {
                self.forget_oldest(1);
            }
        }
        self.bins[self.len] = Bin { starts: lower.t, upper, lower };
        self.len += 1;
        self.refit();
    }

    fn forget_oldest(&mut self, n: usize) {
        self.bins.copy_within(n..self.len, 0);
        self.len -= n;
    }

    fn merge(&mut self, slope: f64) {
        let height = |p: Limit| p.y - slope * p.t;
        for i in 0..self.len / 2 {
            let (a, b) = (self.bins[2 * i], self.bins[2 * i + 1]);
            self.bins[i] = Bin {
                starts: a.starts,
                upper: if height(b.upper) < height(a.upper) { b.upper } else { a.upper },
                lower: if height(b.lower) > height(a.lower) { b.lower } else { a.lower },
            };
        }
        self.len /= 2;
        self.width *= 2.0;
    }

    /// Whether the record is bent, as when a crystal warms up. The middle third of a straight record lies on the mean
    /// of the outer thirds; six standard deviations off, the older half misleads.
    fn is_bent(&self) -> bool {
        let Some(fit) = self.fit else { return false };
        let third = self.len / 3;
        let mean = |bins: &[Bin]| {
            let (mut sum, mut weight) = (0.0, 0.0);
            for b in bins {
                let up = b.upper.y - fit.upper_at(b.upper.t);
                let down = fit.lower_at(b.lower.t) - b.lower.y;
                let (wu, wd) = (weight_of(up, fit.scale), weight_of(down, fit.scale));
                let w = wu.min(wd);
                sum += w * (up - down) / 2.0;
                weight += w;
            }
            (sum / weight.max(1e-9), weight)
        };
        let (first, n1) = mean(&self.bins[..third]);
        let (middle, n2) = mean(&self.bins[third..2 * third]);
        let (last, n3) = mean(&self.bins[2 * third..self.len]);
        let sigma = fit.scale * (0.125 / n1.max(0.1) + 0.5 / n2.max(0.1) + 0.125 / n3.max(0.1)).sqrt();
        ((first + last) / 2.0 - middle).abs() > 6.0 * sigma
    }

    fn refit(&mut self) {
        let bins = &self.bins[..self.len];
        // Few points: begin from the outermost ones. Later the last fit is the best beginning.
        let begin = match self.fit {
            Some(fit) if self.len > 8 => fit,
            _ => outermost(bins, self.fit.map_or(self.prior.slope, |f| f.slope)),
        };
        let rounds = if self.len > 8 { 2 } else { 3 };
        let mut fit = begin;
        for _ in 0..rounds {
            let scale = scale_of(bins, &fit);
            fit = weighted(bins, &fit, scale, self.prior);
        }
        self.fit = Some(fit);
    }
}

/// Full weight on and beyond the envelope, falling with the fourth power of the excess inside it.
fn weight_of(excess: f64, scale: f64) -> f64 {
    if excess <= 0.0 {
        return 1.0;
    }
    let r = excess / (2.0 * scale);
    let d = 1.0 + r * r;
    1.0 / (d * d)
}

fn outermost(bins: &[Bin], slope: f64) -> Fit {
    let t_mid = bins.last().map_or(0.0, |b| b.lower.t);
    let upper = bins.iter().map(|b| b.upper.y - slope * (b.upper.t - t_mid)).fold(f64::INFINITY, f64::min);
    let lower = bins.iter().map(|b| b.lower.y - slope * (b.lower.t - t_mid)).fold(f64::NEG_INFINITY, f64::max);
    Fit { t_mid, upper, lower, slope, slope_sigma: 0.0, level_sigma: 0.0, scale: SCALE_FLOOR }
}

fn scale_of(bins: &[Bin], fit: &Fit) -> f64 {
    let mut residuals = [0.0; 2 * BINS];
    for (pair, b) in residuals.chunks_exact_mut(2).zip(bins) {
        pair[0] = (b.upper.y - fit.upper_at(b.upper.t)).abs();
        pair[1] = (b.lower.y - fit.lower_at(b.lower.t)).abs();
    }
    let used = &mut residuals[..2 * bins.len()];
    let k = used.len() * 2 / 5;
    let (_, q, _) = used.select_nth_unstable_by(k, f64::total_cmp);
    // The two-fifths quantile of a normal residual's size is 0.524 sigma.
    (*q / 0.524).max(SCALE_FLOOR)
}

/// Weighted sums of one way's points about a shift that keeps the sums small.
#[derive(Default)]
struct Sums {
    w: f64,
    t: f64,
    y: f64,
    tt: f64,
    ty: f64,
}

impl Sums {
    fn add(&mut self, w: f64, t: f64, y: f64) {
        self.w += w;
        self.t += w * t;
        self.y += w * y;
        self.tt += w * t * t;
        self.ty += w * t * y;
    }
    fn centred(&self) -> (f64, f64, f64, f64) {
        let (t, y) = (self.t / self.w, self.y / self.w);
        (t, y, self.tt - self.w * t * t, self.ty - self.w * t * y)
    }
}

fn weighted(bins: &[Bin], last: &Fit, scale: f64, prior: SlopePrior) -> Fit {
    let (mut up, mut down) = (Sums::default(), Sums::default());
    let zero = bins.last().map_or(0.0, |b| b.lower.t);
    for b in bins {
        // Residuals against the last line rather than the limits themselves: small numbers lose no digits.
        let ru = b.upper.y - last.upper_at(b.upper.t);
        let rl = b.lower.y - last.lower_at(b.lower.t);
        up.add(weight_of(ru, scale), b.upper.t - zero, ru);
        down.add(weight_of(-rl, scale), b.lower.t - zero, rl);
    }
    let (tu, yu, ttu, tyu) = up.centred();
    let (tl, yl, ttl, tyl) = down.centred();
    let prior_weight = scale * scale / (prior.sigma * prior.sigma);
    let total = ttu + ttl + prior_weight;
    let slope_change = (tyu + tyl + prior_weight * (prior.slope - last.slope)) / total;
    let t_mid = zero + (tu + tl) / 2.0;
    let upper = last.upper_at(t_mid) + yu + slope_change * (t_mid - zero - tu);
    let lower = last.lower_at(t_mid) + yl + slope_change * (t_mid - zero - tl);
    Fit {
        t_mid,
        upper,
        lower,
        slope: last.slope + slope_change,
        slope_sigma: scale / total.sqrt(),
        level_sigma: scale * (1.0 / up.w + 1.0 / down.w).sqrt() / 2.0,
        scale,
    }
}
