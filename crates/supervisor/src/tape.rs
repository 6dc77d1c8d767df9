//! The last seconds of the tap, kept so that each changeover can be measured in what was really heard.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex};

use base::{Hertz, Machine, MonoTime, Samples, Span};

use crate::house::{CODE_REACH, Frame};

/// How much is kept: what is measured, and as much again for a tap that comes late.
const KEPT: Span = Span::from_secs(6);
/// Blocks farther apart than this have a hole between them, which was silence.
pub const HOLE: Span = Span::from_millis(2);
/// A switch that goes over to a machine whose blocks are stamped a little earlier steps back by so much at most: the sound goes on.
const STEP_BACK: Span = Span::from_millis(500);
/// A little more than is measured must have come.
const AFTER: Span = Span::from_millis(100);

/// Changeovers that are to be measured.
#[derive(Clone, Default)]
pub struct Wishes(Arc<Mutex<Vec<(MonoTime, Machine)>>>);

impl Wishes {
    /// A command to go to a machine went out.
    pub fn wish(&self, at: MonoTime, to: Machine) {
        if let Ok(mut w) = self.0.lock() {
            w.push((at, to));
        }
    }

    /// The next whose time has come.
    fn due(&self, end: MonoTime) -> Option<(MonoTime, Machine)> {
        // The tap never waits: what is not had now is had with the next block.
        let mut w = self.0.try_lock().ok()?;
        let i = w.iter().position(|(at, _)| end >= *at + CODE_REACH + AFTER)?;
        Some(w.remove(i))
    }
}

/// A stretch to be measured.
pub struct Stretch {
    /// The command's instant.
    pub at: MonoTime,
    /// Where it went.
    pub to: Machine,
    /// The sound.
    pub frames: Vec<Frame>,
    /// Its rate.
    pub rate: Hertz,
    /// The sample at the command.
    pub around: usize,
}

impl Stretch {
    /// Its programme, for the record: as loud as it was, unless all channels together would be louder than full scale.
    pub fn sound(&self) -> showlog::Sound {
        let loudest = self.frames.iter().map(|f| f.mix.abs()).filter(|m| m.is_finite()).fold(1.0f32, f32::max);
        let to_16 = |f: &Frame| if f.mix.is_finite() { (f.mix / loudest * 32_767.0).round() as i16 } else { 0 };
        showlog::Sound {
            at: self.at - Samples(self.around as f64).at(self.rate),
            heard_at: showlog::HeardAt::House,
            channel: "programme".to_owned(),
            rate_millihertz: (self.rate.0 * 1e3).round() as u32,
            samples: self.frames.iter().map(to_16).collect(),
        }
    }
}

/// See the module.
pub struct Tape {
    rate: Hertz,
    frames: VecDeque<Frame>,
    /// When the next sample is due.
    end: Option<MonoTime>,
    wishes: Wishes,
}

impl Tape {
    /// An empty one.
    pub fn new(rate: Hertz, wishes: Wishes) -> Tape {
        let room = Samples::of(KEPT, rate).0 as usize;
        Tape { rate, frames: VecDeque::with_capacity(room), end: None, wishes }
    }

    /// A block begins: what is missing before it was silence; far off, everything begins anew.
    pub fn begin_block(&mut self, at: MonoTime) {
        let Some(end) = self.end else {
            self.end = Some(at);
            return;
        };
        let hole = at - end;
        if hole > KEPT || hole < -STEP_BACK {
            self.frames.clear();
            self.end = Some(at);
        } else if hole > HOLE {
            for _ in 0..Samples::of(hole, self.rate).0.round() as usize {
                self.push(Frame::default());
            }
        }
    }

    /// One instant.
    pub fn push(&mut self, frame: Frame) {
        if self.frames.len() >= Samples::of(KEPT, self.rate).0 as usize {
            self.frames.pop_front();
        }
        self.frames.push_back(frame);
    }

    /// The block is over; `end` is when the next sample is due. A stretch, if one is to be measured and has come whole.
    pub fn end_block(&mut self, end: MonoTime) -> Option<Stretch> {
        self.end = Some(end);
        let (at, to) = self.wishes.due(end)?;
        let back = Samples::of(end - at, self.rate).0.round() as usize;
        let around = self.frames.len().checked_sub(back)?;
        let reach = Samples::of(CODE_REACH, self.rate).0 as usize;
        let from = around.saturating_sub(reach);
        let until = (around + reach).min(self.frames.len());
        let frames = self.frames.range(from..until).copied().collect();
        Some(Stretch { at, to, frames, rate: self.rate, around: around - from })
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    const RATE: Hertz = Hertz(8_000.0);

    /// Ten seconds in blocks of 10 ms, but for those in `missing`, stamped `back` earlier from five seconds on; programme always, a
    /// command at five seconds.
    fn play(missing: std::ops::Range<u64>, back: Span) -> Stretch {
        let wishes = Wishes::default();
        let mut tape = Tape::new(RATE, wishes.clone());
        let begin = MonoTime::from_nanos(1_000_000_000);
        wishes.wish(begin + Span::from_secs(5), Machine::B);
        let mut found = Vec::new();
        for block in (0..1_000u64).filter(|b| !missing.contains(b)) {
            let back = if block < 500 { Span::ZERO } else { back };
            let at = begin + Span::from_millis(10 * block as i64) - back;
            tape.begin_block(at);
            for _ in 0..80 {
                tape.push(Frame { peak: 0.1, power: 0.01, code: 0.0, mix: 0.1 });
            }
            found.extend(tape.end_block(at + Span::from_millis(10)));
        }
        assert_eq!(found.len(), 1);
        found.pop().unwrap()
    }

    #[test]
    fn the_stretch_lies_round_the_command_and_holes_are_silence() {
        let whole = play(0..0, Span::ZERO);
        assert_eq!((whole.to, whole.frames.len(), whole.around), (Machine::B, 24_000, 12_000));
        let sound = whole.sound();
        assert_eq!((sound.samples.len(), sound.samples[7], sound.rate_millihertz), (24_000, 3_277, 8_000_000));
        assert_eq!(whole.at - sound.at, Span::from_millis(1_500));
        let heard = crate::house::measure(&whole.frames, RATE, whole.around);
        assert_eq!(heard.gap, Span::ZERO);
        // Thirty milliseconds never came.
        let holed = play(500..503, Span::ZERO);
        assert_eq!((holed.frames.len(), holed.around), (24_000, 12_000));
        let heard = crate::house::measure(&holed.frames, RATE, holed.around);
        assert_eq!((heard.gap, heard.gap_at), (Span::from_millis(30), Span::from_millis(1_500)));
        // The other machine's blocks are stamped 3 ms earlier.
        assert_eq!(play(0..0, Span::from_millis(3)).frames.len(), 24_000);
        assert!(heard.say().starts_with("Heard on the tap: 30.0 ms without programme"), "{}", heard.say());
    }
}
