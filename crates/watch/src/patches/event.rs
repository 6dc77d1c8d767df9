//! One channel message that changes what a device plays.

use arrayvec::ArrayVec;

use super::exclusive::ExclusiveId;

/// A channel message, decoded.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct PatchEvent {
    /// MIDI channel, 1 to 16; 0 for system exclusive, which has none.
    pub channel: u8,
    /// What was sent.
    pub sent: Sent,
}

/// What a channel message says (MIDI 1.0 Detailed Specification, "Channel Voice Messages").
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Sent {
    /// Program change, 0 to 127.
    Program(u8),
    /// Controller and value, bank select (0, 32) and channel mode (120 to 127) included.
    Control(u8, u8),
    /// Pitch bend, -8192 to 8191.
    Bend(i16),
    /// A key goes down.
    NoteOn(u8),
    /// A key comes up (also by a note-on of velocity 0).
    NoteOff(u8),
    /// A whole system exclusive message.
    Exclusive(ExclusiveId),
}

impl PatchEvent {
    /// From one whole message with its status; `None`: it is none of these.
    pub fn from_message(bytes: &[u8]) -> Option<PatchEvent> {
        let (&status, data) = bytes.split_first()?;
        let a = *data.first()?;
        let b = data.get(1).copied();
        if a > 127 || b.is_some_and(|b| b > 127) {
            return None;
        }
        let sent = match (status & 0xF0, b) {
            (0x80, Some(_)) => Sent::NoteOff(a),
            (0x90, Some(0)) => Sent::NoteOff(a),
            (0x90, Some(_)) => Sent::NoteOn(a),
            (0xB0, Some(b)) => Sent::Control(a, b),
            (0xC0, _) => Sent::Program(a),
            (0xE0, Some(b)) => Sent::Bend((i16::from(b) << 7 | i16::from(a)) - 8192),
            _ => return None,
        };
        Some(PatchEvent { channel: (status & 0x0F) + 1, sent })
    }

    /// As a message with its status. A note-on comes back with velocity 64; of a system exclusive message only the place, without bytes.
    pub fn message(self) -> ArrayVec<u8, 3> {
        let c = self.channel.clamp(1, 16) - 1;
        let mut out = ArrayVec::new();
        match self.sent {
            Sent::Program(p) => out.extend([0xC0 | c, p & 127]),
            Sent::Control(n, v) => out.extend([0xB0 | c, n & 127, v & 127]),
            Sent::Bend(v) => {
                let n = (v.clamp(-8192, 8191) + 8192) as u16;
                out.extend([0xE0 | c, (n & 127) as u8, (n >> 7) as u8]);
            }
            Sent::NoteOn(k) => out.extend([0x90 | c, k & 127, 64]),
            Sent::NoteOff(k) => out.extend([0x80 | c, k & 127, 64]),
            Sent::Exclusive(_) => {}
        }
        out
    }

    /// Whether both set the same thing, whatever the value.
    pub fn same_target(self, other: PatchEvent) -> bool {
        self.channel == other.channel
            && match (self.sent, other.sent) {
                (Sent::Program(_), Sent::Program(_)) | (Sent::Bend(_), Sent::Bend(_)) => true,
                (Sent::Control(a, _), Sent::Control(b, _)) => a == b,
                (Sent::Exclusive(a), Sent::Exclusive(b)) => a.key == b.key,
                _ => false,
            }
    }

    /// Whether it belongs to the patches that are compared: notes do not.
    pub fn is_patch(self) -> bool {
        !matches!(self.sent, Sent::NoteOn(_) | Sent::NoteOff(_))
    }
}

impl core::fmt::Display for PatchEvent {
    /// For people: programs from 0, as sent.
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        match self.sent {
            Sent::Program(p) => write!(f, "program {p}")?,
            Sent::Control(0, v) => write!(f, "bank {v} (MSB)")?,
            Sent::Control(32, v) => write!(f, "bank {v} (LSB)")?,
            Sent::Control(n, v) => write!(f, "controller {n} at {v}")?,
            Sent::Bend(v) => write!(f, "pitch bend {v}")?,
            Sent::NoteOn(k) => write!(f, "note {k}")?,
            Sent::NoteOff(k) => write!(f, "the end of note {k}")?,
            Sent::Exclusive(e) => return write!(f, "{e}"),
        }
        write!(f, " on channel {}", self.channel)
    }
}
