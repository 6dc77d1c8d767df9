//! The delay that a set of bands agrees on: the slope of phase over frequency.
//!
//! A delay of `tau` samples turns the cross-spectrum by `-w tau` at `w` radians a sample. With `phi` the phase of a band, `K`
//! independent looks at it and `g2` its squared coherence, the phase's variance is `(1 - g2) / (2 K g2)` (Carter 1987, *Coherence
//! and time delay estimation*, equation for high K), so that the most likely delay maximises
//!
//! ```text
//! P(tau) = sum over bands of  v cos(phi + w tau),     v = K g2 / (1 - g2)
//! ```
//!
//! which is the processor of Hannan and Thomson (1973), equal to the most likely one in Knapp and Carter (1976). The cosine, other
//! than a straight line through unwrapped phases, has no wraps to get wrong, and a band that is turned far off counts less. Near
//! the top `P` is a parabola: Newton's step `tau -= P' / P''` closes in at once. The variance of `tau` is
//! `1 / sum(2 v w^2)`. Neither peak nor slope is bound to whole samples, so there is no bias towards them, which interpolating a
//! sampled correlation has.

/// What one band says.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Band {
    /// Its middle, in radians a sample.
    pub w: f64,
    /// Cross-spectrum over the root of both powers: the complex coherence.
    pub re: f64,
    pub im: f64,
    /// `K g2 / (1 - g2)`: how much its phase says.
    pub v: f64,
}

/// A coherence above this is not believed: quantising and the edges of blocks are noise too.
const MOST: f64 = 0.9995;

impl Band {
    /// From sums over a band with `looks` independent looks.
    pub(crate) fn new(w: f64, cross: (f64, f64), power_a: f64, power_b: f64, looks: f64) -> Band {
        let power = power_a * power_b;
        if power.is_nan() || power <= 0.0 {
            return Band { w, ..Band::default() };
        }
        let (re, im) = (cross.0 / power.sqrt(), cross.1 / power.sqrt());
        let g2 = unbiased(re * re + im * im, looks).min(MOST);
        Band { w, re, im, v: looks * g2 / (1.0 - g2) }
    }
    /// Squared coherence.
    pub(crate) fn squared(&self) -> f64 {
        self.re * self.re + self.im * self.im
    }
    /// Real part after a delay is taken out.
    pub(crate) fn real_at(&self, tau: f64) -> f64 {
        let (sin, cos) = (self.w * tau).sin_cos();
        self.re * cos - self.im * sin
    }
}

/// Squared coherence without what chance adds: unrelated noise reads `1 / looks`.
pub(crate) fn unbiased(squared: f64, looks: f64) -> f64 {
    let chance = 1.0 / looks.max(1.0);
    if chance >= 1.0 { 0.0 } else { ((squared - chance) / (1.0 - chance)).clamp(0.0, 1.0) }
}

/// A delay, and how well it is known.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Delay {
    pub samples: f64,
    /// Standard deviation.
    pub sigma: f64,
    /// -1 when one is the other upside down.
    pub sign: f64,
    /// Share of the bands' weight that agrees: 1 when all phases lie on one slope.
    pub agreement: f64,
}

/// The best delay within `reach` of zero, of either sign, or of the sign given.
pub(crate) fn fit(bands: &[Band], reach: f64, sign: Option<f64>) -> Option<Delay> {
    let phase = |b: &Band| (b.v, b.im.atan2(b.re), b.w);
    let used = || bands.iter().filter(|b| b.v > 0.0).map(phase);
    let all: f64 = used().map(|(v, ..)| v).sum();
    let width: f64 = used().map(|(v, _, w)| v * w * w).sum();
    if all <= 0.0 || width <= 0.0 {
        return None;
    }
    let sum = |tau: f64| used().map(|(v, phi, w)| v * (phi + w * tau).cos()).sum::<f64>();
    // The finest ripple is half a turn a sample: eight looks a sample miss no hill.
    let steps = (reach * 8.0).ceil() as i32;
    let scan = (-steps..=steps).map(|i| f64::from(i) / 8.0).map(|tau| (tau, sum(tau)));
    let score = |p: f64| sign.map_or(p.abs(), |s| p * s);
    let (mut tau, top) = scan.max_by(|x, y| score(x.1).total_cmp(&score(y.1)).then(y.0.abs().total_cmp(&x.0.abs())))?;
    let sign = sign.unwrap_or(if top < 0.0 { -1.0 } else { 1.0 });
    for _ in 0..4 {
        let (mut d1, mut d2) = (0.0, 0.0);
        for (v, phi, w) in used() {
            let (sin, cos) = (phi + w * tau).sin_cos();
            d1 -= sign * v * w * sin;
            d2 -= sign * v * w * w * cos;
        }
        if d2 >= 0.0 {
            break;
        }
        tau -= (d1 / d2).clamp(-0.25, 0.25);
    }
    let agreement = (sign * sum(tau) / all).clamp(0.0, 1.0);
    Some(Delay { samples: tau, sigma: (2.0 * width).recip().sqrt(), sign, agreement })
}
