//! Two recordings against each other: the same material? How do they lie, how does that change, and what is missing in one?
//!
//! [`Comparator`] compares two blocks and serves the live path as well: it allocates nothing once it is made. [`compare`] looks
//! at whole recordings:
//!
//! 1. *Where about?* A few long stretches of A are looked for in B, over a minute either way ([`track`]).
//! 2. *Window by window* the comparator follows from there, so that steps of any size and stretches without match are seen.
//! 3. *Course*: one drift and the steps ([`course`]), robustly.
//! 4. *Second look* along that course, by all of the recording at once ([`fine`]); then the course again, from sharper windows.
//! 5. *When* each step was and what was missing, to the sample ([`edges`]); whether the material repeats.
//!
//! Offsets are in samples of A, above zero when A is ahead: what A plays at sample `n`, B plays at `n + offset`. Instants are those of
//! both files' common start, as if they had been started together: at sample `t`, A plays what B will play `offset(t)` later, and
//! an offset belongs to the instant at which B plays it.

mod comparator;
mod course;
mod delay;
mod edges;
mod fine;
mod period;
mod resample;
mod track;
mod transform;

use base::{Db, Hertz, Ppm, Samples, Span};

pub use comparator::{Comparator, Comparison, Polarity};

use course::{Course, Point};
use edges::Edges;
use fine::Fine;
use track::Tracker;

/// How recordings are compared.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct PairConfig {
    /// Length of a window; by default a sixteenth of what both share, 0.1 to 1 s.
    pub window: Option<Span>,
}

/// One window.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct PairWindow {
    /// Its middle.
    pub at: Span,
    /// Whether both hold the same there.
    pub matches: bool,
    /// The offset there; `None` when they do not match.
    pub offset: Option<Samples>,
    /// 0 (as unrelated) to 1 (the same).
    pub confidence: f64,
}

/// A sudden change of the offset.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct PairStep {
    /// When.
    pub at: Span,
    /// Offset before.
    pub from: Samples,
    /// Offset after.
    pub to: Samples,
}

/// One of the two.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Side {
    /// The first recording.
    A,
    /// The second.
    B,
}

/// A stretch that is zeroed, or as good as, in one while the other sounds.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct PairDropout {
    /// In which.
    pub side: Side,
    /// Its first sample there.
    pub from: Samples,
    /// The first sample after it.
    pub to: Samples,
}

/// Why two recordings do not match.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum NoMatch {
    /// One of them, or both, holds too little: less than 16 samples.
    TooShort,
    /// One holds nothing but silence (or a constant).
    Silent(Side),
    /// Both do.
    BothSilent,
    /// Nothing of the one is found in the other.
    Unlike,
    /// Something is, but in too small a part (0 to 1) of what both share.
    TooLittle(f64),
}

/// What two recordings say about each other.
#[derive(Clone, PartialEq, Debug)]
pub struct PairReport {
    /// Why they do not match; `None` when they do.
    pub no_match: Option<NoMatch>,
    /// The windows, in order.
    pub windows: Vec<PairWindow>,
    /// The offset at the middle of what both share, with twice its standard deviation.
    pub offset: Option<(Samples, Samples)>,
    /// The period of repeating material: other offsets fit alike.
    pub period: Option<Samples>,
    /// Rate of change of the offset, with twice its standard deviation; `None` when too few windows match to tell.
    pub drift: Option<(Ppm, Ppm)>,
    /// B relative to A.
    pub gain: Option<Db>,
    /// Whether B is A upside down.
    pub polarity: Option<Polarity>,
    /// The steps, in order.
    pub steps: Vec<PairStep>,
    /// The dropouts, A's first.
    pub dropouts: Vec<PairDropout>,
}

/// Even the best material and estimator are not believed beyond this, in samples.
const SUREST: f64 = 0.004;
/// Less than this part of the windows that could match is too little.
const LEAST_PART: f64 = 0.2;

/// No two clocks that play the same drift apart faster than this: 2,000 ppm (common practice, no source: crystals keep to 100).
const STEEPEST: f64 = 2e-3;

/// Compares A, at `rate_a` samples a second, with B. At unequal rates B is brought to A's. What is no number counts as zero.
pub fn compare(a: &[f32], rate_a: Hertz, b: &[f32], rate_b: Hertz, config: PairConfig) -> PairReport {
    let a = clean(a);
    let b = if rate_a == rate_b { clean(b) } else { resample::resample(b, rate_b.0, rate_a.0) };
    match Look::new(&a, &b, rate_a.0, config) {
        Err(why) => nothing(why),
        Ok(look) => look.report(),
    }
}

fn nothing(why: NoMatch) -> PairReport {
    PairReport {
        no_match: Some(why),
        windows: Vec::new(),
        offset: None,
        period: None,
        drift: None,
        gain: None,
        polarity: None,
        steps: Vec::new(),
        dropouts: Vec::new(),
    }
}

fn clean(samples: &[f32]) -> Vec<f32> {
    samples.iter().map(|v| if v.is_finite() { *v } else { 0.0 }).collect()
}

struct Look<'a> {
    a: &'a [f32],
    b: &'a [f32],
    rate: f64,
    tracker: Tracker<'a>,
}

impl<'a> Look<'a> {
    fn new(a: &'a [f32], b: &'a [f32], rate: f64, config: PairConfig) -> Result<Look<'a>, NoMatch> {
        if a.len().min(b.len()) < 16 {
            return Err(NoMatch::TooShort);
        }
        match (track::is_silent(a), track::is_silent(b)) {
            (true, true) => return Err(NoMatch::BothSilent),
            (true, false) => return Err(NoMatch::Silent(Side::A)),
            (false, true) => return Err(NoMatch::Silent(Side::B)),
            _ => {}
        }
        let tracker = Tracker::new(a, b, rate, config.window.map(|w| w.secs_f64() * rate)).ok_or(NoMatch::Unlike)?;
        Ok(Look { a, b, rate, tracker })
    }

    fn report(mut self) -> PairReport {
        let mut spans = self.tracker.follow();
        let (could, do_match) =
            (spans.iter().filter(|s| s.sounds).count(), spans.iter().filter(|s| s.found.is_some()).count());
        let part = do_match as f64 / could.max(1) as f64;
        let least = if could >= 8 { 2 } else { 1 };
        if do_match < least || part < LEAST_PART {
            let why = if do_match == 0 || part < LEAST_PART / 2.0 { NoMatch::Unlike } else { NoMatch::TooLittle(part) };
            spans.iter_mut().for_each(track::Window::doubt);
            return PairReport { windows: windows(&spans, self.rate), ..nothing(why) };
        }
        let points: Vec<Point> = spans.iter().filter_map(|s| s.found).collect();
        let Some(mut course) = Course::through(&points) else { return nothing(NoMatch::Unlike) };

        let mut fine = Fine::new(self.a, self.b, self.tracker.frame());
        let mut whole = None;
        let mut sharp;
        for _ in 0..2 {
            let mut sums = fine.sums();
            for s in spans.iter().filter(|s| s.found.is_some()) {
                fine.add(s.from.saturating_sub(fine.hop()), s.to + fine.hop(), &course, &mut sums);
            }
            let Some(w) = fine.whole(&sums) else { break };
            sharp = Vec::new();
            for s in &mut spans {
                let Some(coarse) = s.found else { continue };
                let Some((mut p, alike)) = fine.window(s.from, s.to, &course, &w) else { continue };
                // What lies beyond the reach of the second look is left to the first.
                if (coarse.y - course.at(p.t)).abs() > 2.0 {
                    p = coarse;
                } else {
                    p.y += w.correction.samples;
                    s.confidence = s.confidence.max(alike);
                }
                s.found = Some(p);
                sharp.push(p);
            }
            if let Some(c) = Course::through(&sharp) {
                course = c;
            }
            whole = Some(w);
        }

        if !self.holds(&spans, &course, whole.as_ref(), could) {
            spans.iter_mut().for_each(track::Window::doubt);
            return PairReport { windows: windows(&spans, self.rate), ..nothing(NoMatch::Unlike) };
        }
        let edges = Edges::new(self.a, self.b, self.rate, whole.as_ref().map_or(0.0, |w| w.alien));
        let sign = whole.as_ref().map_or(self.tracker.sign(), |w| w.correction.sign);
        let gain = whole.as_ref().map_or(self.tracker.gain(), |w| w.gain);
        let steps = edges.date(&mut course, sign * gain, self.tracker.window());
        let middle = self.middle(&course);
        let extra = whole.as_ref().map_or(0.0, |w| w.correction.sigma.powi(2));
        let unsettled = whole.as_ref().map_or(0.0, |w| w.unsettled);
        let sigma = (course.variance(middle) + extra).sqrt();
        let offset = (Samples(course.at(middle)), Samples(2.0 * sigma + SUREST + unsettled));
        let drift = course.slope_variance.map(|v| {
            let length = (self.a.len().min(self.b.len()) as f64).max(1.0);
            (Ppm(course.slope * 1e6), Ppm(1e6 * (2.0 * v.sqrt() + SUREST / length)))
        });
        let period = self.tracker.period(&course);
        PairReport {
            no_match: None,
            windows: windows(&spans, self.rate),
            offset: Some(offset),
            period: period.map(Samples),
            drift,
            gain: Some(Db(20.0 * gain.log10())),
            polarity: Some(if sign < 0.0 { Polarity::Inverted } else { Polarity::Same }),
            steps,
            dropouts: edges.dropouts(&course),
        }
    }

    /// Whether the windows bear each other out. Unrelated sounds have windows that look alike by chance, each at another lag: they
    /// lie on no course, or on one that no two machines take, and have next to no power in common along it.
    fn holds(&self, spans: &[track::Window], course: &Course, whole: Option<&fine::Whole>, could: usize) -> bool {
        let matching = || spans.iter().filter_map(|s| s.found);
        let on_course = |p: &Point| (p.y - course.at(p.t)).abs() < 1.0 + 4.0 * p.variance.sqrt();
        let near = matching().filter(on_course).count();
        let pieces = course.pieces.len() - 1;
        near as f64 >= LEAST_PART * could as f64
            && 2 * near > matching().count()
            && course.slope.abs() < STEEPEST
            && (pieces <= 2 || pieces * 5 <= near)
            && whole.is_none_or(|w| w.alien < 0.98)
    }

    /// The middle of what both share: half-way between where that lies in A and where it lies in B. Of files of one length it is
    /// the middle of the file.
    fn middle(&self, course: &Course) -> f64 {
        let (na, nb) = (self.a.len() as f64, self.b.len() as f64);
        let first = course.on(0, 0.0).max(0.0);
        let end = course.pieces.len() - 1;
        let last = nb.min(na + course.on(end, nb));
        let in_b = (first + last) / 2.0;
        in_b - course.at(in_b) / 2.0
    }
}

fn windows(spans: &[track::Window], rate: f64) -> Vec<PairWindow> {
    let one = |s: &track::Window| PairWindow {
        at: Span::from_secs_f64((s.from + s.to) as f64 / 2.0 / rate),
        matches: s.found.is_some(),
        offset: s.found.map(|p| Samples(p.y)),
        confidence: s.confidence,
    };
    spans.iter().map(one).collect()
}
