//! A host that sleeps: its clock is void when it wakes, is learnt anew, and nothing is concluded meanwhile. So is ours.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod common;

use base::{ClockState, Machine, MonoTime, RemoteTime, Span};
use common::{BEAT, session, setup};
use rig::Memory;
use twinkeel_watch::Brain;
use wire::{Beat, Echo, HostFlags, Lane, MAX_BEAT, Session};

const WAY: Span = Span::from_micros(200);

/// A brain and one agent, whose clock is ahead of ours by `ahead`.
struct Talk {
    brain: Brain,
    agent: Session,
    now: MonoTime,
    ahead: Span,
    seq: u32,
    echo: Option<Echo>,
    woke: Option<MonoTime>,
    wakings: u16,
}

impl Talk {
    fn new() -> Talk {
        let (agent, theirs) = session(1);
        let now = MonoTime::from_nanos(1_000_000_000_000);
        let mut brain = Brain::new(setup(1, 1), Memory::default(), now);
        brain.on_session(Machine::A, theirs);
        Talk { brain, agent, now, ahead: Span::from_secs(77), seq: 0, echo: None, woke: None, wakings: 0 }
    }

    /// Beats and replies for `lasts`; `look` sees what the judge is told of the clock.
    fn run(&mut self, lasts: Span, mut look: impl FnMut(&rig::MachineEvidence, MonoTime)) {
        let end = self.now + lasts;
        let mut actions = rig::Actions::new();
        while self.now < end {
            self.now += BEAT;
            self.seq += 1;
            let theirs = |t: MonoTime| RemoteTime::of_sender(t + self.ahead);
            let woke = self.woke.is_some_and(|t| self.now - t < Span::from_secs(2));
            let beat = Beat {
                seq: self.seq,
                sent: theirs(self.now),
                echo: self.echo,
                host: HostFlags::NONE.with(HostFlags::WOKE, woke),
                frozen_before: self.wakings,
                ..Beat::default()
            };
            let mut out = [0u8; MAX_BEAT];
            let len = self.agent.seal_beat(Lane::Path1, &beat, &mut out).unwrap();
            let at = self.now + WAY;
            let from = ([127, 0, 0, 1], 9).into();
            assert_eq!(self.brain.on_datagram(0, from, &out[..len], at), Some(Machine::A));
            if let Some((_, len)) = self.brain.reply_due(Machine::A, 0, at, &mut out) {
                let reply = self.agent.open_reply(Lane::Path1, &out[..len]).unwrap();
                self.echo = Some(Echo { reply: reply.seq, received: theirs(at + WAY) });
            }
            actions.clear();
            self.brain.settle(at, Span::ZERO, &mut actions);
            look(&self.brain.evidence().machines[0], at);
        }
    }

    /// Both ways are alike, so the estimate is exact but for what skew is not known yet.
    fn error(&self) -> Span {
        let clock = self.brain.view(self.now).machines[0].clock;
        assert_eq!(clock.state, ClockState::Tracking);
        (clock.offset - self.ahead).abs()
    }
}

#[test]
fn a_woken_machine_counts_again_once_its_clock_is_known_again() {
    let mut t = Talk::new();
    t.run(Span::from_secs(20), |_, _| {});
    assert!(t.error() < Span::from_micros(20));
    // It sleeps for 5 s: we hear nothing, and its monotonic clock stands.
    for wakings in 1..=2 {
        t.now += Span::from_secs(5);
        t.ahead -= Span::from_secs(5);
        (t.woke, t.wakings) = (Some(t.now), wakings);
        // A second sleep begins while it still says that it woke from the first.
        let lasts = if wakings == 1 { Span::from_secs(1) } else { Span::from_millis(1_990) };
        t.run(lasts, |e, now| {
            assert_eq!(e.clock, ClockState::Stepped);
            // Nor does the watch itself reckon with the old offset: no beat seems to have been under way for seconds.
            assert!(e.last_sent.is_some_and(|sent| (now - sent).abs() < Span::from_millis(100)), "{:?}", e.last_sent);
        });
        assert!(t.error() < Span::from_micros(300), "{:?}", t.error());
    }
    t.run(Span::from_secs(1), |_, _| {});
    assert_eq!(t.brain.evidence().machines[0].clock, ClockState::Tracking);
    assert!(t.error() < Span::from_micros(100), "{:?}", t.error());
}

#[test]
fn after_its_own_sleep_the_supervisor_doubts_itself_and_learns_all_clocks_anew() {
    let mut t = Talk::new();
    t.run(Span::from_secs(10), |_, _| {});
    assert!(t.error() < Span::from_micros(20));
    // Ours stands while theirs goes on for an hour.
    t.ahead += Span::from_secs(3_600);
    t.brain.on_own_sleep(t.now);
    let clock = t.brain.view(t.now).machines[0].clock;
    assert_ne!(clock.state, ClockState::Tracking);
    let late = t.brain.evidence().supervisor.late_until;
    assert!(late.is_some_and(|until| until >= t.now + Span::from_secs(2)), "{late:?}");
    t.run(Span::from_secs(2), |_, _| {});
    assert!(t.error() < Span::from_micros(300));
}
