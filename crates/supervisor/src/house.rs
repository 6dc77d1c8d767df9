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
//! *Code*: a follower of the timecode sees frames whose labels go on one by one. A cut breaks the frame that is under way, and may leave
//! labels out or bring some twice: those between the last whole frame before it and the first whole one after it are counted.
//!
//! *Level*: the mean power of the programme over 400 ms after the cut against that before it. Music itself changes by some
//! decibels in that time, so that only a large step means anything.

use base::{Db, Dbfs, Hertz, Samples, Span};
use timecode::Timecode;
use timecode::ltc::{LtcDecoder, LtcEvent, LtcFrame};

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
    /// What a follower of the timecode saw; none when there is no code on one side of the cut.
    pub code: Option<CodeCut>,
    /// How much louder the programme is after the cut; none when one side is silent or not there.
    pub level: Option<Db>,
}

/// What a cut did to the timecode. In frames.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct CodeCut {
    /// The last whole frame before the cut.
    pub from: Timecode,
    /// The first whole frame after it.
    pub to: Timecode,
    /// Labels that never came whole.
    pub lost: u32,
    /// Labels that came twice: what follows a cue by them may fire it again.
    pub repeated: u32,
}

impl CodeCut {
    /// Of whole frames in the order in which they came, those round the cut; none where they do not count alike. `cut`: the last frame
    /// that began before it.
    fn of(frames: &[LtcFrame], cut: usize) -> Option<CodeCut> {
        let (last, first) = (frames.get(cut)?.timecode, frames.get(cut + 1)?.timecode);
        let mut found = CodeCut { from: last, to: first, lost: 0, repeated: 0 };
        let near = frames.get(cut.saturating_sub(FRAMES)..(cut + FRAMES).min(frames.len()))?;
        for (a, b) in near.iter().zip(near.iter().skip(1)).map(|(a, b)| (a.timecode, b.timecode)) {
            if a.rate() != b.rate() {
                return None;
            }
            let day = Timecode::frames_per_day(b.rate()) as i64;
            // Across midnight the nearer way counts.
            let step = (b.frames() as i64 - a.frames() as i64 - 1 + day / 2).rem_euclid(day) - day / 2;
            let count = |n: i64| u32::try_from(n.max(0)).unwrap_or(u32::MAX);
            if step != 0 {
                (found.from, found.to) = (a, b);
            }
            found.lost = found.lost.saturating_add(count(step));
            found.repeated = found.repeated.saturating_add(count(-step));
        }
        Some(found)
    }

    /// In words, a sentence.
    pub fn say(&self) -> String {
        let frames = |n: u32| if n == 1 { "1 frame".to_owned() } else { format!("{n} frames") };
        let CodeCut { from, to, lost, repeated } = self;
        match (lost, repeated) {
            (0, 0) => "The timecode ran on, no frame lost.".to_owned(),
            (0, n) => format!("The timecode went from {from} back to {to}: {} repeated.", frames(*n)),
            (n, _) => format!("The timecode went from {from} on to {to}: {} lost.", frames(*n)),
        }
    }
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
    let before = code_frames(&frames[..cut.0], rate);
    let after = code_frames(&frames[cut.1..], rate);
    Heard {
        code: code_cut(frames, cut, &before, &after, rate),
        gap: Samples((to - from) as f64).at(rate),
        gap_at: Samples(from as f64).at(rate),
        jump: jump(&before, &after, cut.1, rate).map(|n| Samples(n).at(rate)),
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
        let code = self.code.map_or_else(String::new, |c| format!(" {}", c.say()));
        format!("Heard on the tap: {:.1} ms without programme, {jump}{level}.{code}", self.gap.millis_f64())
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
fn jump(before: &[LtcFrame], after: &[LtcFrame], to: usize, rate: Hertz) -> Option<f64> {
    // A frame's place in the programme minus its place in the recording.
    let lie =
        |f: &LtcFrame, offset: usize| Samples::of(f.timecode.since_midnight(), rate).0 - f.start_sample - offset as f64;
    let before: Vec<f64> = before.iter().rev().take(FRAMES).map(|f| lie(f, 0)).collect();
    let after: Vec<f64> = after.iter().take(FRAMES).map(|f| lie(f, to)).collect();
    Some(median(after.iter())? - median(before.iter())?)
}

/// What a follower saw. One that reads on over the cut can read a frame that a reader of either side alone cannot, where the machines
/// are so well in step that the frame is whole; and one side alone is read where the cut has thrown it off.
fn code_cut(
    frames: &[Frame],
    (from, to): (usize, usize),
    before: &[LtcFrame],
    after: &[LtcFrame],
    rate: Hertz,
) -> Option<CodeCut> {
    let moved = |f: &LtcFrame| LtcFrame {
        start_sample: f.start_sample + to as f64,
        end_sample: f.end_sample + to as f64,
        ..*f
    };
    before.first().and(after.first())?;
    let mut all: Vec<LtcFrame> =
        before.iter().copied().chain(after.iter().map(moved)).chain(code_frames(frames, rate)).collect();
    all.sort_by(|a, b| a.start_sample.total_cmp(&b.start_sample));
    all.dedup_by(|b, a| b.start_sample - a.start_sample < (a.end_sample - a.start_sample) / 2.0);
    let cut = all.iter().rposition(|f| f.end_sample <= from as f64 + 1.0)?;
    CodeCut::of(&all, cut)
}

/// The whole frames of code in a stretch that begins anywhere.
fn code_frames(frames: &[Frame], rate: Hertz) -> Vec<LtcFrame> {
    let mut decoder = LtcDecoder::new(rate, None);
    let mut found = Vec::new();
    let mut sink = |e| {
        if let LtcEvent::Frame(f) = e {
            found.push(f);
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
