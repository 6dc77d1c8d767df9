//! What the house heard of a changeover, measured in a recording of the switch's output.
//!
//! *Gap*: the longest stretch round a given instant in which no programme channel rises above -60 dBFS. Programme that is not at
//! rest never does that for a millisecond, so that a longer stretch is a hole.
//!
//! *Jump*: how far the programme skipped forward. The timecode in the recording says at which sample each frame of programme
//! was heard. With `p` a frame's place in the programme and `s` its place in the recording, `p - s` is constant as long as
//! the programme runs on, whoever plays it; the jump is what that difference gained over the cut. It is taken as the median of
//! the five frames nearest the cut on either side, decoded apart from each other.
//!
//! *Level*: the mean power of the programme over 400 ms after the cut against that before it. Music itself changes by some
//! decibels in that time, so that only a large step means anything.

use base::{Db, Dbfs, Hertz, Samples, Span};
use timecode::ltc::{LtcDecoder, LtcEvent};

/// Below this all programme channels are silent.
pub const SILENCE: Dbfs = Dbfs(-60.0);
/// Gaps are sought this far on either side.
const REACH: Span = Span::from_secs(1);
/// Timecode is read this far on either side.
pub const CODE_REACH: Span = Span::from_millis(1_500);
/// Frames on either side that the jump rests on.
const FRAMES: usize = 5;
/// Levels are taken over this long, and this far away from the cut.
const LEVEL_OVER: Span = Span::from_millis(400);
const LEVEL_AWAY: Span = Span::from_millis(20);

/// One instant of a recording.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct Frame {
    /// The greatest magnitude of all programme channels.
    pub peak: f32,
    /// The mean square of all programme channels.
    pub power: f32,
    /// The timecode channel.
    pub code: f32,
    /// All programme channels together, for a person to hear.
    pub mix: f32,
}

/// What was measured. Places are samples of the recording.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Heard {
    /// The longest stretch without programme.
    pub gap: Span,
    /// Where it begins, from the recording's start.
    pub gap_at: Span,
    /// How far the programme skipped forward (below zero: it repeated); none when there is no code on one side of the cut.
    pub jump: Option<Span>,
    /// How much louder the programme is after the cut; none when one side is silent or not there.
    pub level: Option<Db>,
}

/// Measures round a sample of a recording.
pub fn measure(frames: &[Frame], rate: Hertz, around: usize) -> Heard {
    let of = |span: Span| Samples::of(span, rate).0 as usize;
    let around = around.min(frames.len());
    let (low, high) = (around.saturating_sub(of(REACH)), (around + of(REACH)).min(frames.len()));
    let (from, to) = longest_silence(&frames[low..high]);
    let (from, to) = (from + low, to + low);
    // A cut without a hole lies where we were told that it is.
    let cut = if to - from >= of(Span::from_millis(1)) { (from, to) } else { (around, around) };
    Heard {
        gap: Samples((to - from) as f64).at(rate),
        gap_at: Samples(from as f64).at(rate),
        jump: jump(frames, cut, rate).map(|n| Samples(n).at(rate)),
        level: level(frames, cut, of(LEVEL_OVER), of(LEVEL_AWAY)),
    }
}

impl Heard {
    /// In words, a sentence.
    pub fn say(&self) -> String {
        let jump = match self.jump.map(Span::millis_f64) {
            None => "the jump could not be read from the code".to_owned(),
            Some(ms) if ms.abs() < 0.05 => "it ran on without a jump".to_owned(),
            Some(ms) if ms > 0.0 => format!("it skipped {ms:.1} ms forward"),
            Some(ms) => format!("{:.1} ms were heard twice", -ms),
        };
        let level = match self.level {
            None => String::new(),
            Some(l) => format!(", level {:+.1} dB", l.0),
        };
        format!("Heard on the tap: {:.1} ms without programme, {jump}{level}.", self.gap.millis_f64())
    }
}

fn longest_silence(frames: &[Frame]) -> (usize, usize) {
    let threshold = SILENCE.amplitude() as f32;
    let mut best = (0, 0);
    let mut start = None;
    for (i, f) in frames.iter().enumerate() {
        if f.peak < threshold {
            let from = *start.get_or_insert(i);
            if i + 1 - from > best.1 - best.0 {
                best = (from, i + 1);
            }
        } else {
            start = None;
        }
    }
    best
}

/// In samples.
fn jump(frames: &[Frame], (from, to): (usize, usize), rate: Hertz) -> Option<f64> {
    let before = lies(&frames[..from], 0, rate);
    let after = lies(&frames[to..], to, rate);
    let before = median(before.iter().rev().take(FRAMES))?;
    let after = median(after.iter().take(FRAMES))?;
    Some(after - before)
}

/// For each frame of code, its place in the programme minus its place in the recording, in samples.
fn lies(frames: &[Frame], offset: usize, rate: Hertz) -> Vec<f64> {
    let mut decoder = LtcDecoder::new(rate, None);
    let mut found = Vec::new();
    let mut sink = |e| {
        if let LtcEvent::Frame(f) = e {
            found.push(Samples::of(f.timecode.since_midnight(), rate).0 - f.start_sample - offset as f64);
        }
    };
    let code: Vec<f32> = frames.iter().map(|f| f.code).collect();
    decoder.on_samples(&code, &mut sink);
    decoder.finish(&mut sink);
    found
}

fn median<'a>(values: impl Iterator<Item = &'a f64>) -> Option<f64> {
    let mut v: Vec<f64> = values.copied().collect();
    v.sort_by(f64::total_cmp);
    v.get(v.len() / 2).copied()
}

fn level(frames: &[Frame], (from, to): (usize, usize), over: usize, away: usize) -> Option<Db> {
    let before_to = from.checked_sub(away)?;
    let before = frames.get(before_to.checked_sub(over)?..before_to)?;
    let after = frames.get(to + away..to + away + over)?;
    let power = |x: &[Frame]| x.iter().map(|f| f64::from(f.power)).sum::<f64>() / x.len().max(1) as f64;
    let (a, b) = (power(before), power(after));
    let floor = SILENCE.amplitude().powi(2);
    (a > floor && b > floor).then(|| Db(10.0 * (b / a).log10()))
}
