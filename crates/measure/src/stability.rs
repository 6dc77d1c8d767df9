//! Stability of a clock, from its phase at even spacing: the deviations of NIST SP 1065 (Riley, *Handbook of Frequency
//! Stability Analysis*, 2008, section 5).
//!
//! Let x be N phases (time errors) spaced tau0 apart, tau = m tau0, and d(i) = x(i+2m) - 2 x(i+m) + x(i), which is what
//! a clock of constant frequency has none of. Then
//!
//! ```text
//! ADEV^2  = mean of d^2 over every m-th i               / (2 tau^2)
//! OADEV^2 = mean of d^2 over every i                    / (2 tau^2)
//! MDEV^2  = mean over j of (mean of d(j)..d(j+m-1))^2   / (2 tau^2)
//! TDEV    = tau MDEV / sqrt(3)
//! ```

use base::Span;

/// The deviations at one averaging time. `None` where the record is too short for them.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Deviations {
    /// The averaging time in spacings.
    pub spacings: usize,
    /// Allan deviation, adjacent samples; without unit.
    pub adev: Option<f64>,
    /// Overlapping Allan deviation; without unit.
    pub oadev: Option<f64>,
    /// Modified Allan deviation; without unit.
    pub mdev: Option<f64>,
    /// Time deviation, in the unit of the phases.
    pub tdev: Option<f64>,
}

/// The deviations of `phase` at 1, 2, 5, 10, 20, 50 ... spacings, as far as the record reaches.
pub fn deviations(phase: &[f64], spacing: Span) -> Vec<Deviations> {
    let decades = core::iter::successors(Some(1usize), |d| d.checked_mul(10));
    decades
        .flat_map(|d| [Some(d), d.checked_mul(2), d.checked_mul(5)])
        .flatten()
        .take_while(|m| m.checked_mul(2).is_some_and(|two| two < phase.len()))
        .map(|m| Deviations {
            spacings: m,
            adev: adev(phase, spacing, m),
            oadev: oadev(phase, spacing, m),
            mdev: mdev(phase, spacing, m),
            tdev: tdev(phase, spacing, m),
        })
        .collect()
}

/// Phases from frequencies (differences of phase over spacing): their running sum, from 0.
pub fn phase_of(frequency: &[f64], spacing: Span) -> Vec<f64> {
    let mut x = 0.0;
    let mut phase = Vec::with_capacity(frequency.len() + 1);
    phase.push(x);
    for y in frequency {
        x += y * spacing.secs_f64();
        phase.push(x);
    }
    phase
}

/// Allan deviation at `m` spacings.
pub fn adev(phase: &[f64], spacing: Span, m: usize) -> Option<f64> {
    stepped(phase, spacing, m, m)
}

/// Overlapping Allan deviation at `m` spacings.
pub fn oadev(phase: &[f64], spacing: Span, m: usize) -> Option<f64> {
    stepped(phase, spacing, m, 1)
}

/// Modified Allan deviation at `m` spacings.
pub fn mdev(phase: &[f64], spacing: Span, m: usize) -> Option<f64> {
    let tau = tau(spacing, m)?;
    let terms = (phase.len() + 1).checked_sub(m.checked_mul(3)?)?;
    if terms == 0 {
        return None;
    }
    let second = |i: usize| phase[i + 2 * m] - 2.0 * phase[i + m] + phase[i];
    let mut window: f64 = (0..m).map(second).sum();
    let mut sum = window * window;
    for j in 1..terms {
        window += second(j + m - 1) - second(j - 1);
        sum += window * window;
    }
    let mean = sum / terms as f64 / (m as f64 * m as f64);
    Some((mean / (2.0 * tau * tau)).sqrt())
}

/// Time deviation at `m` spacings, in the unit of the phases.
pub fn tdev(phase: &[f64], spacing: Span, m: usize) -> Option<f64> {
    Some(mdev(phase, spacing, m)? * tau(spacing, m)? / 3f64.sqrt())
}

fn stepped(phase: &[f64], spacing: Span, m: usize, step: usize) -> Option<f64> {
    let tau = tau(spacing, m)?;
    let terms = phase.len().checked_sub(m.checked_mul(2)?)?;
    let (mut sum, mut n) = (0.0, 0u64);
    for i in (0..terms).step_by(step) {
        let d = phase[i + 2 * m] - 2.0 * phase[i + m] + phase[i];
        sum += d * d;
        n += 1;
    }
    (n > 0).then(|| (sum / n as f64 / (2.0 * tau * tau)).sqrt())
}

fn tau(spacing: Span, m: usize) -> Option<f64> {
    (m > 0 && spacing > Span::ZERO).then(|| spacing.secs_f64() * m as f64)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    const SECOND: Span = Span::from_secs(1);

    /// The 1000-point set of NIST SP 1065 section 12.4: n(i+1) = 16807 n(i) mod 2147483647 from 1234567890, over the
    /// modulus.
    fn thousand() -> Vec<f64> {
        let mut n = 1_234_567_890u64;
        (0..1_000)
            .map(|_| {
                let y = n as f64 / 2_147_483_647.0;
                n = 16_807 * n % 2_147_483_647;
                y
            })
            .collect()
    }

    fn close(a: Option<f64>, b: f64) {
        assert!((a.unwrap() / b - 1.0).abs() < 2e-6, "{a:?} against {b}");
    }

    /// NIST SP 1065, table of the 1000-point set (values from memory; `tests/outside/stability_allantools.py` checks
    /// the same set against allantools).
    #[test]
    fn the_thousand_points_of_nist_sp_1065() {
        let phase = phase_of(&thousand(), SECOND);
        for (m, a, o, d, t) in [
            (1, 2.922_319e-1, 2.922_319e-1, 2.922_319e-1, 1.687_202e-1),
            (10, 9.965_736e-2, 9.159_953e-2, 6.172_376e-2, 3.563_623e-1),
            (100, 3.897_804e-2, 3.241_343e-2, 2.170_921e-2, 1.253_382),
        ] {
            close(adev(&phase, SECOND, m), a);
            close(oadev(&phase, SECOND, m), o);
            close(mdev(&phase, SECOND, m), d);
            close(tdev(&phase, SECOND, m), t);
        }
    }

    /// The nine frequencies of NBS Monograph 140 ("NBS14"), with the results of NIST SP 1065 (from memory).
    #[test]
    fn the_nine_points_of_nbs14() {
        let y = [892.0, 809.0, 823.0, 798.0, 671.0, 644.0, 883.0, 903.0, 677.0];
        let phase = phase_of(&y, SECOND);
        close(adev(&phase, SECOND, 1), 91.229_45);
        close(adev(&phase, SECOND, 2), 115.808_2);
        close(oadev(&phase, SECOND, 2), 85.952_87);
        close(mdev(&phase, SECOND, 2), 74.788_49);
        close(tdev(&phase, SECOND, 2), 86.358_31);
    }

    #[test]
    fn a_short_record_has_no_deviation() {
        assert_eq!(adev(&[0.0, 1.0], SECOND, 1), None);
        assert_eq!(mdev(&[0.0, 1.0, 5.0, 2.0], SECOND, 2), None);
        assert_eq!(oadev(&[0.0, 1.0, 5.0], SECOND, usize::MAX), None);
        assert_eq!(oadev(&[0.0, 1.0, 5.0], Span::ZERO, 1), None);
        assert!(deviations(&[], SECOND).is_empty());
        assert_eq!(deviations(&[0.0; 21], SECOND).iter().map(|d| d.spacings).collect::<Vec<_>>(), [1, 2, 5, 10]);
    }
}
