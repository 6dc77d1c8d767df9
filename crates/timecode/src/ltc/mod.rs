//! Linear timecode: SMPTE timecode carried as an audio signal (SMPTE ST 12-1).
//!
//! Samples go through five stations, each a file: edges (`slicer`, slow recordings made finer by `upsample`), bits (`clock`), words (`frames`, their ends
//! fitted in `fit`), and the question which words to believe (`steady`). Everything is causal, fixed in size and
//! indifferent to how the samples are cut into chunks.
//!
//! ```
//! use base::{FrameRate, Hertz};
//! use twinkeel_timecode::{Timecode, ltc::{LtcDecoder, LtcEncoder, LtcEvent}};
//!
//! let start = Timecode::new(FrameRate::F25, 1, 0, 0, 0)?;
//! let mut audio = vec![0.0; 48_000];
//! LtcEncoder::new(Hertz(48_000.0), start).fill(&mut audio, 1.0);
//! let mut labels = Vec::new();
//! let mut sink = |e| if let LtcEvent::Frame(f) = e { labels.push(f.timecode) };
//! let mut decoder = LtcDecoder::new(Hertz(48_000.0), None);
//! decoder.on_samples(&audio, &mut sink);
//! decoder.finish(&mut sink);
//! assert_eq!(labels.len(), 25);
//! assert_eq!(labels[0], start);
//! # Ok::<(), twinkeel_timecode::TimecodeError>(())
//! ```

mod clock;
mod ear;
mod encoder;
mod fit;
mod frames;
mod mean;
mod onset;
mod rescue;
mod slicer;
mod steady;
mod upsample;
mod word;

use base::{Direction, FrameRate, Hertz};

use crate::smpte::Timecode;
use clock::{BitClock, Heard};
pub use ear::{Ended, LtcEar};
pub use encoder::LtcEncoder;
use frames::{Found, Framer};
use slicer::{Sliced, Slicer};
use steady::Steady;
use upsample::Upsampler;
pub use word::LtcWord;

/// A share of the last frame's level below which the signal counts as silent.
const SILENT: f64 = 0.3;
/// So many samples are made finer at a time.
const FINE: usize = 256;
/// The fastest and slowest code to be believed, in bits a second: 30 frames at 2.4 times and 24 at 0.4 times their speed.
const FASTEST: f64 = 80.0 * 30.0 * 2.4;
const SLOWEST: f64 = 80.0 * 24.0 * 0.4;

/// One whole frame of code, believed.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct LtcFrame {
    /// Its label, at the rate as known when it was reported.
    pub timecode: Timecode,
    /// The first edge of the frame in the signal: a sample index from 0, fractional. When the code runs forward this is
    /// the first edge of bit 0.
    pub start_sample: f64,
    /// The first edge after the frame.
    pub end_sample: f64,
    /// Which way the code ran: forward or reverse.
    pub direction: Direction,
    /// The speed of this one frame.
    pub frames_per_second: f64,
    /// Binary group 1 in the high half of the first byte, group 8 in the low half of the last.
    pub user_bits: [u8; 4],
    /// The drop-frame flag as it stood in the word.
    pub drop_frame: bool,
}

/// Why code is missing between two frames.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum GapKind {
    /// The signal fell away.
    Silence,
    /// There was a signal, but not readable; the labels go on as if it had been.
    Damage,
    /// The labels do not go on.
    Jump,
}

/// Why a whole word was not reported.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum RejectedWhy {
    /// No frame has that label.
    Impossible,
    /// Its label went on, but its bits are not to be trusted.
    BitErrors,
    /// Its label did not go on, and no next word confirmed it.
    Unconfirmed,
}

/// What a decoder has to say, in the order of the signal.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum LtcEvent {
    /// A frame.
    Frame(LtcFrame),
    /// Between the last frame and the one that follows there is none.
    Gap {
        /// End of the last frame.
        from_sample: f64,
        /// Start of the next.
        to_sample: f64,
        /// Why.
        kind: GapKind,
    },
    /// A whole word that is not believed.
    Rejected {
        /// Its first edge.
        start_sample: f64,
        /// The first edge after it.
        end_sample: f64,
        /// Why.
        why: RejectedWhy,
    },
}

/// The decoder. Streaming; [`on_samples`](LtcDecoder::on_samples) allocates nothing.
#[derive(Clone, Debug)]
pub struct LtcDecoder {
    finer: Upsampler,
    slicer: Slicer,
    bits: Bits,
    /// From the slicer's samples to those of the signal: how many to one, and how many of the signal's they lag.
    factor: f64,
    per_factor: f64,
    lag: f64,
    /// Level when the last word was found.
    level: f64,
}

/// Everything behind the slicer.
#[derive(Clone, Debug)]
struct Bits {
    clock: BitClock,
    framer: Framer,
    steady: Steady,
}

impl LtcDecoder {
    /// For samples at this rate (8 to 192 kHz; what lies outside is held at 1 kHz to 1 MHz). `rate` fixes the nominal rate,
    /// None finds it out. The drop-frame flag in the code decides between 29.97 and 29.97 drop-frame in any case.
    pub fn new(sample_rate: Hertz, rate: Option<FrameRate>) -> LtcDecoder {
        let hz = if sample_rate.0.is_finite() { sample_rate.0.clamp(1e3, 1e6) } else { 48_000.0 };
        let finer = Upsampler::new(hz);
        let factor = finer.factor() as f64;
        LtcDecoder {
            slicer: Slicer::new(factor * hz, factor * hz / (2.0 * 80.0 * 30.0 * 2.0)),
            bits: Bits {
                clock: BitClock::new(hz / FASTEST, hz / SLOWEST),
                framer: Framer::default(),
                steady: Steady::new(hz, rate),
            },
            factor,
            per_factor: 1.0 / factor,
            lag: finer.delay() as f64,
            finer,
            level: 0.0,
        }
    }

    /// The rate as known so far; None before the first frame.
    pub fn rate(&self) -> Option<FrameRate> {
        self.bits.steady.rate()
    }

    /// Samples, in chunks of any size, full scale at 1.
    pub fn on_samples(&mut self, samples: &[f32], sink: &mut impl FnMut(LtcEvent)) {
        if self.finer.factor() == 1 {
            self.on_fine(samples, sink);
        } else {
            self.on_coarse(samples, sink);
        }
    }

    fn on_coarse(&mut self, mut samples: &[f32], sink: &mut impl FnMut(LtcEvent)) {
        let mut fine = [0.0; FINE];
        while !samples.is_empty() {
            let taken = self.finer.fill(samples, &mut fine);
            samples = &samples[taken..];
            self.on_fine(&fine[..taken * self.finer.factor()], sink);
        }
    }

    fn on_fine(&mut self, mut samples: &[f32], sink: &mut impl FnMut(LtcEvent)) {
        while !samples.is_empty() {
            let taken = self.slicer.load(samples);
            samples = &samples[taken..];
            while let Some(what) = self.slicer.next() {
                self.on_sliced(what, sink);
            }
        }
    }

    /// The signal ends here. What waited for more is reported or dropped.
    pub fn finish(&mut self, sink: &mut impl FnMut(LtcEvent)) {
        let delay = self.finer.delay();
        self.on_coarse(&[0.0; upsample::DELAY_MAX][..delay], sink);
        let stood = self.to_samples(self.slicer.stood());
        self.bits.on_lost(stood, sink);
        self.bits.steady.finish(sink);
    }

    fn to_samples(&self, at: f64) -> f64 {
        at * self.per_factor - self.lag
    }

    fn on_sliced(&mut self, what: Sliced, sink: &mut impl FnMut(LtcEvent)) {
        if self.slicer.level() < SILENT * self.level {
            self.bits.steady.on_silence();
        }
        let found = match what {
            Sliced::Edge { at, took } => {
                self.bits.on_edge(Heard { at: self.to_samples(at), took: took * self.per_factor, onset: false }, sink)
            }
            Sliced::Onset(at) => self.bits.on_edge(Heard { at: self.to_samples(at), took: 0.0, onset: true }, sink),
            Sliced::Lost(stood) => self.bits.on_lost(self.to_samples(stood), sink),
        };
        if found {
            self.level = self.slicer.level();
        }
        self.slicer.on_half_cell(self.bits.clock.period().map(|p| 0.5 * p * self.factor));
    }
}

impl Bits {
    fn on_edge(&mut self, edge: Heard, sink: &mut impl FnMut(LtcEvent)) -> bool {
        let (framer, steady) = (&mut self.framer, &mut self.steady);
        let mut found = false;
        self.clock.on_edge(edge, &mut |clock, what| {
            framer.on_clocked(clock, what, &mut |w: Found| {
                found = true;
                steady.on_word(w, sink);
            });
        });
        found
    }

    fn on_lost(&mut self, stood: f64, sink: &mut impl FnMut(LtcEvent)) -> bool {
        let (framer, steady) = (&mut self.framer, &mut self.steady);
        let mut found = false;
        self.clock.on_lost(stood, &mut |clock, what| {
            framer.on_clocked(clock, what, &mut |w: Found| {
                found = true;
                steady.on_word(w, sink);
            });
        });
        found
    }
}

#[cfg(test)]
mod tests;
