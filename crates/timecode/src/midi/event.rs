//! What comes out of a MIDI stream.

use base::{Bpm, Direction, MonoTime, Span};

use crate::smpte::Timecode;

/// One thing heard, with the instant at which its last byte came in.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum MidiEvent {
    /// A position by MIDI timecode.
    Mtc(MtcPosition),
    /// A position by MIDI clock.
    Clock(ClockPosition),
    /// The transport did something, or ceased to.
    Transport {
        /// When.
        at: MonoTime,
        /// What.
        event: TransportEvent,
        /// Where the transport was then (start, continue: where it goes on; locate: where it went).
        place: Option<Place>,
    },
    /// A machine-control command (MMC, RP-013): what somebody asks of a transport, not what one did.
    Machine {
        /// When.
        at: MonoTime,
        /// What is asked.
        command: MachineCommand,
    },
    /// A program change, with the bank in force.
    Patch {
        /// When.
        at: MonoTime,
        /// Channel, 1 to 16.
        channel: u8,
        /// Bank select, most significant (controller 0); `None` when never sent.
        bank_msb: Option<u8>,
        /// Bank select, least significant (controller 32); `None` when never sent.
        bank_lsb: Option<u8>,
        /// Program, 0 to 127 as sent.
        program: u8,
    },
    /// A controller, bank select included; 120 to 127 are channel mode messages.
    Control {
        /// When.
        at: MonoTime,
        /// Channel, 1 to 16.
        channel: u8,
        /// Which controller, 0 to 127.
        controller: u8,
        /// Its value, 0 to 127.
        value: u8,
    },
    /// Pitch bend.
    Bend {
        /// When.
        at: MonoTime,
        /// Channel, 1 to 16.
        channel: u8,
        /// -8192 to 8191; 0 is the middle.
        value: i16,
    },
    /// A note on or off; a note-on of velocity 0 is an off (MIDI 1.0).
    Note {
        /// When.
        at: MonoTime,
        /// Channel, 1 to 16.
        channel: u8,
        /// Which key, 0 to 127.
        key: u8,
        /// How hard, 0 to 127; 0 when off by note-on.
        velocity: u8,
        /// Whether it starts.
        on: bool,
    },
    /// A song was selected (F3).
    Song {
        /// When.
        at: MonoTime,
        /// Its number as sent, 0 to 127.
        song: u8,
    },
    /// Bytes that are no message, or a message that cannot be true.
    Refused {
        /// When.
        at: MonoTime,
        /// Why.
        why: RefusedWhy,
    },
}

/// Which messages told a timecode position.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum MtcFrom {
    /// A quarter frame, the code being locked.
    QuarterFrame,
    /// A full-frame message.
    FullFrame,
}

/// Where the timecode is at one instant.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct MtcPosition {
    /// When.
    pub at: MonoTime,
    /// By which message.
    pub from: MtcFrom,
    /// The label of the frame that is running then.
    pub timecode: Timecode,
    /// Real time since 00:00:00:00, the fraction of the frame included, the lag of the assembly compensated.
    pub position: Span,
    /// The same as a count of frames.
    pub frames: f64,
    /// Which way the code runs; none for a full frame.
    pub direction: Direction,
}

/// Where the song is at one MIDI clock.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct ClockPosition {
    /// When.
    pub at: MonoTime,
    /// Clocks (24ths of a quarter note) since the start of the song.
    pub clocks: u32,
    /// The tempo, once two clocks told it.
    pub tempo: Option<Bpm>,
}

impl ClockPosition {
    /// Quarter notes since the start of the song.
    pub fn beats(&self) -> f64 {
        f64::from(self.clocks) / 24.0
    }
}

/// What a transport did.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum TransportEvent {
    /// Plays from the start of the song.
    Start,
    /// Stopped: it was told.
    Stop,
    /// Plays on from where it is.
    Continue,
    /// Went somewhere else.
    Locate,
    /// Should roll, and its code ceased.
    Stall,
}

/// A place as the code at hand tells it.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Place {
    /// Timecode.
    Timecode(Timecode),
    /// MIDI clocks since the start of the song.
    Clocks(u32),
}

/// A machine-control command (MMC) that moves a transport.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum MachineCommand {
    /// Stop.
    Stop,
    /// Play, at once or when located.
    Play,
    /// Pause.
    Pause,
    /// Go to this timecode.
    Locate(Timecode),
}

/// Why bytes were refused.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum RefusedWhy {
    /// Data without a status that it could belong to (as when one joins in the middle of a message).
    Stray,
    /// A message cut short by the next.
    Truncated,
    /// A message longer than its kind allows.
    Overlong,
    /// A status byte that MIDI 1.0 leaves undefined.
    Undefined,
    /// A well-formed message that says something impossible, such as minute 61.
    Impossible,
}
