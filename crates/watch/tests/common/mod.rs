//! What these tests share: a brain's setup, and sessions with its agents.
#![allow(clippy::unwrap_used)]

use base::{RigId, Span};
use twinkeel_watch::{PREFERENCE, Setup};
use wire::{Initiator, KeyPair, Responder, Session};

/// The time between two beats.
pub const BEAT: Span = Span::from_millis(5);

/// So many machines, each on so many paths; no songs, and no tap.
pub fn setup(machines: usize, paths: usize) -> Setup {
    Setup {
        beat_intervals: (0..machines).map(|_| BEAT).collect(),
        paths,
        songs: Vec::new(),
        prefer: PREFERENCE,
        has_tap: false,
        rig: rig::Setup::new(machines),
    }
}

/// Both ends of a new session: the agent's and the supervisor's.
pub fn session(number: u32) -> (Session, Session) {
    let (agent, boss) = (KeyPair::generate().unwrap(), KeyPair::generate().unwrap());
    let rig = RigId([1; 16]);
    let (initiator, knock) = Initiator::start(&agent.secret, &boss.public, rig).unwrap();
    let (ours, answer) = Responder::read(&boss.secret, rig, &knock).unwrap().accept(number).unwrap();
    (initiator.finish(&answer).unwrap(), ours)
}
