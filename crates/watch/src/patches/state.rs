//! What is in force on a device: bank, program, controllers, pitch bend and held notes of sixteen channels.

use base::MonoTime;

use super::event::{PatchEvent, Sent};
use super::exclusive::InForce;

/// One channel.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct ChannelState {
    /// Bank (MSB, LSB) as it took effect with the last program change.
    pub bank: [Option<u8>; 2],
    /// Bank selected since: in force with the next program change (MIDI 1.0, "Bank Select").
    pub selected: [Option<u8>; 2],
    /// Program, 0 to 127.
    pub program: Option<u8>,
    /// Controllers 1 to 119 but 32; bank select is kept above.
    pub controllers: [Option<u8>; 120],
    /// Pitch bend.
    pub bend: Option<i16>,
    /// A bit for each key that is down.
    pub held: u128,
}

/// A device as far as a stream tells it. Nothing is allocated but for system exclusive messages.
#[derive(Clone, Debug)]
pub struct DeviceState {
    channels: [ChannelState; 16],
    since: [Option<MonoTime>; 16],
    /// Its system exclusive messages.
    pub exclusives: InForce,
}

impl Default for DeviceState {
    fn default() -> DeviceState {
        DeviceState::new()
    }
}

impl PartialEq for DeviceState {
    /// What is in force on its channels; since when does not matter.
    fn eq(&self, other: &DeviceState) -> bool {
        self.channels == other.channels
    }
}

impl DeviceState {
    /// Nothing was ever sent.
    pub const fn new() -> DeviceState {
        DeviceState { channels: [ChannelState::UNTOUCHED; 16], since: [None; 16], exclusives: InForce::new() }
    }

    /// Takes in a message that came at `at`.
    pub fn on_event(&mut self, e: PatchEvent, at: MonoTime) {
        let Some(i) = usize::from(e.channel).checked_sub(1).filter(|i| *i < 16) else { return };
        let (c, since) = (&mut self.channels[i], &mut self.since[i]);
        match e.sent {
            Sent::Program(p) => {
                c.bank = c.selected;
                c.program = Some(p);
                *since = Some(at);
            }
            Sent::Control(0, v) => c.selected[0] = Some(v),
            Sent::Control(32, v) => c.selected[1] = Some(v),
            Sent::Control(121, _) => c.reset_controllers(),
            // All sound off, all notes off, and the mode changes that imply it (MIDI 1.0, "Channel Mode Messages").
            Sent::Control(120 | 123..=127, _) => c.held = 0,
            Sent::Control(n, v) => {
                if let Some(place) = c.controllers.get_mut(usize::from(n)) {
                    *place = Some(v);
                }
            }
            Sent::Bend(v) => c.bend = Some(v),
            Sent::NoteOn(k) => c.held |= 1 << (k & 127),
            Sent::NoteOff(k) => c.held &= !(1 << (k & 127)),
            // It has no channel.
            Sent::Exclusive(_) => {}
        }
    }

    /// A channel, 1 to 16.
    pub fn channel(&self, number: u8) -> Option<&ChannelState> {
        self.channels.get(usize::from(number).checked_sub(1)?)
    }

    /// Since when a channel's program is in force.
    pub fn since(&self, number: u8) -> Option<MonoTime> {
        self.since.get(usize::from(number).checked_sub(1)?).copied().flatten()
    }

    /// Channels on which anything was sent, with their number from 1.
    pub fn touched(&self) -> impl Iterator<Item = (u8, &ChannelState)> {
        (1..).zip(&self.channels).filter(|(_, c)| **c != ChannelState::UNTOUCHED)
    }

    /// What should be in force when `new` has come on air over a device in this state: what `new` said, and this where it said nothing.
    #[must_use]
    pub fn with(&self, new: &DeviceState) -> DeviceState {
        let mut all = self.clone();
        for (i, (c, n)) in all.channels.iter_mut().zip(&new.channels).enumerate() {
            let either = |new: [Option<u8>; 2], old: [Option<u8>; 2]| [new[0].or(old[0]), new[1].or(old[1])];
            let selected = c.selected;
            c.selected = either(n.selected, selected);
            if n.program.is_some() {
                (c.bank, c.program) = (either(n.bank, c.bank), n.program);
                all.since[i] = new.since[i];
                c.selected = either(n.selected, c.bank);
            }
            if c.program.is_some() {
                // A bank selected for a program that never came must not take the program in force along: a device that was told no
                // bank is in bank 0 (common practice, no source).
                for ((bank, now), was) in c.bank.iter_mut().zip(&mut c.selected).zip(selected) {
                    if bank.is_none() && (was.is_some() || now.is_some()) {
                        *bank = Some(0);
                        *now = now.or(*bank);
                    }
                }
            }
            for (have, want) in c.controllers.iter_mut().zip(n.controllers) {
                *have = want.or(*have);
            }
            // Pedals that only the machine that left held are let go.
            for pedal in PEDALS {
                if n.controllers[pedal].is_none() && c.controllers[pedal].is_some() {
                    c.controllers[pedal] = Some(0);
                }
            }
            c.bend = n.bend.or(c.bend);
            // A note that both held is ended by the new one itself.
            c.held &= n.held;
        }
        all
    }
}

/// Sustain and sostenuto.
pub(super) const PEDALS: [usize; 2] = [64, 66];

impl ChannelState {
    pub(super) const UNTOUCHED: ChannelState = ChannelState {
        bank: [None; 2],
        selected: [None; 2],
        program: None,
        controllers: [None; 120],
        bend: None,
        held: 0,
    };

    /// Controller 121 (RP-015, from memory): modulation, pedals and bend go to rest, expression to full, parameter numbers to none.
    fn reset_controllers(&mut self) {
        const REST: [(usize, u8); 10] =
            [(1, 0), (11, 127), (64, 0), (65, 0), (66, 0), (67, 0), (98, 127), (99, 127), (100, 127), (101, 127)];
        for (n, rest) in REST {
            self.controllers[n] = self.controllers[n].map(|_| rest);
        }
        self.bend = self.bend.map(|_| 0);
    }
}
