//! What is on its way in the simulated rig, in the order of its arrival.

use std::cmp::Reverse;
use std::collections::BinaryHeap;

use base::{Machine, MonoTime, SwitchView};
use wire::Up;

/// One thing on its way.
#[derive(Debug)]
pub enum What {
    /// A beat to the supervisor.
    Beat { machine: Machine, path: usize, bytes: Vec<u8> },
    /// A reply to an agent.
    Reply { machine: Machine, path: usize, bytes: Vec<u8> },
    /// A message over the urgent lane.
    Up { machine: Machine, up: Up },
    /// The urgent lane ends: FIN.
    LaneClosed { machine: Machine },
    /// A command to the switch.
    Select { to: Machine },
    /// The switch's word.
    Says { view: SwitchView },
    /// A block on the tap.
    Tap { at: MonoTime, last_sound: Option<MonoTime>, pilot: Option<Machine>, code: Vec<f32> },
    /// An agent tries to connect.
    Connect { machine: Machine },
}

struct Entry(MonoTime, u64, What);

impl PartialEq for Entry {
    fn eq(&self, o: &Entry) -> bool {
        (self.0, self.1) == (o.0, o.1)
    }
}
impl Eq for Entry {}
impl PartialOrd for Entry {
    fn partial_cmp(&self, o: &Entry) -> Option<std::cmp::Ordering> {
        Some(self.cmp(o))
    }
}
impl Ord for Entry {
    fn cmp(&self, o: &Entry) -> std::cmp::Ordering {
        (self.0, self.1).cmp(&(o.0, o.1))
    }
}

/// Everything on its way.
#[derive(Default)]
pub struct Post {
    heap: BinaryHeap<Reverse<Entry>>,
    count: u64,
}

impl Post {
    /// Something that arrives at `at`; of two at one instant the first one put comes first.
    pub fn put(&mut self, at: MonoTime, what: What) {
        self.count += 1;
        self.heap.push(Reverse(Entry(at, self.count, what)));
    }
    /// When the next thing arrives.
    pub fn next_due(&self) -> Option<MonoTime> {
        self.heap.peek().map(|e| e.0.0)
    }
    /// The next thing that has arrived.
    pub fn take(&mut self, now: MonoTime) -> Option<What> {
        if self.next_due()? > now {
            return None;
        }
        self.heap.pop().map(|e| e.0.2)
    }
}
