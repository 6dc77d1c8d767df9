//! Two stretches of sound side by side.

use base::{Db, Dbfs, Hertz, MonoTime, Span};

use super::Likeness;

/// Above this a channel sounds ...
const SOUNDS: Dbfs = Dbfs(-55.0);
/// ... and below this it is silent (common practice, no source).
const SILENT: Dbfs = Dbfs(-75.0);
/// Surely the same material, and surely not.
pub(super) const SURE: f64 = 0.5;
const SURELY_NOT: f64 = 0.2;
/// With less of their power in common than this (6 dB) two stretches are not the same sound, however well their onsets fit: another pitch,
/// another stem (common practice, no source).
const LEAST_SHARED: f64 = 0.25;
/// Fewer common samples than this are not compared.
const LEAST: usize = 2_000;
/// Excerpts are placed this well, and the offset has changed by no more since they were heard.
const EDGE: Span = Span::from_millis(20);

/// One machine's excerpt on the supervisor's clock.
#[derive(Clone, Debug)]
pub struct Heard {
    /// When its first sample was heard.
    pub at: MonoTime,
    /// Samples a second.
    pub rate: Hertz,
    /// The samples, full scale 1.
    pub samples: Vec<f32>,
}

impl Heard {
    pub(super) fn end(&self) -> MonoTime {
        self.at + base::Samples(self.samples.len() as f64).at(self.rate)
    }
}

/// What laying two stretches side by side showed.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Side {
    /// How many samples the second lies behind the first.
    pub behind: f64,
    /// Its level relative to the first.
    pub gain: Db,
    /// Its polarity is the other.
    pub inverted: bool,
    /// 0: unrelated; 1: the same.
    pub confidence: f64,
    /// How much of either's power is the other's, 0 to 1.
    pub shared: f64,
    /// The material repeats, so that other offsets fit alike.
    pub repeats: bool,
}

/// A turn's raw finding: the gain is still unjudged.
pub(super) type Laid = (MonoTime, Option<(Likeness, Db)>, Option<Span>, f64);

/// Lays the common stretch of two excerpts side by side.
///
/// With `b(t) = a(t - D)`, and first samples heard at `ta` and `tb`, sample `n` of `b` is sample `n + (tb - ta - D) r` of `a`. The
/// comparison says by how many samples `d` the second lies behind: `d = (D - (tb - ta)) r`, so that `D = d / r + (tb - ta)`.
///
/// Sound that only the edge of a stretch holds lies outside the other's: what counts is heard farther inside than both are apart.
pub(super) fn lay(
    a: &Heard,
    b: &Heard,
    apart: Span,
    side: &mut impl FnMut(&[f32], &[f32]) -> Option<Side>,
) -> Option<Laid> {
    if (a.rate.0 - b.rate.0).abs() > 1.0 {
        return None;
    }
    let skip = |later: MonoTime, earlier: MonoTime| ((later - earlier).secs_f64().max(0.0) * a.rate.0).round() as usize;
    let (skip_a, skip_b) = (skip(b.at, a.at), skip(a.at, b.at));
    let (xa, xb) = (a.samples.get(skip_a..)?, b.samples.get(skip_b..)?);
    let n = xa.len().min(xb.len());
    let edge = ((apart + EDGE).secs_f64() * a.rate.0).ceil() as usize;
    if n < LEAST + 2 * edge {
        return None;
    }
    let (xa, xb) = (&xa[..n], &xb[..n]);
    let level =
        |x: &[f32]| Dbfs::from_amplitude((x.iter().map(|s| f64::from(*s).powi(2)).sum::<f64>() / n as f64).sqrt());
    let sounds = |x: &[f32]| level(&x[edge..n - edge]).0 > SOUNDS.0;
    let silent = |x: &[f32]| level(x).0 < SILENT.0;
    let begin = |t: MonoTime, skip: usize| t + base::Samples(skip as f64).at(a.rate);
    let (ta, tb) = (begin(a.at, skip_a), begin(b.at, skip_b));
    let plain = |l: Likeness| Some((ta, Some((l, Db(0.0))), None, 1.0));
    match (sounds(xa), sounds(xb)) {
        (true, false) if silent(xb) => return plain(Likeness::Silent),
        (false, true) if silent(xa) => return plain(Likeness::Alone),
        (true, true) => {}
        _ => return None,
    }
    let mut s = side(xa, xb)?;
    if s.shared < LEAST_SHARED {
        s.confidence = s.confidence.min(s.shared).min(SURELY_NOT);
    }
    let lag = (s.confidence >= SURE && !s.repeats).then(|| base::Span::from_secs_f64(s.behind / a.rate.0) + (tb - ta));
    let found = if s.confidence >= SURE {
        // Half a period of a tone looks like the other polarity: what repeats does not tell.
        let inverted = s.inverted && !s.repeats;
        Some((if inverted { Likeness::Inverted } else { Likeness::Same }, s.gain))
    } else if s.confidence <= SURELY_NOT {
        Some((Likeness::Other, Db(0.0)))
    } else {
        None
    };
    Some((ta, found, lag, s.confidence))
}
