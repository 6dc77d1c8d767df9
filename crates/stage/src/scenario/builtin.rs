//! The scenario files, held in the program so that the demo needs no files beside it.

use settings::SettingsError;

use super::Scenario;

macro_rules! files {
    ($($name:literal)*) => {
        const FILES: &[(&str, &str)] =
            &[$(($name, include_str!(concat!("../../../../tests/scenarios/", $name, ".toml")))),*];
    };
}

files! {
    "alone-both-silent"
    "alone-both-stopped"
    "alone-code-lost"
    "alone-ears-flap"
    "alone-ears-on-air-lost"
    "alone-ears-on-air-lost-no-tap"
    "alone-ears-lost-and-gone"
    "alone-interface-lost"
    "alone-listener-gone"
    "alone-listeners-frozen"
    "alone-noise"
    "alone-one-way"
    "alone-one-way-changeover"
    "alone-player-gone"
    "alone-player-silent"
    "alone-player-stopped"
    "alone-plug-pulled"
    "alone-plug-pulled-no-tap"
    "alone-power"
    "alone-power-no-tap"
    "alone-quiet-show"
    "alone-standby-gone"
    "alone-stop-both"
    "bad-network"
    "both-gone"
    "both-players-gone"
    "cable-on-air"
    "cable-on-air-changeover"
    "cable-on-air-hold"
    "cable-on-air-one-path"
    "cable-supervisor"
    "channel-shift"
    "clock-step"
    "clumped-code"
    "codes-contradict"
    "dead-air-rule"
    "dead-air-too-far"
    "device-fallback"
    "disk-full"
    "drift-out"
    "flapping"
    "forged"
    "hot"
    "jump-straddle"
    "media-disk-gone"
    "midi-port-lost"
    "on-air-agent-frozen"
    "on-air-agent-gone"
    "on-air-audio-lost"
    "on-air-dc"
    "on-air-glitch"
    "on-air-noise"
    "on-air-not-a-number"
    "on-air-os-frozen"
    "on-air-player-frozen"
    "on-air-player-gone"
    "on-air-power"
    "on-air-silent"
    "on-battery"
    "one-stem-silent"
    "out-of-service"
    "output-dead"
    "player-gone-sound-on"
    "power-and-back"
    "quiet-show"
    "rate-flip"
    "section-jump"
    "standby-agent-gone"
    "standby-audio-lost"
    "standby-gone"
    "standby-player-frozen"
    "standby-player-gone"
    "start-missed"
    "start-player-gone"
    "starved"
    "stop-both"
    "stop-one"
    "stop-one-changeover"
    "supervisor-killed"
    "suspend"
    "switch-by-hand"
    "switch-by-itself"
    "switch-deaf"
    "switch-half"
    "switch-lies"
    "switch-lies-no-pilot"
    "switch-power-lost"
    "vamp-exit-missed"
    "wrong-song"
}

/// The names of all scenarios, in order.
pub fn names() -> impl Iterator<Item = &'static str> {
    FILES.iter().map(|(name, _)| *name)
}

/// The scenario of this name; none: there is no such one.
pub fn builtin(name: &str) -> Option<Result<Scenario, SettingsError>> {
    let (_, text) = FILES.iter().find(|(n, _)| *n == name)?;
    Some(Scenario::parse(&format!("tests/scenarios/{name}.toml"), text))
}
