//! What a record is made of: events, which are told in words and never lost, and samples, which are numbers at a rate.

use arrayvec::ArrayVec;
use base::ids::MAX_MACHINES;
use base::{
    AudioState, ClockState, Db, Dbfs, EventId, Heard, Machine, MonoTime, PlayerState, Ppm, Span, SwitchView,
    TransportState, WallTime,
};
use serde::{Deserialize, Serialize};

use crate::boot::BootId;

/// When something happened, in a form that outlives the process and the boot.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct Stamp {
    /// Which start of the writer.
    pub epoch: u32,
    /// Which boot `mono` counts in.
    pub boot: BootId,
    /// The instant.
    pub mono: MonoTime,
    /// The wall clock then, for display only.
    pub wall: WallTime,
}

/// What sort of thing happened.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum EventKind {
    /// An alarm was raised, acknowledged, shelved or went back to normal ([`crate::detail::Alarm`]).
    Alarm,
    /// A stage of a changeover: intent, sent, confirmed, unconfirmed ([`crate::detail::Changeover`]).
    Changeover,
    /// A changeover was wanted and rightly not made ([`crate::detail::Refusal`]).
    Refusal,
    /// A changeover was proposed to a person, or a proposal was withdrawn or answered.
    Proposal,
    /// A person did something ([`crate::detail::Operator`]).
    Operator,
    /// The switch said what is on air, or moved without us.
    Switch,
    /// A song started or ended ([`crate::detail::Song`]).
    Song,
    /// A machine's fitness changed ([`crate::detail::Fitness`]).
    Fitness,
    /// A patch was heard, chased or missed ([`crate::detail::Patch`]).
    Patch,
    /// Audio was missing or zeroed while the transport rolled ([`crate::detail::Dropout`]).
    Dropout,
    /// A sudden change of offset ([`crate::detail::Step`]).
    Step,
    /// The health of a host ([`crate::detail::Health`]).
    Health,
    /// A check before the show: its sheet in the detail.
    Check,
    /// The supervisor itself: started, stopped, late, cut off.
    Supervisor,
    /// The record itself: samples dropped, disk full, room again.
    Record,
    /// Something a person wrote down.
    Note,
    /// A kind that a later version wrote.
    #[serde(other)]
    Other,
}

impl EventKind {
    /// Its word in the record.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Alarm => "alarm",
            Self::Changeover => "changeover",
            Self::Refusal => "refusal",
            Self::Proposal => "proposal",
            Self::Operator => "operator",
            Self::Switch => "switch",
            Self::Song => "song",
            Self::Fitness => "fitness",
            Self::Patch => "patch",
            Self::Dropout => "dropout",
            Self::Step => "step",
            Self::Health => "health",
            Self::Check => "check",
            Self::Supervisor => "supervisor",
            Self::Record => "record",
            Self::Note => "note",
            Self::Other => "other",
        }
    }
    /// The kind with this word.
    pub fn from_word(word: &str) -> EventKind {
        const ALL: [EventKind; 16] = [
            EventKind::Alarm,
            EventKind::Changeover,
            EventKind::Refusal,
            EventKind::Proposal,
            EventKind::Operator,
            EventKind::Switch,
            EventKind::Song,
            EventKind::Fitness,
            EventKind::Patch,
            EventKind::Dropout,
            EventKind::Step,
            EventKind::Health,
            EventKind::Check,
            EventKind::Supervisor,
            EventKind::Record,
            EventKind::Note,
        ];
        ALL.into_iter().find(|k| k.word() == word).unwrap_or(EventKind::Other)
    }
}

/// Something that happened, as it is handed to the recorder.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct Event {
    /// When, on the writer's monotonic clock.
    pub at: MonoTime,
    /// When, on the wall.
    pub wall: WallTime,
    /// What sort of thing.
    pub kind: EventKind,
    /// The machine it is about.
    pub machine: Option<Machine>,
    /// Its code, stable over versions: "on-air-lost", "intent", "rule-7".
    pub code: String,
    /// One sentence for people.
    pub text: String,
    /// All else, by kind: see [`crate::detail`].
    pub detail: serde_json::Value,
}

impl Event {
    /// An event with no machine and no detail.
    pub fn new(at: MonoTime, wall: WallTime, kind: EventKind, code: &str, text: impl Into<String>) -> Event {
        Event {
            at,
            wall,
            kind,
            machine: None,
            code: code.to_owned(),
            text: text.into(),
            detail: serde_json::Value::Null,
        }
    }
    /// The same, about this machine.
    #[must_use]
    pub fn about(mut self, machine: Machine) -> Event {
        self.machine = Some(machine);
        self
    }
    /// The same, with this detail (one of [`crate::detail`]'s types).
    #[must_use]
    pub fn with(mut self, detail: &impl Serialize) -> Event {
        self.detail = serde_json::to_value(detail).unwrap_or_default();
        self
    }
}

/// An event as the record has it.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Recorded {
    /// Its name.
    pub id: EventId,
    /// When.
    pub at: Stamp,
    /// What.
    #[serde(flatten)]
    pub event: Event,
}

/// Whether the supervisor acts.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Mode {
    /// Never acts.
    #[default]
    Observe,
    /// A person confirms.
    Propose,
    /// Acts by itself.
    Act,
}

/// How fit a machine was to be on air.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Fitness {
    /// Not known.
    #[default]
    Unknown,
    /// Could take over.
    Fit,
    /// Could, if there were nothing better.
    Degraded,
    /// Could not.
    Unfit,
    /// A person took it out of service.
    OutOfService,
}

/// What the audience would have heard at a changeover at this instant.
#[derive(Clone, Copy, PartialEq, Debug, Default, Serialize, Deserialize)]
pub struct Takeover {
    /// Which machine would have taken over.
    pub to: Option<Machine>,
    /// The jump in the programme; positive: it would have skipped forward.
    pub jump: Option<Span>,
    /// The change in level.
    pub level: Option<Db>,
}

/// The state of the whole rig at one instant. Hand it in at the full rate (200 Hz): the recorder keeps 10 Hz of it, and
/// all of it round an incident. What is not known is `None`, never zero.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Sample {
    /// When.
    pub at: MonoTime,
    /// What is on air, as the switch has it.
    pub on_air: SwitchView,
    /// Observe, propose or act.
    pub mode: Mode,
    /// Whether a changeover has happened and no person has released it.
    pub latched: bool,
    /// The song that the on-air machine is in.
    pub song: Option<u16>,
    /// How far into it.
    pub song_at: Option<Span>,
    /// What a changeover would cost now.
    pub takeover: Takeover,
    /// The machines in the rig's order.
    pub machines: ArrayVec<MachineSample, MAX_MACHINES>,
}

/// The state of one machine at one instant.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct MachineSample {
    /// How fit it was.
    pub fitness: Fitness,
    /// How its beats came in.
    pub heard: Heard,
    /// Its player.
    pub player: PlayerState,
    /// Its transport.
    pub transport: TransportState,
    /// Its sound.
    pub audio: AudioState,
    /// Its clock.
    pub clock: ClockState,
    /// On how many paths it was heard.
    pub paths_alive: u8,
    /// The song it is in.
    pub song: Option<u16>,
    /// Its offset: position of machine A (the rig's reference) **minus this machine's**, so positive means that A is
    /// ahead. `None` for A itself and while unknown.
    pub offset: Option<Span>,
    /// The true offset is claimed to lie within plus or minus this.
    pub bound: Option<Span>,
    /// The rate of change of the offset.
    pub drift: Option<Ppm>,
    /// Peak level since the last sample.
    pub peak: Option<Dbfs>,
    /// Mean level (root mean square).
    pub rms: Option<Dbfs>,
    /// Beats lost since its agent's session began.
    pub beats_lost: Option<u32>,
    /// How late its agent's beat thread woke, at worst, since the last sample.
    pub lateness: Option<Span>,
    /// Host health by bits: 1 on battery, 2 hot, 4 disk low, 8 processor high.
    pub host: u8,
}

impl MachineSample {
    /// [`MachineSample::host`]: on battery.
    pub const ON_BATTERY: u8 = 1;
    /// [`MachineSample::host`]: hot.
    pub const HOT: u8 = 2;
    /// [`MachineSample::host`]: disk low.
    pub const DISK_LOW: u8 = 4;
    /// [`MachineSample::host`]: processor high.
    pub const PROCESSOR_HIGH: u8 = 8;
}

/// Year, month, day, hour, minute, second, in UTC (the proleptic Gregorian calendar; days to dates after the well-known
/// method of counting from 1 March of the year 0 in eras of 400 years).
pub(crate) fn civil(wall: WallTime) -> (i64, u32, u32, u32, u32, u32) {
    let seconds = wall.0.div_euclid(1_000_000_000);
    let (days, second) = (seconds.div_euclid(86_400), seconds.rem_euclid(86_400) as u32);
    let from_march = days + 719_468;
    let era = from_march.div_euclid(146_097);
    let day_of_era = from_march.rem_euclid(146_097);
    let year_of_era = (day_of_era - day_of_era / 1_460 + day_of_era / 36_524 - day_of_era / 146_096) / 365;
    let day_of_year = day_of_era - (365 * year_of_era + year_of_era / 4 - year_of_era / 100);
    let month_from_march = (5 * day_of_year + 2) / 153;
    let day = (day_of_year - (153 * month_from_march + 2) / 5 + 1) as u32;
    let month = if month_from_march < 10 { month_from_march + 3 } else { month_from_march - 9 } as u32;
    let year = year_of_era + era * 400 + i64::from(month <= 2);
    (year, month, day, second / 3_600, second / 60 % 60, second % 60)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Dates by `date -u -d @N` (GNU coreutils).
    #[test]
    fn days_become_dates() {
        let at = |s: i64| civil(WallTime(s * 1_000_000_000));
        assert_eq!(at(0), (1970, 1, 1, 0, 0, 0));
        assert_eq!(at(951_782_400), (2000, 2, 29, 0, 0, 0));
        assert_eq!(at(1_764_063_073), (2025, 11, 25, 9, 31, 13));
        assert_eq!(at(-1), (1969, 12, 31, 23, 59, 59));
        assert_eq!(at(4_107_542_400), (2100, 3, 1, 0, 0, 0));
    }

    #[test]
    fn every_kind_has_one_word() {
        for word in ["alarm", "changeover", "dropout", "note", "record", "switch"] {
            assert_eq!(EventKind::from_word(word).word(), word);
        }
        assert_eq!(EventKind::from_word("of-a-later-version"), EventKind::Other);
    }
}
