//! Two machines of 64 channels: what happens on the last of them reaches the judge as it does from the first.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod common;

use base::{
    AudioState, Dbfs, FrameRate, Machine, MonoTime, PositionReport, RemoteTime, ShowPosition, SourceKind, Span,
    TransportState,
};
use common::{BEAT, session, setup};
use rig::{ChannelTrouble, MachineEvidence, Memory};
use twinkeel_watch::Brain;
use wire::channels::{MoreChannels, Round};
use wire::{Beat, CentiDbfs, ChannelLevel, Echo, Lane, MAX_BEAT, Pilot, Session};

const WAY: Span = Span::from_micros(200);
const CHANNELS: usize = 64;

/// One agent: its session, its turn, and what its channels play.
struct Agent {
    session: Session,
    round: Round,
    echo: Option<Echo>,
    levels: [Dbfs; CHANNELS],
    pilot: Pilot,
}

struct Talk {
    brain: Brain,
    agents: Vec<Agent>,
    now: MonoTime,
    seq: u32,
}

impl Talk {
    fn new() -> Talk {
        let now = MonoTime::from_nanos(1_000_000_000_000);
        let mut brain = Brain::new(setup(2, 1), Memory::default(), now);
        let agents = [(Machine::A, 1), (Machine::B, 2)].map(|(m, number)| {
            let (agent, theirs) = session(number);
            brain.on_session(m, theirs);
            let levels = core::array::from_fn(|c| Dbfs(-18.0 - (c % 7) as f64 * 3.5));
            Agent { session: agent, round: Round::default(), echo: None, levels, pilot: Pilot::Present }
        });
        Talk { brain, agents: agents.into(), now, seq: 0 }
    }

    /// Both beat for `lasts`, in step; gives when `look` first liked what the judge is told of B, counted from now.
    fn until(&mut self, lasts: Span, look: impl Fn(&MachineEvidence) -> bool) -> Option<Span> {
        let begin = self.now;
        let mut actions = rig::Actions::new();
        while self.now - begin < lasts {
            self.now += BEAT;
            self.seq += 1;
            for (m, agent) in [Machine::A, Machine::B].into_iter().zip(&mut self.agents) {
                let beat = agent.beat(self.seq, self.now);
                let mut out = [0u8; MAX_BEAT];
                let len = agent.session.seal_beat(Lane::Path1, &beat, &mut out).unwrap();
                let at = self.now + WAY;
                assert_eq!(self.brain.on_datagram(0, ([127, 0, 0, 1], 9).into(), &out[..len], at), Some(m));
                if let Some((_, len)) = self.brain.reply_due(m, 0, at, &mut out) {
                    let reply = agent.session.open_reply(Lane::Path1, &out[..len]).unwrap();
                    agent.echo = Some(Echo { reply: reply.seq, received: RemoteTime::of_sender(at + WAY) });
                }
            }
            actions.clear();
            self.brain.settle(self.now + WAY, Span::ZERO, &mut actions);
            if look(&self.brain.evidence().machines[1]) {
                return Some(self.now - begin);
            }
        }
        None
    }
}

impl Agent {
    fn beat(&mut self, seq: u32, now: MonoTime) -> Beat {
        let at = RemoteTime::of_sender(now);
        let level = |c: usize| {
            let l = CentiDbfs::from(self.levels[c]);
            ChannelLevel { peak: l, rms: l, pilot: Pilot::NotExpected }
        };
        let (first, n) = self.round.turn(CHANNELS);
        let played = now - MonoTime::from_nanos(1_000_000_000_000);
        let position = PositionReport {
            source: SourceKind::Ltc,
            state: TransportState::Rolling,
            position: ShowPosition::Timecode { rate: FrameRate::F25, at: Span::from_secs(3_600) + played },
            at,
            speed_ppb: 0,
            sigma: Span::from_micros(50),
            last_heard: at,
            jumps: 0,
        };
        Beat {
            seq,
            sent: at,
            echo: self.echo,
            positions: [position].into_iter().collect(),
            audio: AudioState::Sounding,
            last_sound: Some(at),
            levels: (0..8).map(level).collect(),
            more: MoreChannels {
                heard: CHANNELS as u8,
                pilot: self.pilot,
                first: first as u8,
                levels: (first..first + n).map(level).collect(),
            },
            ..Beat::default()
        }
    }
}

#[test]
fn a_silent_channel_is_found_as_soon_on_the_last_as_on_the_first() {
    let found = [0, 7, 8, 63].map(|c| {
        let mut t = Talk::new();
        let calm = t.until(Span::from_secs(5), |e| e.channels != ChannelTrouble::None);
        assert_eq!(calm, None, "twins that are alike are well");
        let shown = t.brain.view(t.now).machines[1].levels;
        assert_eq!(shown.all().len(), CHANNELS);
        assert_eq!(Dbfs::from(shown.all()[63].rms), t.agents[1].levels[63]);
        t.agents[1].levels[c] = Dbfs::SILENCE;
        t.until(Span::from_secs(3), |e| e.channels == ChannelTrouble::OneSilent).expect("found")
    });
    // Half a second's mean falls silent, and that lasts 0.3 s; a window's turn is 20 ms.
    assert!(found.iter().all(|f| *f <= Span::from_millis(900)), "{found:?}");
    let spread = *found.iter().max().unwrap() - *found.iter().min().unwrap();
    assert!(spread <= Span::from_millis(20), "{found:?}");
}

#[test]
fn a_lost_pilot_waits_for_no_turn() {
    let mut t = Talk::new();
    t.until(Span::from_secs(1), |_| false);
    assert_eq!(t.brain.evidence().machines[1].pilot.map(|p| p.value), Some(true));
    t.agents[1].pilot = Pilot::Absent;
    let told = t.until(Span::from_secs(1), |e| e.pilot.is_some_and(|p| !p.value));
    assert_eq!(told, Some(BEAT), "the next beat tells it");
}
