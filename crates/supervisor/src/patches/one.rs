//! One device: what it was sent, what it should have been sent, and what is known to be wrong with it.

use base::ids::MAX_MACHINES;
use base::{Machine, MonoTime, Span};
use rig::{DeviceEvidence, Priority};
use settings::devices::{Device, Gate, Importance};
use watch::patches::{DeviceState, Exclusive, InForce, Item, Leaks, PatchEvent, Sent, chase};

use super::MachineIs;
use super::sender::SenderDesk;
use crate::scribe::Facts;

/// A trouble that goes on is told to the judge this often.
const AGAIN: Span = Span::from_secs(1);

/// See the module.
pub struct One {
    pub device: Device,
    pub sender: Option<SenderDesk>,
    /// What it was sent, as far as we know.
    pub have: DeviceState,
    /// What each machine has sent for it.
    pub said: [DeviceState; MAX_MACHINES],
    /// Which of each machine's inputs carries what goes to it.
    input: [Option<u8>; MAX_MACHINES],
    /// Inputs that brought something on its channels besides, and were told.
    apart: [u32; MAX_MACHINES],
    pub leaks: Leaks,
    /// Each machine's stream is inside a system exclusive message.
    pub inside: [bool; MAX_MACHINES],
    /// Such a message was cut off, as far as can be known: it is to be ended before anything else is sent.
    pub cut_off: bool,
    /// Its own input is heard: what it was sent is known.
    pub tapped: bool,
    pub told: u32,
    pub telling_since: Option<MonoTime>,
    pub chased: Option<(Machine, MonoTime)>,
    /// A chase is on its way.
    pub chasing: bool,
    pub evidence: DeviceEvidence,
    judge_knows: Option<DeviceEvidence>,
    looked: Option<MonoTime>,
}

/// What became of a message by the input that brought it.
#[derive(PartialEq, Eq)]
pub enum Input {
    /// It goes to the device.
    Its,
    /// Another input's: kept apart.
    Apart,
    /// The first from that input: to be told.
    ApartFirst,
}

impl One {
    pub fn new(device: Device, sender: Option<SenderDesk>) -> One {
        let priority = match device.importance {
            Importance::Low => Priority::Low,
            Importance::Medium => Priority::Medium,
            Importance::High => Priority::High,
        };
        One {
            input: [device.input.and_then(|n| n.checked_sub(1)); MAX_MACHINES],
            device,
            sender,
            have: DeviceState::new(),
            said: core::array::from_fn(|_| DeviceState::new()),
            apart: [0; MAX_MACHINES],
            leaks: Leaks::default(),
            inside: [false; MAX_MACHINES],
            cut_off: false,
            tapped: false,
            told: 0,
            telling_since: None,
            chased: None,
            chasing: false,
            evidence: DeviceEvidence { priority, ..DeviceEvidence::default() },
            judge_knows: None,
            looked: None,
        }
    }

    /// Two inputs of one machine are two cables: a device hangs on one of them.
    pub fn of_input(&mut self, m: Machine, input: u8) -> Input {
        if *self.input[m.index()].get_or_insert(input) == input {
            return Input::Its;
        }
        let bit = 1u32.checked_shl(input.into()).unwrap_or(0);
        let first = self.apart[m.index()] & bit == 0;
        self.apart[m.index()] |= bit;
        if first { Input::ApartFirst } else { Input::Apart }
    }

    /// The input that it hangs on, for people.
    pub fn input_of(&self, m: Machine) -> u16 {
        self.input[m.index()].map_or(0, |n| u16::from(n) + 1)
    }

    /// Whether what a machine sends reaches it.
    pub fn is_fed_by(&self, m: Machine, on_air: Option<Machine>) -> bool {
        self.device.gate == Gate::Merger || on_air == Some(m)
    }

    /// A machine sent it something. Its state changes by that, unless its own input is heard.
    pub fn on_sent(&mut self, m: Machine, on_air: Option<Machine>, event: PatchEvent, at: MonoTime) {
        self.said[m.index()].on_event(event, at);
        self.leaks.on_sent(Some(m), event, at);
        if self.is_fed_by(m, on_air) {
            if !self.tapped {
                self.have.on_event(event, at);
            }
            if let Some(sender) = &self.sender {
                sender.yield_to(event);
            }
        }
    }

    /// Whether a machine's system exclusive messages by this input are for it.
    pub fn takes_exclusive(&self, m: Machine, input: u8) -> bool {
        self.device.sysex && self.input[m.index()] == Some(input)
    }

    /// A machine sent it a whole system exclusive message. Its own input does not tell of those.
    pub fn on_exclusive(&mut self, m: Machine, on_air: Option<Machine>, message: &Exclusive, at: MonoTime) {
        self.said[m.index()].exclusives.on_message(message, at);
        if self.is_fed_by(m, on_air) {
            self.have.exclusives.on_message(message, at);
            if let Some(sender) = &self.sender {
                sender.yield_to_exclusive(message);
            }
        }
    }

    /// The switch has gone from this machine elsewhere; `sure`: all that it had sent is known. A device that waits for the end of a message
    /// takes what follows for a part of it; an end that it does not wait for it passes over (MIDI 1.0, "System Exclusive").
    pub fn on_left(&mut self, left: Machine, sure: bool) {
        let inside = std::mem::take(&mut self.inside[left.index()]);
        // Whole messages alone are played on.
        let own = self.device.gate == Gate::Supervisor;
        self.cut_off = self.device.sysex && self.device.chase && !own && (inside || !sure);
    }

    /// What should be in force when `to` is on air: its own word and, for channels on which it sent no program, the show's.
    pub fn wanted(&self, to: Machine, is: MachineIs, facts: &Facts, now: MonoTime) -> DeviceState {
        let mut want = self.said[to.index()].clone();
        let Some(song) = facts.song(is.song).filter(|_| is.place.is_some()) else { return want };
        for n in &self.device.channels {
            let silent = want.channel(*n).is_some_and(|c| c.program.is_none());
            let due = song.patches.iter().filter(|p| p.channel == *n && p.at.0 <= is.in_song).max_by_key(|p| p.at.0);
            if let (true, Some(p)) = (silent, due) {
                let bank = p.bank.map(|[msb, lsb]| [Sent::Control(0, msb), Sent::Control(32, lsb)]);
                for sent in bank.into_iter().flatten().chain([Sent::Program(p.program)]) {
                    want.on_event(PatchEvent { channel: *n, sent }, now);
                }
            }
        }
        want
    }

    /// What it would have to be sent.
    pub fn chase(&self, want: &DeviceState, sure: bool) -> Vec<Item> {
        let mut all = Vec::new();
        let mut have = self.have.clone();
        if !sure {
            have.exclusives = InForce::new();
        }
        chase(&have, want, sure || self.tapped, &mut |item| all.push(item));
        all
    }

    /// Whether it is still not as it should be, now and then.
    pub fn look_again(&mut self, want: impl FnOnce(&One) -> Option<DeviceState>, now: MonoTime) {
        let due = self.looked.is_none_or(|t| now - t >= Span::from_millis(100));
        if self.evidence.unchased.is_none() || !due {
            return;
        }
        self.looked = Some(now);
        if let Some(want) = want(self)
            && self.chase(&want, true).is_empty()
        {
            self.evidence.unchased = None;
        }
    }

    /// One machine's patch was not as the other's.
    pub fn on_differed(&mut self, m: Machine, now: MonoTime) {
        note(&mut self.evidence.differed, m, now);
    }

    /// A machine reached it that should not.
    pub fn on_leaked(&mut self, m: Machine, now: MonoTime) {
        note(&mut self.evidence.leaked, m, now);
    }

    /// What the judge does not know yet.
    pub fn news(&mut self) -> Option<DeviceEvidence> {
        let news = self.judge_knows != Some(self.evidence);
        self.judge_knows = Some(self.evidence);
        news.then_some(self.evidence)
    }
}

fn note(place: &mut Option<(Machine, MonoTime)>, m: Machine, now: MonoTime) {
    if place.is_none_or(|(of, at)| of != m || now - at >= AGAIN) {
        *place = Some((m, now));
    }
}
