//! What the supervisor shows: one value with everything that the page and `twinkeel status` say at one instant.
//!
//! Rules of the format:
//! - Instants are nanoseconds on the supervisor's monotonic clock (`now_ns` is that clock when the snapshot was made). A
//!   reader never compares them with its own clock: it takes differences to `now_ns`, and counts on from there by itself.
//! - What can go out of date is a [`Reading`] with its own expiry. Past it, a reader shows it as stale, never as fine.
//! - What is not known is `null` or an empty list, never zero. A level of `null` is digital silence.
//! - Rust names carry no units, because the types do; JSON names do carry them.
//! - Sentences are made by the supervisor, so that the page, the command line and the record speak with one voice.

use base::{Db, Machine, Millis, MonoTime, Reading, Samples, WallTime};
use serde::{Deserialize, Serialize};

mod channels;
mod devices;
mod machine;
mod offsets;
mod songs;
mod switch;

pub use channels::{AgainstView, HeardChannel, MetersView};
pub use devices::{AlarmSoundView, ButtonView, ChannelView, CueLightView, DeviceAlarm, DeviceView};
pub use machine::{ClockView, Fitness, HostView, LevelView, LinkView, MachineView, PathView, Reason, Role, SourceView};
pub use offsets::{CauseHint, Drift, Forecast, OffsetLimits, OffsetNow, OffsetView};
pub use songs::{NextSong, SetEntry, SetState, Song};
pub use switch::{OutputState, OutputView, SwitchStatus};

/// The version of this format: counts up when a field changes its meaning or goes; a new field does not count.
pub const FORMAT: u16 = 1;

/// Everything there is to show at one instant.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct Snapshot {
    /// [`FORMAT`].
    pub format: u16,
    /// One for each start of the supervisor, so that a reader notices a restart.
    pub epoch: u32,
    /// Counts up within the epoch.
    pub sequence: u64,
    /// The supervisor's monotonic clock when this was made.
    #[serde(rename = "now_ns")]
    pub now: MonoTime,
    /// The wall clock at the same instant, for display.
    #[serde(rename = "wall_ns")]
    pub wall: WallTime,
    /// The show's title, empty when no show is open.
    pub title: String,
    /// What the supervisor may do by itself.
    pub mode: Mode,
    /// Who feeds the stage, as the switch has it; `None`: unknown.
    pub on_air: Option<Letter>,
    /// A changeover has happened and nothing more happens by itself until a person releases it.
    pub latched: Option<Latched>,
    /// The one sentence to read first.
    pub headline: Headline,
    /// What a changeover to each other machine would do now, the best candidate first. Empty: there is no other machine.
    pub takeovers: Vec<Takeover>,
    /// The song being played, with its place; `None` between songs or when unknown.
    pub song: Option<Reading<Song>>,
    /// What comes after this song.
    pub next: Option<NextSong>,
    /// The offset of the reference machine (the first) against each other one.
    pub offsets: Vec<OffsetView>,
    /// The machines, in the order of their letters.
    pub machines: Vec<MachineView>,
    /// The changeover switch.
    pub switch: SwitchStatus,
    /// Every alarm that is not normal-and-acknowledged, the most urgent first.
    pub alarms: Vec<AlarmView>,
    /// What waits for a person's yes or no.
    pub proposal: Option<Proposal>,
    /// The newest events, newest first (some 50 at most).
    pub events: Vec<EventView>,
    /// The rule table as it stands now, in its order.
    pub rules: Vec<RuleRow>,
    /// Where the last report lies on this server, when there is one: a path that starts with `/`.
    pub report: Option<String>,
    /// Tonight's set in its order; empty: there is no show file.
    #[serde(default)]
    pub set: Vec<SetEntry>,
    /// The show file's songs by their numbers, from 1: what can be added to the set.
    #[serde(default)]
    pub songs: Vec<String>,
    /// How the session folders stand; empty: there are none to compare.
    #[serde(default)]
    pub parity: Vec<crate::parity::ParityLine>,
    /// What is in force on each device that takes its patches from the machine on air.
    #[serde(default)]
    pub devices: Vec<DeviceView>,
    /// What the newest changeover did to the timecode, as the tap heard it.
    #[serde(default)]
    pub code_cut: Option<CodeCutView>,
    /// Footswitches and buttons, in the rig file's order.
    #[serde(default)]
    pub buttons: Vec<ButtonView>,
    /// Cue lights, in the rig file's order.
    #[serde(default)]
    pub cue_lights: Vec<CueLightView>,
    /// Where unacknowledged alarms sound; none: nowhere.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub alarm_sound: Option<AlarmSoundView>,
}

/// What a changeover did to the timecode.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct CodeCutView {
    /// When.
    #[serde(rename = "at_ns")]
    pub at: MonoTime,
    /// Which machine was put on air.
    pub to: Letter,
    /// Frames that never came whole.
    pub lost: u32,
    /// Frames that came twice.
    pub repeated: u32,
    /// In words.
    pub text: String,
}

impl Snapshot {
    /// What is shown before the watch has looked for the first time: nothing is known.
    pub fn starting(now: MonoTime) -> Snapshot {
        let text = "The supervisor is starting: nothing is known yet.".to_owned();
        Snapshot {
            format: FORMAT,
            epoch: 0,
            sequence: 0,
            now,
            wall: WallTime(0),
            title: String::new(),
            mode: Mode::Observe,
            on_air: None,
            latched: None,
            headline: Headline { code: "starting".to_owned(), text, tone: Tone::Abnormal },
            takeovers: Vec::new(),
            song: None,
            next: None,
            offsets: Vec::new(),
            machines: Vec::new(),
            switch: SwitchStatus::default(),
            alarms: Vec::new(),
            proposal: None,
            events: Vec::new(),
            rules: Vec::new(),
            report: None,
            set: Vec::new(),
            songs: Vec::new(),
            parity: Vec::new(),
            devices: Vec::new(),
            code_cut: None,
            buttons: Vec::new(),
            cue_lights: Vec::new(),
            alarm_sound: None,
        }
    }
}

/// A machine, written as its letter.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize, Deserialize)]
#[serde(try_from = "char", into = "char")]
pub struct Letter(pub Machine);

impl From<Machine> for Letter {
    fn from(m: Machine) -> Letter {
        Letter(m)
    }
}
impl From<Letter> for char {
    fn from(l: Letter) -> char {
        l.0.letter()
    }
}
impl TryFrom<char> for Letter {
    type Error = &'static str;
    fn try_from(c: char) -> Result<Letter, Self::Error> {
        Machine::from_letter(c).map(Letter).ok_or("a machine is a letter from A to H")
    }
}
impl core::fmt::Display for Letter {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        self.0.fmt(f)
    }
}

/// What the supervisor may do by itself.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Mode {
    /// Nothing; it logs what it would have done.
    #[default]
    Observe,
    /// It proposes, a person confirms.
    Propose,
    /// It changes over by itself.
    Act,
}

/// The tone of a sentence, after the indicator colours of IEC 60073. Shown as colour, word and shape together.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Tone {
    /// Normal (green).
    Good,
    /// Abnormal: something will need a hand (yellow).
    Abnormal,
    /// Danger: what is heard now is not safe (red).
    Danger,
    /// A person has to do something (blue).
    Action,
    /// Plain fact (white).
    #[default]
    Neutral,
}

/// The one sentence to read first.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
pub struct Headline {
    /// A stable code. While it stays the same only the figures in the sentence change (and nothing is announced anew).
    pub code: String,
    /// "B can take over now: you would hear 3 ms."
    pub text: String,
    /// Its tone.
    pub tone: Tone,
}

/// Why nothing happens by itself any more.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct Latched {
    /// Since when.
    #[serde(rename = "since_ns")]
    pub since: MonoTime,
    /// "Changed over to B at 21:04:17: A fell silent on every path."
    pub text: String,
    /// Whether now is a good moment to release it (the gap between two songs, the mended machine fit).
    pub release_offered: bool,
}

/// What a changeover to one machine would do now.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct Takeover {
    /// To which machine.
    pub to: Letter,
    /// Whether it is allowed without force.
    pub possible: bool,
    /// How far the programme would jump, positive: forward.
    #[serde(rename = "jump_ms")]
    pub jump: Option<Millis>,
    /// The same in samples of the show's rate.
    pub jump_samples: Option<Samples>,
    /// By how much the level would change.
    #[serde(rename = "level_db")]
    pub level: Option<Db>,
    /// "You would hear 3 ms", or why not.
    pub text: String,
    /// What forcing it would do, in words: "Timecode jumps from 01:02:03:04 back to 01:01:58:20."
    pub forced_text: String,
    /// From here on the cost is not known any more.
    #[serde(rename = "expires_ns")]
    pub expires: MonoTime,
}

/// One alarm.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct AlarmView {
    /// Its number within the epoch.
    pub id: u64,
    /// A stable code.
    pub code: String,
    /// About which machine.
    pub machine: Option<Letter>,
    /// How urgent.
    pub priority: Priority,
    /// Where it is in its life.
    pub state: AlarmState,
    /// In words.
    pub text: String,
    /// What to do, in words; may be empty.
    pub advice: String,
    /// When it came.
    #[serde(rename = "since_ns")]
    pub since: MonoTime,
    /// The wall clock then.
    #[serde(rename = "since_wall_ns")]
    pub since_wall: WallTime,
    /// Who acknowledged it.
    pub acknowledged_by: Option<String>,
    /// Until when it is shelved.
    #[serde(rename = "shelved_until_ns")]
    pub shelved_until: Option<MonoTime>,
}

/// How urgent an alarm is (IEC 62682: priorities).
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Priority {
    /// Can wait for the gap between songs.
    Low,
    /// Soon.
    Medium,
    /// Now.
    High,
}

/// An alarm's state, after IEC 62682 / ISA-18.2.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum AlarmState {
    /// Active, and nobody has said "seen".
    Unacknowledged,
    /// Active, and somebody has.
    Acknowledged,
    /// The cause went away before anybody said "seen".
    ReturnedToNormal,
    /// Put aside for a time by a person.
    Shelved,
}

/// What waits for a person's yes or no.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct Proposal {
    /// An answer names it, so that a late press cannot answer the next one.
    pub id: u64,
    /// Changeover to which machine.
    pub to: Letter,
    /// "Change over to B? A's player stopped. You would hear 3 ms."
    pub text: String,
}

/// Something that happened.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct EventView {
    /// Its number within the epoch.
    pub id: u64,
    /// When.
    #[serde(rename = "at_ns")]
    pub at: MonoTime,
    /// The wall clock then.
    #[serde(rename = "wall_ns")]
    pub wall: WallTime,
    /// A stable code.
    pub code: String,
    /// Its tone.
    pub tone: Tone,
    /// In words.
    pub text: String,
    /// The person who did it, when a person did.
    pub by: Option<String>,
}

/// One row of the rule table.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct RuleRow {
    /// Its id.
    pub id: String,
    /// Whether its condition holds now.
    pub holds: bool,
    /// What it says, and what it lacks.
    pub text: String,
}

/// Minus infinity has no number in JSON: it is `null`, there and back.
mod silence_as_null {
    use base::Dbfs;
    use serde::{Deserialize, Deserializer, Serialize, Serializer};

    pub fn serialize<S: Serializer>(level: &Dbfs, s: S) -> Result<S::Ok, S::Error> {
        level.0.is_finite().then_some(level.0).serialize(s)
    }
    pub fn deserialize<'de, D: Deserializer<'de>>(d: D) -> Result<Dbfs, D::Error> {
        Ok(Option::<f64>::deserialize(d)?.map_or(Dbfs::SILENCE, Dbfs))
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use base::Dbfs;

    #[test]
    fn silence_and_letters_survive_json() {
        let level = LevelView { name: "1".into(), peak: Dbfs(-3.5), rms: Dbfs::SILENCE };
        let text = serde_json::to_string(&level).unwrap();
        assert_eq!(text, r#"{"name":"1","peak_dbfs":-3.5,"rms_dbfs":null}"#);
        assert_eq!(serde_json::from_str::<LevelView>(&text).unwrap(), level);
        assert_eq!(serde_json::to_string(&Letter(Machine::B)).unwrap(), r#""B""#);
        assert_eq!(serde_json::from_str::<Letter>(r#""A""#).unwrap(), Letter(Machine::A));
        assert!(serde_json::from_str::<Letter>(r#""Z""#).is_err());
    }
}
