//! The table against an environment that does its worst, by model checking: two machines, their hosts, cables, agents
//! and players, a switch that may move or fall silent by itself, commands that arrive late or never, a person who
//! releases the latch, and a supervisor that is restarted at any point. Every reachable state is visited.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use base::PlayerState;
use stateright::{Checker, Model, Property};
use twinkeel_rig::facts::*;
use twinkeel_rig::table::{Outcome, decide};
use twinkeel_rig::{Fitness, LoneStop, Mode};

#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
enum Player {
    Runs,
    Frozen,
    Gone,
}

/// What is true of a machine.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
struct Real {
    power: bool,
    cable: bool,
    agent: bool,
    player: Player,
    muted: bool,
}

impl Real {
    const WELL: Real = Real { power: true, cable: true, agent: true, player: Player::Runs, muted: false };
    fn sounds(self) -> bool {
        self.power && self.player == Player::Runs && !self.muted
    }
    fn here(self) -> bool {
        self.power && self.cable && self.agent
    }
    fn silent(self) -> bool {
        !self.power || !self.cable
    }
    fn well(self) -> bool {
        self.here() && self.sounds()
    }
    fn faults(self) -> usize {
        [!self.power, !self.cable, !self.agent, self.player != Player::Runs, self.muted]
            .into_iter()
            .filter(|f| *f)
            .count()
    }
}

#[derive(Clone, PartialEq, Eq, Hash, Debug)]
struct State {
    // The world.
    real: [Real; 2],
    relation: Relation,
    on: usize,
    answers: bool,
    in_flight: Option<usize>,
    // The judge, as far as the table needs it.
    latched: bool,
    believes: Option<usize>,
    remembers: Option<usize>,
    pending: Option<usize>,
    proven: bool,
    held: [bool; 2],
    // What must never be.
    moves_since_release: u8,
    moved_to_worse: bool,
    moved_from_sound: bool,
}

/// How long after the last change the judge looks: before the veto lapsed, between, or after every hold time.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
enum Look {
    Early,
    Between,
    Late,
}

#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
enum Do {
    Look(Look),
    Power(usize),
    Cable(usize),
    Agent(usize),
    Player(usize, Player),
    Mute(usize),
    Relate(Relation),
    SwitchMoves,
    SwitchAnswers,
    Deliver,
    LoseCommand,
    GiveUp,
    HoldPasses,
    Release,
    Restart,
}

struct Rig {
    most_faults: usize,
}

fn facts(s: &State, look: Look) -> Facts {
    let on = s.believes.unwrap_or(0);
    let (o, b) = (s.real[on], s.real[1 - on]);
    let cut_off = s.real.iter().all(|m| !m.here()) && s.real.iter().all(|m| m.silent());
    let settled = look != Look::Early;
    let fitness = if b.well() { Fitness::Fit } else { Fitness::Unfit };
    let comparable = b.well() && matches!(s.relation, Relation::InStep | Relation::Near);
    // The tap hears whatever the switch carries, whoever that is.
    let sound = if s.real[s.on].sounds() || !settled {
        Sound::Heard
    } else if comparable && look == Look::Late {
        Sound::Lost
    } else {
        Sound::Quiet
    };
    Facts {
        mode: Mode::Act,
        latched: s.latched,
        armed: s.proven && s.held[1 - on],
        doubt: if cut_off { SelfDoubt::CutOff } else { SelfDoubt::None },
        known: match (s.pending, s.believes) {
            (Some(_), _) => OnAirKnown::Pending,
            (None, Some(_)) if s.answers => OnAirKnown::Yes,
            _ => OnAirKnown::No,
        },
        both_players_lost: s.real.iter().all(|m| m.here() && m.player == Player::Gone),
        host: match o {
            m if m.here() => Host::Here,
            m if m.silent() => {
                if b.here() && settled {
                    Host::Gone
                } else {
                    Host::Unwitnessed
                }
            }
            _ => Host::AgentLost,
        },
        link: LinkSays::Changeover,
        player: match o.player {
            _ if !o.here() => PlayerState::Unknown,
            Player::Gone => PlayerState::Gone,
            Player::Runs | Player::Frozen => PlayerState::Running,
        },
        transport: match o.player {
            _ if !o.here() => Transport::Unknown,
            Player::Runs => Transport::Rolling,
            Player::Frozen | Player::Gone => {
                if settled {
                    Transport::Stalled
                } else {
                    Transport::Rolling
                }
            }
        },
        sound,
        media_gone: false,
        worn: false,
        outlived: comparable && settled,
        lone_stop: LoneStop::Changeover,
        standby: grade(fitness, s.relation, if b.sounds() { Ears::Sounding } else { Ears::Quiet }),
    }
}

/// The judge looks.
fn look(s: &State, how: Look) -> State {
    let mut s = s.clone();
    for i in 0..2 {
        s.held[i] &= s.real[i].well() && !matches!(s.relation, Relation::OtherSong);
    }
    if s.answers {
        if let Some(to) = s.pending {
            if s.on == to {
                s.pending = None;
                s.believes = Some(to);
                s.remembers = Some(to);
                s.proven = false;
            }
        } else if s.believes != Some(s.on) {
            let expected = s.believes.is_none() && s.remembers.is_none_or(|r| r == s.on);
            s.latched |= !expected;
            s.believes = Some(s.on);
            s.remembers = Some(s.on);
            s.proven = false;
        }
    }
    if decide(&facts(&s, how)).outcome() == Outcome::Changeover {
        let to = 1 - s.believes.unwrap();
        s.moved_to_worse |= !s.real[to].well() || !matches!(s.relation, Relation::InStep | Relation::Near);
        s.moved_from_sound |= s.real[s.on].sounds();
        s.moves_since_release = (s.moves_since_release + 1).min(2);
        s.latched = true;
        s.pending = Some(to);
        s.in_flight = Some(to);
    }
    s
}

fn restart(s: &State) -> State {
    State { believes: None, pending: None, proven: false, held: [false; 2], ..s.clone() }
}

fn hold_passes(s: &State) -> State {
    let mut s = s.clone();
    for i in 0..2 {
        s.held[i] = s.real[i].well() && s.relation != Relation::OtherSong;
    }
    if let Some(o) = s.believes {
        s.proven |= s.real[o].well();
    }
    s
}

impl Model for Rig {
    type State = State;
    type Action = Do;

    fn init_states(&self) -> Vec<State> {
        vec![State {
            real: [Real::WELL; 2],
            relation: Relation::InStep,
            on: 0,
            answers: true,
            in_flight: None,
            latched: false,
            believes: None,
            remembers: None,
            pending: None,
            proven: false,
            held: [false; 2],
            moves_since_release: 0,
            moved_to_worse: false,
            moved_from_sound: false,
        }]
    }

    fn actions(&self, s: &State, out: &mut Vec<Do>) {
        out.extend([Do::Look(Look::Early), Do::Look(Look::Between), Do::Look(Look::Late), Do::HoldPasses, Do::Restart]);
        if s.latched {
            out.push(Do::Release);
        }
        if s.in_flight.is_some() {
            out.extend([Do::Deliver, Do::LoseCommand]);
        }
        if s.pending.is_some() {
            out.push(Do::GiveUp);
        }
        out.push(Do::SwitchMoves);
        out.push(Do::SwitchAnswers);
        for r in [Relation::InStep, Relation::Near, Relation::OtherSong] {
            out.push(Do::Relate(r));
        }
        for i in 0..2 {
            out.extend([Do::Power(i), Do::Cable(i), Do::Agent(i), Do::Mute(i)]);
            for p in [Player::Runs, Player::Frozen, Player::Gone] {
                out.push(Do::Player(i, p));
            }
        }
    }

    fn next_state(&self, s: &State, action: Do) -> Option<State> {
        let mut n = s.clone();
        match action {
            Do::Look(how) => n = look(s, how),
            Do::Power(i) => n.real[i].power = !n.real[i].power,
            Do::Cable(i) => n.real[i].cable = !n.real[i].cable,
            Do::Agent(i) => n.real[i].agent = !n.real[i].agent,
            Do::Player(i, p) => n.real[i].player = p,
            Do::Mute(i) => n.real[i].muted = !n.real[i].muted,
            Do::Relate(r) => n.relation = r,
            Do::SwitchMoves => n.on = 1 - n.on,
            Do::SwitchAnswers => n.answers = !n.answers,
            Do::Deliver => n.on = n.in_flight.take()?,
            Do::LoseCommand => n.in_flight = None,
            Do::GiveUp => n.pending = None,
            Do::HoldPasses => n = hold_passes(s),
            Do::Release => {
                n.latched = false;
                n.moves_since_release = 0;
            }
            Do::Restart => n = restart(s),
        }
        (n.real.iter().map(|m| m.faults()).sum::<usize>() <= self.most_faults).then_some(n).filter(|n| n != s)
    }

    fn properties(&self) -> Vec<Property<Self>> {
        vec![
            Property::<Self>::always("never to a machine that is not well and near", |_, s: &State| !s.moved_to_worse),
            Property::<Self>::always("never from a machine that is heard", |_, s: &State| !s.moved_from_sound),
            Property::<Self>::always("never twice before release", |_, s: &State| s.moves_since_release <= 1),
            // The world goes on without the supervisor, and it comes back as it was: same truth, same latch; its first
            // looks move nothing, whatever is wrong by then.
            Property::<Self>::always("a restart is harmless", |_, s: &State| {
                let back = restart(s);
                back.latched == s.latched
                    && back.on == s.on
                    && [Look::Early, Look::Between, Look::Late].iter().all(|how| {
                        let once = look(&back, *how);
                        once.pending.is_none() && look(&once, *how).pending.is_none()
                    })
            }),
            // From anywhere: mend everything, answer, release, wait; then a dead machine is replaced at once.
            Property::<Self>::always("no deadlock", |_, s: &State| {
                let mut n = s.clone();
                n.real = [Real::WELL; 2];
                n.relation = Relation::InStep;
                n.answers = true;
                n.in_flight = None;
                n.pending = None;
                n = look(&n, Look::Late);
                n.latched = false;
                n.moves_since_release = 0;
                n = hold_passes(&n);
                n = look(&n, Look::Late);
                if n.pending.is_some() {
                    return false;
                }
                let on = n.on;
                n.real[on].power = false;
                look(&n, Look::Late).pending == Some(1 - on)
            }),
            Property::<Self>::sometimes("it changes over", |_, s: &State| s.moves_since_release == 1 && s.on == 1),
            Property::<Self>::sometimes("it comes back after release", |_, s: &State| s.pending == Some(0)),
        ]
    }
}

#[test]
fn every_reachable_state() {
    let checker = Rig { most_faults: 3 }.checker().threads(2).spawn_bfs().join();
    checker.assert_properties();
    println!(
        "states: {} unique, {} generated, depth {}",
        checker.unique_state_count(),
        checker.state_count(),
        checker.max_depth()
    );
    assert!(checker.unique_state_count() > 100_000);
}
