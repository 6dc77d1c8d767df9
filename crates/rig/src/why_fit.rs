//! Why each machine is as fit as it is.

use base::{AudioState, ClockState, Heard, Machine, MonoTime, PlayerState, TransportState};

use crate::evidence::{ChannelTrouble, MachineEvidence, RigEvidence};
use crate::facts::{Relation, Transport};
use crate::fitness::{self, Reasons};
use crate::judge::Judge;
use crate::reasons::{Arg, Reason, Sentence};
use crate::relation::Related;
use crate::track::{Wake, fresh_audio, fresh_player, fresh_transport, here, pilot_lost};

impl Judge {
    /// Ends what is held of machines that fell silent by themselves: they sound again, stand, or turn out to rest with the music,
    /// since all others roll on in good health and are quiet, too. That a silence grows old ends nothing.
    pub(crate) fn look_for_sound(&mut self, ev: &RigEvidence, now: MonoTime) {
        for m in Machine::first(self.machines) {
            let Some(e) = ev.machines.get(m.index()) else { continue };
            if !self.tracks[m.index()].fell_silent || !here(e.heard) {
                continue;
            }
            let rolls = |e: &MachineEvidence| fresh_transport(e, now) == TransportState::Rolling;
            let mut others = Machine::first(self.machines).filter(|w| *w != m && self.serves(ev, *w)).peekable();
            let all_rest = others.peek().is_some()
                && others.all(|w| {
                    let w = &ev.machines[w.index()];
                    rolls(w) && fresh_audio(w, now) == AudioState::Quiet
                });
            if all_rest || !rolls(e) || fresh_audio(e, now) == AudioState::Sounding {
                self.tracks[m.index()].fell_silent = false;
            }
        }
    }

    /// Why a machine is as fit as it is.
    pub(crate) fn reasons(
        &self,
        ev: &RigEvidence,
        m: Machine,
        e: &MachineEvidence,
        related: Option<Related>,
        wake: &Wake,
    ) -> Reasons {
        let now = wake.now;
        let limits = &self.setup.limits;
        let mut out = Reasons::new();
        let mut because = |r: Reason| fitness::push(&mut out, Sentence::of(r, m).against(self.on_air));
        if !self.serves(ev, m) {
            because(Reason::OutOfService);
            return out;
        }
        match e.heard {
            Heard::Well => {}
            Heard::OnePath => because(Reason::OnePath),
            Heard::Never => because(Reason::NeverHeard),
            Heard::Silent => because(Reason::HostSilent),
            Heard::AgentLost if e.outside.is_some() => because(Reason::EarsLost),
            Heard::AgentLost => because(Reason::AgentLost),
            Heard::Goodbye => because(Reason::AgentGoodbye),
        }
        if !here(e.heard) {
            return out;
        }
        let transport = self.transport(ev, m, e, wake);
        let player = fresh_player(e, now);
        if player == PlayerState::Gone {
            because(Reason::PlayerGone);
        }
        match fresh_audio(e, now) {
            // A player may close its stream when it is stopped; its silence then is no fault.
            AudioState::Ceased if transport != Transport::Stopped => because(Reason::AudioCeased),
            // A pilot goes on through the rests of the music.
            AudioState::Silent
                if transport == Transport::Rolling
                    && (!self.rests_with_the_music(ev, m, now) || pilot_lost(e, now)) =>
            {
                because(Reason::AudioSilent)
            }
            AudioState::Quiet if transport == Transport::Rolling && self.tracks[m.index()].fell_silent => {
                because(Reason::AudioSilent)
            }
            AudioState::Wrong => because(Reason::AudioWrong),
            AudioState::Unknown if transport == Transport::Unknown && player != PlayerState::Running => {
                because(Reason::NothingKnown)
            }
            _ => {}
        }
        match transport {
            Transport::Stalled => because(Reason::Stalled),
            Transport::Lost => because(Reason::SourceLost),
            Transport::Unknown | Transport::Rolling | Transport::Stopped | Transport::LoneStop => {}
        }
        match e.clock {
            ClockState::Tracking => {}
            ClockState::Holdover => because(Reason::ClockHoldover),
            ClockState::Acquiring | ClockState::Stepped => because(Reason::ClockUnknown),
        }
        match e.channels {
            ChannelTrouble::None => {}
            ChannelTrouble::OneSilent => because(Reason::OneChannelSilent),
            ChannelTrouble::Shifted => because(Reason::ChannelsShifted),
            ChannelTrouble::RateDiffers => because(Reason::RateDiffers),
            ChannelTrouble::DeviceFellBack => because(Reason::DeviceFellBack),
            ChannelTrouble::Differs => because(Reason::SoundDiffers),
        }
        for (so, r) in [
            (e.host.media_gone, Reason::MediaGone),
            (e.host.on_battery, Reason::OnBattery),
            (e.host.hot, Reason::Hot),
            (e.host.disk_low, Reason::DiskLow),
        ] {
            if so {
                because(r);
            }
        }
        if e.dropouts > limits.dropouts {
            fitness::push(&mut out, Sentence::of(Reason::Dropouts, m).with(Arg::Count(u32::from(e.dropouts))));
        }
        if let (Some(r), Some(o)) = (related, self.on_air) {
            self.reasons_against(ev, m, e, r, o, wake, &mut out);
        }
        out
    }

    /// Why a standby is as fit as it is against the machine on air.
    #[allow(clippy::too_many_arguments)]
    fn reasons_against(
        &self,
        ev: &RigEvidence,
        m: Machine,
        e: &MachineEvidence,
        r: Related,
        o: Machine,
        wake: &Wake,
        out: &mut Reasons,
    ) {
        let now = wake.now;
        let apart = r.apart.map_or(Arg::None, |a| Arg::Span(a.0));
        let place = self.tracks[m.index()].place.map(|p| p.0).unwrap_or_default();
        let mut because =
            |reason: Reason, arg: Arg| fitness::push(out, Sentence::of(reason, m).against(Some(o)).with(arg));
        let rolls = fresh_transport(e, now) == TransportState::Rolling;
        let o_transport = ev.machines.get(o.index()).map_or(TransportState::Unknown, |x| fresh_transport(x, now));
        match r.relation {
            Relation::InStep | Relation::Resting => {}
            Relation::Near => because(Reason::OutOfStep, apart),
            Relation::OtherSong => because(Reason::OtherSong, Arg::Song(place.song)),
            Relation::Apart if !rolls => because(Reason::NotRolling, Arg::None),
            Relation::Apart if r.other_section => {
                because(Reason::OtherSection, Arg::Section(place.song, place.section))
            }
            Relation::Apart => because(Reason::TooFarApart, apart),
            Relation::Unknown => because(Reason::PositionUnknown, Arg::None),
        }
        // Ears come before the show: above these only a person acts.
        for (louder, limit, reason) in [
            (e.ears_louder, self.setup.limits.ears_louder, Reason::TooLoudInEars),
            (e.louder, self.setup.limits.louder, Reason::TooLoud),
        ] {
            if let Some(l) = louder.filter(|l| l.0 > limit.0) {
                because(reason, Arg::Level(l));
            }
        }
        let both_roll = rolls && o_transport == TransportState::Rolling;
        if both_roll && self.standby_silent(ev, m, o, r, wake) == Some(true) {
            because(Reason::SilentWhileOnAirSounds, Arg::None);
        }
    }
}
