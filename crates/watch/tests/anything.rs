//! An agent that is whom it claims and says impossible things (another version, a broken clock, a fault of ours): the supervisor's mind
//! goes on. Tests are built with checks for overflow, so that a sum that runs over is found here and not in a show.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod common;

use base::{
    AudioState, ClockState, Dbfs, FrameRate, Machine, MonoTime, PlayerState, PositionReport, RemoteTime, ShowPosition,
    Span, SwitchView, TransportState,
};
use common::{session, setup};
use proptest::prelude::*;
use rig::{Act, Actions, Memory, Mode};
use twinkeel_watch::{Brain, LikenessReport, PREFERENCE, Setup, SongSpan, TapReport};
use wire::message::TriggerKind;
use wire::{Beat, CentiDbfs, ChannelLevel, Echo, HostFlags, Lane, MAX_BEAT, Pilot, Session, SourceFlags, StopCause};

/// Numbers at which sums run over, and ordinary ones.
fn whole() -> impl Strategy<Value = i64> {
    prop_oneof![
        Just(i64::MIN),
        Just(i64::MIN + 1),
        Just(i64::MAX),
        Just(i64::MAX - 1),
        Just(0),
        any::<i64>(),
        -20_000_000_000..20_000_000_000i64
    ]
}
fn span() -> impl Strategy<Value = Span> {
    whole().prop_map(Span::from_nanos)
}
/// On the agent's clock: near the present, or anywhere.
fn instant() -> impl Strategy<Value = RemoteTime> {
    prop_oneof![
        (0..60_000_000_000u64).prop_map(|n| RemoteTime::from_nanos(1_000_000_000_000 + n)),
        Just(RemoteTime::from_nanos(0)),
        Just(RemoteTime::from_nanos(u64::MAX)),
        any::<u64>().prop_map(RemoteTime::from_nanos),
    ]
}

fn place() -> impl Strategy<Value = ShowPosition> {
    let rate = prop::sample::select(&[FrameRate::F23_976, FrameRate::F25, FrameRate::F29_97Df, FrameRate::F30][..]);
    prop_oneof![
        (rate, span()).prop_map(|(rate, at)| ShowPosition::Timecode { rate, at }),
        whole().prop_map(|millis| ShowPosition::Clocks { millis }),
        (any::<u16>(), span()).prop_map(|(number, at)| ShowPosition::Song { number, at }),
    ]
}

fn report() -> impl Strategy<Value = PositionReport> {
    use TransportState as T;
    let source = prop::sample::select(&PREFERENCE[..]);
    let state = prop::sample::select(&[T::Unknown, T::Rolling, T::Rolling, T::Stopped, T::Stalled, T::Lost][..]);
    (source, state, place(), instant(), any::<i32>(), span(), instant(), any::<u16>()).prop_map(
        |(source, state, position, at, speed_ppb, sigma, last_heard, jumps)| PositionReport {
            source,
            state,
            position,
            at,
            speed_ppb,
            sigma,
            last_heard,
            jumps,
        },
    )
}

fn beat() -> impl Strategy<Value = Beat> {
    let level = (any::<i16>(), any::<i16>()).prop_map(|(peak, rms)| ChannelLevel {
        peak: CentiDbfs(peak),
        rms: CentiDbfs(rms),
        pilot: Pilot::NotExpected,
    });
    let times = (
        prop_oneof![0..200u32, any::<u32>()],
        instant(),
        prop::option::of((any::<u32>(), instant())),
        prop::option::of((any::<u32>(), instant())),
        prop::option::of(instant()),
        span(),
        span(),
    );
    let sound = (
        prop::collection::vec(report(), 0..3),
        prop::collection::vec(level, 0..8),
        prop::sample::select(&[AudioState::Unknown, AudioState::Sounding, AudioState::Quiet, AudioState::Silent][..]),
        prop::sample::select(&[PlayerState::Unknown, PlayerState::Running, PlayerState::Gone][..]),
        prop::sample::select(&[StopCause::None, StopCause::Player, StopCause::Trigger][..]),
    );
    (times, sound, any::<[u16; 5]>()).prop_map(|(times, sound, counts)| {
        let (seq, sent, echo, prev_sent, last_sound, lateness, block) = times;
        let (positions, levels, audio, player, stop_cause) = sound;
        Beat {
            seq,
            sent,
            echo: echo.map(|(reply, received)| Echo { reply, received }),
            prev_sent,
            positions: positions.into_iter().collect(),
            player,
            stop_cause,
            audio,
            last_sound,
            levels: levels.into_iter().collect(),
            sources: SourceFlags(counts[0]),
            host: HostFlags(counts[1]),
            lateness,
            frozen_before: counts[2],
            clipped: counts[3],
            dropouts: counts[4],
            block,
            ..Beat::default()
        }
    })
}

/// What comes to the supervisor.
#[derive(Clone, Debug)]
enum News {
    /// Of a machine, on a path; true: its clock and its numbers are right, so that what else it says is believed.
    Beat(usize, usize, Box<Beat>, bool),
    Anew(usize),
    Trigger(usize, RemoteTime),
    Tap(ShowPosition, i64),
    Likeness(usize),
    Goodbye(usize),
    Closed(usize),
    Says(usize),
    Waits(i64),
}

fn news() -> impl Strategy<Value = News> {
    prop_oneof![
        12 => (0..2usize, 0..2usize, beat(), prop::bool::weighted(0.8)).prop_map(|(m, path, b, right)| News::Beat(m, path, Box::new(b), right)),
        1 => prop::bool::weighted(0.2).prop_flat_map(|is| if is { (0..2usize).prop_map(News::Anew).boxed() } else { Just(News::Waits(0)).boxed() }),
        1 => (0..2usize, instant()).prop_map(|(m, at)| News::Trigger(m, at)),
        1 => (place(), -100_000_000..100_000_000i64).prop_map(|(p, at)| News::Tap(p, at)),
        1 => (0..2usize).prop_map(News::Likeness),
        1 => (0..2usize).prop_map(News::Goodbye),
        1 => (0..2usize).prop_map(News::Closed),
        1 => (0..2usize).prop_map(News::Says),
        2 => (0..400_000_000i64).prop_map(News::Waits),
    ]
}

struct Rig {
    brain: Brain,
    agents: Vec<Session>,
    now: MonoTime,
    sessions: u32,
    seq: [u32; 2],
    replies: [[Option<(u32, MonoTime)>; 2]; 2],
}

impl Rig {
    fn new() -> Rig {
        let now = MonoTime::from_nanos(1_000_000_000_000);
        let songs = vec![SongSpan {
            number: 1,
            start: Span::from_secs(3_600),
            length: Span::from_secs(180),
            sections: vec![Span::from_secs(60)],
        }];
        let setup = Setup { songs, has_tap: true, ..setup(2, 2) };
        let memory = Memory { mode: Mode::Act, ..Memory::default() };
        let brain = Brain::new(setup, memory, now);
        let mut rig = Rig { brain, agents: Vec::new(), now, sessions: 0, seq: [0; 2], replies: [[None; 2]; 2] };
        rig.agents = (0..2).map(|m| rig.session(m)).collect();
        for i in 0..120 {
            rig.comes(&News::Beat(i % 2, i / 2 % 2, Box::default(), true));
        }
        let known = rig.brain.view(rig.now).machines.iter().all(|m| m.clock.state == ClockState::Tracking);
        assert!(known, "what is said from here on is believed");
        rig
    }

    fn session(&mut self, m: usize) -> Session {
        self.sessions += 1;
        let (agent, theirs) = session(self.sessions);
        drop(self.brain.on_session(Machine::new(m).unwrap(), theirs));
        agent
    }

    fn comes(&mut self, news: &News) {
        self.now += Span::from_millis(2);
        let now = self.now;
        let machine = |m: usize| Machine::new(m).unwrap();
        match news {
            News::Beat(m, path, beat, right) => {
                let mut beat = Beat::clone(beat);
                if *right {
                    let sent = RemoteTime::of_sender(now - Span::from_micros(200));
                    self.seq[*m] += 1;
                    (beat.seq, beat.sent) = (self.seq[*m], sent);
                    beat.host = HostFlags::NONE;
                    beat.echo = self.replies[*m][*path].map(|(reply, at)| Echo {
                        reply,
                        received: RemoteTime::of_sender(at + Span::from_micros(200)),
                    });
                }
                let lane = [Lane::Path1, Lane::Path2][*path];
                let mut out = [0u8; MAX_BEAT];
                let Ok(len) = self.agents[*m].seal_beat(lane, &beat, &mut out) else { return };
                let from = ([127, 0, 0, 1], 9).into();
                assert_eq!(self.brain.on_datagram(*path, from, &out[..len], now), Some(machine(*m)));
                if self.brain.reply_due(machine(*m), *path, now, &mut out).is_some() {
                    let reply = self.brain.newest_reply(machine(*m), *path).unwrap();
                    self.brain.on_reply_left(machine(*m), *path, reply, now);
                    self.replies[*m][*path] = Some((reply, now));
                }
            }
            News::Anew(m) => {
                self.agents[*m] = self.session(*m);
                (self.seq[*m], self.replies[*m]) = (0, [None; 2]);
            }
            News::Trigger(m, at) => self.brain.on_trigger(machine(*m), TriggerKind::Stop, *at, now),
            News::Tap(place, at) => {
                let code = Some((now + Span::from_nanos(*at), *place));
                self.brain.on_tap(TapReport { code, level: Dbfs(-20.0), ..TapReport::quiet(now) });
            }
            News::Likeness(m) => {
                self.brain.on_likeness(machine(*m), LikenessReport { differs: true, ..LikenessReport::default() });
            }
            News::Goodbye(m) => self.brain.on_goodbye(machine(*m)),
            News::Closed(m) => self.brain.on_lane_closed(machine(*m), now),
            News::Says(m) => self.brain.on_switch(SwitchView::On(machine(*m)), now),
            News::Waits(n) => self.now += Span::from_nanos(*n),
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]
    #[test]
    fn whatever_an_agent_says_the_watch_goes_on(all in prop::collection::vec(news(), 0..240)) {
        let mut rig = Rig::new();
        let mut actions = Actions::new();
        for news in &all {
            rig.comes(news);
            actions.clear();
            rig.brain.settle(rig.now, Span::ZERO, &mut actions);
            let view = rig.brain.view(rig.now);
            prop_assert_eq!(view.machines.len(), 2);
            prop_assert!(rig.brain.next_deadline() > rig.now, "the watch would spin");
        }
        let _ = rig.brain.on_act(Act::Changeover { to: Machine::B, forced: true }, rig.now, &mut actions);
        rig.brain.settle(rig.now, Span::ZERO, &mut actions);
    }
}
