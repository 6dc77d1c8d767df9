//! Bytes to messages (MIDI 1.0 Detailed Specification, "Data Format").
//!
//! - A status byte (80..EF) holds for the data that follow, message after message: running status.
//! - System common (F0..F7) cancels running status; so does any undefined status of that range.
//! - A real-time byte (F8..FF) may stand anywhere, between any two bytes, and changes nothing of what it stands in.
//! - System exclusive lasts until F7. Any other status that is not real-time ends it as well, but then the message lost
//!   its end: it is refused, since the bytes that went with its end are unknown.

use super::event::RefusedWhy;

/// How much of a system-exclusive message is kept: the longest one that we read (MMC locate) has 13 bytes, F0 and F7
/// included. Longer ones are counted and let go.
const SYSEX_KEPT: usize = 16;

/// One message.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Message<'a> {
    /// Status 80..EF with its data (the second is 0 where there is none).
    Channel(u8, u8, u8),
    /// F1: the data byte.
    QuarterFrame(u8),
    /// F2: sixteenth notes since the song's start.
    SongPosition(u16),
    /// F3: the song.
    SongSelect(u8),
    /// F6.
    TuneRequest,
    /// F0..F7: what stood between them, cut at [`SYSEX_KEPT`], and how long it really was.
    Exclusive(&'a [u8], usize),
    /// F8..FF.
    RealTime(u8),
    /// Not a message.
    Refused(RefusedWhy),
}

/// The state between two bytes.
#[derive(Clone, Debug)]
pub(crate) struct Parser {
    state: State,
    /// The status that data bytes belong to.
    status: u8,
    first: u8,
    exclusive: [u8; SYSEX_KEPT],
    exclusive_len: usize,
}

#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum State {
    /// No status: data would be stray.
    Idle,
    /// Stray data were met and refused; more of them, and an F7 after them, are of the same broken message.
    Stray,
    /// A message was complete and its status still runs.
    Running,
    /// One data byte is missing, the only one.
    Want1,
    /// Two are missing.
    Want2,
    /// The second of two is missing.
    WantSecond,
    /// Within system exclusive.
    Exclusive,
}

impl Parser {
    pub(crate) const fn new() -> Parser {
        Parser { state: State::Idle, status: 0, first: 0, exclusive: [0; SYSEX_KEPT], exclusive_len: 0 }
    }

    /// Takes one byte. At most two messages come of it: a refused one that it cut short, and one that it completes.
    #[inline]
    pub(crate) fn on_byte(&mut self, byte: u8, sink: &mut impl FnMut(Message<'_>)) {
        if byte < 0x80 {
            self.on_data(byte, sink);
        } else if byte >= 0xF8 {
            self.on_real_time(byte, sink);
        } else {
            self.on_status(byte, sink);
        }
    }

    /// The stream ended: a message in the middle is cut short.
    pub(crate) fn finish(&mut self, sink: &mut impl FnMut(Message<'_>)) {
        self.cut_short(sink);
        self.state = State::Idle;
    }

    #[inline]
    fn on_data(&mut self, byte: u8, sink: &mut impl FnMut(Message<'_>)) {
        match self.state {
            State::Want1 => self.complete(byte, 0, sink),
            State::WantSecond => self.complete(self.first, byte, sink),
            State::Want2 => {
                self.first = byte;
                self.state = State::WantSecond;
            }
            State::Running => {
                if data_bytes(self.status) == 1 {
                    self.complete(byte, 0, sink);
                } else {
                    self.first = byte;
                    self.state = State::WantSecond;
                }
            }
            State::Exclusive => {
                if let Some(place) = self.exclusive.get_mut(self.exclusive_len) {
                    *place = byte;
                }
                self.exclusive_len = self.exclusive_len.saturating_add(1);
            }
            State::Idle => {
                self.state = State::Stray;
                sink(Message::Refused(RefusedWhy::Stray));
            }
            State::Stray => {}
        }
    }

    #[inline]
    fn complete(&mut self, a: u8, b: u8, sink: &mut impl FnMut(Message<'_>)) {
        self.state = State::Idle;
        match self.status {
            0xF1 => sink(Message::QuarterFrame(a)),
            0xF2 => sink(Message::SongPosition(u16::from(b) << 7 | u16::from(a))),
            0xF3 => sink(Message::SongSelect(a)),
            status => {
                self.state = State::Running;
                sink(Message::Channel(status, a, b));
            }
        }
    }

    fn on_real_time(&mut self, byte: u8, sink: &mut impl FnMut(Message<'_>)) {
        match byte {
            0xF9 | 0xFD => sink(Message::Refused(RefusedWhy::Undefined)),
            0xFF => {
                // System reset: running status is cleared (MIDI 1.0), what was under way is void.
                self.cut_short(sink);
                self.state = State::Idle;
                sink(Message::RealTime(byte));
            }
            _ => sink(Message::RealTime(byte)),
        }
    }

    #[inline]
    fn on_status(&mut self, byte: u8, sink: &mut impl FnMut(Message<'_>)) {
        if byte == 0xF7 && self.state == State::Exclusive {
            let kept = self.exclusive_len.min(SYSEX_KEPT);
            self.state = State::Idle;
            sink(Message::Exclusive(&self.exclusive[..kept], self.exclusive_len));
            return;
        }
        let after_stray = self.state == State::Stray;
        self.cut_short(sink);
        self.status = byte;
        self.state = match byte {
            0xF0 => {
                self.exclusive_len = 0;
                State::Exclusive
            }
            0xF1 | 0xF3 => State::Want1,
            0xF2 => State::Want2,
            0xF6 => {
                sink(Message::TuneRequest);
                State::Idle
            }
            0xF7 => {
                if !after_stray {
                    sink(Message::Refused(RefusedWhy::Stray));
                }
                State::Idle
            }
            0xF4 | 0xF5 => {
                sink(Message::Refused(RefusedWhy::Undefined));
                // Whatever data it has belong to it: they are no message of their own.
                State::Stray
            }
            channel if data_bytes(channel) == 1 => State::Want1,
            _ => State::Want2,
        };
    }

    #[inline]
    fn cut_short(&self, sink: &mut impl FnMut(Message<'_>)) {
        if matches!(self.state, State::Want1 | State::Want2 | State::WantSecond | State::Exclusive) {
            sink(Message::Refused(RefusedWhy::Truncated));
        }
    }
}

/// How many data bytes a channel message has.
const fn data_bytes(status: u8) -> u8 {
    if matches!(status & 0xF0, 0xC0 | 0xD0) { 1 } else { 2 }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]
    use super::*;

    fn read(bytes: &[u8]) -> Vec<String> {
        let mut p = Parser::new();
        let mut out = Vec::new();
        for &b in bytes {
            p.on_byte(b, &mut |m| out.push(format!("{m:?}")));
        }
        p.finish(&mut |m| out.push(format!("{m:?}")));
        out
    }

    #[test]
    fn running_status_holds_until_system_common() {
        assert_eq!(
            read(&[0x90, 60, 1, 62, 2, 0xF6, 64, 3]),
            ["Channel(144, 60, 1)", "Channel(144, 62, 2)", "TuneRequest", "Refused(Stray)"]
        );
        assert_eq!(read(&[0xC0, 1, 2, 0xF8, 3]).len(), 4);
    }

    #[test]
    fn real_time_stands_anywhere() {
        assert_eq!(
            read(&[0xF1, 0xF8, 0x21, 0xF0, 0x7D, 0xFA, 1, 0xFE, 0xF7, 0x90, 0xFB, 1, 0xFC, 2]),
            [
                "RealTime(248)",
                "QuarterFrame(33)",
                "RealTime(250)",
                "RealTime(254)",
                "Exclusive([125, 1], 2)",
                "RealTime(251)",
                "RealTime(252)",
                "Channel(144, 1, 2)"
            ]
        );
    }

    #[test]
    fn broken_messages_are_refused_once_each() {
        assert_eq!(read(&[1, 2, 3, 0xF7]), ["Refused(Stray)"]);
        assert_eq!(read(&[0xF7]), ["Refused(Stray)"]);
        assert_eq!(read(&[0xF1, 0xF1, 0x10]), ["Refused(Truncated)", "QuarterFrame(16)"]);
        assert_eq!(read(&[0xF0, 1, 2, 0xF1, 0x10]), ["Refused(Truncated)", "QuarterFrame(16)"]);
        assert_eq!(read(&[0xF2, 1]), ["Refused(Truncated)"]);
        assert_eq!(read(&[0xF4, 1, 0xF9, 2]), ["Refused(Undefined)", "Refused(Undefined)"]);
        assert_eq!(read(&[0xF1, 1, 2]), ["QuarterFrame(1)", "Refused(Stray)"]);
    }

    #[test]
    fn long_exclusive_is_counted_and_let_go() {
        let mut bytes = vec![0xF0];
        bytes.extend([5; 100]);
        bytes.push(0xF7);
        assert_eq!(read(&bytes), [format!("Exclusive({:?}, 100)", [5; 16])]);
    }
}
