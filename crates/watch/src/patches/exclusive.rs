//! System exclusive messages: told apart by their bytes, and those in force on a device.

use std::collections::VecDeque;
use std::sync::Arc;

use base::MonoTime;

use super::event::{PatchEvent, Sent};

/// Messages that begin with the same so many bytes (maker, device, model, command, address) set the same thing.
pub const KEY: usize = 8;
/// Messages in force that are kept for a device; the oldest go.
const IN_FORCE: usize = 64;
/// Different messages that are told apart at once: a DIN link brings fewer within the time that twins are waited for.
const KNOWN: usize = 1_024;

/// What a comparison needs of a whole message.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct ExclusiveId {
    /// The same number, the same bytes.
    number: u32,
    /// Its first bytes; 0 after its end.
    pub key: [u8; KEY],
    /// How many bytes it has, F0 and F7 included.
    pub length: u16,
}

impl core::fmt::Display for ExclusiveId {
    /// By its first bytes and its length.
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        write!(f, "system exclusive")?;
        self.key.iter().take(self.length.into()).try_for_each(|b| write!(f, " {b:02X}"))?;
        let more = if usize::from(self.length) > KEY { " ..." } else { "" };
        write!(f, "{more} ({} bytes)", self.length)
    }
}

/// A whole message, from F0 to F7.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Exclusive(Arc<[u8]>);

impl Exclusive {
    /// None: it is no whole message.
    pub fn new(bytes: &[u8]) -> Option<Exclusive> {
        let [0xF0, data @ .., 0xF7] = bytes else { return None };
        data.iter().all(|b| *b < 0x80).then(|| Exclusive(bytes.into()))
    }

    /// Its bytes.
    pub fn bytes(&self) -> &[u8] {
        &self.0
    }

    /// What it sets.
    pub fn key(&self) -> [u8; KEY] {
        let mut key = [0; KEY];
        key.iter_mut().zip(self.0.iter()).for_each(|(k, b)| *k = *b);
        key
    }

    fn id(&self, number: u32) -> ExclusiveId {
        ExclusiveId { number, key: self.key(), length: u16::try_from(self.0.len()).unwrap_or(u16::MAX) }
    }

    /// Whether both set the same thing.
    pub fn same_target(&self, other: &Exclusive) -> bool {
        self.key() == other.key()
    }
}

impl core::fmt::Display for Exclusive {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        self.id(0).fmt(f)
    }
}

/// Gives messages their numbers.
#[derive(Default)]
pub struct Exclusives {
    known: VecDeque<(u32, Exclusive)>,
    next: u32,
}

impl Exclusives {
    /// The message as an event. It has no channel: 0.
    pub fn event(&mut self, message: &Exclusive) -> PatchEvent {
        let number = match self.known.iter().find(|(_, known)| known == message) {
            Some((number, _)) => *number,
            None => {
                if self.known.len() == KNOWN {
                    self.known.pop_front();
                }
                self.next = self.next.wrapping_add(1);
                self.known.push_back((self.next, message.clone()));
                self.next
            }
        };
        PatchEvent { channel: 0, sent: Sent::Exclusive(message.id(number)) }
    }
}

/// What is in force, in the order it came: of those with one key the newest.
#[derive(Clone, Default, Debug)]
pub struct InForce(Vec<(MonoTime, Exclusive)>);

impl InForce {
    /// Nothing.
    pub const fn new() -> InForce {
        InForce(Vec::new())
    }

    /// A message came at `at`.
    pub fn on_message(&mut self, message: &Exclusive, at: MonoTime) {
        self.0.retain(|(_, m)| !m.same_target(message));
        if self.0.len() == IN_FORCE {
            self.0.remove(0);
        }
        self.0.push((at, message.clone()));
    }

    /// What came before that is not in force any more: a song began.
    pub fn forget_before(&mut self, at: MonoTime) {
        self.0.retain(|(then, _)| *then >= at);
    }

    /// In order.
    pub fn iter(&self) -> impl Iterator<Item = (MonoTime, &Exclusive)> {
        self.0.iter().map(|(at, m)| (*at, m))
    }

    /// Whether exactly this is in force.
    pub fn has(&self, message: &Exclusive) -> bool {
        self.0.iter().any(|(_, m)| m == message)
    }
}
