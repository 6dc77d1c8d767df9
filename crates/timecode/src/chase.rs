//! What is in force on each MIDI channel, so that it can be sent again: the chase.

use arrayvec::ArrayVec;

use crate::midi::{MidiEvent, encode};

/// One channel.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct ChannelState {
    /// The bank that took effect: that of the last program change, else the last one selected.
    bank: Bank,
    /// The bank selected since: it takes effect with the next program change (MIDI 1.0, "Bank Select").
    selected: Bank,
    program: Option<u8>,
    controllers: [Option<u8>; 120],
    bend: Option<i16>,
}

#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
struct Bank {
    msb: Option<u8>,
    lsb: Option<u8>,
}

/// All sixteen channels. Nothing is allocated.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Chase {
    channels: [ChannelState; 16],
}

impl Default for Chase {
    fn default() -> Chase {
        Chase::new()
    }
}

impl Chase {
    /// Nothing was ever sent.
    pub const fn new() -> Chase {
        Chase { channels: [ChannelState::UNTOUCHED; 16] }
    }

    /// Takes in what a stream says; events of no concern are passed over.
    pub fn on_event(&mut self, event: &MidiEvent) {
        match *event {
            MidiEvent::Patch { channel, program, .. } => self.on_program(channel, program),
            MidiEvent::Control { channel, controller, value, .. } => self.on_control(channel, controller, value),
            MidiEvent::Bend { channel, value, .. } => self.on_bend(channel, value),
            _ => {}
        }
    }

    /// A program change on `channel` (1 to 16).
    pub fn on_program(&mut self, channel: u8, program: u8) {
        if let Some(c) = self.channel_mut(channel) {
            c.bank = c.selected;
            c.program = Some(program);
        }
    }

    /// A controller on `channel` (1 to 16).
    pub fn on_control(&mut self, channel: u8, controller: u8, value: u8) {
        let Some(c) = self.channel_mut(channel) else { return };
        match controller {
            0 => c.selected.msb = Some(value),
            32 => c.selected.lsb = Some(value),
            121 => c.reset_controllers(),
            // The other channel mode messages are no controllers.
            _ => {
                if let Some(place) = c.controllers.get_mut(usize::from(controller)) {
                    *place = Some(value);
                }
            }
        }
    }

    /// Pitch bend on `channel` (1 to 16), -8192 to 8191.
    pub fn on_bend(&mut self, channel: u8, value: i16) {
        if let Some(c) = self.channel_mut(channel) {
            c.bend = Some(value);
        }
    }

    /// The channels on which anything was ever sent, by number from 1.
    pub fn touched(&self) -> impl Iterator<Item = (u8, &ChannelState)> {
        (1..).zip(&self.channels).filter(|(_, c)| **c != ChannelState::UNTOUCHED)
    }

    /// The messages that bring a device to this state again: bank and program first, for a program change may reset the rest.
    pub fn resend(&self, sink: &mut impl FnMut(&[u8])) {
        for (channel, c) in self.touched() {
            if let Some(program) = c.program {
                sink(&encode::patch(channel, c.bank.msb, c.bank.lsb, program));
            }
            if c.program.is_none() || c.selected != c.bank {
                let mut select: ArrayVec<u8, 8> = ArrayVec::new();
                for (controller, value) in [(0, c.selected.msb), (32, c.selected.lsb)] {
                    if let Some(value) = value {
                        select.extend(encode::control(channel, controller, value));
                    }
                }
                if !select.is_empty() {
                    sink(&select);
                }
            }
            for (controller, value) in c.controllers() {
                sink(&encode::control(channel, controller, value));
            }
            if let Some(bend) = c.bend {
                sink(&encode::bend(channel, bend));
            }
        }
    }

    fn channel_mut(&mut self, channel: u8) -> Option<&mut ChannelState> {
        self.channels.get_mut(usize::from(channel.checked_sub(1)?))
    }
}

impl ChannelState {
    const UNTOUCHED: ChannelState = ChannelState {
        bank: Bank { msb: None, lsb: None },
        selected: Bank { msb: None, lsb: None },
        program: None,
        controllers: [None; 120],
        bend: None,
    };

    /// The bank in force, most significant part.
    pub const fn bank_msb(&self) -> Option<u8> {
        if self.program.is_some() { self.bank.msb } else { self.selected.msb }
    }
    /// The bank in force, least significant part.
    pub const fn bank_lsb(&self) -> Option<u8> {
        if self.program.is_some() { self.bank.lsb } else { self.selected.lsb }
    }
    /// The program in force, 0 to 127.
    pub const fn program(&self) -> Option<u8> {
        self.program
    }
    /// Pitch bend, -8192 to 8191.
    pub const fn bend(&self) -> Option<i16> {
        self.bend
    }
    /// Every controller ever sent but bank select, with its value.
    pub fn controllers(&self) -> impl Iterator<Item = (u8, u8)> {
        (0u8..).zip(&self.controllers).filter_map(|(n, v)| Some((n, (*v)?)))
    }

    /// Controller 121 (MMA RP-015, from memory): modulation, pedals and bend go to their rest, expression to its full,
    /// parameter numbers to none; bank, program, volume, pan and effects stay.
    fn reset_controllers(&mut self) {
        for (controller, rest) in
            [(1, 0), (11, 127), (64, 0), (65, 0), (66, 0), (67, 0), (98, 127), (99, 127), (100, 127), (101, 127)]
        {
            if let Some(value @ Some(_)) = self.controllers.get_mut(controller) {
                *value = Some(rest);
            }
        }
        if self.bend.is_some() {
            self.bend = Some(0);
        }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]
    use super::*;
    use crate::midi::{MidiReader, MidiReaderConfig};
    use base::MonoTime;
    use proptest::prelude::*;

    /// The state of a device that hears these messages.
    fn heard(messages: &[u8]) -> Chase {
        let mut reader = MidiReader::new(MidiReaderConfig::default());
        let mut chase = Chase::new();
        reader.on_bytes(messages, MonoTime::ZERO, &mut |e| chase.on_event(&e));
        chase
    }

    #[test]
    fn a_bank_takes_effect_with_the_program_change() {
        let mut c = Chase::new();
        c.on_control(3, 0, 1);
        c.on_control(3, 32, 2);
        c.on_program(3, 40);
        c.on_control(3, 0, 9);
        let (channel, state) = c.touched().next().unwrap();
        assert_eq!((channel, state.bank_msb(), state.bank_lsb(), state.program()), (3, Some(1), Some(2), Some(40)));
    }

    #[test]
    fn reset_all_controllers_leaves_volume() {
        let mut c = Chase::new();
        for (n, v) in [(7, 100), (1, 50), (64, 127), (11, 3), (121, 0)] {
            c.on_control(1, n, v);
        }
        c.on_bend(1, 77);
        c.on_control(1, 121, 0);
        let (_, state) = c.touched().next().unwrap();
        assert_eq!(state.controllers().collect::<Vec<_>>(), [(1, 0), (7, 100), (11, 127), (64, 0)]);
        assert_eq!(state.bend(), Some(0));
    }

    proptest! {
        /// A device that hears the chase is in the state that was chased.
        #[test]
        fn what_is_sent_again_makes_the_same_state(events in proptest::collection::vec((0u8..3, 1u8..=16, 0u8..120, 0u8..128, -8192i16..8192), 0..200)) {
            let mut c = Chase::new();
            for (kind, channel, number, value, bend) in events {
                match kind {
                    0 => c.on_program(channel, value),
                    1 => c.on_control(channel, number, value),
                    _ => c.on_bend(channel, bend),
                }
            }
            let mut bytes = Vec::new();
            c.resend(&mut |m| bytes.extend_from_slice(m));
            prop_assert_eq!(heard(&bytes), c);
        }
    }
}
