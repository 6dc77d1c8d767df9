//! Messages as bytes: what a player sends, and what a patch chase sends again.

use arrayvec::ArrayVec;
use base::{Direction, MonoTime};

use super::event::MidiEvent;
use super::mtc::{hours_and_rate, nibble};
use crate::smpte::Timecode;

/// MIDI clock, 24 to the quarter note.
pub const CLOCK: u8 = 0xF8;
/// Play from the start of the song at the next clock.
pub const START: u8 = 0xFA;
/// Play on at the next clock.
pub const CONTINUE: u8 = 0xFB;
/// Stop.
pub const STOP: u8 = 0xFC;

/// The quarter frames of code that runs, piece after piece.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct MtcEncoder {
    label: Timecode,
    /// Quarter frames into the two frames of `label`: 0 to 7.
    piece: u8,
    direction: Direction,
}

impl MtcEncoder {
    /// Code that starts on the boundary of this frame. Forwards the first message is piece 0 of it; backwards, too, and
    /// the one after it is piece 7 of the label two frames before. MTC knows 24, 25, 29.97 drop and 30 frames a second;
    /// 23.976 is sent as 24 and 29.97 non-drop as 30, as is common practice.
    pub const fn new(start: Timecode, direction: Direction) -> MtcEncoder {
        MtcEncoder { label: start, piece: 0, direction }
    }

    /// Where the next message stands, in quarter frames since 00:00:00:00.
    pub const fn quarters(&self) -> i64 {
        (4 * self.label.frames() as i64 + self.piece as i64) % (4 * Timecode::frames_per_day(self.label.rate()) as i64)
    }

    /// The next message; it is due a quarter frame after the one before it.
    pub const fn next_message(&mut self) -> [u8; 2] {
        let message = [0xF1, self.piece << 4 | nibble(self.label, self.piece)];
        let back = matches!(self.direction, Direction::Reverse);
        match (back, self.piece) {
            (false, 7) => {
                self.piece = 0;
                self.label = self.label.plus(2);
            }
            (false, _) => self.piece += 1,
            (true, 0) => {
                self.piece = 7;
                self.label = self.label.plus(-2);
            }
            (true, _) => self.piece -= 1,
        }
        message
    }
}

/// A full-frame message to every device (RP-004): go to this frame.
pub const fn full_frame(t: Timecode) -> [u8; 10] {
    [0xF0, 0x7F, 0x7F, 0x01, 0x01, hours_and_rate(t), t.minutes(), t.seconds(), t.frame(), 0xF7]
}

/// A song position pointer: `sixteenths` of a whole note since the song's start, up to 16 383 (MIDI 1.0). Higher ones are
/// cut to that.
pub const fn song_position(sixteenths: u16) -> [u8; 3] {
    let n = if sixteenths > 0x3FFF { 0x3FFF } else { sixteenths };
    [0xF2, (n & 0x7F) as u8, (n >> 7) as u8]
}

/// The bytes of a channel message that was heard, and when it came; a program change has a 0 at the end. `None`: it is none, or one that
/// moves nothing we watch.
pub fn channel_message(e: &MidiEvent) -> Option<(MonoTime, [u8; 3])> {
    Some(match *e {
        MidiEvent::Patch { at, channel, program, .. } => (at, [status(0xC0, channel), program, 0]),
        MidiEvent::Control { at, channel, controller, value } => (at, [status(0xB0, channel), controller, value]),
        MidiEvent::Bend { at, channel, value } => (at, bend(channel, value)),
        MidiEvent::Note { at, channel, key, velocity, on } => {
            (at, [status(if on { 0x90 } else { 0x80 }, channel), key, velocity])
        }
        _ => return None,
    })
}

/// A controller. `channel` 1 to 16; what is beyond its range is cut to it, here and below.
pub fn control(channel: u8, controller: u8, value: u8) -> [u8; 3] {
    [status(0xB0, channel), controller.min(127), value.min(127)]
}

/// Bank select, where known, and program change, in the order in which they take effect.
pub fn patch(channel: u8, bank_msb: Option<u8>, bank_lsb: Option<u8>, program: u8) -> ArrayVec<u8, 8> {
    let mut bytes = ArrayVec::new();
    for (controller, value) in [(0, bank_msb), (32, bank_lsb)] {
        if let Some(value) = value {
            bytes.extend(control(channel, controller, value));
        }
    }
    bytes.extend([status(0xC0, channel), program.min(127)]);
    bytes
}

/// Pitch bend, -8192 to 8191.
pub fn bend(channel: u8, value: i16) -> [u8; 3] {
    let n = (value.clamp(-8192, 8191) + 8192) as u16;
    [status(0xE0, channel), (n & 0x7F) as u8, (n >> 7) as u8]
}

fn status(kind: u8, channel: u8) -> u8 {
    kind | (channel.clamp(1, 16) - 1)
}
