//! Beats that overtake one another, above all the first ones of a session: the newest is the newest in whatever order they come.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod common;

use base::{Heard, Machine, MonoTime, RemoteTime, Span};
use common::{BEAT, session, setup};
use proptest::prelude::*;
use rig::{Actions, Memory};
use twinkeel_watch::Brain;
use wire::{Beat, Lane, MAX_BEAT, Session};

/// So many first beats of a session come in any order.
const MIXED: u32 = 20;

struct Talk {
    brain: Brain,
    now: MonoTime,
    sessions: u32,
}

impl Talk {
    fn new() -> Talk {
        let now = MonoTime::from_nanos(1_000_000_000_000);
        Talk { brain: Brain::new(setup(1, 2), Memory::default(), now), now, sessions: 0 }
    }

    fn session(&mut self) -> Session {
        self.sessions += 1;
        let (agent, theirs) = session(self.sessions);
        drop(self.brain.on_session(Machine::A, theirs));
        agent
    }

    /// Both copies of each of these beats, sealed.
    fn beats(&self, agent: &mut Session, seq: std::ops::RangeInclusive<u32>) -> Vec<Copy> {
        let mut all = Vec::new();
        for seq in seq {
            let sent = RemoteTime::of_sender(self.now + BEAT.times(i64::from(seq)));
            let beat = Beat { seq, sent, player: base::PlayerState::Running, ..Beat::default() };
            for (path, lane) in [Lane::Path1, Lane::Path2].into_iter().enumerate() {
                let mut out = [0u8; MAX_BEAT];
                let len = agent.seal_beat(lane, &beat, &mut out).unwrap();
                all.push(Copy { path, seq, bytes: out[..len].to_vec() });
            }
        }
        all
    }

    /// It comes; what the supervisor shows is the newest so far.
    fn comes(&mut self, copy: &Copy, newest: &mut u32) {
        self.now += Span::from_micros(500);
        let from = ([127, 0, 0, 1], 9).into();
        assert_eq!(self.brain.on_datagram(copy.path, from, &copy.bytes, self.now), Some(Machine::A));
        *newest = copy.seq.max(*newest);
        self.brain.settle(self.now, Span::ZERO, &mut Actions::new());
        assert_eq!(self.brain.view(self.now).machines[0].beat.as_ref().map(|b| b.seq), Some(*newest));
    }

    fn heard(&self) -> Heard {
        self.brain.evidence().machines[0].heard
    }
}

/// A sealed beat on one path.
#[derive(Clone, Debug)]
struct Copy {
    path: usize,
    seq: u32,
    bytes: Vec<u8>,
}

proptest! {
    #[test]
    fn the_newest_beat_is_the_newest_in_whatever_order_the_first_ones_come(
        orders in prop::collection::vec(Just((0..2 * MIXED as usize).collect::<Vec<_>>()).prop_shuffle(), 3),
        lost in 0..30usize,
    ) {
        let mut t = Talk::new();
        // A first session, and two agents started anew.
        for order in orders {
            let mut agent = t.session();
            let mut newest = 0;
            let mixed = t.beats(&mut agent, 1..=MIXED);
            for i in order.iter().skip(lost) {
                t.comes(&mixed[*i], &mut newest);
            }
            for seq in MIXED + 1..=MIXED + 40 {
                for copy in t.beats(&mut agent, seq..=seq) {
                    t.comes(&copy, &mut newest);
                }
            }
            prop_assert_eq!(t.heard(), Heard::Well);
        }
    }
}
