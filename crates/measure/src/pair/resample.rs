//! Another sample rate: band-limited interpolation.
//!
//! Sampled sound is a sum of sincs, so its value between samples is `sum over k of x[k] sinc(t - k)`. The sinc is cut to
//! [`REACH`] crossings a side by Kaiser's window (Kaiser and Schafer 1980; beta 10: what it leaves in the stop band is 100 dB down),
//! and stretched when the new rate is the lower one, so that nothing folds back. The filter is symmetrical: it delays nothing.

const REACH: usize = 32;
/// Entries of the table a crossing; between them it is read by a straight line, 120 dB exact.
const FINE: usize = 512;
const BETA: f64 = 10.0;

/// `input` at `to` samples a second instead of `from`; sample 0 stays where it is.
pub(crate) fn resample(input: &[f32], from: f64, to: f64) -> Vec<f32> {
    let (ratio, cut) = (from / to, (to / from).min(1.0));
    let table: Vec<f64> = (0..=REACH * FINE + 1).map(|i| kernel(i as f64 / FINE as f64)).collect();
    let length = ((input.len() as f64) / ratio).floor() as usize;
    let reach = REACH as f64 / cut;
    let value = |n: usize| {
        let t = n as f64 * ratio;
        let first = (t - reach).ceil().max(0.0) as usize;
        let last = ((t + reach).floor() as usize).min(input.len().saturating_sub(1));
        let tap = |k: usize| {
            let x = (t - k as f64).abs() * cut * FINE as f64;
            let (i, part) = (x as usize, x.fract());
            let (y, z) = (table.get(i).copied().unwrap_or(0.0), table.get(i + 1).copied().unwrap_or(0.0));
            y + (z - y) * part
        };
        let finite = |k: usize| input.get(k).filter(|v| v.is_finite()).map_or(0.0, |v| f64::from(*v));
        ((first..=last).map(|k| finite(k) * tap(k)).sum::<f64>() * cut) as f32
    };
    (0..length).map(value).collect()
}

/// The windowed sinc at `x` crossings from its middle.
fn kernel(x: f64) -> f64 {
    let inside = 1.0 - (x / REACH as f64).powi(2);
    if inside <= 0.0 {
        return 0.0;
    }
    let angle = std::f64::consts::PI * x;
    let sinc = if x == 0.0 { 1.0 } else { angle.sin() / angle };
    sinc * bessel(BETA * inside.sqrt()) / bessel(BETA)
}

/// Modified Bessel function of the first kind, order zero, by its series.
fn bessel(x: f64) -> f64 {
    let (mut term, mut sum, mut k) = (1.0, 1.0, 1.0);
    while term > 1e-12 * sum {
        term *= (x / (2.0 * k)).powi(2);
        sum += term;
        k += 1.0;
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_tone_keeps_its_phase_and_size() {
        for (from, to) in [(44_100.0, 48_000.0), (48_000.0, 44_100.0), (96_000.0, 48_000.0), (48_000.0, 192_000.0)] {
            let tone = |rate: f64, n: usize| (std::f64::consts::TAU * 1_000.0 * n as f64 / rate).sin();
            let input: Vec<f32> = (0..8_000).map(|n| tone(from, n) as f32).collect();
            let out = resample(&input, from, to);
            for (n, v) in out.iter().enumerate().skip(400).take(out.len() - 800) {
                assert!((f64::from(*v) - tone(to, n)).abs() < 1e-4, "{from} {to} {n}: {v} {}", tone(to, n));
            }
        }
    }
}
