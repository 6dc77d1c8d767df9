//! What the house heard, measured in the demo's own recording by the same code that measures on a tap.

use std::path::Path;

use base::Span;
pub use supervisor::house::Heard;
use supervisor::house::{CODE_REACH, Frame};

use crate::show::{SAMPLE_RATE, SAMPLES_PER_SECOND};
use crate::switch::PROGRAMME;

/// The recording's channel of timecode.
const CODE: usize = 2;

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
    let reach = base::Samples::of(CODE_REACH, SAMPLE_RATE).0 as i64;
    let first = (middle - reach).max(0);
    let last = (middle + reach).min(lasts);
    wav.seek(first as u32).map_err(|e| HouseError::File { file: file.clone(), why: e.into() })?;
    let mut samples = wav.samples::<i16>();
    let mut frames: Vec<Frame> = Vec::with_capacity((last - first) as usize);
    for _ in first..last {
        let mut frame = [0f32; 3];
        for s in &mut frame {
            *s = match samples.next() {
                Some(v) => f32::from(v.map_err(read)?) / 32_767.0,
                None => 0.0,
            };
        }
        let programme = PROGRAMME.iter().map(|c| frame[*c]);
        frames.push(Frame {
            peak: programme.clone().fold(0.0, |p, s| p.max(s.abs())),
            power: programme.clone().map(|s| s * s).sum::<f32>() / PROGRAMME.len() as f32,
            mix: programme.sum(),
            code: frame[CODE],
        });
    }
    let heard = supervisor::house::measure(&frames, SAMPLE_RATE, (middle - first) as usize);
    Ok(Heard { gap_at: heard.gap_at + span(first as f64), ..heard })
}

fn span(samples: f64) -> Span {
    base::Samples(samples).at(SAMPLE_RATE)
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
            // The labels of the whole frames on either side, by arithmetic: the song's code begins on a frame.
            let long = 48_000.0 / heard.code.unwrap().to.rate().per_second();
            let last = (576_000f64 / long).floor() as i64 - 1;
            let first = ((576_000 + gap as i64 + ahead) as f64 / long).ceil() as i64;
            let code = heard.code.unwrap();
            assert_eq!(
                (code.lost, code.repeated),
                ((first - last - 1).max(0) as u32, (last + 1 - first).max(0) as u32)
            );
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
