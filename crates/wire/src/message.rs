//! Everything that is not a beat: messages of the urgent and the bulk lane.
//!
//! Both enums are append-only: a variant's place is its number on the wire, and a receiver that does not know a number
//! says so ([`crate::DecodeError::Unknown`]) and goes on. Fields too are only added at the end.

use base::{FrameRate, Machine, MachineId, RemoteTime, SourceKind, Span, SwitchView};
use serde::{Deserialize, Serialize};

use crate::levels::CentiDbfs;
use crate::manifest::{Listing, Manifest, WantListing};

/// From an agent to the supervisor.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub enum Up {
    /// First message after the handshake.
    Hello(Hello),
    /// What the machine has and how it is set up; sent after `Hello` and at each change.
    Inventory(Inventory),
    /// A patch change was heard from the player.
    Patch {
        /// When.
        at: RemoteTime,
        /// MIDI channel, 1 to 16.
        channel: u8,
        /// Bank select MSB, if ever sent.
        bank_msb: Option<u8>,
        /// Bank select LSB, if ever sent.
        bank_lsb: Option<u8>,
        /// Program, 0 to 127.
        program: u8,
    },
    /// The trigger was heard at this machine.
    Trigger {
        /// When.
        at: RemoteTime,
        /// What it commands.
        what: TriggerKind,
        /// The bytes as they came.
        bytes: Vec<u8>,
    },
    /// The player process ended.
    PlayerGone {
        /// When the agent noticed.
        at: RemoteTime,
    },
    /// The agent ends in good order.
    Goodbye {
        /// Why.
        why: GoodbyeWhy,
    },
    /// Health of the host, every few seconds.
    Health(Health),
    /// A source changed its state.
    Source {
        /// When.
        at: RemoteTime,
        /// Its name in the agent's configuration.
        name: String,
        /// Its state now.
        state: SourceState,
        /// In words, for people.
        why: String,
    },
    /// A short stretch of one channel's sound, for comparison with the twin's. Over the bulk lane only.
    Excerpt(Excerpt),
    /// What the host and the player are made of; sent after `Inventory` and at each change.
    Kit(Kit),
    /// What is known of one of the machine's session folders. Over the bulk lane only.
    Manifest(Box<Manifest>),
    /// A part of a folder's entries, as it was asked for. Over the bulk lane only.
    Listing(Listing),
    /// What the player sent to outboard devices, message by message, in order and without gaps.
    Patches(PatchStream),
    /// While the supervisor was away more came than could be kept: so much of the oldest was let go.
    LetGo {
        /// Messages to outboard devices.
        patches: u64,
        /// Other news.
        others: u64,
    },
    /// A stretch of the programme is lost, though its transport rolls. The beats count the same.
    Dropout {
        /// Where it began.
        at: RemoteTime,
        /// How long it is; 0: something is missing at one place.
        length: Span,
        /// What it is like.
        what: Lost,
        /// In which of the first 64 channels: the lowest bit is the first. 0: in all.
        channels: u64,
    },
    /// A system exclusive message that the player sent to outboard devices, in its place between the channel messages.
    Exclusive(Exclusive),
    /// What the channels' slower meters read, once a second. Over the bulk lane only.
    Meters(Meters),
}

/// What the slower meters of all channels read. Counts and greatest values stand since the ears were opened, so that a message lost
/// loses nothing.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct Meters {
    /// When they were read.
    pub at: RemoteTime,
    /// Since when clips are counted and the greatest peak is held.
    pub since: RemoteTime,
    /// Over how long `true_peak` and `dc` were read.
    pub over: Span,
    /// The channels in their order.
    pub channels: Vec<ChannelMeters>,
}

/// What the slower meters of one channel read.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct ChannelMeters {
    /// True peak of late, in dBTP (ITU-R BS.1770-5 Annex 2).
    pub true_peak: CentiDbfs,
    /// The greatest true peak so far.
    pub highest: CentiDbfs,
    /// Samples at full scale or beyond so far.
    pub clipped: u32,
    /// When the newest of them was heard.
    pub last_clip: Option<RemoteTime>,
    /// Mean of the samples of late, in millionths of full scale.
    pub dc: i32,
}

/// What a lost stretch of sound is like.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Lost {
    /// Digital zeros.
    Zeros,
    /// What was played just before, again.
    Repeat,
    /// The curve breaks.
    Jump,
    /// No samples came.
    Gap,
}

/// A system exclusive message of one MIDI input, or what became of it. Timecode and machine control are not among them.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct Exclusive {
    /// Which input, from 0 in the order of the agent's settings.
    pub input: u8,
    /// When its newest byte came.
    pub at: RemoteTime,
    /// Where the player's code was then; none: it does not roll, or has no timecode.
    pub place: Option<Span>,
    /// What came.
    pub part: ExclusivePart,
}

/// What came of a system exclusive message.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub enum ExclusivePart {
    /// It has begun and is under way.
    Begun,
    /// The whole of it, from F0 to F7.
    Whole(Vec<u8>),
    /// It is whole, but of so many bytes that it is not kept.
    TooLong(u32),
    /// Another message began within it: it never ended.
    Cut,
    /// So many came at once that these were let go.
    Lost(u32),
}

/// Channel messages of one MIDI input.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct PatchStream {
    /// Which input, from 0 in the order of the agent's settings.
    pub input: u8,
    /// The number of the first message here since the agent started: a gap tells that some were lost.
    pub first: u64,
    /// The messages.
    pub messages: Vec<PatchMessage>,
}

/// One channel message.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct PatchMessage {
    /// When its last byte came.
    pub at: RemoteTime,
    /// Where the player's code was then; none: it does not roll, or has no timecode.
    pub place: Option<Span>,
    /// Status and data; a message of two bytes has a 0 at the end.
    pub bytes: [u8; 3],
}

/// From the supervisor to an agent.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub enum Down {
    /// The agent is part of the rig.
    Welcome {
        /// Its place in the rig.
        machine: Machine,
        /// How often it shall beat.
        beat_interval: Span,
        /// Reserved: the supervisor's term.
        term: u32,
    },
    /// It is not, and why.
    Refuse {
        /// Why.
        why: RefuseWhy,
        /// In words, for people.
        text: String,
    },
    /// What is on air, at each change.
    OnAir {
        /// As the supervisor knows it.
        view: SwitchView,
        /// Whether the rig is latched.
        latched: bool,
    },
    /// The supervisor ends in good order. Nothing on air changes by that.
    Goodbye {
        /// Why.
        why: GoodbyeWhy,
    },
    /// Send the inventory again.
    WantInventory,
    /// Send a part of a folder's entries.
    WantListing(WantListing),
    /// Look at all session folders now.
    LookAgain {
        /// Read every file again, whatever its times say.
        everything: bool,
    },
}

/// Who an agent is.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct Hello {
    /// The computer, for ever.
    pub machine: MachineId,
    /// Its name, for people.
    pub name: String,
    /// Version of the agent program.
    pub software: String,
    /// Operating system and its version.
    pub system: String,
    /// Which start of the host this is (random per boot): a changed one tells that clocks began anew.
    pub boot: [u8; 16],
    /// Which start of the agent this is.
    pub epoch: u32,
    /// Number of UDP paths it will beat on.
    pub paths: u8,
}

/// What a machine has.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
pub struct Inventory {
    /// The player's process name, if one is watched.
    pub player: Option<String>,
    /// Sources in order of preference.
    pub sources: Vec<SourceInfo>,
    /// Names of the audio channels heard.
    pub channels: Vec<String>,
    /// Sample rate heard, in hertz; 0 without ears.
    pub sample_rate: u32,
    /// Whether the beat thread has real-time priority.
    pub real_time: bool,
    /// In words, what the agent got of what it asked of the system.
    pub notes: Vec<String>,
}

/// What a host and its player are made of, as far as the system tells; what it does not tell is `None`.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct Kit {
    /// Build of the operating system.
    pub build: Option<String>,
    /// The player's version, or its program file's fingerprint (the beginning of its BLAKE3 hash).
    pub player: Option<String>,
    /// When the player was started, by the host's wall clock, in nanoseconds since 1970.
    pub player_started: Option<i64>,
    /// The audio device by its full name.
    pub device: Option<String>,
    /// What clocks the device.
    pub clock_source: Option<String>,
    /// The host cannot fall asleep by itself.
    pub sleep_off: Option<bool>,
    /// It does not update itself.
    pub updates_off: Option<bool>,
    /// It shows no notifications.
    pub notifications_off: Option<bool>,
}

/// One source of an agent.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct SourceInfo {
    /// Its name in the agent's configuration.
    pub name: String,
    /// What positions it gives, if any.
    pub kind: Option<SourceKind>,
    /// The configured frame rate, if any.
    pub rate: Option<FrameRate>,
    /// Its state.
    pub state: SourceState,
}

/// State of a source.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug, Default, Serialize, Deserialize)]
pub enum SourceState {
    /// Being opened.
    #[default]
    Opening,
    /// Open.
    Open,
    /// Gone; being opened again for ever.
    Gone,
}

/// What a trigger commands.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug, Serialize, Deserialize)]
pub enum TriggerKind {
    /// Start, or go on.
    Start,
    /// Stop.
    Stop,
    /// Jump to another place.
    Jump,
    /// Not a command: the switch tells this machine that it is on air.
    OnAir,
}

/// Why somebody says goodbye.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug, Default, Serialize, Deserialize)]
pub enum GoodbyeWhy {
    /// A person stopped it.
    #[default]
    Stopped,
    /// It starts again at once.
    Restart,
    /// The host goes to sleep.
    Suspend,
    /// The host shuts down.
    Shutdown,
    /// An error ends it.
    Failed,
}

/// Why an agent is not welcome.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug, Serialize, Deserialize)]
pub enum RefuseWhy {
    /// Its key belongs to no machine of this rig.
    NotPaired,
    /// Its key was revoked.
    Revoked,
    /// Another agent with this key is connected.
    Twice,
    /// The machine id is not the one that the key belongs to.
    WrongMachine,
}

/// A short stretch of one channel, band-limited.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
pub struct Excerpt {
    /// The channel's name.
    pub channel: String,
    /// When the first sample was heard.
    pub at: RemoteTime,
    /// Samples a second, in thousandths.
    pub rate_millihertz: u32,
    /// Samples of 16 bits, little endian, full scale 32,767.
    pub samples: Vec<u8>,
}

impl Excerpt {
    /// From samples where full scale is 1; what is larger is clipped, what is no number is silence.
    pub fn new(channel: String, at: RemoteTime, rate: base::Hertz, samples: &[f32]) -> Excerpt {
        let to_16 = |s: &f32| if s.is_finite() { (s.clamp(-1.0, 1.0) * 32_767.0).round() as i16 } else { 0 };
        Excerpt {
            channel,
            at,
            rate_millihertz: (rate.0 * 1e3).round() as u32,
            samples: samples.iter().flat_map(|s| to_16(s).to_le_bytes()).collect(),
        }
    }
    /// Samples a second.
    pub fn rate(&self) -> base::Hertz {
        base::Hertz(f64::from(self.rate_millihertz) * 1e-3)
    }
    /// The samples, full scale 1.
    pub fn decoded(&self) -> impl Iterator<Item = f32> + '_ {
        self.whole().map(|s| f32::from(s) / 32_767.0)
    }
    /// The samples, full scale 32,767.
    pub fn whole(&self) -> impl Iterator<Item = i16> + '_ {
        self.samples.chunks_exact(2).map(|b| i16::from_le_bytes([b[0], b[1]]))
    }
}

/// Health of a host. What is not known is `None`.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct Health {
    /// Processor use in thousandths.
    pub cpu_permille: Option<u16>,
    /// Memory free, in bytes.
    pub memory_free: Option<u64>,
    /// Free space where the show lies, in bytes.
    pub disk_free: Option<u64>,
    /// Hottest sensor, in tenths of a degree Celsius.
    pub temperature_tenths: Option<i16>,
    /// Charge of the battery in percent.
    pub battery_percent: Option<u8>,
    /// Whether the host runs on battery.
    pub on_battery: Option<bool>,
    /// Processor use of the agent itself, in thousandths of one core.
    pub agent_permille: Option<u16>,
}
