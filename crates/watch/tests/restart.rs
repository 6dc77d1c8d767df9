//! An agent that ends and comes back: from the handshake to its first beat nothing new is known of it, least of all that its
//! host has died.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod common;

use base::{Heard, Machine, MonoTime, RemoteTime, Span, SwitchView};
use common::{BEAT, session, setup};
use rig::{Action, Actions, LinkLoss, Memory, Mode};
use twinkeel_watch::Brain;
use wire::{Beat, Echo, Lane, MAX_BEAT, Session};

/// A brain that acts, on one path and without a tap, by the policy that takes silence for a death.
struct Talk {
    brain: Brain,
    agents: [Option<Session>; 2],
    seq: [u32; 2],
    echo: [Option<Echo>; 2],
    sessions: u32,
    now: MonoTime,
    moved: usize,
}

impl Talk {
    fn new() -> Talk {
        let now = MonoTime::from_nanos(1_000_000_000_000);
        let mut setup = setup(2, 1);
        setup.rig.policies.on_link_loss = Some(LinkLoss::Changeover);
        let brain = Brain::new(setup, Memory { mode: Mode::Act, ..Memory::default() }, now);
        let mut t = Talk { brain, agents: [None, None], seq: [0; 2], echo: [None; 2], sessions: 0, now, moved: 0 };
        t.connect(Machine::A);
        t.connect(Machine::B);
        t.run(Span::from_secs(4));
        t
    }

    fn connect(&mut self, m: Machine) {
        self.sessions += 1;
        let (agent, theirs) = session(self.sessions);
        drop(self.brain.on_session(m, theirs));
        self.agents[m.index()] = Some(agent);
        (self.seq[m.index()], self.echo[m.index()]) = (0, None);
    }

    /// Beats of whoever has an agent, for this long.
    fn run(&mut self, lasts: Span) {
        let end = self.now + lasts;
        let mut actions = Actions::new();
        while self.now < end {
            self.now += BEAT;
            self.brain.on_switch(SwitchView::On(Machine::A), self.now);
            for i in 0..2 {
                let Some(agent) = &mut self.agents[i] else { continue };
                self.seq[i] += 1;
                let at = RemoteTime::of_sender(self.now);
                let beat = Beat {
                    seq: self.seq[i],
                    sent: at,
                    echo: self.echo[i],
                    player: base::PlayerState::Running,
                    ..Beat::default()
                };
                let mut out = [0u8; MAX_BEAT];
                let len = agent.seal_beat(Lane::Path1, &beat, &mut out).unwrap();
                let now = self.now + Span::from_micros(100);
                let m = self.brain.on_datagram(0, ([127, 0, 0, 1], 9).into(), &out[..len], now).unwrap();
                if let Some((_, len)) = self.brain.reply_due(m, 0, now, &mut out) {
                    let reply = agent.open_reply(Lane::Path1, &out[..len]).unwrap();
                    let received = RemoteTime::of_sender(now + Span::from_micros(100));
                    self.echo[i] = Some(Echo { reply: reply.seq, received });
                }
            }
            actions.clear();
            self.brain.settle(self.now + Span::from_micros(100), Span::ZERO, &mut actions);
            self.moved += actions.iter().filter(|a| matches!(a, Action::Changeover { .. })).count();
        }
    }
    fn heard(&self) -> Heard {
        self.brain.evidence().machines[0].heard
    }
}

/// What ended, how that is heard.
type Ending = (fn(&mut Talk), Heard);
const ENDINGS: [Ending; 2] = [
    (|t| t.brain.on_lane_closed(Machine::A, t.now), Heard::AgentLost),
    (|t| t.brain.on_goodbye(Machine::A), Heard::Goodbye),
];

#[test]
fn a_handshake_makes_no_dead_host_of_a_lost_agent() {
    for (ends, heard) in ENDINGS {
        let mut t = Talk::new();
        t.agents[0] = None;
        ends(&mut t);
        t.run(Span::from_millis(600));
        assert_eq!(t.heard(), heard);
        t.connect(Machine::A);
        // The first beat takes its time: the machine is still starting up.
        let agent = t.agents[0].take();
        t.run(Span::from_millis(50));
        assert_eq!(t.heard(), heard, "agreed, and not heard yet");
        assert_eq!(t.moved, 0);
        t.agents[0] = agent;
        t.run(Span::from_secs(3));
        assert_eq!(t.heard(), Heard::Well);
        assert_eq!(t.moved, 0);
        // And the new session's silence is a death like any other's.
        t.agents[0] = None;
        t.run(Span::from_millis(700));
        assert_eq!(t.heard(), Heard::Silent);
        assert_eq!(t.moved, 1);
    }
}
