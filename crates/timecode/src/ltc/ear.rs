//! A decoder that knows when its samples were heard.

use base::{Direction, FrameRate, Hertz, MonoTime, Samples, Span};

use super::{LtcDecoder, LtcEvent};

/// A frame of code that is over.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Ended {
    /// When: its last edge, to a fraction of a sample.
    pub at: MonoTime,
    /// The place at that instant, since 00:00:00:00: the next frame's label, or in reverse its own.
    pub place: Span,
    /// The code's rate as known by now.
    pub rate: FrameRate,
    /// Which way it ran.
    pub direction: Direction,
}

/// See the module.
#[derive(Clone, Debug)]
pub struct LtcEar {
    decoder: LtcDecoder,
    sample_rate: Hertz,
    /// Samples before the block that comes next.
    before: u64,
}

impl LtcEar {
    /// For samples at this rate; `rate` as for [`LtcDecoder::new`].
    pub fn new(sample_rate: Hertz, rate: Option<FrameRate>) -> LtcEar {
        LtcEar { decoder: LtcDecoder::new(sample_rate, rate), sample_rate, before: 0 }
    }

    /// A block whose first sample was heard at `at`. Blocks follow each other without a hole, or [`LtcEar::on_gap`] was told of it.
    /// Allocates nothing.
    pub fn on_block(&mut self, at: MonoTime, samples: &[f32], sink: &mut impl FnMut(Ended)) {
        let (before, sample_rate) = (self.before as f64, self.sample_rate);
        self.decoder.on_samples(samples, &mut |e| {
            if let LtcEvent::Frame(f) = e {
                let rate = f.timecode.rate();
                let own = f.timecode.since_midnight();
                let place = if f.direction == Direction::Reverse { own } else { own + rate.frames(1) };
                let at = at + Samples(f.end_sample - before).at(sample_rate);
                sink(Ended { at, place, rate, direction: f.direction });
            }
        });
        self.before += samples.len() as u64;
    }

    /// Sound was lost for so long before the next block; what is missing is missing in the code too: the decoder must not join the ends.
    /// A second of silence tells it as much as an hour.
    pub fn on_gap(&mut self, lasted: Span) {
        let zeros = [0f32; 64];
        let mut left = Samples::of(lasted, self.sample_rate).0.clamp(0.0, self.sample_rate.0) as usize;
        while left > 0 {
            let k = left.min(zeros.len());
            self.decoder.on_samples(&zeros[..k], &mut |_| {});
            self.before += k as u64;
            left -= k;
        }
    }
}
