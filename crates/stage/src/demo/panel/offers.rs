//! What the panel offers to break, in words.

use base::Ppm;
use serde::Serialize;
use settings::duration::Duration;

use crate::engine::AudioFault;
use crate::scenario::{Fault, Who};
use crate::weather::Weather;

/// One button.
#[derive(Clone, Copy, Debug, Serialize)]
pub struct Offer {
    /// Its words.
    pub words: &'static str,
    /// What it does.
    pub fault: Fault,
    /// Whether there is one for each machine.
    pub machine: bool,
    /// Whether it hits all machines together.
    pub all: bool,
    /// Whether it can be mended; else it happens once, and the next song puts it right.
    pub lasts: bool,
}

const fn machine(words: &'static str, fault: Fault) -> Offer {
    Offer { words, fault, machine: true, all: false, lasts: true }
}
const fn once(words: &'static str, fault: Fault) -> Offer {
    Offer { words, fault, machine: true, all: false, lasts: false }
}
const fn rig(words: &'static str, fault: Fault) -> Offer {
    Offer { words, fault, machine: false, all: false, lasts: true }
}
const fn rig_once(words: &'static str, fault: Fault) -> Offer {
    Offer { words, fault, machine: false, all: false, lasts: false }
}

const POOR: Weather = Weather {
    delay: Duration::millis(1),
    jitter: Duration::millis(8),
    loss: 0.05,
    duplicate: 0.02,
    burst: Duration::millis(0),
    burst_every: Duration::millis(0),
};

/// All buttons, in the panel's order.
pub const OFFERS: &[Offer] = &[
    machine("power lost", Fault::Power),
    machine("player gone", Fault::PlayerGone),
    machine("player frozen", Fault::PlayerFrozen),
    machine("computer frozen", Fault::OsFrozen),
    machine("agent gone", Fault::AgentGone),
    machine("agent frozen", Fault::AgentFrozen),
    machine("the supervisor's input for it is gone", Fault::EarsLost),
    machine("its plug pulled at the supervisor", Fault::PlugPulled),
    machine("both network cables out", Fault::Cable),
    machine("first network cable out", Fault::Path(0)),
    machine("poor network", Fault::Weather(POOR)),
    machine("timecode and patches cease", Fault::MidiLost),
    machine("MIDI timecode 2 s ahead of LTC", Fault::CodeAhead(Duration::secs(2))),
    machine("audio stops dead", Fault::Audio(AudioFault::Ceased)),
    machine("audio falls silent", Fault::Audio(AudioFault::Silent)),
    machine("one track silent", Fault::Audio(AudioFault::StemSilent)),
    machine("full-scale noise", Fault::Audio(AudioFault::Noise)),
    machine("channels moved by one", Fault::Audio(AudioFault::Shifted)),
    machine("small dropouts", Fault::Audio(AudioFault::Glitches)),
    machine("clock 2000 ppm slow", Fault::Drift(Ppm(-2_000.0))),
    machine("does not hear the pads", Fault::PadsLost),
    once("stops by itself", Fault::StopsAlone),
    once("jumps to another song", Fault::WrongSong(0)),
    once("jumps ahead by 25 s", Fault::JumpBy(Duration::secs(25))),
    Offer { words: "power lost on both", fault: Fault::Power, machine: false, all: true, lasts: true },
    Offer { words: "both players gone", fault: Fault::PlayerGone, machine: false, all: true, lasts: true },
    rig("supervisor killed", Fault::SupervisorKilled),
    rig("supervisor frozen", Fault::SupervisorStarved),
    rig("supervisor's cable out", Fault::SupervisorCable),
    rig_once("a hand turns the switch to A", Fault::SwitchTo(Who::A)),
    rig_once("a hand turns the switch to B", Fault::SwitchTo(Who::B)),
    rig("switch neither obeys nor answers", Fault::SwitchDeaf),
    rig("switch says that it obeys, and does not", Fault::SwitchLies),
    rig("switch without power", Fault::SwitchPower),
    rig_once("forged datagrams", Fault::Forged),
];

/// The buttons of a rig with agents, or of one that the supervisor alone hears.
pub fn offers(outside: bool) -> Vec<Offer> {
    OFFERS.iter().copied().filter(|o| o.fault.wants_outside(true).is_none_or(|w| w == outside)).collect()
}

/// The words of a fault.
pub fn words(fault: &Fault) -> &'static str {
    let exact = OFFERS.iter().find(|o| o.fault == *fault);
    exact.or_else(|| OFFERS.iter().find(|o| o.fault.same_kind(fault))).map_or("something", |o| o.words)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_offer_can_be_done_by_real_processes_and_knows_whom_it_hits() {
        for o in OFFERS {
            assert!(o.fault.is_real(), "{}", o.words);
            assert_eq!(o.fault.needs_machine(), o.machine || o.all, "{}", o.words);
            assert_eq!(OFFERS.iter().filter(|p| p.words == o.words).count(), 1, "{}", o.words);
        }
        let has = |outside: bool, fault: Fault| offers(outside).iter().any(|o| o.fault.same_kind(&fault));
        for outside in [false, true] {
            assert!(has(outside, Fault::Power));
            assert_eq!(has(outside, Fault::EarsLost), outside);
            assert_eq!(has(outside, Fault::AgentGone), !outside);
        }
        assert_eq!(words(&Fault::SwitchTo(Who::B)), "a hand turns the switch to B");
        assert_eq!(words(&Fault::Drift(Ppm(5.0))), "clock 2000 ppm slow");
    }
}
