//! What the judge is told of a machine.

use base::{
    AudioState, ClockState, MonoTime, PlayerState, PositionReport, Reading, ShowPosition, SourceKind, Span,
    TransportState,
};
use rig::{HostEvidence, MachineEvidence};
use wire::HostFlags;

use super::{BEAT_IS_WORTH, MachineWatch};
use crate::channels::Roles;

/// A block that the veto of sound allows for without being told.
const SHORT_BLOCK: Span = Span::from_millis(5);

impl MachineWatch {
    /// What the judge is told of this machine; `place` and `offset` are the brain's to fill in.
    pub fn evidence(&mut self, now: MonoTime, roles: &Roles) -> MachineEvidence {
        let heard = self.heard(now);
        let mut e = MachineEvidence {
            heard,
            first_missed: self.detector.first_missed_due(),
            last_sent: self.last_sent,
            paths: self.paths.iter().filter(|p| p.last_heard.is_some()).count() as u8,
            paths_alive: self.paths_alive(now) as u8,
            clock: self.clock(now).state,
            outside: self.by_our_inputs(now),
            ..MachineEvidence::default()
        };
        let clock = self.clock(now);
        let transport = self.transport_by_sources(now);
        let Some((beat, at)) = &self.newest else { return e };
        let expires = *at + BEAT_IS_WORTH;
        fn reading<T>(value: T, as_of: MonoTime, expires: MonoTime) -> Option<Reading<T>> {
            Some(Reading { value, as_of, expires })
        }
        e.player = (beat.player != PlayerState::Unknown).then_some(()).and(reading(beat.player, *at, expires));
        e.audio = (beat.audio != AudioState::Unknown).then_some(()).and(reading(beat.audio, *at, expires));
        e.last_sound = beat.last_sound.map(|t| t.to_local(clock.offset));
        // The judge allows for a short block and a beat; what is longer is told.
        e.sound_grain = (beat.block - SHORT_BLOCK).max(Span::ZERO);
        if let Some((state, since)) = transport {
            if state != self.transport.0 {
                self.transport = (state, since);
            }
            e.transport = reading(state, *at, expires);
        }
        e.transport_since = self.transport.1;
        let heard_stop = self.stop_trigger.is_some_and(|t| (t - self.transport.1).abs() < Span::from_secs(1));
        e.stop_cause = match beat.stop_cause {
            wire::StopCause::Trigger | wire::StopCause::Operator => rig::StopCause::Trigger,
            _ if heard_stop => rig::StopCause::Trigger,
            wire::StopCause::Player => rig::StopCause::Player,
            wire::StopCause::None => rig::StopCause::None,
        };
        e.trigger = self.trigger.map(|(_, at)| at);
        e.trigger_doubled = self.trigger_doubled;
        e.dropouts = self.dropouts.on_count(beat.dropouts, now);
        e.pilot = self.levels.pilots().and_then(|all| reading(all, *at, expires));
        e.level = self.levels.programme(roles);
        e.channels = if beat.sources.has(wire::SourceFlags::OTHER_DEVICE) {
            rig::ChannelTrouble::DeviceFellBack
        } else if beat.sources.has(wire::SourceFlags::FORMAT_CHANGED) || self.plays_at_another_rate(now) {
            rig::ChannelTrouble::RateDiffers
        } else {
            rig::ChannelTrouble::None
        };
        if beat.host.has(HostFlags::WOKE) && now - *at <= BEAT_IS_WORTH {
            // Its player may still be finding its feet, and its clock is being learnt anew.
            e.clock = ClockState::Stepped;
        }
        e.host = HostEvidence {
            on_battery: beat.host.has(HostFlags::ON_BATTERY),
            hot: beat.host.has(HostFlags::HOT),
            disk_low: beat.host.has(HostFlags::DISK_LOW),
            media_gone: beat.host.has(HostFlags::MEDIA_GONE),
        };
        e
    }

    /// What the transport does by all sources together, and since when: one timecode that rolls shows that it rolls. MIDI clock,
    /// whose ticks are far apart, is asked only where there is nothing better.
    fn transport_by_sources(&self, now: MonoTime) -> Option<(TransportState, MonoTime)> {
        let clock = self.clock(now);
        let rank = |s: TransportState| match s {
            TransportState::Rolling => 4,
            TransportState::Stopped => 3,
            TransportState::Stalled => 2,
            TransportState::Lost => 1,
            TransportState::Unknown => 0,
        };
        let of = |counts: bool| {
            self.prefer
                .iter()
                .filter(|s| (**s == SourceKind::MidiClock) == counts)
                .filter_map(|s| self.report(*s, now))
                .filter(|r| r.state != TransportState::Unknown)
                .max_by_key(|r| (rank(r.state), r.last_heard))
        };
        let best = of(false).or_else(|| of(true))?;
        let since = match best.state {
            TransportState::Rolling => now,
            _ => best.last_heard.to_local(clock.offset),
        };
        Some((best.state, since))
    }

    /// Material of 44.1 kHz played at 48 kHz, or the other way round, runs at 48/44.1 or 44.1/48 of its speed, code and all.
    fn plays_at_another_rate(&self, now: MonoTime) -> bool {
        let is_clock = |r: &&PositionReport| matches!(r.position, ShowPosition::Clocks { .. });
        let best = self.best_report(now).filter(|r| r.state == TransportState::Rolling && !is_clock(r));
        let rolling = best.map(PositionReport::speed);
        rolling.is_some_and(|v| [48.0 / 44.1, 44.1 / 48.0].iter().any(|flip| (v / flip - 1.0).abs() < 0.005))
    }
}
