//! What was heard round a changeover, laid on one time axis for each place where somebody listened.

use std::collections::BTreeSet;
use std::io::Cursor;

use base::{EventId, MonoTime, Span};

use crate::ShowlogError;
use crate::read::ShowFile;
use crate::sound::{HeardAt, Sound};

/// So far on either side of the verdict.
pub(crate) const AROUND: Span = Span::from_secs(12);

/// One place's sound, from its first sample to its last, holes as silence.
#[derive(Clone, PartialEq, Debug)]
pub struct Heard {
    /// Where.
    pub at: HeardAt,
    /// When it begins, counted from the verdict.
    pub from: Span,
    /// Samples a second.
    pub rate: u32,
    /// The channels that were heard, in turn or together.
    pub channels: Vec<String>,
    /// The sound, channels of one instant mixed to their mean.
    pub samples: Vec<i16>,
}

impl Heard {
    /// How long it lasts.
    pub fn lasts(&self) -> Span {
        Span::from_nanos(self.samples.len() as i64 * 1_000_000_000 / i64::from(self.rate.max(1)))
    }

    /// As a WAV file of one channel (16 bits, linear).
    ///
    /// # Errors
    /// It would be longer than such a file can be.
    pub fn wav(&self) -> Result<Vec<u8>, ShowlogError> {
        let spec = hound::WavSpec {
            channels: 1,
            sample_rate: self.rate,
            bits_per_sample: 16,
            sample_format: hound::SampleFormat::Int,
        };
        let wrong = |e: hound::Error| ShowlogError::NotARecord { path: "sound".to_owned(), why: e.to_string() };
        let mut out = Cursor::new(Vec::with_capacity(self.samples.len() * 2 + 44));
        let mut writer = hound::WavWriter::new(&mut out, spec).map_err(wrong)?;
        for s in &self.samples {
            writer.write_sample(*s).map_err(wrong)?;
        }
        writer.finalize().map_err(wrong)?;
        Ok(out.into_inner())
    }

    /// What it is, in words.
    pub fn say(&self) -> String {
        let place = match self.at {
            HeardAt::Machine(m) => format!("{m}"),
            HeardAt::House => "The house".to_owned(),
        };
        let to = self.from + self.lasts();
        let when = |s: Span| {
            let (side, s) = if s < Span::ZERO { ("before", Span::ZERO - s) } else { ("after", s) };
            format!("{:.1} s {side}", s.secs_f64())
        };
        let how = if self.channels.len() > 2 { ", two channels at a time" } else { "" };
        format!("{place}, from {} to {}: {}{how}", when(self.from), when(to), self.channels.join(", "))
    }
}

/// What was heard round the verdict of this event, the house first.
pub(crate) fn around(show: &ShowFile, event: EventId, damage: &mut Vec<String>) -> Vec<Heard> {
    let Some(at) = show.events.iter().find(|e| e.id == event).map(|e| e.event.at) else { return Vec::new() };
    let sounds = show.sounds(event.epoch, at - AROUND, at + AROUND, damage).unwrap_or_default();
    let places: BTreeSet<HeardAt> = sounds.iter().map(|s| s.heard_at).collect();
    places.into_iter().rev().filter_map(|p| lay(p, at, sounds.iter().filter(|s| s.heard_at == p))).collect()
}

fn lay<'a>(place: HeardAt, verdict: MonoTime, sounds: impl Iterator<Item = &'a Sound>) -> Option<Heard> {
    let all: Vec<&Sound> = sounds.filter(|s| !s.samples.is_empty()).collect();
    let first = all.iter().map(|s| s.at).min()?;
    let millihertz = all.first()?.rate_millihertz;
    let rate = (millihertz + 500) / 1_000;
    if rate == 0 {
        return None;
    }
    // One rate for all of a place: a stretch of another one, after a change of device, is left out.
    let all: Vec<&Sound> = all.into_iter().filter(|s| s.rate_millihertz == millihertz).collect();
    let place_of =
        |s: &Sound| (i128::from((s.at - first).nanos()) * i128::from(millihertz) / 1_000_000_000_000) as usize;
    let length = all.iter().map(|s| place_of(s) + s.samples.len()).max()?;
    // Whatever a damaged file says, no more than the stretch that was asked for.
    let most = ((AROUND + AROUND).secs_f64() * 2.0 * f64::from(rate)) as usize;
    let mut sum = vec![(0i32, 0i32); length.min(most)];
    for s in &all {
        for (cell, v) in sum.iter_mut().skip(place_of(s)).zip(&s.samples) {
            cell.0 += i32::from(*v);
            cell.1 += 1;
        }
    }
    let mut channels: Vec<String> = Vec::new();
    for s in &all {
        if !channels.contains(&s.channel) {
            channels.push(s.channel.clone());
        }
    }
    let samples = sum.into_iter().map(|(sum, n)| if n == 0 { 0 } else { (sum / n) as i16 }).collect();
    Some(Heard { at: place, from: first - verdict, rate, channels, samples })
}
