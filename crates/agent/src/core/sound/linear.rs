//! Linear timecode on one of the channels.

use base::{FrameRate, Hertz, MonoTime, Samples, ShowPosition, SourceKind, Span};
use measure::line::{LineConfig, PositionLine};
use timecode::ltc::{LtcDecoder, LtcEvent};

use super::super::code::report;
use super::CHUNK;

/// A stop and the end of the code in the sound lie within this of each other: a buffer of each.
const STOP_TAIL: Span = Span::from_millis(100);

/// What the code of one channel tells.
pub(super) struct Ltc {
    /// Which.
    pub(super) channel: usize,
    decoder: LtcDecoder,
    line: PositionLine,
    rate: Option<FrameRate>,
    /// Index of the first sample of the present block in the decoder's count.
    first: u64,
    /// When a stop was last heard: code from before it is no new start.
    stopped_at: Option<MonoTime>,
}

impl Ltc {
    /// Code on this channel, of which nothing was heard.
    pub(super) fn new(channel: usize, rate: Hertz, ltc_rate: Option<FrameRate>) -> Ltc {
        Ltc {
            channel,
            decoder: LtcDecoder::new(rate, ltc_rate),
            line: PositionLine::new(LineConfig { expected_tick: FrameRate::F30.frames(1) }),
            rate: ltc_rate,
            first: 0,
            stopped_at: None,
        }
    }

    /// A block of interleaved samples, the first heard at `at`.
    pub(super) fn hear(&mut self, interleaved: &[f32], channels: usize, at: MonoTime, rate: Hertz) {
        let mut mono = [0f32; CHUNK];
        let mut n = 0;
        for (to, s) in mono.iter_mut().zip(interleaved.iter().skip(self.channel).step_by(channels)) {
            *to = *s;
            n += 1;
        }
        let (line, known, first, stopped_at) = (&mut self.line, &mut self.rate, self.first, self.stopped_at);
        self.decoder.on_samples(&mono[..n], &mut |e| {
            if let LtcEvent::Frame(f) = e {
                let frame_rate = f.timecode.rate();
                *known = Some(frame_rate);
                // At its last edge a frame is over: the position is the next label's (or, in reverse, its own).
                let (edge, position) = match f.direction {
                    base::Direction::Reverse => (f.end_sample, f.timecode.since_midnight()),
                    _ => (f.end_sample, f.timecode.since_midnight() + frame_rate.frames(1)),
                };
                let when = at + Samples(edge - first as f64).at(rate);
                if stopped_at.is_none_or(|t| when > t + STOP_TAIL) {
                    line.on_tick(when, position);
                }
            }
        });
        self.first += n as u64;
    }

    /// What is missing is missing in the code too: the decoder must not join the ends.
    pub(super) fn on_gap(&mut self, lasted: Span, rate: Hertz) {
        let zeros = [0f32; 64];
        let mut left = Samples::of(lasted, rate).0.min(rate.0) as usize;
        while left > 0 {
            let k = left.min(zeros.len());
            self.decoder.on_samples(&zeros[..k], &mut |_| {});
            self.first += k as u64;
            left -= k;
        }
    }

    /// The player said that it stops.
    pub(super) fn on_stopped(&mut self, at: MonoTime) {
        self.line.on_stopped(at);
        self.stopped_at = Some(at);
    }

    /// The device or the feed went away.
    pub(super) fn on_lost(&mut self, at: MonoTime, rate: Hertz, ltc_rate: Option<FrameRate>) {
        self.line.on_lost(at);
        self.decoder = LtcDecoder::new(rate, ltc_rate);
        self.first = 0;
    }

    /// Where it is.
    pub(super) fn report(&self, now: MonoTime) -> Option<base::PositionReport> {
        let rate = self.rate?;
        let p = self.line.point(now)?;
        Some(report(SourceKind::Ltc, &p, ShowPosition::Timecode { rate, at: p.position }))
    }
}
