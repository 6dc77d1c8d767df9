//! What a transport does, as the table sees it: a pause is not a fault, and two that end together were stopped.

use base::{Machine, MonoTime, PlayerState, TransportState};

use crate::evidence::{MachineEvidence, RigEvidence, StopCause};
use crate::facts::Transport;
use crate::judge::Judge;
use crate::track::{Wake, fresh_player, fresh_transport};

impl Judge {
    /// Two transports that stand and stopped within the limit of each other were stopped together.
    pub(crate) fn stood_together(&self, ev: &RigEvidence, a: Machine, b: Machine, now: MonoTime) -> bool {
        let stands = |m: Machine| {
            ev.machines.get(m.index()).is_some_and(|e| {
                matches!(fresh_transport(e, now), TransportState::Stopped | TransportState::Stalled)
                    && fresh_player(e, now) != PlayerState::Gone
            })
        };
        let (ta, tb) = (&self.tracks[a.index()], &self.tracks[b.index()]);
        stands(a) && stands(b) && (ta.transport_since - tb.transport_since).abs() <= self.setup.limits.together
    }

    /// The transport of any machine as the table sees it.
    pub(crate) fn transport(&self, ev: &RigEvidence, o: Machine, e: &MachineEvidence, wake: &Wake) -> Transport {
        let others = || Machine::first(ev.machines.len()).filter(move |m| *m != o && self.serves(ev, *m));
        match fresh_transport(e, wake.now) {
            TransportState::Unknown => Transport::Unknown,
            TransportState::Rolling => Transport::Rolling,
            TransportState::Lost => Transport::Lost,
            TransportState::Stalled => {
                if others().any(|m| self.stood_together(ev, m, o, wake.now)) {
                    Transport::Stopped
                } else {
                    Transport::Stalled
                }
            }
            TransportState::Stopped if e.stop_cause == StopCause::Trigger => Transport::Stopped,
            TransportState::Stopped => {
                let patience = self.setup.limits.start_missed;
                // The other must have been rolling, at the time of the stop and since: one that began later is another story.
                let left = others().any(|m| {
                    let w = &ev.machines[m.index()];
                    fresh_transport(w, wake.now) == TransportState::Rolling
                        && w.transport_since <= e.transport_since
                        && w.last_sent.is_some_and(|t| t >= e.transport_since + patience)
                });
                if left { Transport::LoneStop } else { Transport::Stopped }
            }
        }
    }
}
