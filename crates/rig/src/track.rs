//! What the judge remembers of each machine between two looks: since when something holds.
//!
//! Hold times live here and nowhere else, so that facts stay finite and the table stays without memory.

use core::cell::Cell;

use base::{AudioState, ClockState, Heard, Machine, MonoTime, PlayerState, Span, TransportState};

use crate::evidence::{MachineEvidence, Place};
use crate::facts::Relation;
use crate::setup::Limits;

/// "Now", and the earliest later instant at which a hold time that was asked about will have passed.
pub(crate) struct Wake {
    pub now: MonoTime,
    at: Cell<MonoTime>,
}

impl Wake {
    pub fn new(now: MonoTime) -> Wake {
        Wake { now, at: Cell::new(MonoTime::FAR) }
    }
    /// Something may change at this instant.
    pub fn note(&self, t: MonoTime) {
        if t > self.now {
            self.at.set(self.at.get().min(t));
        }
    }
    /// Whether `span` has passed since `since`; if not, asks to be woken when it has.
    pub fn passed(&self, since: MonoTime, span: Span) -> bool {
        let due = since + span;
        self.note(due);
        self.now >= due
    }
    pub fn at(&self) -> Option<MonoTime> {
        (self.at.get() < MonoTime::FAR).then(|| self.at.get())
    }
}

/// Where the machine on air was when it and this standby last rolled together: its line is carried on from there.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Anchor {
    pub on_air: Machine,
    pub at: MonoTime,
    pub place: Place,
    pub bound: Span,
}

/// One machine's memory.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Track {
    /// Fit or degraded since, as far as short interruptions are forgiven.
    pub ok_since: Option<MonoTime>,
    last_ok: Option<MonoTime>,
    /// The present run of sound: its first and its newest instant.
    pub sounding_since: Option<MonoTime>,
    pub sound_last: Option<MonoTime>,
    /// The end of the run before.
    pub run_before: Option<MonoTime>,
    /// Noise, DC or not-a-number since.
    pub wrong_since: Option<MonoTime>,
    /// ... and for how long by what was reported.
    pub wrong_for: Span,
    /// The player is gone since.
    pub gone_since: Option<MonoTime>,
    /// Silent on every path since (by our own look, for want of a first missed beat).
    pub silent_since: Option<MonoTime>,
    /// On one path since, although there were two.
    pub one_path_since: Option<MonoTime>,
    /// One path had been all there was for a while when it fell silent.
    pub fell_from_one_path: bool,
    /// Its transport as last heard.
    pub transport: TransportState,
    pub transport_since: MonoTime,
    /// Its place as last heard, and when that was.
    pub place: Option<(Place, MonoTime)>,
    /// See [`Anchor`].
    pub anchor: Option<Anchor>,
    /// How it stood to a machine on air when both last stood and both were there.
    pub rested: Option<(Machine, Relation)>,
    /// All its channels fell silent while it rolled, and not with the music; it has not sounded since.
    pub fell_silent: bool,
    /// Its sound last matched that of the machine on air.
    pub matched: Option<MonoTime>,
}

/// Samples of one sound may be reported this far apart (audio blocks and beats): longer gaps end a run of sound.
const RUN_GAP: Span = Span::from_millis(50);
/// A second path that was away longer than this is not what fell silent.
const PATH_GONE: Span = Span::from_millis(500);

/// Whether the machine's agent is heard now.
pub(crate) const fn here(heard: Heard) -> bool {
    matches!(heard, Heard::Well | Heard::OnePath)
}

impl Track {
    pub fn look(&mut self, m: &MachineEvidence, now: MonoTime) {
        let since = |flag: bool, kept: &mut Option<MonoTime>| {
            if flag {
                kept.get_or_insert(now);
            } else {
                *kept = None;
            }
        };
        if let Some(t) = last_sound(m, now)
            && self.sound_last.is_none_or(|last| t > last)
        {
            if self.sound_last.is_none_or(|last| t - last > RUN_GAP) {
                self.sounding_since = Some(t);
                self.run_before = self.sound_last;
            }
            self.sound_last = Some(t);
        }
        if m.heard == Heard::Silent && self.silent_since.is_none() {
            let at = m.first_missed.unwrap_or(now);
            self.fell_from_one_path = self.one_path_since.is_some_and(|s| at - s > PATH_GONE);
        }
        since(m.heard == Heard::Silent, &mut self.silent_since);
        if m.heard != Heard::Silent {
            since(m.heard == Heard::OnePath, &mut self.one_path_since);
        }
        if here(m.heard) {
            // From one report to another: a report that is not followed by one like it proves no length.
            match m.audio.filter(|r| r.value == AudioState::Wrong && r.fresh(now).is_some()) {
                Some(r) => self.wrong_for = r.as_of - *self.wrong_since.get_or_insert(r.as_of),
                None => self.wrong_since = None,
            }
            since(fresh_player(m, now) == PlayerState::Gone, &mut self.gone_since);
            if let Some(t) = m.transport.and_then(|r| r.fresh(now)) {
                self.transport = t;
                self.transport_since = m.transport_since;
            }
            if let Some(r) = m.place
                && r.fresh(now).is_some()
            {
                self.place = Some((r.value, r.as_of));
            }
        }
    }

    /// Takes the fitness found: `ok` is fit or degraded.
    pub fn hold(&mut self, ok: bool, now: MonoTime, limits: &Limits) {
        if !ok {
            return;
        }
        if self.last_ok.is_none_or(|last| now - last > limits.blip) {
            self.ok_since = Some(now);
        }
        self.last_ok = Some(now);
    }

    /// Begins the hold anew: the supervisor was blind.
    pub fn hold_anew(&mut self) {
        self.ok_since = None;
        self.last_ok = None;
    }
}

/// The newest sound a machine's agent heard, as far as our clock can say so. A time from a clock that is not known, or
/// that lies ahead of now, is not taken: the agent's word that there is sound then counts from when it was given.
pub(crate) fn last_sound(m: &MachineEvidence, now: MonoTime) -> Option<MonoTime> {
    let known = matches!(m.clock, ClockState::Tracking | ClockState::Holdover);
    match m.last_sound {
        Some(t) if known && t <= now => Some(t),
        Some(t) if known && t <= now + AHEAD => Some(now),
        _ => m.audio.filter(|r| r.value == AudioState::Sounding).map(|r| r.as_of.min(now)),
    }
}
/// A clock's error may put a sound this far ahead of now.
const AHEAD: Span = Span::from_millis(20);

/// A machine's transport while its agent is heard; unknown otherwise.
pub(crate) fn fresh_transport(m: &MachineEvidence, now: MonoTime) -> TransportState {
    if here(m.heard) { m.transport.and_then(|r| r.fresh(now)).unwrap_or_default() } else { TransportState::Unknown }
}
/// A machine's sound to its own agent while that is heard; unknown otherwise.
pub(crate) fn fresh_audio(m: &MachineEvidence, now: MonoTime) -> AudioState {
    if here(m.heard) { m.audio.and_then(|r| r.fresh(now)).unwrap_or_default() } else { AudioState::Unknown }
}
/// Whether a pilot is expected of a machine and is not heard now.
pub(crate) fn pilot_lost(m: &MachineEvidence, now: MonoTime) -> bool {
    m.pilot.and_then(|p| p.fresh(now)) == Some(false)
}
/// A machine's player while its agent is heard; unknown otherwise.
pub(crate) fn fresh_player(m: &MachineEvidence, now: MonoTime) -> PlayerState {
    if here(m.heard) { m.player.and_then(|r| r.fresh(now)).unwrap_or_default() } else { PlayerState::Unknown }
}
