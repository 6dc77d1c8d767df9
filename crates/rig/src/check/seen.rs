//! What a check saw of the rig. `None` and empty lists are "not seen", never "fine".

use base::{ClockState, Db, Machine, Ppm, SourceKind, Span, WallTime};
use serde::{Deserialize, Serialize};

use super::Depth;

/// Everything a check saw.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Seen {
    /// How deep it went.
    pub depth: Depth,
    /// No agent runs on the machines: the supervisor's own inputs hear them.
    pub outside: bool,
    /// The machines in the rig's order.
    pub machines: Vec<MachineSeen>,
    /// Each other machine against the first, in the rig's order from B on.
    pub pairs: Vec<PairSeen>,
    /// The switch and what commands it.
    pub switch: SwitchSeen,
    /// The record.
    pub record: RecordSeen,
    /// The changeovers that were made, in their order.
    pub changeovers: Vec<ChangeoverSeen>,
    /// What was heard of the trigger that started the passage, in the rig's order; empty: no start was heard.
    pub trigger: Vec<TriggerSeen>,
    /// The passage rolled.
    pub rolled: bool,
    /// The longest song of the show file.
    pub longest_song: Option<Span>,
}

/// One machine.
#[derive(Clone, PartialEq, Debug)]
pub struct MachineSeen {
    /// Which.
    pub machine: Machine,
    /// Its beats come.
    pub heard: bool,
    /// A person took it out of service.
    pub out_of_service: bool,
    /// The agent's version.
    pub agent: Option<String>,
    /// Its clock.
    pub clock: Option<ClockSeen>,
    /// Whether beats come over each configured path.
    pub paths: Vec<bool>,
    /// The host and its health.
    pub host: HostSeen,
    /// What it plays with.
    pub kit: KitSeen,
    /// Configured sources and whether each is open.
    pub sources: Vec<SourceSeen>,
    /// The pilot tone is heard, where one is configured.
    pub pilot: Option<bool>,
    /// What was heard of each position code while the passage rolled.
    pub codes: Vec<CodeSeen>,
    /// Its codes contradict each other.
    pub codes_contradict: bool,
    /// Dropouts while the passage rolled.
    pub dropouts: Option<u32>,
    /// Patches that its player sent during the check, in order.
    pub patches: Vec<PatchSeen>,
    /// Files of its session that changed after its player opened them; none: not known.
    pub behind: Option<u64>,
}

impl MachineSeen {
    /// One of which nothing has been seen.
    pub fn new(machine: Machine) -> MachineSeen {
        MachineSeen {
            machine,
            heard: false,
            out_of_service: false,
            agent: None,
            clock: None,
            paths: Vec::new(),
            host: HostSeen::default(),
            kit: KitSeen::default(),
            sources: Vec::new(),
            pilot: None,
            codes: Vec::new(),
            codes_contradict: false,
            dropouts: None,
            patches: Vec::new(),
            behind: None,
        }
    }
}

/// How well a machine's clock is known.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct ClockSeen {
    /// The estimator's state.
    pub state: ClockState,
    /// It is off by no more than this.
    pub bound: Span,
}

/// A host.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct HostSeen {
    /// Operating system with its build.
    pub system: Option<String>,
    /// Which start of the host this is.
    pub boot: Option<[u8; 16]>,
    /// It runs on its battery.
    pub on_battery: Option<bool>,
    /// Free space in bytes.
    pub disk_free: Option<u64>,
    /// Free memory in bytes.
    pub memory_free: Option<u64>,
    /// Processor use in thousandths, the least of the run: a moment's load says little.
    pub cpu_permille: Option<u16>,
    /// Hottest sensor in tenths of a degree Celsius.
    pub temperature_tenths: Option<i16>,
    /// The agent's beat thread has real-time priority.
    pub real_time: Option<bool>,
    /// It cannot fall asleep by itself.
    pub sleep_off: Option<bool>,
    /// It does not update itself.
    pub updates_off: Option<bool>,
    /// It shows no notifications.
    pub notifications_off: Option<bool>,
}

/// What a machine plays with.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct KitSeen {
    /// The player runs.
    pub player_runs: Option<bool>,
    /// Which version of the player: its program file's fingerprint, where no version is told.
    pub player: Option<String>,
    /// When the player was started.
    pub player_started: Option<WallTime>,
    /// Samples a second.
    pub sample_rate: Option<u32>,
    /// Frames of one audio block.
    pub buffer: Option<u32>,
    /// The audio device.
    pub device: Option<String>,
    /// What clocks the device.
    pub clock_source: Option<String>,
    /// Names of the channels heard.
    pub channels: Vec<String>,
}

/// A configured source.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct SourceSeen {
    /// Its name in the agent's configuration.
    pub name: String,
    /// It is open.
    pub open: bool,
}

/// A position code during the passage.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct CodeSeen {
    /// Which.
    pub source: SourceKind,
    /// It rolled.
    pub rolled: bool,
}

/// A patch change.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct PatchSeen {
    /// MIDI channel, 1 to 16.
    pub channel: u8,
    /// Bank select, MSB and LSB.
    pub bank: (Option<u8>, Option<u8>),
    /// Program, 0 to 127.
    pub program: u8,
}

/// One machine against the first.
#[derive(Clone, PartialEq, Debug)]
pub struct PairSeen {
    /// Which.
    pub machine: Machine,
    /// The offset in the first second of the passage: positive, the first machine is ahead.
    pub start_skew: Option<Span>,
    /// The offset at the passage's end, and its bound.
    pub offset: Option<(Span, Span)>,
    /// The drift over the passage, and its uncertainty.
    pub drift: Option<(Ppm, Ppm)>,
    /// Channel by channel, as the sound was compared.
    pub channels: Vec<ChannelSeen>,
    /// How the session folders compare; none: not compared.
    pub session: Option<SessionSeen>,
}

impl PairSeen {
    /// One of which nothing has been seen.
    pub fn new(machine: Machine) -> PairSeen {
        PairSeen { machine, start_skew: None, offset: None, drift: None, channels: Vec::new(), session: None }
    }
}

/// A channel of one machine beside the first machine's.
#[derive(Clone, PartialEq, Debug)]
pub struct ChannelSeen {
    /// Its name.
    pub name: String,
    /// What it sounds like.
    pub likeness: Likeness,
    /// Its level against the first machine's.
    pub level: Option<Db>,
    /// The first machine's sound minus this one's: positive, the first is ahead.
    pub lag: Option<Span>,
}

/// What a channel sounds like beside the first machine's.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Likeness {
    /// The same.
    Same,
    /// The same with the other polarity.
    Inverted,
    /// It is silent, the other sounds.
    Silent,
    /// It sounds, the other is silent.
    Alone,
    /// Another sound.
    Other,
    /// The sound of another of the first machine's channels, by its name.
    Another(String),
    /// Never the same while others were: an effect that draws lots, perhaps.
    NeverAlike,
}

/// How two session folders compare.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct SessionSeen {
    /// Files compared.
    pub files: u64,
    /// Files that this machine lacks.
    pub missing: u64,
    /// Files that only this machine has.
    pub extra: u64,
    /// Files whose content differs.
    pub differs: u64,
    /// Files that could not be read or changed while they were read.
    pub unread: u64,
}

/// The changeover switch.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct SwitchSeen {
    /// What is on air, as the switch has it.
    pub on_air: Option<Machine>,
    /// It contradicts itself, or the tap contradicts it.
    pub conflict: bool,
    /// The rig is latched.
    pub latched: bool,
    /// Each output that commands it.
    pub outputs: Vec<OutputSeen>,
    /// The tap brings sound (or silence): none where there is no tap.
    pub tap: Option<bool>,
}

/// An output that commands the switch.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct OutputSeen {
    /// Its name.
    pub name: String,
    /// It could send now.
    pub open: bool,
    /// It is one that answers, and it has.
    pub answers: Option<bool>,
}

/// The record.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct RecordSeen {
    /// A test event reached the disk; none: not tried.
    pub written: Option<bool>,
    /// Why not.
    pub why: String,
}

/// A changeover that the check made.
#[derive(Clone, PartialEq, Debug)]
pub struct ChangeoverSeen {
    /// From which machine.
    pub from: Machine,
    /// To which.
    pub to: Machine,
    /// How long after the command the switch confirmed; none: it did not.
    pub confirmed: Option<Span>,
    /// Why it was refused, if it was.
    pub refused: Option<String>,
    /// The longest hole heard on the tap, while programme played.
    pub gap: Option<Span>,
    /// How far the programme skipped, while it played.
    pub jump: Option<Span>,
}

/// A trigger at one machine.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct TriggerSeen {
    /// Which machine.
    pub machine: Machine,
    /// How long after the first machine that it reached; none: it did not reach this one.
    pub after: Option<Span>,
}
