//! Linear timecode on one of the channels.

use base::{FrameRate, Hertz, MonoTime, ShowPosition, SourceKind, Span};
use measure::line::{LineConfig, PositionLine};
use timecode::ltc::LtcEar;

use super::super::code::report;
use super::CHUNK;

/// A stop and the end of the code in the sound lie within this of each other: a buffer of each.
const STOP_TAIL: Span = Span::from_millis(100);

/// What the code of one channel tells.
pub(super) struct Ltc {
    /// Which.
    pub(super) channel: usize,
    ear: LtcEar,
    line: PositionLine,
    rate: Option<FrameRate>,
    /// When a stop was last heard: code from before it is no new start.
    stopped_at: Option<MonoTime>,
}

impl Ltc {
    /// Code on this channel, of which nothing was heard.
    pub(super) fn new(channel: usize, rate: Hertz, ltc_rate: Option<FrameRate>) -> Ltc {
        Ltc {
            channel,
            ear: LtcEar::new(rate, ltc_rate),
            line: PositionLine::new(LineConfig { expected_tick: FrameRate::F30.frames(1) }),
            rate: ltc_rate,
            stopped_at: None,
        }
    }

    /// A block of interleaved samples, the first heard at `at`.
    pub(super) fn hear(&mut self, interleaved: &[f32], channels: usize, at: MonoTime) {
        let mut mono = [0f32; CHUNK];
        let mut n = 0;
        for (to, s) in mono.iter_mut().zip(interleaved.iter().skip(self.channel).step_by(channels)) {
            *to = *s;
            n += 1;
        }
        let (line, known, stopped_at) = (&mut self.line, &mut self.rate, self.stopped_at);
        self.ear.on_block(at, &mono[..n], &mut |e| {
            *known = Some(e.rate);
            if stopped_at.is_none_or(|t| e.at > t + STOP_TAIL) {
                line.on_tick(e.at, e.place);
            }
        });
    }

    /// Sound was lost.
    pub(super) fn on_gap(&mut self, lasted: Span) {
        self.ear.on_gap(lasted);
    }

    /// The player said that it stops.
    pub(super) fn on_stopped(&mut self, at: MonoTime) {
        self.line.on_stopped(at);
        self.stopped_at = Some(at);
    }

    /// The device or the feed went away.
    pub(super) fn on_lost(&mut self, at: MonoTime, rate: Hertz, ltc_rate: Option<FrameRate>) {
        self.line.on_lost(at);
        self.ear = LtcEar::new(rate, ltc_rate);
    }

    /// Where it is.
    pub(super) fn report(&self, now: MonoTime) -> Option<base::PositionReport> {
        let rate = self.rate?;
        let p = self.line.point(now)?;
        Some(report(SourceKind::Ltc, &p, ShowPosition::Timecode { rate, at: p.position }))
    }
}
