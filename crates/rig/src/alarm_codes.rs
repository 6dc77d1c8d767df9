//! Every alarm there is: its stable name, its priorities, its delays and what explains it away.
//!
//! Priorities and delays are common practice, no source. An on-delay keeps a flicker from becoming an alarm, an
//! off-delay keeps a flapping cause from becoming many (IEC 62682:2014 and ISA-18.2 call both so).

use base::Span;
use serde::{Deserialize, Serialize};

/// How much an alarm matters (IEC 62682: few priorities, given by consequence and time to respond).
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Priority {
    /// Waits for the gap between songs.
    Low,
    /// Soon.
    Medium,
    /// Now.
    High,
}

use Priority::{High, Low, Medium};

/// What is fixed about one alarm.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct AlarmDef {
    /// Priority when the machine is on air, or when the alarm is the rig's own.
    pub on_air: Priority,
    /// Priority when the machine is a standby.
    pub standby: Priority,
    /// The condition must hold this long before the alarm is raised.
    pub on_delay: Span,
    /// The condition must be gone this long before the alarm returns to normal.
    pub off_delay: Span,
    /// Whether it stays visible after its return until a person acknowledges it.
    pub latching: bool,
}

macro_rules! alarms {
    ($($name:ident = $number:literal $code:literal $on_air:ident/$standby:ident on $on:literal off $off:literal latching $latching:literal
        by [$($cause:ident)*] $text:literal)*) => {
        /// An alarm's name. Numbers and codes are for ever.
        #[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize, Deserialize)]
        #[serde(rename_all = "kebab-case")]
        #[repr(u16)]
        pub enum AlarmCode { $(#[doc = $text] $name = $number),* }
        /// The same names in a row without gaps.
        #[derive(Clone, Copy)]
        enum Place { $($name),* }
        impl AlarmCode {
            /// Every alarm, causes before what they explain.
            pub const ALL: &'static [AlarmCode] = &[$(AlarmCode::$name),*];
            /// How many there are.
            pub const COUNT: usize = AlarmCode::ALL.len();
            /// Whether it is a device's.
            pub fn is_of_device(self) -> bool { OF_DEVICES.contains(&self) }
            /// Its stable number.
            pub const fn number(self) -> u16 { self as u16 }
            /// Its stable name.
            pub const fn code(self) -> &'static str { match self { $(AlarmCode::$name => $code),* } }
            /// Its place in [`AlarmCode::ALL`].
            pub(crate) const fn place(self) -> usize { match self { $(AlarmCode::$name => Place::$name as usize),* } }
            /// Its sentence, with places as in a reason's.
            pub const fn template(self) -> &'static str { match self { $(AlarmCode::$name => $text),* } }
            /// What is fixed about it; spans from milliseconds.
            pub const fn def(self) -> AlarmDef {
                match self { $(AlarmCode::$name => AlarmDef {
                    on_air: $on_air, standby: $standby, on_delay: Span::from_millis($on), off_delay: Span::from_millis($off),
                    latching: $latching,
                }),* }
            }
            /// What explains it: while one of these stands for the same machine (or the rig), this one is suppressed.
            pub const fn causes(self) -> &'static [AlarmCode] {
                match self { $(AlarmCode::$name => &[$(AlarmCode::$cause),*]),* }
            }
        }
    };
}

/// Alarms of devices.
pub(crate) const OF_DEVICES: [AlarmCode; 4] =
    [AlarmCode::DevicePort, AlarmCode::PatchDiffers, AlarmCode::NotChased, AlarmCode::MidiLeak];

alarms! {
    SupervisorCutOff = 1 "supervisor-cut-off" High/High on 0 off 1000 latching true by []
        "The supervisor is cut off: all machines fell silent together, or its own link is down. Nothing moves."
    SupervisorLate = 2 "supervisor-late" Medium/Medium on 0 off 2000 latching true by []
        "The supervisor did not run for a while. Nothing moved meanwhile."
    HostSilent = 3 "host-silent" High/Medium on 0 off 2000 latching true by [SupervisorCutOff]
        "{m} is silent on every network path: its host may be gone."
    AgentLost = 4 "agent-lost" High/Medium on 0 off 5000 latching true by [HostSilent SupervisorCutOff]
        "{m}'s agent is gone, its host lives: nothing is known of its player."
    EarsLost = 37 "ears-lost" High/Medium on 150 off 5000 latching true by []
        "The supervisor's own inputs no longer hear {m}: see to its interface and plugs. {m} itself is not blamed."
    BothPlayersLost = 5 "both-players-lost" High/High on 0 off 1000 latching true by [SupervisorCutOff]
        "All players are gone: there is nothing to change over to."
    PlayerGone = 6 "player-gone" High/Medium on 50 off 1000 latching true by [HostSilent AgentLost BothPlayersLost SupervisorCutOff]
        "{m}'s player is gone."
    MediaGone = 7 "media-gone" High/High on 0 off 1000 latching true by [HostSilent AgentLost SupervisorCutOff]
        "The disk or folder of {m}'s session has vanished; it plays on from memory, at most."
    MidiLost = 8 "midi-lost" Medium/Medium on 0 off 2000 latching true by [HostSilent AgentLost PlayerGone SupervisorCutOff]
        "{m}'s code source vanished: its port or device is gone."
    AudioWrong = 9 "audio-wrong" High/High on 20 off 1000 latching true by [HostSilent AgentLost PlayerGone SupervisorCutOff]
        "{m} puts out noise, DC or broken samples."
    AudioLost = 10 "audio-lost" High/Medium on 60 off 1000 latching true by [HostSilent AgentLost PlayerGone SupervisorCutOff]
        "{m} lost its sound."
    Stalled = 11 "stalled" High/Medium on 300 off 1000 latching true
        by [HostSilent AgentLost PlayerGone MidiLost SupervisorCutOff BothPlayersLost]
        "{m} stands still, and no stop was heard."
    StartMissed = 12 "start-missed" High/High on 0 off 500 latching true by [HostSilent AgentLost PlayerGone MidiLost SupervisorCutOff]
        "{m} missed the start: {o} plays, {m} does not."
    LoneStop = 13 "lone-stop" High/Medium on 0 off 500 latching true
        by [HostSilent AgentLost PlayerGone MidiLost Stalled SupervisorCutOff]
        "{m} stopped alone, and no cause was heard."
    WrongSong = 14 "wrong-song" High/High on 300 off 500 latching false by [HostSilent AgentLost PlayerGone SupervisorCutOff]
        "Machines disagree: {m} is in song {v}, not in the song on air."
    SectionDiffers = 15 "section-differs" High/High on 0 off 500 latching false
        by [HostSilent AgentLost PlayerGone Stalled LoneStop StartMissed WrongSong SupervisorCutOff]
        "Machines disagree: {m} is in {v}."
    OffsetOut = 16 "offset-out" Medium/Medium on 200 off 1000 latching false
        by [HostSilent AgentLost PlayerGone Stalled LoneStop StartMissed MidiLost WrongSong SectionDiffers SupervisorCutOff]
        "{m} is {v} away from the machine on air: no longer in step."
    OffsetHigh = 17 "offset-high" Medium/Medium on 500 off 2000 latching false
        by [HostSilent AgentLost PlayerGone Stalled LoneStop StartMissed MidiLost WrongSong SectionDiffers OffsetOut SupervisorCutOff]
        "{m}'s offset has moved {v} from its baseline."
    StandbySilent = 18 "standby-silent" Medium/Medium on 0 off 1000 latching true
        by [HostSilent AgentLost PlayerGone AudioLost Stalled LoneStop StartMissed WrongSong SectionDiffers SupervisorCutOff]
        "{m} is silent while the machine on air sounds."
    ChannelShift = 19 "channel-shift" High/High on 0 off 1000 latching true by [HostSilent AgentLost PlayerGone SupervisorCutOff]
        "{m}'s channels are moved by one or more: the click may be in the PA."
    RateFlip = 20 "rate-flip" High/High on 0 off 1000 latching true by [HostSilent AgentLost PlayerGone SupervisorCutOff]
        "{m} runs at another sample rate than at line-up: it plays at the wrong pitch and speed."
    DeviceFallback = 21 "device-fallback" High/High on 0 off 1000 latching true by [HostSilent AgentLost PlayerGone SupervisorCutOff]
        "{m}'s player fell back to another audio device: its sound goes elsewhere."
    ChannelSilent = 22 "channel-silent" Medium/Medium on 0 off 1000 latching true
        by [HostSilent AgentLost PlayerGone AudioLost SupervisorCutOff]
        "One of {m}'s channels fell silent."
    Dropouts = 23 "dropouts" Medium/Medium on 0 off 5000 latching true by [HostSilent AgentLost PlayerGone SupervisorCutOff]
        "{m} had {v} dropouts of late."
    PathLost = 24 "path-lost" Medium/Medium on 500 off 5000 latching true by [HostSilent AgentLost SupervisorCutOff]
        "{m} is heard on one network path only."
    ClockUnknown = 25 "clock-unknown" Low/Low on 5000 off 500 latching false by [HostSilent AgentLost SupervisorCutOff]
        "{m}'s clock is not known well enough to compare positions."
    TriggerMissed = 30 "trigger-missed" Medium/Medium on 0 off 1000 latching true
        by [HostSilent AgentLost StartMissed SupervisorCutOff]
        "A trigger reached {o} and not {m}."
    TriggerDoubled = 31 "trigger-doubled" Medium/Medium on 0 off 1000 latching true by [HostSilent AgentLost SupervisorCutOff]
        "{m} heard a trigger twice."
    SoundDiffers = 33 "sound-differs" Medium/Medium on 0 off 1000 latching true
        by [HostSilent AgentLost PlayerGone AudioLost ChannelShift RateFlip WrongSong SectionDiffers SupervisorCutOff]
        "{m} does not sound like the machine on air."
    NeverAlike = 34 "never-alike" Low/Low on 0 off 1000 latching false by [HostSilent AgentLost SupervisorCutOff]
        "Some of {m}'s channels never sounded like the machine on air."
    SessionDiffers = 35 "session-differs" Low/Low on 2000 off 2000 latching false by [HostSilent AgentLost SupervisorCutOff]
        "{m}'s session folders do not hold what the first machine's hold."
    SessionStale = 36 "session-stale" Medium/Medium on 2000 off 2000 latching false by [HostSilent AgentLost PlayerGone SupervisorCutOff]
        "{m}'s player opened its session before the files changed: open it again."
    CodesContradict = 32 "codes-contradict" Medium/Medium on 1000 off 2000 latching true
        by [HostSilent AgentLost PlayerGone SupervisorCutOff]
        "{m}'s position codes contradict each other: what follows the other code is elsewhere in the show."
    OnBattery = 26 "on-battery" Medium/Medium on 1000 off 1000 latching false by []
        "{m} runs on its battery."
    Hot = 27 "hot" Medium/Medium on 1000 off 5000 latching false by []
        "{m} is too hot."
    DiskLow = 28 "disk-low" Low/Low on 1000 off 5000 latching false by []
        "{m}'s disk is nearly full."
    LevelDiffers = 29 "level-differs" Low/Low on 5000 off 5000 latching false
        by [HostSilent AgentLost PlayerGone StandbySilent AudioLost WrongSong SectionDiffers Stalled LoneStop StartMissed SupervisorCutOff]
        "{m} is {v} louder or softer than at line-up against the machine on air."
    NotConfirmed = 40 "not-confirmed" High/High on 0 off 0 latching true by []
        "Not confirmed: the switch does not say that it went to {o}."
    OutputFailed = 41 "output-failed" High/High on 0 off 2000 latching true by []
        "An output to the switch failed."
    SwitchConflict = 42 "switch-conflict" High/High on 220 off 500 latching true by []
        "The switch and its tap disagree about what is on air, or only a part of it moved. Nothing moves by itself."
    SwitchSilent = 43 "switch-silent" High/High on 0 off 500 latching true by [SwitchConflict]
        "The switch no longer answers, and nothing tells what is on air. Nothing moves by itself."
    OnAirUnknown = 44 "on-air-unknown" High/High on 2000 off 0 latching false by [SwitchSilent SwitchConflict]
        "Nobody says which machine is on air: tell the rig."
    SwitchMoved = 45 "switch-moved" Medium/Medium on 0 off 0 latching true by []
        "The switch went to {o} without us: adopted and latched."
    ChangedOver = 46 "changed-over" High/High on 0 off 0 latching true by []
        "Changed over to {o}. The rig is unprotected until a person releases the latch."
    NoStandby = 47 "no-standby" High/High on 1000 off 500 latching false by [SupervisorCutOff BothPlayersLost OnAirUnknown SwitchSilent]
        "No standby could take over."
    Forged = 48 "forged" Medium/Medium on 0 off 60000 latching true by []
        "Datagrams were refused as forged, replayed or malformed: {v} so far."
    // Of a device that takes its patches by MIDI: the device's importance is their priority, whatever stands here.
    DevicePort = 60 "device-port" Medium/Medium on 0 off 1000 latching true by []
        "{d}: its MIDI port cannot be used; it is tried on."
    PatchDiffers = 61 "patch-differs" Medium/Medium on 0 off 0 latching true by []
        "{d}: the machines do not send it the same."
    NotChased = 62 "not-chased" Medium/Medium on 3000 off 0 latching false by [DevicePort]
        "{d} is not on what should be in force since the changeover to {o}."
    MidiLeak = 63 "midi-leak" High/High on 0 off 0 latching true by []
        "{d} is reached by {o}'s MIDI, and should not be."
}
