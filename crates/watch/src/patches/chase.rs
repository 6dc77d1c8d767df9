//! The chase: what to send to a device after a changeover so that it is as it should be.
//!
//! First the ends of notes that only the machine that left holds, and pedals up. Then system exclusive messages, in the order they came:
//! one may reset any of what follows. Then per channel: bank and program (a program change may reset the rest, so it comes before it),
//! controllers, pitch bend.

use arrayvec::ArrayVec;
use base::Span;

use super::event::{PatchEvent, Sent};
use super::exclusive::Exclusive;
use super::state::{ChannelState, DeviceState, PEDALS};

/// Why something is sent.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Reason {
    /// The machine that left held this note.
    NoteHeld,
    /// The machine that left held this pedal.
    PedalHeld,
    /// Bank and program that should be in force.
    Patch,
    /// A bank is selected, its program change is still to come.
    Bank,
    /// A controller that should be in force.
    Controller,
    /// Pitch bend that should be in force.
    Bend,
    /// A system exclusive message that should be in force.
    Exclusive,
}

impl Reason {
    /// For the record.
    pub const fn word(self) -> &'static str {
        match self {
            Reason::NoteHeld => "note held by the machine that left",
            Reason::PedalHeld => "pedal held by the machine that left",
            Reason::Patch => "bank and program in force",
            Reason::Bank => "bank selected for the next program",
            Reason::Controller => "controller in force",
            Reason::Bend => "pitch bend in force",
            Reason::Exclusive => "system exclusive in force",
        }
    }
}

/// Messages that belong together.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Item {
    /// Why.
    pub reason: Reason,
    /// Whole messages, each with its status.
    pub events: ArrayVec<PatchEvent, 3>,
    /// Or a system exclusive message.
    pub exclusive: Option<Exclusive>,
}

impl Item {
    fn of(reason: Reason, channel: u8, sent: impl IntoIterator<Item = Sent>) -> Item {
        let events = sent.into_iter().map(|sent| PatchEvent { channel, sent }).take(3).collect();
        Item { reason, events, exclusive: None }
    }

    /// What it sets, for people.
    pub fn words(&self) -> Vec<String> {
        let channel = self.events.iter().map(ToString::to_string);
        channel.chain(self.exclusive.as_ref().map(ToString::to_string)).collect()
    }

    /// Whether a system exclusive message that the new machine has sent meanwhile makes this stale.
    pub fn yields_to_exclusive(&self, message: &Exclusive) -> bool {
        self.exclusive.as_ref().is_some_and(|mine| mine.same_target(message))
    }

    /// Whole messages, in order.
    pub fn messages(&self) -> Vec<Vec<u8>> {
        let channel = self.events.iter().map(|e| e.message().to_vec());
        channel.chain(self.exclusive.as_ref().map(|e| e.bytes().to_vec())).collect()
    }

    /// The bytes of the channel messages.
    pub fn bytes(&self) -> ArrayVec<u8, 9> {
        self.events.iter().flat_map(|e| e.message()).collect()
    }

    /// Whether an event that the new machine has sent meanwhile makes this stale: it sets the same thing.
    pub fn yields_to(&self, e: PatchEvent) -> bool {
        let Some(first) = self.events.first().filter(|f| f.channel == e.channel) else { return false };
        match (self.reason, e.sent) {
            (Reason::Patch | Reason::Bank, Sent::Program(_) | Sent::Control(0 | 32, _)) => true,
            (Reason::NoteHeld, Sent::NoteOn(k) | Sent::NoteOff(k)) => first.sent == Sent::NoteOff(k),
            (Reason::NoteHeld, Sent::Control(120 | 123..=127, _)) => true,
            (Reason::Controller | Reason::PedalHeld | Reason::Bend, Sent::Control(121, _)) => true,
            _ => self.events.iter().any(|mine| mine.same_target(e)),
        }
    }
}

/// How long bytes take on a DIN link: ten bits each at 31,250 baud (MIDI 1.0, "Hardware").
pub const fn wire_time(bytes: usize) -> Span {
    Span::from_micros(320 * bytes as i64)
}

/// The items that bring a device from `have` to what should be when `new` is on air. `sure`: `have` is known to be complete, so that what
/// is right already is left alone.
pub fn chase(have: &DeviceState, new: &DeviceState, sure: bool, sink: &mut impl FnMut(Item)) {
    let want = have.with(new);
    for (n, w) in want.touched() {
        let Some(h) = have.channel(n) else { continue };
        releases(n, h, w, sink);
    }
    // A channel on which only notes were held wants nothing else.
    for (n, h) in have.touched() {
        if want.channel(n).is_some_and(|w| *w == ChannelState::UNTOUCHED) {
            releases(n, h, &ChannelState::UNTOUCHED, sink);
        }
    }
    let mut reset = false;
    for (_, e) in new.exclusives.iter().filter(|(_, e)| !sure || !have.exclusives.has(e)) {
        sink(Item { reason: Reason::Exclusive, events: ArrayVec::new(), exclusive: Some(e.clone()) });
        reset = true;
    }
    for (n, w) in want.touched() {
        let Some(h) = have.channel(n) else { continue };
        channel(n, h, w, sure && !reset, sink);
    }
}

fn releases(n: u8, h: &ChannelState, w: &ChannelState, sink: &mut impl FnMut(Item)) {
    for key in (0u8..128).filter(|k| (h.held & !w.held) >> k & 1 == 1) {
        sink(Item::of(Reason::NoteHeld, n, [Sent::NoteOff(key)]));
    }
    for pedal in PEDALS {
        let down = |c: &ChannelState| c.controllers[pedal].is_some_and(|v| v > 0);
        if down(h) && !down(w) {
            sink(Item::of(Reason::PedalHeld, n, [Sent::Control(pedal as u8, 0)]));
        }
    }
}

fn channel(n: u8, h: &ChannelState, w: &ChannelState, sure: bool, sink: &mut impl FnMut(Item)) {
    let select = |bank: [Option<u8>; 2]| {
        [(0, bank[0]), (32, bank[1])].into_iter().filter_map(|(c, v)| Some(Sent::Control(c, v?)))
    };
    let fresh = !sure || (h.bank, h.program) != (w.bank, w.program);
    let mut selected = h.selected;
    let mut patched = false;
    if let Some(program) = w.program.filter(|_| fresh) {
        sink(Item::of(Reason::Patch, n, select(w.bank).chain([Sent::Program(program)])));
        selected = [w.bank[0].or(selected[0]), w.bank[1].or(selected[1])];
        patched = true;
    }
    if w.selected != [None; 2] && (selected != w.selected || (!sure && w.program.is_none())) {
        sink(Item::of(Reason::Bank, n, select(w.selected)));
    }
    // After a program change a device may have reset its controllers: then all are sent.
    let all = patched || !sure;
    for (c, value) in (0u8..).zip(&w.controllers) {
        let Some(v) = *value else { continue };
        let let_go = PEDALS.contains(&usize::from(c)) && v == 0 && h.controllers[usize::from(c)].is_some_and(|h| h > 0);
        if !let_go && (all || h.controllers[usize::from(c)] != Some(v)) {
            sink(Item::of(Reason::Controller, n, [Sent::Control(c, v)]));
        }
    }
    if let Some(v) = w.bend.filter(|v| all || h.bend != Some(*v)) {
        sink(Item::of(Reason::Bend, n, [Sent::Bend(v)]));
    }
}
