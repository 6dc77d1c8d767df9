//! Loudness and true peak of a whole recording: ITU-R BS.1770-4, EBU Tech 3341 and Tech 3342.
//!
//! The K-weighting filter, the gating blocks and the interpolator are those of crate `ebur128`. What this adds is how its
//! windows are read:
//! - *Momentary* (0.4 s) is read every 10 ms and *short-term* (3 s) every 100 ms. Tech 3341 asks for at least 10 Hz, but its
//!   test 13 (a burst as long as the window itself, at offsets of 20 ms) is only met by a finer grid: half a step of 100 ms
//!   out of place loses 10 log(350/400) = 0.58 dB.
//! - A window counts once it is full. A recording shorter than a window has no such loudness (`None`), rather than that of
//!   a recording with silence before it.
//! - Gating (BS.1770-4 Annex 1) uses whole blocks of 0.4 s that start every 0.1 s; what is left at the end is no block.
//! - True peak (BS.1770-4 Annex 2): four times oversampled below 96 kHz, twice below 192 kHz, as the annex allows since the
//!   band that matters is then as finely covered. It is read where the interpolator lies within the recording: what was
//!   before and after is not known, and taking it for zeros would make a peak of the cut itself. Samples count everywhere.

use base::{Dbfs, Hertz};
use ebur128::{EbuR128, Mode};

pub use layout::{Layout, Place};

mod layout;

/// Frames that fill the interpolator: 12 taps a phase at four times oversampling, 24 at twice.
const fn interpolator_frames(rate: u32) -> usize {
    if rate < 96_000 { 12 } else { 24 }
}

/// Loudness of a recording, as it stands after what was taken in. Windows that never filled, and minus infinity, are `None`.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct Loudness {
    /// Integrated, gated (BS.1770-4), in LUFS.
    pub integrated: Option<f64>,
    /// Loudness range (Tech 3342), in LU.
    pub range: Option<f64>,
    /// The greatest momentary loudness (0.4 s), in LUFS.
    pub momentary_max: Option<f64>,
    /// The greatest short-term loudness (3 s), in LUFS.
    pub short_term_max: Option<f64>,
}

/// A sample rate or number of channels that cannot be measured: 1 to 64 channels at 16 Hz to 2.8 MHz can.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct UnmeasurableFormat;

impl core::fmt::Display for UnmeasurableFormat {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.write_str("loudness is measured for 1 to 64 channels at 16 Hz to 2.8 MHz")
    }
}

impl core::error::Error for UnmeasurableFormat {}

/// Measures a recording. Allocates: not for the live path.
pub struct LoudnessMeter {
    channels: usize,
    rate: u32,
    loudness: EbuR128,
    peaks: EbuR128,
    true_peak: Vec<f64>,
    /// Frames taken in, and windows of 10 ms that were read.
    frames: u64,
    steps: u64,
    momentary_max: f64,
    short_term_max: f64,
    clean: Vec<f32>,
}

impl LoudnessMeter {
    /// For sample frames of these channels at this rate.
    ///
    /// # Errors
    /// When there are too few or too many channels, or the rate is out of reach.
    pub fn new(layout: &Layout, rate: Hertz) -> Result<LoudnessMeter, UnmeasurableFormat> {
        let channels = layout.places().len();
        let (n, r) = (channels as u32, rate.0.round() as u32);
        let mut loudness = EbuR128::new(n, r, Mode::I | Mode::LRA).map_err(|_| UnmeasurableFormat)?;
        let map: Vec<_> = layout.places().iter().map(|p| p.weight()).collect();
        loudness.set_channel_map(&map).map_err(|_| UnmeasurableFormat)?;
        Ok(LoudnessMeter {
            channels,
            rate: r,
            loudness,
            peaks: EbuR128::new(n, r, Mode::TRUE_PEAK).map_err(|_| UnmeasurableFormat)?,
            true_peak: vec![0.0; channels],
            frames: 0,
            steps: 0,
            momentary_max: f64::NEG_INFINITY,
            short_term_max: f64::NEG_INFINITY,
            clean: Vec::new(),
        })
    }

    /// Takes in interleaved sample frames, in pieces of any size; an incomplete frame at the end is left out. What is
    /// infinite or not a number counts as zero.
    pub fn on_interleaved(&mut self, samples: &[f32]) {
        let mut clean = core::mem::take(&mut self.clean);
        clean.clear();
        clean.extend(samples.iter().map(|s| if s.is_finite() { *s } else { 0.0 }));
        let whole = clean.len() - clean.len() % self.channels;
        self.peaks_of(&clean[..whole]);
        let mut rest = &clean[..whole];
        while !rest.is_empty() {
            // The next multiple of 10 ms, to the nearest sample.
            let next = ((self.steps + 1) * u64::from(self.rate) + 50) / 100;
            let frames = (next.saturating_sub(self.frames) as usize).max(1).min(rest.len() / self.channels);
            let (now, later) = rest.split_at(frames * self.channels);
            // It fails on no input but an incomplete frame.
            let _ = self.loudness.add_frames_f32(now);
            self.frames += frames as u64;
            rest = later;
            if self.frames >= next {
                self.steps += 1;
                self.read_windows();
            }
        }
        self.clean = clean;
    }

    fn read_windows(&mut self) {
        if self.steps >= 40 {
            self.momentary_max = self.momentary_max.max(self.loudness.loudness_momentary().unwrap_or(f64::NAN));
        }
        if self.steps >= 300 && self.steps.is_multiple_of(10) {
            self.short_term_max = self.short_term_max.max(self.loudness.loudness_shortterm().unwrap_or(f64::NAN));
        }
    }

    fn peaks_of(&mut self, samples: &[f32]) {
        // Until the interpolator is full its output is that of the cut: only samples count.
        let fill = interpolator_frames(self.rate) as u64 - 1;
        let early = (fill.saturating_sub(self.frames) as usize * self.channels).min(samples.len());
        let (early, settled) = samples.split_at(early);
        let _ = self.peaks.add_frames_f32(early);
        for (peak, c) in self.true_peak.iter_mut().zip(0..) {
            let of_channel = early.iter().skip(c).step_by(self.channels);
            *peak = of_channel.fold(*peak, |p, s| p.max(f64::from(s.abs())));
        }
        if self.peaks.add_frames_f32(settled).is_ok() && !settled.is_empty() {
            for (peak, c) in self.true_peak.iter_mut().zip(0u32..) {
                *peak = peak.max(self.peaks.prev_true_peak(c).unwrap_or(0.0));
            }
        }
    }

    /// True peak of a channel (from 0), in dBTP: [`Dbfs::SILENCE`] when it is silent or there is none.
    pub fn true_peak(&self, channel: usize) -> Dbfs {
        Dbfs::from_amplitude(self.true_peak.get(channel).copied().unwrap_or(0.0))
    }

    /// Momentary loudness (0.4 s) now, in LUFS.
    pub fn momentary(&self) -> Option<f64> {
        known(self.loudness.loudness_momentary().ok().filter(|_| self.steps >= 40)?)
    }

    /// Short-term loudness (3 s) now, in LUFS.
    pub fn short_term(&self) -> Option<f64> {
        known(self.loudness.loudness_shortterm().ok().filter(|_| self.steps >= 300)?)
    }

    /// The reading.
    pub fn read(&self) -> Loudness {
        let integrated = self.loudness.loudness_global().ok().and_then(known);
        // Where nothing passes the gate there is no range, either.
        let sounded = integrated.is_some() && self.steps >= 300;
        Loudness {
            integrated,
            range: self.loudness.loudness_range().ok().and_then(known).filter(|_| sounded),
            momentary_max: known(self.momentary_max),
            short_term_max: known(self.short_term_max),
        }
    }
}

fn known(v: f64) -> Option<f64> {
    v.is_finite().then_some(v)
}
