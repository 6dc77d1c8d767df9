//! Where a standby is against the machine on air, also when the latter has vanished.

use base::{AudioState, Machine, MonoTime, PlayerState, Span, TransportState};

use crate::evidence::{MachineEvidence, Offset, Place, RigEvidence};
use crate::facts::{Ears, Relation};
use crate::setup::Limits;
use crate::track::{Anchor, Track, Wake, fresh_audio, fresh_player, fresh_transport, here, last_sound};

/// A relation with the figures behind it.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Related {
    pub relation: Relation,
    /// The standby's position minus that of the machine on air, and how far off that may be.
    pub apart: Option<(Span, Span)>,
    /// They lie in different sections.
    pub other_section: bool,
}

impl Related {
    const fn only(relation: Relation) -> Related {
        Related { relation, apart: None, other_section: false }
    }
}

/// A carried-on line may be off by this share of the time since: free-running crystals differ by less (common
/// practice, no source).
const CARRY_ERROR: f64 = 100e-6;
/// Two places that were compared without an offset may be off by this much.
const PLACE_BOUND: Span = Span::from_millis(5);
/// Offset and places that contradict each other by this much: one of the two machines has just swerved.
const SWERVE: Span = Span::from_millis(50);

/// A machine's ears and whether they hear something now.
pub(crate) fn ears(m: &MachineEvidence, wake: &Wake, limits: &Limits) -> Ears {
    match fresh_audio(m, wake.now) {
        AudioState::Unknown => Ears::Deaf,
        AudioState::Sounding | AudioState::Quiet | AudioState::Wrong | AudioState::Silent | AudioState::Ceased => {
            let heard = last_sound(m, wake.now).is_some_and(|t| !wake.passed(t, limits.veto + m.sound_grain + RECENT));
            if heard { Ears::Sounding } else { Ears::Quiet }
        }
    }
}
/// Sound this recent is sound that goes on: beats carry news of it every few milliseconds.
const RECENT: Span = Span::from_millis(15);

/// Whether a machine stands and may: it was stopped, or never gave code and is quiet.
fn rests(m: &MachineEvidence, t: &Track, wake: &Wake) -> bool {
    match t.transport {
        TransportState::Stopped => true,
        TransportState::Unknown => last_sound(m, wake.now).is_none_or(|s| wake.passed(s, Span::from_secs(1))),
        TransportState::Rolling | TransportState::Stalled | TransportState::Lost => false,
    }
}

/// A machine's offset from the reference machine, if it is known now.
pub(crate) fn offset(ev: &RigEvidence, m: Machine, now: MonoTime) -> Option<Offset> {
    if m == Machine::A {
        return Some(Offset::default());
    }
    ev.machines.get(m.index())?.offset.and_then(|r| r.fresh(now))
}

/// A machine's place carried to `now`, if its reading is fresh and it rolls.
fn place_now(m: &MachineEvidence, now: MonoTime) -> Option<Place> {
    let r = m.place?;
    let p = r.fresh(now)?;
    Some(Place { at: p.at + (now - r.as_of), ..p })
}

fn songs_differ(a: Place, b: Place) -> bool {
    a.song != 0 && b.song != 0 && a.song != b.song
}
fn sections_differ(a: Place, b: Place) -> bool {
    a.song == b.song && a.section != 0 && b.section != 0 && a.section != b.section
}

fn measured(apart: Span, bound: Span, other_section: bool, limits: &Limits) -> Related {
    let far = apart.abs() + bound;
    let relation = if far <= limits.in_step {
        Relation::InStep
    } else if far <= limits.dead_air {
        Relation::Near
    } else {
        Relation::Apart
    };
    Related { relation, apart: Some((apart, bound)), other_section: other_section && relation == Relation::Apart }
}

/// Relates standby `s` to `o`, the machine on air. `stood_together` tells of two transports that ended together.
pub(crate) fn relate(
    ev: &RigEvidence,
    tracks: &mut [Track],
    s: Machine,
    o: Machine,
    stood_together: bool,
    wake: &Wake,
    limits: &Limits,
) -> Related {
    let (Some(sm), Some(om)) = (ev.machines.get(s.index()), ev.machines.get(o.index())) else {
        return Related::only(Relation::Unknown);
    };
    let now = wake.now;
    if !here(sm.heard) {
        return Related::only(Relation::Unknown);
    }
    let s_rolls = fresh_transport(sm, now) == TransportState::Rolling;
    let o_rolls = fresh_transport(om, now) == TransportState::Rolling;
    if o_rolls {
        tracks[s.index()].rested = None;
    }
    let gone = !here(om.heard) || fresh_player(om, now) == PlayerState::Gone;
    let (sp, op) = (place_now(sm, now), place_now(om, now));
    match (s_rolls, o_rolls) {
        (true, true) => {
            let by_offset =
                offset(ev, s, now).zip(offset(ev, o, now)).map(|(a, b)| (a.value - b.value, a.bound + b.bound));
            let both = sp.zip(op);
            let parted = both.is_some_and(|(a, b)| songs_differ(a, b));
            let other_section = both.is_some_and(|(a, b)| sections_differ(a, b));
            // At the seam of two songs or sections the machine that is ahead is "in another one" for as long as it is ahead.
            let close = by_offset.filter(|d| d.0.abs() + d.1 <= limits.dead_air);
            if parted && close.is_none() {
                tracks[s.index()].anchor = None;
                return Related::only(Relation::OtherSong);
            }
            let by_place = both.filter(|(a, b)| a.song == b.song).map(|(a, b)| (a.at - b.at, PLACE_BOUND));
            // The lines behind an offset follow a jump, or a player that stood still, only after some codes; places do at once.
            let swerved = by_offset.zip(by_place).is_some_and(|(o, p)| (o.0 - p.0).abs() > SWERVE);
            let Some((apart, bound)) = by_offset.filter(|_| !swerved).or(by_place) else {
                return Related::only(Relation::Unknown);
            };
            let r = measured(apart, bound, other_section, limits);
            // Also of a machine that is far off: one that jumped and then vanished was not where it had been before.
            if let Some(p) = sp {
                let place = Place { at: p.at - apart, ..p };
                tracks[s.index()].anchor = Some(Anchor { on_air: o, at: now, place, bound });
            }
            r
        }
        // The machine on air is gone, and stood when it went: there is nothing to be apart from, whatever the standby has
        // begun since.
        (true, false) if gone && tracks[s.index()].rested.is_some_and(|r| r.0 == o) => {
            Related::only(tracks[s.index()].rested.map_or(Relation::Unknown, |r| r.1))
        }
        (true, false) => {
            let anchor = tracks[s.index()].anchor.filter(|a| a.on_air == o);
            match (anchor, sp) {
                (Some(a), Some(p)) if !wake.passed(a.at, limits.carry) => {
                    let since = now - a.at;
                    if songs_differ(p, a.place) {
                        return Related::only(Relation::OtherSong);
                    }
                    measured(p.at - (a.place.at + since), a.bound + since.scaled(CARRY_ERROR), false, limits)
                }
                _ => match (sp, tracks[o.index()].place) {
                    (Some(p), Some((q, _))) if songs_differ(p, q) => Related::only(Relation::OtherSong),
                    _ => Related::only(Relation::Unknown),
                },
            }
        }
        (false, true) => Related::only(Relation::Apart),
        (false, false) => {
            let both = rests(sm, &tracks[s.index()], wake) && rests(om, &tracks[o.index()], wake);
            if !both && !stood_together {
                return Related::only(if tracks[o.index()].transport == TransportState::Rolling {
                    Relation::Apart
                } else {
                    Relation::Unknown
                });
            }
            let known = tracks[s.index()].place.zip(tracks[o.index()].place);
            let parted = known.is_some_and(|((a, _), (b, _))| songs_differ(a, b));
            let relation = if parted { Relation::OtherSong } else { Relation::Resting };
            if !gone {
                tracks[s.index()].rested = Some((o, relation));
            }
            Related::only(relation)
        }
    }
}
