//! One MIDI stream, from bytes to events.

use base::MonoTime;

use super::clock::ClockReader;
use super::event::{MachineCommand, MidiEvent, RefusedWhy, TransportEvent};
use super::mtc::label;
use super::mtc_reader::MtcReader;
use super::parse::{Message, Parser};

/// What can be set on a reader.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct MidiReaderConfig {
    /// Code has stalled after this many quarter frames (or clocks) without one, beyond the learnt clump of arrivals.
    pub stall_after: f64,
}

impl Default for MidiReaderConfig {
    fn default() -> MidiReaderConfig {
        MidiReaderConfig { stall_after: 3.0 }
    }
}

/// What went through a reader.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct MidiCounts {
    /// Whole messages.
    pub messages: u64,
    /// Broken or impossible ones.
    pub refused: u64,
    /// Positions by timecode.
    pub mtc_positions: u64,
    /// Positions by clock.
    pub clocks: u64,
}

/// Reads one stream. Chunks may be cut anywhere; nothing is allocated.
#[derive(Clone, Debug)]
pub struct MidiReader {
    parser: Parser,
    heard: Heard,
}

/// Everything behind the parser.
#[derive(Clone, Debug)]
struct Heard {
    mtc: MtcReader,
    clock: ClockReader,
    banks: [Bank; 16],
    counts: MidiCounts,
    now: MonoTime,
}

#[derive(Clone, Copy, Default, Debug)]
struct Bank {
    msb: Option<u8>,
    lsb: Option<u8>,
}

impl MidiReader {
    /// A reader that has heard nothing yet.
    pub const fn new(config: MidiReaderConfig) -> MidiReader {
        MidiReader {
            parser: Parser::new(),
            heard: Heard {
                mtc: MtcReader::new(config.stall_after),
                clock: ClockReader::new(config.stall_after),
                banks: [Bank { msb: None, lsb: None }; 16],
                counts: MidiCounts { messages: 0, refused: 0, mtc_positions: 0, clocks: 0 },
                now: MonoTime::ZERO,
            },
        }
    }

    /// Bytes that came in at `at`. An instant before an earlier one counts as that one: time does not run backwards.
    pub fn on_bytes(&mut self, bytes: &[u8], at: MonoTime, sink: &mut impl FnMut(MidiEvent)) {
        self.on_time(at, sink);
        let heard = &mut self.heard;
        for &byte in bytes {
            self.parser.on_byte(byte, &mut |message| heard.on_message(message, sink));
        }
    }

    /// Time goes by with nothing heard: code that should run may turn out to have stalled.
    pub fn on_time(&mut self, now: MonoTime, sink: &mut impl FnMut(MidiEvent)) {
        let heard = &mut self.heard;
        heard.now = heard.now.max(now);
        heard.mtc.on_time(heard.now, sink);
        heard.clock.on_time(heard.now, sink);
    }

    /// When [`on_time`](Self::on_time) is wanted next, if no byte comes before.
    pub fn next_deadline(&self) -> Option<MonoTime> {
        match (self.heard.mtc.next_deadline(), self.heard.clock.next_deadline()) {
            (Some(a), Some(b)) => Some(a.min(b)),
            (a, b) => a.or(b),
        }
    }

    /// The stream ended: a message that was under way is cut short.
    pub fn finish(&mut self, sink: &mut impl FnMut(MidiEvent)) {
        let heard = &mut self.heard;
        self.parser.finish(&mut |message| heard.on_message(message, sink));
    }

    /// What went through so far.
    pub const fn counts(&self) -> MidiCounts {
        self.heard.counts
    }
}

impl Heard {
    #[inline]
    fn on_message(&mut self, message: Message<'_>, sink: &mut impl FnMut(MidiEvent)) {
        let at = self.now;
        let counts = &mut self.counts;
        counts.messages += 1;
        // What the parts below emit is counted on its way out.
        let mut out = |event: MidiEvent| {
            match event {
                MidiEvent::Mtc(_) => counts.mtc_positions += 1,
                MidiEvent::Clock(_) => counts.clocks += 1,
                MidiEvent::Refused { .. } => counts.refused += 1,
                _ => {}
            }
            sink(event);
        };
        match message {
            Message::QuarterFrame(data) => self.mtc.on_quarter_frame(data, at, &mut out),
            Message::RealTime(0xF8) => self.clock.on_clock(at, &mut out),
            Message::RealTime(0xFA) => self.clock.on_start(at, &mut out),
            Message::RealTime(0xFB) => self.clock.on_continue(at, &mut out),
            Message::RealTime(0xFC) => self.clock.on_stop(at, &mut out),
            Message::RealTime(0xFF) => {
                self.clock.on_reset(at, &mut out);
                self.banks = [Bank::default(); 16];
            }
            Message::SongPosition(sixteenths) => {
                self.clock.on_song_position(sixteenths, at, &mut out);
            }
            Message::SongSelect(song) => out(MidiEvent::Song { at, song }),
            Message::Channel(status, a, b) => {
                on_channel(&mut self.banks, status, a, b, at, &mut out);
            }
            Message::Exclusive(kept, length) => {
                let refused = on_exclusive(&mut self.mtc, kept, length, at, &mut out);
                if refused {
                    self.counts.messages -= 1;
                }
            }
            Message::Refused(why) => {
                out(MidiEvent::Refused { at, why });
                self.counts.messages -= 1;
            }
            Message::TuneRequest | Message::RealTime(_) => {}
        }
    }
}

fn on_channel(banks: &mut [Bank; 16], status: u8, a: u8, b: u8, at: MonoTime, out: &mut impl FnMut(MidiEvent)) {
    let channel = (status & 0xF) + 1;
    let bank = &mut banks[usize::from(status & 0xF)];
    match status & 0xF0 {
        0x80 => out(MidiEvent::Note { at, channel, key: a, velocity: b, on: false }),
        0x90 => out(MidiEvent::Note { at, channel, key: a, velocity: b, on: b > 0 }),
        0xB0 => {
            match a {
                0 => bank.msb = Some(b),
                32 => bank.lsb = Some(b),
                _ => {}
            }
            out(MidiEvent::Control { at, channel, controller: a, value: b });
        }
        0xC0 => out(MidiEvent::Patch { at, channel, bank_msb: bank.msb, bank_lsb: bank.lsb, program: a }),
        0xE0 => {
            let value = (i16::from(b) << 7 | i16::from(a)) - 8192;
            out(MidiEvent::Bend { at, channel, value });
        }
        // Key and channel pressure move nothing that we watch.
        _ => {}
    }
}

/// Universal system exclusive of interest; all other is none of ours. `body` is what stood between F0 and F7, cut; `length` how
/// long it was. Whether the message was refused.
fn on_exclusive(
    mtc: &mut MtcReader,
    body: &[u8],
    length: usize,
    at: MonoTime,
    out: &mut impl FnMut(MidiEvent),
) -> bool {
    match body {
        // RP-004, full message: F0 7F <device> 01 01 hr mn sc fr F7.
        [0x7F, _, 0x01, 0x01, rest @ ..] => match *rest {
            [hr, mn, sc, fr] if length == 8 => {
                let mut refused = false;
                mtc.on_full_frame([hr, mn, sc, fr], at, &mut |event| {
                    refused |= matches!(event, MidiEvent::Refused { .. });
                    out(event);
                });
                refused
            }
            _ if length < 8 => refuse(at, out, RefusedWhy::Truncated),
            _ => refuse(at, out, RefusedWhy::Overlong),
        },
        // MMC (RP-013): F0 7F <device> 06 <command> ... F7.
        [0x7F, _, 0x06, command @ ..] => {
            let command = match *command {
                [0x01, ..] => MachineCommand::Stop,
                [0x02 | 0x03, ..] => MachineCommand::Play,
                [0x09, ..] => MachineCommand::Pause,
                // LOCATE [TARGET]: 44 06 01 hr mn sc fr ff.
                [0x44, _, 0x01, hr, mn, sc, fr, ..] => match label(hr & 0x7F, mn & 0x3F, sc & 0x3F, fr & 0x1F) {
                    Ok(timecode) => MachineCommand::Locate(timecode),
                    Err(_) => return refuse(at, out, RefusedWhy::Impossible),
                },
                [0x44, _, 0x01, ..] => return refuse(at, out, RefusedWhy::Truncated),
                _ => return false,
            };
            out(MidiEvent::Machine { at, command });
            false
        }
        // RP-004: a transmitter that lost its code sends NAK (F0 7E <device> 7E <packet> F7), to be taken as "tape has stopped".
        [0x7E, _, 0x7E, _] => {
            if mtc.on_stopped() {
                out(MidiEvent::Transport { at, event: TransportEvent::Stop, place: None });
            }
            false
        }
        _ => false,
    }
}

fn refuse(at: MonoTime, out: &mut impl FnMut(MidiEvent), why: RefusedWhy) -> bool {
    out(MidiEvent::Refused { at, why });
    true
}
