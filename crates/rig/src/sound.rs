//! What is heard of the machine on air, and what its silence is worth beside the standby's sound.

use base::{AudioState, Db, Machine, MonoTime, Span, TransportState};

use crate::evidence::{MachineEvidence, RigEvidence};
use crate::facts::{Ears, Relation, Sound};
use crate::judge::Judge;
use crate::look::{Found, pilot_on_tap, rests_too};
use crate::relation::{Related, ears, offset};
use crate::setup::LinkLoss;
use crate::track::{Wake, fresh_audio, fresh_transport, here, last_sound, pilot_lost};

/// The margin by which a standby must have outlived the trouble on air.
const OUTLIVE: Span = Span::from_millis(25);
/// ... and the newer beat that must say so.
const OUTLIVE_BEAT: Span = Span::from_millis(20);
/// Levels this close to their baseline count as a match, where nothing better compares the sound.
const MATCH_LEVEL: Db = Db(6.0);

/// Machines in step fall silent this close to each other in a rest: a beat and an audio block each way.
const FALLS_TOGETHER: Span = Span::from_millis(50);
/// One that falls silent this soon after another did, or after another began to give noise, is not accused: it may be a rest that begins
/// just after the other's fault.
const FALLS_AFTER: Span = Span::from_millis(250);

/// A machine's sound and its codes end within this of each other: a buffer, and a clump of code (common practice, no source).
const CEASES_TOGETHER: Span = Span::from_millis(500);

/// A rest begins this sharply: a beat, by which one machine's news may be newer than the other's.
const EDGE: Span = Span::from_millis(5);

/// A tap that brought no sample, or missed what the agent hears, for this long is deaf.
const TAP_WORTH: Span = Span::from_millis(60);

impl Judge {
    /// The newest instant at which anybody heard the machine on air, if there are ears at all.
    pub(crate) fn last_heard_sound(&self, ev: &RigEvidence, e: &MachineEvidence, now: MonoTime) -> Option<MonoTime> {
        let agent = fresh_audio(e, now) != AudioState::Unknown;
        let tapped = self.tap_works(ev, e, now);
        if !agent && !tapped {
            return None;
        }
        let tap = if tapped { ev.switch.tap_last_sound } else { None };
        // Never a sound at all: quiet since we began to listen.
        Some(tap.max(last_sound(e, now)).unwrap_or(self.began).max(self.began))
    }

    pub(crate) fn sound(
        &mut self,
        ev: &RigEvidence,
        o: Machine,
        e: &MachineEvidence,
        best: Option<(Machine, &Found)>,
        wake: &Wake,
    ) -> Sound {
        let limits = self.setup.limits;
        let t = &self.tracks[o.index()];
        if here(e.heard) && t.wrong_since.is_some() && t.wrong_for >= limits.wrong_sound {
            // At an input of ours a broken plug hums, too, and no second ear says what the house hears of it.
            let sure = e.outside.is_none() || self.a_person_chose_the_link();
            return if sure { Sound::Wrong } else { Sound::Doubtful };
        }
        let recent = |t: Option<MonoTime>, grain: Span| t.is_some_and(|t| !wake.passed(t, limits.veto + grain));
        let tap_heard = ev.switch.has_tap && recent(ev.switch.tap_last_sound, Span::ZERO);
        let agent_heard = recent(last_sound(e, wake.now), e.sound_grain);
        let claim = fresh_audio(e, wake.now);
        if let Some((b, f)) = best {
            self.note_match(ev, o, e, b, f, wake);
        }
        if tap_heard || agent_heard {
            return Sound::Heard;
        }
        let Some(quiet_since) = self.last_heard_sound(ev, e, wake.now) else { return Sound::Deaf };
        let Some((b, f)) = best else { return Sound::Quiet };
        if f.ears == Ears::Deaf {
            // Nothing to compare with. A stream that ceased says more than silence does, but not enough.
            let ceased = claim == AudioState::Ceased && wake.passed(quiet_since, limits.audio_loss);
            return match (ceased, rests_too(f)) {
                (true, _) => Sound::Doubtful,
                (false, true) => Sound::Rest,
                (false, false) => Sound::Quiet,
            };
        }
        if !self.overlap(b, f, quiet_since, limits.audio_loss, wake) {
            // A standby that is behind sounds on when a rest has begun on air; one that is ahead begins first.
            let apart = f.related.and_then(|r| r.apart);
            let rests = rests_too(f) || apart.is_some_and(|a| !self.overlap(b, f, quiet_since, EDGE + a.1, wake));
            return if rests { Sound::Rest } else { Sound::Quiet };
        }
        let matched = self.tracks[o.index()].matched.is_some_and(|t| quiet_since - t <= limits.matched);
        let tap_agrees = self.tap_works(ev, e, wake.now);
        let second_sign = match claim {
            AudioState::Ceased => true,
            AudioState::Silent => tap_agrees || pilot_lost(e, wake.now),
            // No agent to ask: that is the second sign, unless the tap hears its pilot, and so its engine. That our own inputs
            // are lost is a sign of nothing.
            AudioState::Unknown => !here(e.heard) && e.outside.is_none() && pilot_on_tap(ev, o, wake.now).is_none(),
            AudioState::Sounding | AudioState::Quiet | AudioState::Wrong => false,
        };
        if matched && second_sign && self.confirmed(ev, e, quiet_since, wake.now) {
            Sound::Lost
        } else {
            Sound::Doubtful
        }
    }

    /// Whether the silence of a machine that rolls is the music's: another machine's sound ended with its own, as far as
    /// the two are apart. A stop in the arrangement silences every channel at once, as a fault does; but not of one
    /// machine alone.
    pub(crate) fn rests_with_the_music(&self, ev: &RigEvidence, m: Machine, now: MonoTime) -> bool {
        let Some(ended) = self.tracks[m.index()].sound_last else { return false };
        Machine::first(self.machines).filter(|w| *w != m && self.serves(ev, *w)).any(|w| {
            let apart =
                offset(ev, m, now).zip(offset(ev, w, now)).map_or(Span::ZERO, |(a, b)| (a.value - b.value).abs());
            let t = &self.tracks[w.index()];
            // Noise that began in a rest is no end of the rest; before it there may have been music.
            let music = if t.wrong_since.is_some() { [t.run_before, t.wrong_since] } else { [t.sound_last, None] };
            music.into_iter().flatten().any(|other| {
                let after = ended - other;
                after >= Span::ZERO - FALLS_TOGETHER - apart && after <= FALLS_AFTER + apart
            })
        })
    }

    /// Whether the tap brings samples, and heard what the agent on air heard: one that stayed silent while that machine
    /// sounded listens to nothing (its plug is out, or the switch itself is dead), and its silence condemns nobody.
    fn tap_works(&self, ev: &RigEvidence, e: &MachineEvidence, now: MonoTime) -> bool {
        let brings = ev.switch.has_tap && ev.switch.tap_alive.is_none_or(|t| now - t <= TAP_WORTH);
        let hears = last_sound(e, now)
            .is_none_or(|agent| ev.switch.tap_last_sound.is_some_and(|tap| agent - tap <= TAP_WORTH + e.sound_grain));
        brings && hears
    }

    /// Remembers that the machine on air sounded like the standby: by excerpts, or by level while in step.
    fn note_match(&mut self, ev: &RigEvidence, o: Machine, e: &MachineEvidence, b: Machine, f: &Found, wake: &Wake) {
        let kept = self.tracks[o.index()].matched;
        let mut matched = kept.max(e.matched);
        let close = f.related.is_some_and(|r| matches!(r.relation, Relation::InStep | Relation::Near));
        let both_sound = f.ears == Ears::Sounding
            && fresh_audio(e, wake.now) == AudioState::Sounding
            && ears(e, wake, &self.setup.limits) == Ears::Sounding;
        if close && both_sound {
            let levels = self.level_change(ev, o, b);
            if levels.is_some_and(|l| l.abs().0 <= MATCH_LEVEL.0) {
                matched = Some(wake.now);
            }
            if let Some(m) = ev.machines.get(b.index()).and_then(|m| m.matched) {
                matched = matched.max(Some(m));
            }
        }
        self.tracks[o.index()].matched = matched;
    }

    /// How much louder the standby is than the machine on air, line-up's difference taken off.
    pub(crate) fn level_change(&self, ev: &RigEvidence, o: Machine, b: Machine) -> Option<Db> {
        let raw = ev.machines.get(b.index())?.level? - ev.machines.get(o.index())?.level?;
        let base = self.setup.baselines[b.index()].level - self.setup.baselines[o.index()].level;
        Some(Db(raw.0 - base.0)).filter(|d| d.0.is_finite())
    }

    /// Whether the standby has sounded for `span` (and the offset between the two) inside the silence on air. Both ends
    /// matter: a standby that is ahead falls silent first and begins first.
    fn overlap(&self, b: Machine, f: &Found, quiet_since: MonoTime, span: Span, wake: &Wake) -> bool {
        let Some(r) = f.related.filter(|r| matches!(r.relation, Relation::InStep | Relation::Near)) else {
            return false;
        };
        let apart = r.apart.map_or(Span::ZERO, |a| a.0.abs());
        let t = &self.tracks[b.index()];
        let (Some(begun), Some(last)) = (t.sounding_since, t.sound_last) else { return false };
        wake.note(quiet_since + span + apart);
        f.ears == Ears::Sounding && last - begun.max(quiet_since) >= span + apart
    }

    /// Whether a silence that our own input hears is the machine's and not the plug's: its code stands by another way too, its
    /// linear timecode still comes by the same way, the tap agrees, or a person chose what a lost link is taken for. An agent on
    /// the machine itself needs no confirmation.
    fn confirmed(&self, ev: &RigEvidence, e: &MachineEvidence, quiet_since: MonoTime, now: MonoTime) -> bool {
        let Some(o) = e.outside else { return true };
        let ended = o.beside_last.map_or(quiet_since, |t| t.max(quiet_since));
        let other_way = o.other_ended.is_some_and(|t| t + CEASES_TOGETHER >= ended);
        o.proven && (o.code_beside_sound || other_way || self.tap_works(ev, e, now) || self.a_person_chose_the_link())
    }

    /// Whether a person chose to take a lost link for a dead machine.
    fn a_person_chose_the_link(&self) -> bool {
        self.setup.policies.on_link_loss == Some(LinkLoss::Changeover)
    }

    /// Whether the standby was proven alive after the trouble on air began, so that two machines which end together are
    /// not taken for one.
    pub(crate) fn outlived(
        &self,
        ev: &RigEvidence,
        o: Machine,
        e: &MachineEvidence,
        best: Option<(Machine, &Found)>,
        wake: &Wake,
    ) -> bool {
        let Some((b, f)) = best else { return false };
        let Some(s) = ev.machines.get(b.index()) else { return false };
        let t = &self.tracks[o.index()];
        let quiet_since = self.last_heard_sound(ev, e, wake.now);
        if !self.confirmed(ev, e, quiet_since.unwrap_or(wake.now), wake.now) {
            return false;
        }
        // One that began as the other ended was never together with it: there is no overlap to ask for, and a clear sign will do.
        let together = f.related.is_some_and(|r| matches!(r.relation, Relation::InStep | Relation::Near));
        if f.ears == Ears::Sounding
            && together
            && let Some(q) = quiet_since
        {
            return self.overlap(b, f, q, OUTLIVE, wake);
        }
        let stands = matches!(
            fresh_transport(e, wake.now),
            TransportState::Stalled | TransportState::Lost | TransportState::Stopped
        );
        let sign = match t.gone_since {
            Some(g) => Some(g),
            None if stands => Some(e.transport_since),
            None => quiet_since,
        };
        let Some(sign) = sign else { return false };
        // A standby that could sound and does not may be in a rest of the music: then only a clear sign will do.
        let clear = t.gone_since.is_some() || fresh_audio(e, wake.now) == AudioState::Ceased || f.ears == Ears::Deaf;
        let begun = quiet_since.map_or(sign, |q| q.max(sign));
        clear
            && wake.passed(begun, self.setup.limits.audio_loss)
            && s.last_sent.is_some_and(|l| l >= sign + OUTLIVE_BEAT)
    }

    /// Whether a standby in step has been silent for long while the machine on air sounds; none when nobody can tell.
    pub(crate) fn standby_silent(
        &self,
        ev: &RigEvidence,
        m: Machine,
        o: Machine,
        r: Related,
        wake: &Wake,
    ) -> Option<bool> {
        let (e, oe) = (ev.machines.get(m.index())?, ev.machines.get(o.index())?);
        let limits = &self.setup.limits;
        if !matches!(r.relation, Relation::InStep | Relation::Near) || ears(e, wake, limits) == Ears::Deaf {
            return None;
        }
        if fresh_audio(oe, wake.now) == AudioState::Wrong {
            return None;
        }
        if ears(oe, wake, limits) != Ears::Sounding {
            // A rest in the music tells nothing; it does not mend anything either.
            return if ears(e, wake, limits) == Ears::Sounding { Some(false) } else { None };
        }
        let t = &self.tracks[o.index()];
        let quiet_since = last_sound(e, wake.now).unwrap_or(self.began).max(self.began);
        let (begun, last) = (t.sounding_since?, t.sound_last?);
        let apart = r.apart.map_or(Span::ZERO, |a| a.0.abs());
        wake.note(quiet_since + limits.standby_silent + apart);
        Some(ears(e, wake, limits) == Ears::Quiet && last - begun.max(quiet_since) >= limits.standby_silent + apart)
    }
}
