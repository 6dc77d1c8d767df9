//! Two threads that talk as agent and supervisor do, over real sockets of this machine. Both read one clock, so the true offset is 0.

use std::net::SocketAddr;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use base::{ClockState, MonoTime, RemoteTime, RigId, Span};
use ports::os::{Gate, make_urgent, mono_now};
use watch::machine::MachineWatch;
use wire::{Beat, BeatReply, Echo, Initiator, KeyPair, Lane, MAX_BEAT, Responder, Session};

/// How they talk.
#[derive(Clone, Copy)]
pub struct Talk {
    /// Whether the agent asks for transmit stamps.
    pub agent_stamps: bool,
    /// Whether the supervisor does.
    pub supervisor_stamps: bool,
    /// Time between two beats.
    pub interval: Span,
    /// For how long.
    pub lasts: Span,
}

/// What the supervisor believed, every tenth beat from the first second on.
pub struct Heard {
    /// Error (the estimate itself, since the truth is 0) and bound.
    pub samples: Vec<(Span, Span)>,
    /// Exchanges, and how many had the driver's stamp of the beat.
    pub exchanges: (u32, u32),
}

fn sessions() -> (Session, Session) {
    let (agent, supervisor) = (KeyPair::generate().unwrap(), KeyPair::generate().unwrap());
    let rig = RigId([7; 16]);
    let (initiator, knock) = Initiator::start(&agent.secret, &supervisor.public, rig).unwrap();
    let (theirs, answer) = Responder::read(&supervisor.secret, rig, &knock).unwrap().accept(1).unwrap();
    (initiator.finish(&answer).unwrap(), theirs)
}

/// Talks.
pub fn talk(how: Talk) -> Heard {
    let (agents, supervisors) = sessions();
    let bind = || Gate::bind(&["127.0.0.1:0".parse().unwrap()]).unwrap();
    let (agent, supervisor) = (bind(), bind());
    let to = supervisor.local_addr(0).unwrap();
    let end = Arc::new(AtomicBool::new(false));
    let ended = end.clone();
    let thread = std::thread::spawn(move || beats(&agent, agents, to, how, &ended));
    let heard = watch(&supervisor, supervisors, how);
    end.store(true, Ordering::Relaxed);
    thread.join().unwrap();
    heard
}

/// As `agent::beats` does it: the departure of the first beat that echoes a reply is told in those that follow.
fn beats(gate: &Gate, mut session: Session, to: SocketAddr, how: Talk, end: &AtomicBool) {
    make_urgent(40);
    if how.agent_stamps {
        gate.stamp_sends(0);
    }
    let (mut seq, mut echo, mut due): (u32, Option<Echo>, _) = (0, None, mono_now());
    let (mut echoed, mut echoing, mut prev_sent) = (None, None, None);
    let (mut buffer, mut out) = ([0u8; 2048], [0u8; MAX_BEAT]);
    while !end.load(Ordering::Relaxed) {
        gate.wait(Some(due));
        while let Some(got) = gate.receive(0, &mut buffer) {
            if let Ok(reply) = session.open_reply(Lane::Path1, &buffer[..got.len]) {
                echo = Some(Echo { reply: reply.seq, received: RemoteTime::of_sender(got.at) });
            }
        }
        if mono_now() < due {
            continue;
        }
        due = (due + how.interval).max(mono_now());
        while let Some(left) = gate.departure(0) {
            if let Some((_, beat)) = echoing.filter(|(number, _)| *number == left.number) {
                prev_sent = Some((beat, RemoteTime::of_sender(left.at)));
            }
        }
        seq += 1;
        let beat = Beat { seq, echo, prev_sent, sent: RemoteTime::of_sender(mono_now()), ..Beat::default() };
        let len = session.seal_beat(Lane::Path1, &beat, &mut out).unwrap();
        let number = gate.send_stamped(0, &out[..len], to);
        if echo.map(|e| e.reply) != echoed {
            echoed = echo.map(|e| e.reply);
            echoing = number.map(|n| (n, seq));
        }
    }
}

/// As the watch thread does it.
fn watch(gate: &Gate, session: Session, how: Talk) -> Heard {
    make_urgent(45);
    if how.supervisor_stamps {
        gate.stamp_sends(0);
    }
    let began = mono_now();
    let mut machine = MachineWatch::new(how.interval, watch::PREFERENCE, began);
    machine.on_session(session);
    let (mut buffer, mut out) = ([0u8; 2048], [0u8; MAX_BEAT]);
    let mut replies = [None; 16];
    let (mut samples, mut beats) = (Vec::new(), 0u32);
    while mono_now() - began < how.lasts {
        gate.wait(Some(mono_now() + Span::from_millis(20)));
        while let Some(left) = gate.departure(0) {
            if let Some((_, reply)) = replies[left.number as usize % 16].filter(|(n, _)| *n == left.number) {
                machine.paths[0].on_reply_left(reply, left.at);
            }
        }
        while let Some(got) = gate.receive(0, &mut buffer) {
            machine.on_datagram(0, got.from, &buffer[..got.len], got.at).unwrap();
            beats += 1;
            if let Some((to, len)) = machine.reply_due(0, mono_now(), BeatReply::default(), &mut out)
                && let Some(number) = gate.send_stamped(0, &out[..len], to)
            {
                replies[number as usize % 16] = Some((number, machine.paths[0].newest_reply()));
            }
            if beats % 10 == 0 && mono_now() - began > Span::from_secs(1) {
                sample(&machine, mono_now(), &mut samples);
            }
        }
    }
    Heard { samples, exchanges: machine.paths[0].exchanges() }
}

fn sample(machine: &MachineWatch, now: MonoTime, samples: &mut Vec<(Span, Span)>) {
    let clock = machine.clock(now);
    if clock.state == ClockState::Tracking {
        samples.push((clock.offset, clock.bound));
    }
}
