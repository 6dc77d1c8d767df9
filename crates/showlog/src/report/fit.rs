//! Drift and steps of an offset, looking back over a whole song.
//!
//! **Steps.** At each sample the median of the second before is taken from the median of the second after. Where nothing
//! happens these differences are noise about the drift of one second; their median absolute deviation tells how wide. A
//! step is where a difference is the largest within a second either way, further than six such deviations from their
//! median and than half a millisecond.
//!
//! **Drift.** The samples of each whole second are averaged (t_i, y_i). Between steps the offset is a line; all lines of
//! a song share one slope b, each segment s has its own height a_s. Least squares then gives, with bars for the mean of
//! a segment,
//!
//! ```text
//! b = sum (t_i - tbar_s)(y_i - ybar_s) / Sxx,   Sxx = sum (t_i - tbar_s)^2
//! var b = sum e_i^2 / (n - segments - 1) / Sxx x (1 + r) / (1 - r)
//! ```
//!
//! where r, the correlation of neighbouring residuals, says how many of the n values are really independent: positions
//! come off fitted lines that overlap in time, and without that factor the uncertainty would be flattered (Santer et
//! al. 2000, Journal of Geophysical Research 105 D6, 7337: effective sample size n (1 - r) / (1 + r); the formula
//! from memory). r is kept within 0 and 0.95. The uncertainty given is two standard deviations.

use base::Span;

/// One known offset.
#[derive(Clone, Copy, Debug)]
pub(super) struct Point {
    /// When, in seconds from anywhere.
    pub(super) t: f64,
    /// The offset in seconds.
    pub(super) y: f64,
}

/// A straight stretch's slope.
#[derive(Clone, Copy, Debug)]
pub(super) struct Slope {
    /// Seconds per second.
    pub(super) slope: f64,
    /// Two standard deviations of it.
    pub(super) uncertainty: f64,
    /// How many one-second means it rests on.
    pub(super) means: usize,
    /// r, as kept.
    pub(super) autocorrelation: f64,
}

/// What a song's offset did.
#[derive(Clone, Debug, Default)]
pub(super) struct Fitted {
    pub(super) slope: Option<Slope>,
    /// Time and height of each step.
    pub(super) steps: Vec<(f64, f64)>,
}

/// Samples either side of a possible step: one second at 10 Hz.
const SIDE: usize = 10;
/// A step is at least this high.
const LEAST_STEP: f64 = 0.5e-3;
/// Fewer one-second means than this give no drift.
const LEAST_MEANS: usize = 10;

/// Finds the steps, then the drift between them. Points in the order of time.
pub(super) fn fit(points: &[Point]) -> Fitted {
    let cuts = find_steps(points);
    let mut segments: Vec<Vec<Point>> = Vec::new();
    let mut from = 0;
    for cut in cuts.iter().copied().chain([points.len()]) {
        segments.push(second_means(&points[from..cut]));
        from = cut;
    }
    let Some(slope) = common_slope(&segments) else { return Fitted::default() };
    let steps = cuts
        .iter()
        .zip(segments.windows(2))
        .filter_map(|(cut, pair)| {
            let t = points[*cut].t;
            Some((t, height(&pair[1], slope.slope, t)? - height(&pair[0], slope.slope, t)?))
        })
        .filter(|(_, by)| by.abs() >= LEAST_STEP)
        .collect();
    Fitted { slope: Some(slope), steps }
}

/// Where a segment's line stands at `t`.
fn height(segment: &[Point], slope: f64, t: f64) -> Option<f64> {
    let (tbar, ybar) = mean(segment)?;
    Some(ybar + slope * (t - tbar))
}

/// The indices at which a new segment begins.
fn find_steps(points: &[Point]) -> Vec<usize> {
    if points.len() < 3 * SIDE {
        return Vec::new();
    }
    let range = SIDE..=points.len() - SIDE;
    let differences: Vec<f64> =
        range.clone().map(|i| median_y(&points[i..i + SIDE]) - median_y(&points[i - SIDE..i])).collect();
    let mut sorted = differences.clone();
    let middle = median(&mut sorted);
    let mut deviations: Vec<f64> = differences.iter().map(|d| (d - middle).abs()).collect();
    // 1.4826: the median absolute deviation of a normal distribution is 1/1.4826 of its standard deviation.
    let limit = (6.0 * 1.4826 * median(&mut deviations)).max(LEAST_STEP);
    let mut cuts = Vec::new();
    let mut i = 0;
    while i < differences.len() {
        let here = (differences[i] - middle).abs();
        let (low, high) = (i.saturating_sub(SIDE), (i + SIDE).min(differences.len() - 1));
        let largest = differences[low..=high].iter().map(|d| (d - middle).abs()).fold(0.0, f64::max);
        if here > limit && here >= largest {
            cuts.push(sharpen(points, i + SIDE));
            i += SIDE;
        }
        i += 1;
    }
    cuts.dedup();
    cuts
}

/// Medians place a step only to within a plateau; the edge is where the next three samples differ most from the last three.
fn sharpen(points: &[Point], about: usize) -> usize {
    let (low, high) = (about.saturating_sub(SIDE / 2).max(3), (about + SIDE / 2).min(points.len() - 3));
    let edge = |i: usize| {
        let after: f64 = points[i..i + 3].iter().map(|p| p.y).sum();
        let before: f64 = points[i - 3..i].iter().map(|p| p.y).sum();
        (after - before).abs()
    };
    (low..=high).max_by(|a, b| edge(*a).total_cmp(&edge(*b))).unwrap_or(about)
}

/// The means of whole seconds, where at least half the samples of a second are there.
fn second_means(points: &[Point]) -> Vec<Point> {
    let mut out = Vec::new();
    let mut rest = points;
    while let Some(first) = rest.first() {
        let second = first.t.floor();
        let n = rest.partition_point(|p| p.t < second + 1.0);
        let (these, others) = rest.split_at(n.max(1));
        if these.len() >= 5
            && let Some((t, y)) = mean(these)
        {
            out.push(Point { t, y });
        }
        rest = others;
    }
    out
}

fn common_slope(segments: &[Vec<Point>]) -> Option<Slope> {
    let used: Vec<&Vec<Point>> = segments.iter().filter(|s| s.len() >= 2).collect();
    let n: usize = used.iter().map(|s| s.len()).sum();
    if n < LEAST_MEANS {
        return None;
    }
    let (mut sxx, mut sxy) = (0.0, 0.0);
    for s in &used {
        let (tbar, ybar) = mean(s)?;
        sxx += s.iter().map(|p| (p.t - tbar).powi(2)).sum::<f64>();
        sxy += s.iter().map(|p| (p.t - tbar) * (p.y - ybar)).sum::<f64>();
    }
    let freedom = n.checked_sub(used.len() + 1).filter(|f| *f > 0)?;
    if sxx <= 0.0 {
        return None;
    }
    let slope = sxy / sxx;
    let (mut squares, mut products) = (0.0, 0.0);
    for s in &used {
        let (tbar, ybar) = mean(s)?;
        let e: Vec<f64> = s.iter().map(|p| p.y - ybar - slope * (p.t - tbar)).collect();
        squares += e.iter().map(|e| e * e).sum::<f64>();
        products += e.windows(2).map(|w| w[0] * w[1]).sum::<f64>();
    }
    let r = if squares > 0.0 { (products / squares).clamp(0.0, 0.95) } else { 0.0 };
    let variance = squares / freedom as f64 / sxx * (1.0 + r) / (1.0 - r);
    Some(Slope { slope, uncertainty: 2.0 * variance.sqrt(), means: n, autocorrelation: r })
}

fn mean(points: &[Point]) -> Option<(f64, f64)> {
    let n = points.len() as f64;
    (n > 0.0).then(|| (points.iter().map(|p| p.t).sum::<f64>() / n, points.iter().map(|p| p.y).sum::<f64>() / n))
}

fn median_y(points: &[Point]) -> f64 {
    let mut ys: Vec<f64> = points.iter().map(|p| p.y).collect();
    median(&mut ys)
}

/// The median; zero of nothing. Sorts in place.
pub(super) fn median(values: &mut [f64]) -> f64 {
    let n = values.len();
    if n == 0 {
        return 0.0;
    }
    values.sort_unstable_by(f64::total_cmp);
    if n % 2 == 1 { values[n / 2] } else { (values[n / 2 - 1] + values[n / 2]) / 2.0 }
}

/// The median of spans.
pub(super) fn median_span(spans: impl Iterator<Item = Span>) -> Option<Span> {
    let mut ns: Vec<f64> = spans.map(|s| s.nanos() as f64).collect();
    (!ns.is_empty()).then(|| Span::from_nanos(median(&mut ns).round() as i64))
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    /// A small generator of even and, by the sum of twelve, nearly normal noise (seeded, no crate for so little).
    struct Noise(u64);
    impl Noise {
        fn even(&mut self) -> f64 {
            self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (self.0 >> 11) as f64 / (1u64 << 53) as f64
        }
        fn normal(&mut self) -> f64 {
            (0..12).map(|_| self.even()).sum::<f64>() - 6.0
        }
    }

    fn song(seconds: usize, ppm: f64, noise: f64, keep: f64, seed: u64) -> Vec<Point> {
        let mut n = Noise(seed);
        let mut slow = 0.0;
        (0..seconds * 10)
            .map(|i| {
                let t = i as f64 * 0.1;
                slow = keep * slow + (1.0 - keep * keep).sqrt() * n.normal() * noise;
                Point { t, y: 3e-3 + ppm * 1e-6 * t + slow }
            })
            .collect()
    }

    #[test]
    fn an_exact_line_is_found_exactly() {
        let f = fit(&song(200, 23.0, 0.0, 0.0, 1));
        let s = f.slope.unwrap();
        assert!((s.slope - 23e-6).abs() < 1e-12, "{s:?}");
        assert!(f.steps.is_empty());
        assert_eq!(s.means, 200);
    }

    #[test]
    fn the_uncertainty_holds_the_truth_as_often_as_two_deviations_should() {
        // White and strongly correlated noise: two standard deviations hold the truth in 95 of 100 cases.
        for keep in [0.0, 0.9, 0.98] {
            let held = (0..400)
                .filter(|seed| {
                    let s = fit(&song(240, 23.0, 0.2e-3, keep, 1_000 + seed)).slope.unwrap();
                    (s.slope - 23e-6).abs() <= s.uncertainty
                })
                .count();
            assert!((355..=400).contains(&held), "keep {keep}: {held} of 400");
        }
    }

    #[test]
    fn steps_are_found_where_they_are_and_do_not_bend_the_drift() {
        let mut points = song(200, -40.0, 0.1e-3, 0.5, 7);
        for p in points.iter_mut().filter(|p| p.t >= 80.0) {
            p.y += 4e-3;
        }
        for p in points.iter_mut().filter(|p| p.t >= 150.0) {
            p.y -= 2e-3;
        }
        let f = fit(&points);
        assert_eq!(f.steps.len(), 2, "{:?}", f.steps);
        assert!((f.steps[0].0 - 80.0).abs() < 0.35 && (f.steps[0].1 - 4e-3).abs() < 0.1e-3, "{:?}", f.steps);
        assert!((f.steps[1].0 - 150.0).abs() < 0.35 && (f.steps[1].1 + 2e-3).abs() < 0.1e-3, "{:?}", f.steps);
        let s = f.slope.unwrap();
        assert!((s.slope + 40e-6).abs() < s.uncertainty * 2.0, "{s:?}");
    }

    #[test]
    fn noise_alone_makes_no_step() {
        for seed in 0..50 {
            assert!(fit(&song(300, 10.0, 0.3e-3, 0.7, seed)).steps.is_empty(), "seed {seed}");
        }
    }

    #[test]
    fn too_little_gives_nothing() {
        assert!(fit(&song(5, 1.0, 0.0, 0.0, 1)).slope.is_none());
        assert!(fit(&[]).slope.is_none());
    }
}
