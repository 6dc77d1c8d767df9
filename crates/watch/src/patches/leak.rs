//! Whose messages reach a device, where its input is heard besides.
//!
//! Each message heard there is looked for in what may reach it: the stream of the machine that feeds it, and what we sent it ourselves. One
//! that is not there, but in another machine's stream at that time, has leaked. Each sent message accounts for one that is heard, so that a
//! standby that plays the very same is found by the second copy. What nobody sent is none of ours: it may be a person at a keyboard.

use std::collections::VecDeque;

use base::ids::MAX_MACHINES;
use base::{Machine, MonoTime, Span};

use super::event::PatchEvent;

/// A message counts as the one heard within this time of it: agents stamp where the player's port is, the tap where the device's is
/// (common practice, no source).
const REACH: Span = Span::from_millis(100);
/// What was heard is judged after this long, when every agent's word of that time has come.
const WAIT: Span = Span::from_millis(500);
/// Nothing that was heard so near a break is judged.
const GRACE: Span = Span::from_millis(300);
/// Messages kept of each sender. The oldest go first, and nothing heard before they did is judged.
const KEPT: usize = 2_048;

/// A message that should not have reached the device.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Leak {
    /// Whose it is.
    pub from: Machine,
    /// What.
    pub event: PatchEvent,
    /// When it was heard, on our clock.
    pub at: MonoTime,
}

#[derive(Default)]
struct Sent {
    all: VecDeque<(MonoTime, PatchEvent)>,
}

impl Sent {
    fn take(&mut self, event: PatchEvent, at: MonoTime) -> bool {
        let near = |(t, e): &(MonoTime, PatchEvent)| *e == event && (*t - at).abs() <= REACH;
        let nearest = self.all.iter().enumerate().filter(|(_, s)| near(s)).min_by_key(|(_, s)| (s.0 - at).abs());
        let Some(i) = nearest.map(|n| n.0) else { return false };
        self.all.remove(i);
        true
    }
}

/// See the module.
pub struct Leaks {
    machines: [Sent; MAX_MACHINES],
    ours: Sent,
    heard: VecDeque<(MonoTime, PatchEvent)>,
    /// Nothing heard before this is judged.
    not_before: MonoTime,
}

impl Default for Leaks {
    fn default() -> Leaks {
        Leaks {
            machines: core::array::from_fn(|_| Sent::default()),
            ours: Sent::default(),
            heard: VecDeque::new(),
            not_before: MonoTime::ZERO,
        }
    }
}

impl Leaks {
    /// A machine sent it (none: we did), at this instant on our clock.
    pub fn on_sent(&mut self, by: Option<Machine>, event: PatchEvent, at: MonoTime) {
        let sent = by.map_or(&mut self.ours, |m| &mut self.machines[m.index()]);
        if sent.all.len() == KEPT
            && let Some((t, _)) = sent.all.pop_front()
        {
            self.not_before = self.not_before.max(t + REACH);
        }
        sent.all.push_back((at, event));
    }

    /// The device's input carried it.
    pub fn on_heard(&mut self, event: PatchEvent, at: MonoTime) {
        if self.heard.len() == KEPT {
            self.heard.pop_front();
        }
        self.heard.push_back((at, event));
    }

    /// A changeover, or a gap in what we know of a machine's stream: what is heard about this instant is not judged.
    pub fn on_break(&mut self, at: MonoTime) {
        self.not_before = self.not_before.max(at + GRACE);
    }

    /// Time goes by. `fed_by`: the machine whose stream may reach the device.
    pub fn on_time(&mut self, now: MonoTime, fed_by: Option<Machine>, sink: &mut impl FnMut(Leak)) {
        while let Some((at, event)) = self.heard.front().copied().filter(|(at, _)| now - *at >= WAIT) {
            self.heard.pop_front();
            let may = fed_by.is_some_and(|m| self.machines[m.index()].take(event, at)) || self.ours.take(event, at);
            if may || at < self.not_before {
                continue;
            }
            let others = Machine::first(MAX_MACHINES).filter(|m| Some(*m) != fed_by);
            for from in others {
                if self.machines[from.index()].take(event, at) {
                    sink(Leak { from, event, at });
                    break;
                }
            }
        }
        for sent in self.machines.iter_mut().chain([&mut self.ours]) {
            while sent.all.front().is_some_and(|(at, _)| now - *at > WAIT + REACH + REACH) {
                sent.all.pop_front();
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::patches::Sent as Says;

    const T0: MonoTime = MonoTime::from_nanos(1_000_000_000_000);

    fn program(p: u8) -> PatchEvent {
        PatchEvent { channel: 3, sent: Says::Program(p) }
    }
    fn at(ms: i64) -> MonoTime {
        T0 + Span::from_millis(ms)
    }
    fn judged(l: &mut Leaks, fed_by: Option<Machine>) -> Vec<(Machine, PatchEvent)> {
        let mut out = Vec::new();
        l.on_time(at(5_000), fed_by, &mut |leak| out.push((leak.from, leak.event)));
        out
    }

    #[test]
    fn what_the_machine_that_feeds_it_sent_is_no_leak() {
        let mut l = Leaks::default();
        for (m, later) in [(Machine::A, 0), (Machine::B, 12)] {
            (0..100).for_each(|n| l.on_sent(Some(m), program(n), at(1_000 + 10 * i64::from(n) + later)));
        }
        (0..100).for_each(|n| l.on_heard(program(n), at(1_000 + 10 * i64::from(n) + 3)));
        assert_eq!(judged(&mut l, Some(Machine::A)), []);
    }

    #[test]
    fn a_standby_that_plays_the_same_is_found_by_the_second_copy() {
        let mut l = Leaks::default();
        l.on_sent(Some(Machine::A), program(7), at(1_000));
        l.on_sent(Some(Machine::B), program(7), at(1_015));
        l.on_heard(program(7), at(1_001));
        l.on_heard(program(7), at(1_016));
        assert_eq!(judged(&mut l, Some(Machine::A)), [(Machine::B, program(7))]);
    }

    #[test]
    fn only_ours_may_reach_a_device_that_we_feed() {
        let mut l = Leaks::default();
        l.on_sent(None, program(1), at(1_000));
        l.on_heard(program(1), at(1_001));
        l.on_sent(Some(Machine::A), program(2), at(1_100));
        l.on_heard(program(2), at(1_101));
        assert_eq!(judged(&mut l, None), [(Machine::A, program(2))]);
    }

    #[test]
    fn what_nobody_sent_and_what_is_heard_about_a_changeover_is_left_alone() {
        let mut l = Leaks::default();
        l.on_heard(program(9), at(1_000));
        l.on_sent(Some(Machine::B), program(4), at(2_000));
        l.on_heard(program(4), at(2_001));
        l.on_break(at(1_990));
        assert_eq!(judged(&mut l, Some(Machine::A)), []);
    }
}
