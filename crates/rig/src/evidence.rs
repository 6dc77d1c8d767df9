//! What is known at one instant, as the watch found it: readings with an age, never opinions.
//!
//! The watch keeps one [`RigEvidence`] and calls the judge whenever it changes, or when the judge's deadline comes.
//! Everything here may be missing, and missing is never "fine" and never "zero".

use arrayvec::ArrayVec;
use base::ids::MAX_MACHINES;
use base::{
    AudioState, ClockState, Db, Dbfs, Heard, Machine, MonoTime, PlayerState, Ppm, Reading, Span, SwitchView,
    TransportState,
};
use serde::{Deserialize, Serialize};

use crate::alarm_codes::Priority;

/// Everything the judge may look at.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct RigEvidence {
    /// The machines, in the order of their letters.
    pub machines: ArrayVec<MachineEvidence, MAX_MACHINES>,
    /// The changeover switch, its tap and our last command.
    pub switch: SwitchEvidence,
    /// What the supervisor knows of itself.
    pub supervisor: SupervisorEvidence,
    /// The devices that take their patches from whichever machine is on air, in the order of the show file.
    pub devices: ArrayVec<DeviceEvidence, MAX_DEVICES>,
}

/// Devices that can have alarms.
pub const MAX_DEVICES: usize = 32;

/// What is known of a device that takes its patches by MIDI. Nothing of it moves anything.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct DeviceEvidence {
    /// What trouble with it means.
    pub priority: Priority,
    /// Whether the supervisor's port to it works; `None`: it has none, or it was not opened yet.
    pub port: Option<bool>,
    /// The newest patch that one machine sent it otherwise than the other, and which.
    pub differed: Option<(Machine, MonoTime)>,
    /// The newest message of a machine that should not reach it and did.
    pub leaked: Option<(Machine, MonoTime)>,
    /// Since the changeover to this machine it is not on what should be in force.
    pub unchased: Option<Machine>,
}

/// Why a transport stopped, as far as a cause was heard.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum StopCause {
    /// Nothing was heard.
    #[default]
    None,
    /// The player sent a stop. Players that fail may send one, so this is not a command.
    Player,
    /// A trigger or an operator stopped it.
    Trigger,
}

/// Where in the show a machine is.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct Place {
    /// The song's number in the show file, 0 when the position lies in no listed song.
    pub song: u16,
    /// The section within the song, 0 when there is none.
    pub section: u16,
    /// Time since the song's start (or since the code's zero when unlisted).
    pub at: Span,
}

/// A machine's position minus the reference machine's.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct Offset {
    /// Positive: this machine is ahead of the reference machine.
    pub value: Span,
    /// The true offset lies within this much of `value`.
    pub bound: Span,
}

/// Trouble with a session's files, as its agents' folders were compared.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug, Default)]
pub enum SessionTrouble {
    /// None is known.
    #[default]
    None,
    /// Its folders do not hold what the first machine's hold.
    Differs,
    /// Its player opened the session before its files changed.
    Stale,
}

/// Trouble with the channels that leaves sound on: said in words, never a reason to move by itself.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ChannelTrouble {
    /// None found.
    #[default]
    None,
    /// One channel that had signal fell silent.
    OneSilent,
    /// The channels are moved: the click may be in the PA.
    Shifted,
    /// The sample rate is not the one of line-up.
    RateDiffers,
    /// The player plays to another device than at line-up.
    DeviceFellBack,
    /// Laid beside the machine on air, some channel is another sound: another mix, polarity, level, or silence.
    Differs,
}

/// The host's own health.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug, Default)]
pub struct HostEvidence {
    /// It runs on its battery.
    pub on_battery: bool,
    /// It is too hot.
    pub hot: bool,
    /// Its disk is nearly full.
    pub disk_low: bool,
    /// The disk or folder that holds the session has vanished.
    pub media_gone: bool,
}

/// How a machine is heard that no agent of its own hears: by the supervisor's own inputs. Each plug there may be pulled, and a pulled
/// plug sounds like a dead machine; so a silence is worth something only when it came by two ways, or its one way is known to be whole.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Outside {
    /// Kinds of inputs that bring anything of it: sound with its linear timecode, MIDI, OSC.
    pub ways: u8,
    /// Something of it was heard since these inputs were last opened: what never was there cannot have ceased.
    pub proven: bool,
    /// Its linear timecode came beside its sound until this very frame: that way is whole.
    pub code_beside_sound: bool,
    /// The newest piece of that linear timecode, on our clock.
    pub beside_last: Option<MonoTime>,
    /// The newest piece of any code that came by another way, on our clock, once all of those stand. An input that is itself gone
    /// tells nothing.
    pub other_ended: Option<MonoTime>,
}

/// One machine.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct MachineEvidence {
    /// Whether the settings count it in. A person's "out of service" is kept by the judge besides.
    pub in_service: bool,
    /// How its beats come in.
    pub heard: Heard,
    /// While `Silent`: when the first missed beat was due, on our clock.
    pub first_missed: Option<MonoTime>,
    /// When its newest beat was *sent*, on our clock: this makes it a witness.
    pub last_sent: Option<MonoTime>,
    /// Network paths that have ever worked in this session.
    pub paths: u8,
    /// Paths that work now.
    pub paths_alive: u8,
    /// Its player process.
    pub player: Option<Reading<PlayerState>>,
    /// What its transport does.
    pub transport: Option<Reading<TransportState>>,
    /// Since when, on our clock, it does so. A stall counts from its last piece of code.
    pub transport_since: MonoTime,
    /// Why it stopped, if it did.
    pub stop_cause: StopCause,
    /// One of its position codes has ceased while another rolls on: the show goes on, one witness less.
    pub code_lost: bool,
    /// Its position sources contradict each other: one of them is in another place of the show.
    pub codes_contradict: bool,
    /// What it sounds like to its own agent.
    pub audio: Option<Reading<AudioState>>,
    /// Newest non-zero sample its agent heard, on our clock.
    pub last_sound: Option<MonoTime>,
    /// How late `last_sound` may lag while sound goes on: an audio block and a beat.
    pub sound_grain: Span,
    /// The pilot tone, where one is configured: heard or not.
    pub pilot: Option<Reading<bool>>,
    /// Newest instant at which its audio was found to match the machine on air (by excerpts), if that is watched.
    pub matched: Option<MonoTime>,
    /// Some channel never sounded like the machine on air in this show, while others did.
    pub never_alike: bool,
    /// Trouble with its channels.
    pub channels: ChannelTrouble,
    /// Trouble with its session's files.
    pub session: SessionTrouble,
    /// Dropouts in the window the settings name (a minute by default).
    pub dropouts: u16,
    /// The newest trigger its agent heard (pad, foot controller, note), on our clock.
    pub trigger: Option<MonoTime>,
    /// That trigger came twice.
    pub trigger_doubled: bool,
    /// How well its clock is known.
    pub clock: ClockState,
    /// Where it is.
    pub place: Option<Reading<Place>>,
    /// Offset from the reference machine (machine A): zero for A itself.
    pub offset: Option<Reading<Offset>>,
    /// Drift against the reference machine.
    pub drift: Option<Ppm>,
    /// Its level over the last moments.
    pub level: Option<Dbfs>,
    /// How much louder its programme was than its twin's when both last sounded.
    pub louder: Option<Db>,
    /// The same of the worst channel that goes to in-ear monitors.
    pub ears_louder: Option<Db>,
    /// The host's health.
    pub host: HostEvidence,
    /// The supervisor's own inputs hear it, and no agent does.
    pub outside: Option<Outside>,
}

impl Default for MachineEvidence {
    fn default() -> MachineEvidence {
        MachineEvidence {
            in_service: true,
            heard: Heard::Never,
            first_missed: None,
            last_sent: None,
            paths: 0,
            paths_alive: 0,
            player: None,
            transport: None,
            transport_since: MonoTime::ZERO,
            stop_cause: StopCause::None,
            code_lost: false,
            codes_contradict: false,
            audio: None,
            last_sound: None,
            sound_grain: Span::ZERO,
            pilot: None,
            matched: None,
            never_alike: false,
            channels: ChannelTrouble::None,
            session: SessionTrouble::None,
            dropouts: 0,
            trigger: None,
            trigger_doubled: false,
            clock: ClockState::Acquiring,
            place: None,
            offset: None,
            drift: None,
            level: None,
            louder: None,
            ears_louder: None,
            host: HostEvidence::default(),
            outside: None,
        }
    }
}

/// The changeover switch as it shows itself.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct SwitchEvidence {
    /// What it said of itself.
    pub reply: Option<Reading<SwitchView>>,
    /// Whether the supervisor hears the switch's output.
    pub has_tap: bool,
    /// Which machine that output carries, when its sound tells.
    pub tap: Option<Reading<SwitchView>>,
    /// That is told by that machine's pilot, which no other makes: its engine runs.
    pub tap_by_pilot: bool,
    /// How long after a changeover the tap takes to tell it: nothing by a pilot, some frames by the place of its timecode.
    pub tap_takes: Span,
    /// Newest sample of any value that came from the tap, where that is watched: a tap that fell dead hears nothing,
    /// and that is not silence.
    pub tap_alive: Option<MonoTime>,
    /// Newest non-zero sample on the tap, on our clock.
    pub tap_last_sound: Option<MonoTime>,
    /// The newest command sent and when. Of a command that this judge did not give (another writer's, or one from
    /// before a restart) nothing more moves until it has been answered or has timed out.
    pub commanded: Option<(Machine, MonoTime)>,
    /// The output used last could not be written to.
    pub output_failed: bool,
}

impl Default for DeviceEvidence {
    fn default() -> DeviceEvidence {
        DeviceEvidence { priority: Priority::Low, port: None, differed: None, leaked: None, unchased: None }
    }
}

/// What the supervisor doubts of itself.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct SupervisorEvidence {
    /// It woke late, and its timers mean nothing until this instant.
    pub late_until: Option<MonoTime>,
    /// Its own network link is down.
    pub own_link_down: bool,
    /// Datagrams refused as forged, replayed, malformed or oversized since the start.
    pub refused: u32,
}
