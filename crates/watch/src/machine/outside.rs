//! A machine that our own inputs hear, since no agent runs there: what is known of these inputs, and of what they hear.

use base::{AudioState, Heard, MonoTime, PositionReport, SourceKind, Span, TransportState};
use measure::detector::BeatState;
use rig::Outside;
use wire::Beat;

use super::MachineWatch;

/// A frame of linear timecode at the slowest rate (24 a second), with a block and a beat until it is told. Its line is believed to
/// roll on for longer; that an input is whole is not.
const A_FRAME: Span = Span::from_millis(50);
/// The last pieces of two codes of one machine lie this close together: a MIDI clock's tick at 60 beats a minute is 42 ms long.
const CODES_APART: Span = Span::from_millis(42);

impl MachineWatch {
    /// Without an agent on it a machine cannot be found silent as a host: only our own ears can be lost.
    pub(super) fn heard_outside(&self) -> Heard {
        match self.detector.state() {
            BeatState::Never => Heard::Never,
            _ if !self.opened => Heard::Never,
            BeatState::Heard if !self.newest.as_ref().is_some_and(|(b, _)| own_ears_lost(b)) => Heard::Well,
            _ => Heard::AgentLost,
        }
    }

    /// What is known of how our own inputs hear it.
    pub(super) fn by_our_inputs(&self, now: MonoTime) -> Option<Outside> {
        if !self.outside {
            return None;
        }
        let sound = self.newest.as_ref().is_some_and(|(b, _)| b.audio != AudioState::Unknown);
        let here = |r: &&PositionReport| r.state != TransportState::Unknown;
        let of = |sources: &[SourceKind]| sources.iter().any(|s| self.report(*s, now).filter(here).is_some());
        let beside = self.report(SourceKind::Ltc, now).filter(here);
        let beside_last = beside.map(|r| r.last_heard.to_local(Span::ZERO));
        let midi = [SourceKind::Mtc, SourceKind::MidiClock];
        let ways = [sound || beside.is_some(), of(&midi), of(&[SourceKind::Osc])];
        let others = || {
            [SourceKind::Mtc, SourceKind::MidiClock, SourceKind::Osc].into_iter().filter_map(|s| self.report(s, now))
        };
        let stands = |r: &PositionReport| matches!(r.state, TransportState::Stalled | TransportState::Stopped);
        let ended = others().filter(|r| stands(r)).map(|r| r.last_heard.to_local(Span::ZERO)).max();
        Some(Outside {
            ways: ways.into_iter().filter(|w| *w).count() as u8,
            proven: self.proven,
            code_beside_sound: beside.is_some_and(|r| r.state == TransportState::Rolling)
                && beside_last.is_some_and(|t| now - t <= A_FRAME),
            beside_last,
            other_ended: ended.filter(|e| {
                // What still comes after it shows that this way is whole, and the machine alive.
                let still = |r: &PositionReport| r.state == TransportState::Rolling;
                !others().any(|r| still(r) && r.last_heard.to_local(Span::ZERO) > *e + CODES_APART)
            }),
        })
    }
}

/// Whether our own inputs that are to hear a machine's sound (or, where there are none, its code) are not open or bring nothing.
pub(super) fn own_ears_lost(beat: &Beat) -> bool {
    use wire::SourceFlags as F;
    let has = |f: F| beat.sources.has(f);
    let closed = has(F::AUDIO_WANTED) && !has(F::AUDIO_OPEN) || has(F::FEED_WANTED) && !has(F::FEED_OPEN);
    if has(F::AUDIO_WANTED) || has(F::FEED_WANTED) {
        closed || beat.audio == AudioState::Ceased
    } else {
        has(F::MIDI_WANTED) && !has(F::MIDI_OPEN)
    }
}
