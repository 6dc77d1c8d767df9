//! Alarms after IEC 62682:2014 / ANSI/ISA-18.2: raised after an on-delay, returned after an off-delay, acknowledged and
//! shelved by people, suppressed while their cause stands. Missing data neither raises nor resolves an alarm.
//!
//! The states' letters in ISA-18.2's figure: normal A, unacknowledged B, acknowledged C, returned to normal but
//! unacknowledged D, shelved G, suppressed by design H. Shelved and suppressed lie over the other four here, so that an
//! alarm comes back as it is when the cover is taken off.

use arrayvec::ArrayVec;
use base::ids::MAX_MACHINES;
use base::{Machine, MonoTime, Span};
use serde::{Deserialize, Serialize};

use crate::alarm_codes::OF_DEVICES;
pub use crate::alarm_codes::{AlarmCode, AlarmDef, Priority};
use crate::evidence::MAX_DEVICES;
use crate::reasons::{Arg, Names, fill};

/// Whether an alarm's condition holds, as far as is known.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub enum Cond {
    /// It does.
    Yes,
    /// It does not.
    No,
    /// What would tell is missing.
    Missing,
}

impl From<bool> for Cond {
    fn from(b: bool) -> Cond {
        if b { Cond::Yes } else { Cond::No }
    }
}

/// An alarm's state.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum AlarmState {
    /// Nothing.
    #[default]
    Normal,
    /// Its condition is gone; nobody has acknowledged it.
    Returned,
    /// Its condition stands; somebody acknowledged it.
    Acknowledged,
    /// Its condition stands; nobody has acknowledged it.
    Unacknowledged,
}

/// A change of an alarm, for the record.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Transition {
    /// Its condition has held for the on-delay.
    Raised,
    /// A person acknowledged it.
    Acknowledged,
    /// Its condition has been gone for the off-delay; it waits for acknowledgement.
    Returned,
    /// Normal again.
    Cleared,
    /// A person put it away for a while.
    Shelved,
    /// It came back from the shelf.
    Unshelved,
    /// Another alarm explains it.
    Suppressed,
    /// No other alarm explains it any more.
    Unsuppressed,
}

/// One alarm's book.
#[derive(Clone, Copy, Debug, Default)]
struct Slot {
    state: AlarmState,
    priority: Option<Priority>,
    yes_since: Option<MonoTime>,
    no_since: Option<MonoTime>,
    shelved_until: Option<MonoTime>,
    suppressed: bool,
    /// A low one whose time has come waits for the gap.
    waits: bool,
    raised_at: MonoTime,
    other: Option<Machine>,
    arg: Arg,
}

impl Slot {
    fn change(&self, code: AlarmCode, whose: Whose, transition: Transition, priority: Priority) -> AlarmChange {
        let (machine, device) = (whose.machine(), whose.device());
        AlarmChange { code, machine, device, other: self.other, arg: self.arg, transition, priority }
    }

    fn told(&self, code: AlarmCode, whose: Whose, transition: Transition) -> AlarmChange {
        self.change(code, whose, transition, self.priority.unwrap_or(Priority::Low))
    }
}

/// What a condition says at one instant.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Told {
    pub cond: Cond,
    pub other: Option<Machine>,
    pub arg: Arg,
    pub priority: Priority,
    pub suppressed: bool,
}

/// A change to report.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
pub struct AlarmChange {
    /// Which alarm.
    pub code: AlarmCode,
    /// Of which machine; none: the rig's, or a device's.
    pub machine: Option<Machine>,
    /// Of which device, by its place in the show file.
    pub device: Option<u8>,
    /// The other machine it speaks of.
    pub other: Option<Machine>,
    /// The figure it speaks of.
    pub arg: Arg,
    /// What changed.
    pub transition: Transition,
    /// How much it matters.
    pub priority: Priority,
}

impl AlarmChange {
    /// In words. Allocates: not for the live path.
    pub fn say(&self, names: &dyn Names) -> String {
        fill(self.code.template(), [self.machine, self.other], self.device, self.arg, names)
    }
}

/// An alarm as people see it.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
pub struct AlarmView {
    /// Which alarm.
    pub code: AlarmCode,
    /// Of which machine; none: the rig's, or a device's.
    pub machine: Option<Machine>,
    /// Of which device, by its place in the show file.
    pub device: Option<u8>,
    /// The other machine it speaks of.
    pub other: Option<Machine>,
    /// The figure it speaks of.
    pub arg: Arg,
    /// Its state.
    pub state: AlarmState,
    /// How much it matters.
    pub priority: Priority,
    /// When it was raised.
    pub raised_at: MonoTime,
    /// Until when it is shelved.
    pub shelved_until: Option<MonoTime>,
}

impl AlarmView {
    /// In words. Allocates: not for the live path.
    pub fn say(&self, names: &dyn Names) -> String {
        fill(self.code.template(), [self.machine, self.other], self.device, self.arg, names)
    }
}

/// As many alarms as a view shows, the most urgent first.
pub type AlarmViews = ArrayVec<AlarmView, 64>;

/// The longest a person may shelve an alarm: an hour, so that nothing shelved at rehearsal is still shelved at the show.
pub const LONGEST_SHELF: Span = Span::from_secs(3_600);

const SEATS: usize = MAX_MACHINES + 1;

/// All alarms of a rig.
#[derive(Clone, Debug)]
pub(crate) struct Alarms {
    slots: [[Slot; SEATS]; AlarmCode::COUNT],
    /// In the order of [`OF_DEVICES`].
    devices: [[Slot; MAX_DEVICES]; OF_DEVICES.len()],
}

/// Whose an alarm is.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize, Deserialize)]
pub enum Whose {
    /// The rig's.
    Rig,
    /// A machine's.
    Machine(Machine),
    /// A device's, by its place in the show file.
    Device(u8),
}

impl Whose {
    /// The machine, or the rig.
    pub fn of(machine: Option<Machine>) -> Whose {
        machine.map_or(Whose::Rig, Whose::Machine)
    }
    fn machine(self) -> Option<Machine> {
        if let Whose::Machine(m) = self { Some(m) } else { None }
    }
    fn device(self) -> Option<u8> {
        if let Whose::Device(d) = self { Some(d) } else { None }
    }
}

impl From<Option<Machine>> for Whose {
    fn from(m: Option<Machine>) -> Whose {
        Whose::of(m)
    }
}

impl Alarms {
    pub fn new() -> Alarms {
        Alarms {
            slots: [[Slot::default(); SEATS]; AlarmCode::COUNT],
            devices: [[Slot::default(); MAX_DEVICES]; OF_DEVICES.len()],
        }
    }

    fn slot(&self, code: AlarmCode, whose: Whose) -> Option<&Slot> {
        match whose {
            Whose::Device(d) => self.devices[OF_DEVICES.iter().position(|c| *c == code)?].get(usize::from(d)),
            Whose::Machine(m) => Some(&self.slots[code.place()][m.index()]),
            Whose::Rig => Some(&self.slots[code.place()][MAX_MACHINES]),
        }
    }

    fn slot_mut(&mut self, code: AlarmCode, whose: Whose) -> Option<&mut Slot> {
        match whose {
            Whose::Device(d) => self.devices[OF_DEVICES.iter().position(|c| *c == code)?].get_mut(usize::from(d)),
            Whose::Machine(m) => Some(&mut self.slots[code.place()][m.index()]),
            Whose::Rig => Some(&mut self.slots[code.place()][MAX_MACHINES]),
        }
    }

    /// Whether its condition was last held to stand (acknowledged or not).
    pub fn active(&self, code: AlarmCode, whose: impl Into<Whose>) -> bool {
        let slot = self.slot(code, whose.into());
        slot.is_some_and(|s| matches!(s.state, AlarmState::Unacknowledged | AlarmState::Acknowledged))
    }

    /// Whether an alarm has nothing to do unless its condition holds.
    pub fn idle(&self, code: AlarmCode, whose: Whose) -> bool {
        let Some(s) = self.slot(code, whose) else { return true };
        let no_cover = s.shelved_until.is_none() && !s.suppressed && !s.waits;
        s.state == AlarmState::Normal && s.yes_since.is_none() && no_cover
    }

    /// Takes what a condition says now. `gap`: no song rolls. A change that `emit` has no room for is made at the next
    /// call. Returns when it wants to be asked again.
    pub fn tell(
        &mut self,
        code: AlarmCode,
        whose: Whose,
        told: Told,
        gap: bool,
        now: MonoTime,
        emit: &mut dyn FnMut(AlarmChange) -> bool,
    ) -> Option<MonoTime> {
        let s = self.slot_mut(code, whose)?;
        let def = code.def();
        let mut wake: Option<MonoTime> = None;
        let mut later = |t: MonoTime| wake = Some(wake.map_or(t, |w| w.min(t)));
        let mut say = |s: &Slot, transition: Transition| {
            let priority = s.priority.unwrap_or(told.priority);
            emit(s.change(code, whose, transition, priority))
        };
        if let Some(until) = s.shelved_until {
            if now < until {
                later(until);
            } else if say(s, Transition::Unshelved) {
                s.shelved_until = None;
            } else {
                later(now);
            }
        }
        match told.cond {
            Cond::Yes => {
                s.no_since = None;
                s.yes_since.get_or_insert(now);
                (s.other, s.arg) = (told.other, told.arg);
            }
            Cond::No => {
                s.waits = false;
                s.yes_since = None;
                s.no_since.get_or_insert(now);
            }
            // Neither delay runs on missing data.
            Cond::Missing => {
                s.yes_since = None;
                s.no_since = None;
            }
        }
        let standing = matches!(s.state, AlarmState::Unacknowledged | AlarmState::Acknowledged);
        if s.suppressed != told.suppressed {
            // One whose condition is gone, and that waits for its off-delay or for a person, is no news when its cover is lifted.
            let is_news = standing && (told.suppressed || s.no_since.is_none());
            let transition = if told.suppressed { Transition::Suppressed } else { Transition::Unsuppressed };
            if !is_news || say(s, transition) {
                s.suppressed = told.suppressed;
            } else {
                later(now);
            }
        }
        if !standing && !s.suppressed {
            let due = s.yes_since.map(|since| since + def.on_delay);
            if let Some(due) = due.filter(|due| now < *due) {
                later(due);
            } else if due.is_some() && told.priority == Priority::Low && !gap {
                s.waits = true;
            } else if due.is_some() || (s.waits && gap) {
                let before = *s;
                s.state = AlarmState::Unacknowledged;
                s.raised_at = now;
                s.waits = false;
                s.priority = Some(told.priority);
                if !say(s, Transition::Raised) {
                    *s = before;
                    later(now);
                }
            }
        }
        if let (true, Some(since)) = (standing, s.no_since) {
            let due = since + def.off_delay;
            if now < due {
                later(due);
            } else {
                let waits = def.latching && s.state == AlarmState::Unacknowledged;
                let (state, transition) = if waits {
                    (AlarmState::Returned, Transition::Returned)
                } else {
                    (AlarmState::Normal, Transition::Cleared)
                };
                if say(s, transition) {
                    s.state = state;
                } else {
                    later(now);
                }
            }
        }
        wake
    }

    /// A person acknowledges. `None` when there is nothing to acknowledge.
    pub fn acknowledge(&mut self, code: AlarmCode, whose: Whose) -> Option<AlarmChange> {
        let s = self.slot_mut(code, whose)?;
        let transition = match s.state {
            AlarmState::Unacknowledged => {
                s.state = AlarmState::Acknowledged;
                Transition::Acknowledged
            }
            AlarmState::Returned => {
                s.state = AlarmState::Normal;
                Transition::Cleared
            }
            AlarmState::Normal | AlarmState::Acknowledged => return None,
        };
        Some(s.told(code, whose, transition))
    }

    /// A person shelves an alarm that stands or waits, for at most [`LONGEST_SHELF`].
    pub fn shelve(&mut self, code: AlarmCode, whose: Whose, lasting: Span, now: MonoTime) -> Option<AlarmChange> {
        let s = self.slot_mut(code, whose)?;
        if s.state == AlarmState::Normal || lasting <= Span::ZERO {
            return None;
        }
        s.shelved_until = Some(now + lasting.min(LONGEST_SHELF));
        Some(s.told(code, whose, Transition::Shelved))
    }

    /// A person takes an alarm off the shelf.
    pub fn unshelve(&mut self, code: AlarmCode, whose: Whose) -> Option<AlarmChange> {
        let s = self.slot_mut(code, whose)?;
        s.shelved_until.take()?;
        Some(s.told(code, whose, Transition::Unshelved))
    }

    /// All alarms of one machine end: it was taken out of service.
    pub fn drop_machine(&mut self, machine: Machine, emit: &mut dyn FnMut(AlarmChange) -> bool) {
        for (place, code) in AlarmCode::ALL.iter().enumerate() {
            let s = &mut self.slots[place][machine.index()];
            if s.state != AlarmState::Normal {
                emit(s.told(*code, Whose::Machine(machine), Transition::Cleared));
            }
            *s = Slot::default();
        }
    }

    /// What people see: everything not normal and not suppressed, shelved ones last, then by priority and state.
    pub fn views(&self, now: MonoTime) -> AlarmViews {
        let mut out = AlarmViews::new();
        let mut add = |code: AlarmCode, whose: Whose, s: &Slot| {
            if s.state == AlarmState::Normal || s.suppressed {
                return;
            }
            let _ = out.try_push(AlarmView {
                code,
                machine: whose.machine(),
                device: whose.device(),
                other: s.other,
                arg: s.arg,
                state: s.state,
                priority: s.priority.unwrap_or(Priority::Low),
                raised_at: s.raised_at,
                shelved_until: s.shelved_until.filter(|u| now < *u),
            });
        };
        for (slots, code) in self.slots.iter().zip(AlarmCode::ALL) {
            slots.iter().enumerate().for_each(|(i, s)| add(*code, Whose::of(Machine::new(i)), s));
        }
        for (slots, code) in self.devices.iter().zip(OF_DEVICES) {
            (0u8..).zip(slots).for_each(|(d, s)| add(code, Whose::Device(d), s));
        }
        out.sort_unstable_by_key(|v| {
            (
                v.shelved_until.is_some(),
                core::cmp::Reverse((v.priority, v.state)),
                core::cmp::Reverse(v.raised_at),
                v.code,
                v.machine,
                v.device,
            )
        });
        out
    }
}
