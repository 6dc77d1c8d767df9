//! What the house heard, measured in the recording itself.
//!
//! *Gap*: the longest stretch round a given instant in which both tracks stay below -60 dBFS. The songs' bed of noise never does
//! that for a millisecond, so that a longer stretch is a hole.
//!
//! *Jump*: how far the programme skipped forward. The timecode in the recording says at which sample each frame of programme
//! was heard. With `p` a frame's place in the programme and `s` its place in the recording, `p - s` is constant as long as
//! the programme runs on, whoever plays it; the jump is what that difference gained over the cut. It is taken as the median of
//! the five frames nearest the cut on either side, decoded apart from each other.

use std::path::Path;

use base::{Dbfs, Span};
use timecode::ltc::{LtcDecoder, LtcEvent};

use crate::show::{FRAME_RATE, SAMPLE_RATE, SAMPLES_PER_FRAME, SAMPLES_PER_SECOND};
use crate::switch::PROGRAMME;

/// Below this both tracks are silent.
pub const SILENCE: Dbfs = Dbfs(-60.0);
/// Gaps are sought this far on either side.
const REACH: i64 = SAMPLES_PER_SECOND;
/// Timecode is read this far on either side.
const CODE_REACH: i64 = SAMPLES_PER_SECOND * 3 / 2;
/// The recording's channel of timecode.
const CODE: usize = 2;
/// Frames on either side that the jump rests on.
const FRAMES: usize = 5;

/// What was measured.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Heard {
    /// The longest stretch without programme.
    pub gap: Span,
    /// Where it begins, from the recording's start.
    pub gap_at: Span,
    /// How far the programme skipped forward (below zero: it repeated); none when there is no code on one side of the cut.
    pub jump: Option<Span>,
}

/// Why nothing could be measured.
#[derive(Debug, thiserror::Error)]
pub enum HouseError {
    /// The file cannot be read.
    #[error("{file}: {why}")]
    File {
        /// Which.
        file: String,
        /// Why.
        why: hound::Error,
    },
    /// It is not a recording of the switch.
    #[error("{file}: expected 16-bit samples, {SAMPLES_PER_SECOND} Hz, tracks L, tracks R and timecode; found {found}")]
    Format {
        /// Which.
        file: String,
        /// What it is.
        found: String,
    },
    /// The instant lies outside the recording.
    #[error("{file}: lasts {lasts:?}, there is nothing at {wanted:?}")]
    Outside {
        /// Which.
        file: String,
        /// How long it is.
        lasts: Span,
        /// What was asked for.
        wanted: Span,
    },
}

/// Measures round an instant, told from the recording's start.
///
/// # Errors
/// When the file is no recording of the switch, or does not reach that far.
pub fn measure(path: &Path, around: Span) -> Result<Heard, HouseError> {
    let file = path.display().to_string();
    let read = |why| HouseError::File { file: file.clone(), why };
    let mut wav = hound::WavReader::open(path).map_err(read)?;
    let spec = wav.spec();
    if spec.channels != 3 || spec.sample_rate != SAMPLES_PER_SECOND as u32 || spec.bits_per_sample != 16 {
        let found = format!("{} bits, {} Hz, {} channels", spec.bits_per_sample, spec.sample_rate, spec.channels);
        return Err(HouseError::Format { file, found });
    }
    let lasts = i64::from(wav.duration());
    let middle = base::Samples::of(around, SAMPLE_RATE).0 as i64;
    if middle < 0 || middle >= lasts {
        return Err(HouseError::Outside { file, lasts: span(lasts as f64), wanted: around });
    }
    let first = (middle - CODE_REACH).max(0);
    let last = (middle + CODE_REACH).min(lasts);
    wav.seek(first as u32).map_err(|e| HouseError::File { file: file.clone(), why: e.into() })?;
    let mut samples = wav.samples::<i16>();
    let mut frames: Vec<[f32; 3]> = Vec::with_capacity((last - first) as usize);
    for _ in first..last {
        let mut frame = [0f32; 3];
        for s in &mut frame {
            *s = match samples.next() {
                Some(v) => f32::from(v.map_err(read)?) / 32_767.0,
                None => 0.0,
            };
        }
        frames.push(frame);
    }
    let near = ((middle - REACH - first).max(0) as usize, (middle + REACH - first).min(last - first) as usize);
    let (from, to) = longest_silence(&frames[near.0..near.1]);
    let (from, to) = (from + near.0, to + near.0);
    // A cut without a hole lies where we were told that it is.
    let cut = if to - from >= SAMPLES_PER_SECOND as usize / 1000 {
        (from, to)
    } else {
        ((middle - first) as usize, (middle - first) as usize)
    };
    Ok(Heard {
        gap: span((to - from) as f64),
        gap_at: span((first + from as i64) as f64),
        jump: jump(&frames, cut).map(span),
    })
}

fn span(samples: f64) -> Span {
    base::Samples(samples).at(SAMPLE_RATE)
}

fn longest_silence(frames: &[[f32; 3]]) -> (usize, usize) {
    let threshold = SILENCE.amplitude() as f32;
    let mut best = (0, 0);
    let mut start = None;
    for (i, f) in frames.iter().enumerate() {
        if PROGRAMME.iter().all(|c| f[*c].abs() < threshold) {
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
fn jump(frames: &[[f32; 3]], (from, to): (usize, usize)) -> Option<f64> {
    let before = lies(&frames[..from], 0);
    let after = lies(&frames[to..], to);
    let before = median(before.iter().rev().take(FRAMES))?;
    let after = median(after.iter().take(FRAMES))?;
    Some(after - before)
}

/// For each frame of code, its place in the programme minus its place in the recording, in samples.
fn lies(frames: &[[f32; 3]], offset: usize) -> Vec<f64> {
    let mut decoder = LtcDecoder::new(SAMPLE_RATE, Some(FRAME_RATE));
    let mut found = Vec::new();
    let mut sink = |e| {
        if let LtcEvent::Frame(f) = e {
            let programme = i64::from(f.timecode.frames()) * SAMPLES_PER_FRAME;
            found.push(programme as f64 - f.start_sample - offset as f64);
        }
    };
    let code: Vec<f32> = frames.iter().map(|f| f[CODE]).collect();
    decoder.on_samples(&code, &mut sink);
    decoder.finish(&mut sink);
    found
}

fn median<'a>(values: impl Iterator<Item = &'a f64>) -> Option<f64> {
    let mut v: Vec<f64> = values.copied().collect();
    v.sort_by(f64::total_cmp);
    v.get(v.len() / 2).copied()
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::show::{CHANNELS, Show, TIMECODE};
    use crate::synth::Voice;

    /// A recording of four seconds that is cut at two seconds: `gap` samples of nothing, then a machine that is `ahead` samples on.
    fn recording(gap: usize, ahead: i64) -> (tempfile::TempDir, std::path::PathBuf) {
        let show = Show::new(4);
        let song = show.song(1).unwrap();
        let (half, start) = (96_000usize, 480_000i64);
        let mut heard = vec![[0f32; CHANNELS.len()]; 2 * half];
        Voice::new(song, start).fill(&mut heard[..half]);
        Voice::new(song, start + (half + gap) as i64 + ahead).fill(&mut heard[half + gap..]);
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("house.wav");
        let spec = hound::WavSpec {
            channels: 3,
            sample_rate: 48_000,
            bits_per_sample: 16,
            sample_format: hound::SampleFormat::Int,
        };
        let mut wav = hound::WavWriter::create(&path, spec).unwrap();
        for f in heard {
            for c in [0, 1, TIMECODE] {
                wav.write_sample((f[c] * 32_767.0) as i16).unwrap();
            }
        }
        wav.finalize().unwrap();
        (dir, path)
    }

    #[test]
    fn gaps_and_jumps_are_found_as_they_were_made() {
        for (gap, ahead) in [(0, 0), (0, 960), (0, -144), (720, 0), (1_000, 300), (9_600, -5_000)] {
            let (_dir, path) = recording(gap, ahead);
            let heard = measure(&path, Span::from_millis(2_003)).unwrap();
            let error = (base::Samples::of(heard.gap, SAMPLE_RATE).0 - gap as f64).abs();
            assert!(error < 12.0, "gap {gap}: {:?}", heard.gap);
            let jump = base::Samples::of(heard.jump.unwrap(), SAMPLE_RATE).0;
            assert!((jump - ahead as f64).abs() < 0.5, "jump {ahead}: {jump}");
        }
    }

    #[test]
    fn without_code_after_the_cut_there_is_no_jump() {
        let (_dir, path) = recording(96_000, 0);
        let heard = measure(&path, Span::from_secs(2)).unwrap();
        assert_eq!(heard.jump, None);
        assert!(heard.gap > Span::from_millis(990));
        assert!(matches!(measure(&path, Span::from_secs(5)), Err(HouseError::Outside { .. })));
        std::fs::write(&path, b"no sound").unwrap();
        assert!(measure(&path, Span::from_secs(1)).unwrap_err().to_string().contains("house.wav"));
    }
}
