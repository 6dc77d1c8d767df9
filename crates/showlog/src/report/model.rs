//! What a report says, before it is HTML, JSON, CSV or PDF. In JSON, names carry the unit (`_ms`, `_s`, `_ppm`), what
//! is unknown is `null`, and times count from the show's first instant unless the name says otherwise.

use base::{Db, EventId, Machine, MachineId, Ppm, RigId, ShowId, Span, WallTime};
use serde::Serialize;

use super::units;
use crate::detail::Priority;
use crate::words::Fitness;

/// The report of one show.
#[derive(Clone, Debug, Serialize)]
pub struct Report {
    /// The version of this form: grows when a name changes its meaning; names may be added at any time.
    pub schema: u32,
    /// Which show.
    pub show: Head,
    /// Did it hold?
    pub verdict: Verdict,
    /// What nearly went wrong, worst first.
    pub near_misses: Vec<Finding>,
    /// What to fix before the next show, most pressing first.
    pub fixes: Vec<Finding>,
    /// The songs, in the order in which they were played.
    pub songs: Vec<SongReport>,
    /// The changeovers.
    pub changeovers: Vec<ChangeoverReport>,
    /// Changeovers that were wanted and not made.
    pub refusals: Vec<RefusalReport>,
    /// The alarms by what they were about.
    pub alarms: Vec<AlarmReport>,
    /// What people did.
    pub operator: Vec<Line>,
    /// Patches that were missed, and how many were heard.
    pub patches: Patches,
    /// Host health where it mattered.
    pub health: Vec<Line>,
    /// The checks made before the show.
    pub checks: Vec<Line>,
    /// What the switch, the supervisor and the record said of themselves.
    pub house: Vec<Line>,
    /// What people wrote down.
    pub notes: Vec<Line>,
    /// The stretches kept at full rate.
    pub incidents: Vec<IncidentHead>,
    /// What of the record could not be read.
    pub damage: Vec<String>,
    /// What this report is not.
    pub cautions: Vec<String>,
}

/// Which show.
#[derive(Clone, Debug, Serialize)]
pub struct Head {
    /// Its id.
    #[serde(serialize_with = "units::id")]
    pub id: ShowId,
    /// Its rig.
    #[serde(serialize_with = "units::id")]
    pub rig: RigId,
    /// Its title.
    pub title: String,
    /// What a person called it afterwards.
    pub label: Option<String>,
    /// The rig's name.
    pub rig_name: String,
    /// The machines, A first.
    pub machines: Vec<MachineHead>,
    /// When the record began.
    #[serde(rename = "started", serialize_with = "units::opt_wall")]
    pub started: Option<WallTime>,
    /// How long it is.
    #[serde(rename = "length_s", serialize_with = "units::seconds")]
    pub length: Span,
    /// How often the recorder started: more than once means that the supervisor was restarted.
    pub starts: usize,
    /// Whether its last start was closed properly.
    pub closed: bool,
    /// A warning when the offset is further than this from the baseline.
    #[serde(rename = "warning_ms", serialize_with = "units::millis")]
    pub warning: Span,
    /// The limit of a changeover from a degraded machine.
    #[serde(rename = "candidate_ms", serialize_with = "units::millis")]
    pub candidate: Span,
    /// The limit of a changeover from a dead machine.
    #[serde(rename = "dead_air_ms", serialize_with = "units::millis")]
    pub dead_air: Span,
    /// The baseline of line-up.
    #[serde(rename = "baseline_ms", serialize_with = "units::opt_millis")]
    pub baseline: Option<Span>,
    /// The version of the program that wrote the record.
    pub written_by: String,
}

/// A machine.
#[derive(Clone, Debug, Serialize)]
pub struct MachineHead {
    /// Its letter.
    #[serde(serialize_with = "units::letter")]
    pub machine: Machine,
    /// Its name.
    pub name: String,
    /// The computer.
    #[serde(serialize_with = "units::id")]
    pub id: MachineId,
}

/// Did it hold?
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Held {
    /// Nothing had to be done.
    Held,
    /// It did because another machine took over.
    ByChangeover,
    /// The audience heard a fault.
    No,
    /// The record does not tell.
    Unknown,
}

/// The first sentence of the report.
#[derive(Clone, Debug, Serialize)]
pub struct Verdict {
    /// In a word.
    pub held: Held,
    /// In a sentence.
    pub sentence: String,
    /// By what.
    pub evidence: Vec<Evidence>,
}

/// Something found, with what it rests on.
#[derive(Clone, Debug, Serialize)]
pub struct Finding {
    /// How much it matters.
    pub priority: Priority,
    /// A stable code.
    pub code: &'static str,
    /// In a sentence.
    pub text: String,
    /// By what.
    pub evidence: Vec<Evidence>,
}

/// What a sentence rests on.
#[derive(Clone, Debug, Default, Serialize)]
pub struct Evidence {
    /// In words.
    pub text: String,
    /// An event.
    pub event: Option<EventId>,
    /// Index into `songs`.
    pub song: Option<usize>,
    /// When.
    #[serde(rename = "at_s", serialize_with = "units::opt_seconds")]
    pub at: Option<Span>,
}

/// One song as it was played.
#[derive(Clone, Debug, Serialize)]
pub struct SongReport {
    /// Its number in the show file; 0: outside the set list.
    pub number: u16,
    /// Its name.
    pub name: String,
    /// When it began.
    #[serde(rename = "from_s", serialize_with = "units::seconds")]
    pub from: Span,
    /// When it ended.
    #[serde(rename = "to_s", serialize_with = "units::seconds")]
    pub to: Span,
    /// The song's own time at its first sample: not zero when the record, or the song, began in its middle.
    #[serde(rename = "song_at_s", serialize_with = "units::opt_seconds")]
    pub song_at: Option<Span>,
    /// When it began, on the wall.
    #[serde(serialize_with = "units::opt_wall")]
    pub wall: Option<WallTime>,
    /// How many samples there are of it.
    pub samples: usize,
    /// The machines against A.
    pub pairs: Vec<PairReport>,
    /// Whether somebody could have taken over.
    pub standby: Standby,
    /// What a changeover would have cost.
    pub takeover: TakeoverReport,
    /// Missing sound, stalls and silences, machine by machine.
    pub dropouts: Vec<DropoutReport>,
}

/// One machine against A in one song.
#[derive(Clone, Debug, Serialize)]
pub struct PairReport {
    /// The machine.
    #[serde(serialize_with = "units::letter")]
    pub machine: Machine,
    /// The offset (A minus this machine) in the first second: its median.
    #[serde(rename = "start_skew_ms", serialize_with = "units::opt_millis")]
    pub start_skew: Option<Span>,
    /// The median offset.
    #[serde(rename = "median_ms", serialize_with = "units::opt_millis")]
    pub median: Option<Span>,
    /// The offset furthest from the baseline (from zero without one).
    #[serde(rename = "worst_ms", serialize_with = "units::opt_millis")]
    pub worst: Option<Span>,
    /// When that was.
    #[serde(rename = "worst_at_s", serialize_with = "units::opt_seconds")]
    pub worst_at: Option<Span>,
    /// The widest uncertainty of an offset.
    #[serde(rename = "bound_ms", serialize_with = "units::opt_millis")]
    pub bound: Option<Span>,
    /// For what share of the song the offset was known.
    pub known: f64,
    /// The drift.
    pub drift: Option<DriftReport>,
    /// The steps.
    pub steps: Vec<StepReport>,
}

/// Drift by least squares.
#[derive(Clone, Copy, Debug, Serialize)]
pub struct DriftReport {
    /// The rate of change of the offset.
    #[serde(rename = "drift_ppm", serialize_with = "units::ppm")]
    pub drift: Ppm,
    /// Two standard deviations of it.
    #[serde(rename = "uncertainty_ppm", serialize_with = "units::ppm")]
    pub uncertainty: Ppm,
    /// How many one-second means it rests on.
    pub seconds: usize,
    /// How alike neighbouring residuals are.
    pub autocorrelation: f64,
}

/// A sudden change of offset.
#[derive(Clone, Copy, Debug, Serialize)]
pub struct StepReport {
    /// When.
    #[serde(rename = "at_s", serialize_with = "units::seconds")]
    pub at: Span,
    /// By how much.
    #[serde(rename = "by_ms", serialize_with = "units::millis")]
    pub by: Span,
}

/// Whether somebody could have taken over.
#[derive(Clone, Debug, Default, Serialize)]
pub struct Standby {
    /// For what share of the song at least one machine that was not on air was fit; `None` when nothing was on air.
    pub fit: Option<f64>,
    /// When none was.
    pub gaps: Vec<Gap>,
}

/// A stretch without a fit standby.
#[derive(Clone, Debug, Serialize)]
pub struct Gap {
    /// From.
    #[serde(rename = "from_s", serialize_with = "units::seconds")]
    pub from: Span,
    /// To.
    #[serde(rename = "to_s", serialize_with = "units::seconds")]
    pub to: Span,
    /// The machine that was nearest to it.
    #[serde(serialize_with = "units::opt_letter")]
    pub machine: Option<Machine>,
    /// What it was instead.
    pub fitness: Fitness,
    /// Why, in words.
    pub why: String,
}

/// What a changeover would have cost.
#[derive(Clone, Copy, Debug, Default, Serialize)]
pub struct TakeoverReport {
    /// The median of the jump without its sign.
    #[serde(rename = "median_ms", serialize_with = "units::opt_millis")]
    pub median: Option<Span>,
    /// The widest jump.
    #[serde(rename = "worst_ms", serialize_with = "units::opt_millis")]
    pub worst: Option<Span>,
    /// When that was.
    #[serde(rename = "worst_at_s", serialize_with = "units::opt_seconds")]
    pub worst_at: Option<Span>,
    /// The widest change of level, in dB.
    #[serde(rename = "level_db")]
    pub level: Option<Db>,
    /// For what share of the song it was known.
    pub known: f64,
}

/// Something missing from one machine.
#[derive(Clone, Debug, Serialize)]
pub struct DropoutReport {
    /// The machine.
    #[serde(serialize_with = "units::letter")]
    pub machine: Machine,
    /// From.
    #[serde(rename = "from_s", serialize_with = "units::seconds")]
    pub from: Span,
    /// How long.
    #[serde(rename = "length_s", serialize_with = "units::seconds")]
    pub length: Span,
    /// What was missing, in words.
    pub what: String,
    /// Whether it was on air.
    pub on_air: bool,
}

/// One changeover.
#[derive(Clone, Debug, Serialize)]
pub struct ChangeoverReport {
    /// The event that began it.
    pub event: EventId,
    /// When the verdict fell.
    #[serde(rename = "at_s", serialize_with = "units::seconds")]
    pub at: Span,
    /// On the wall.
    #[serde(serialize_with = "units::opt_wall")]
    pub wall: Option<WallTime>,
    /// Index into `songs`.
    pub song: Option<usize>,
    /// The machine taken off.
    #[serde(serialize_with = "units::opt_letter")]
    pub from: Option<Machine>,
    /// The machine put on air.
    #[serde(serialize_with = "units::letter")]
    pub to: Machine,
    /// Why, in a sentence.
    pub why: String,
    /// The rule that fired.
    pub rule: String,
    /// Whether a person overrode a refusal.
    pub forced: bool,
    /// Who asked for it, if a person did.
    pub by: Option<String>,
    /// From the first evidence of the fault to the verdict.
    #[serde(rename = "verdict_after_ms", serialize_with = "units::opt_millis")]
    pub verdict_after: Option<Span>,
    /// From the verdict to the first byte.
    #[serde(rename = "sent_after_ms", serialize_with = "units::opt_millis")]
    pub sent_after: Option<Span>,
    /// From the first byte to the confirmation.
    #[serde(rename = "confirmed_after_ms", serialize_with = "units::opt_millis")]
    pub confirmed_after: Option<Span>,
    /// Whether the switch or a tap said that it happened; `None`: the record ends before.
    pub confirmed: Option<bool>,
    /// The jump in the programme.
    #[serde(rename = "jump_ms", serialize_with = "units::opt_millis")]
    pub jump: Option<Span>,
    /// The change in level, in dB.
    #[serde(rename = "level_db")]
    pub level: Option<Db>,
    /// What was seen, counted from the verdict.
    pub evidence: Vec<SeenReport>,
}

/// A piece of evidence.
#[derive(Clone, Debug, Serialize)]
pub struct SeenReport {
    /// Before (negative) or after the verdict.
    #[serde(rename = "after_ms", serialize_with = "units::millis")]
    pub after: Span,
    /// What.
    pub text: String,
}

/// A changeover that was wanted and not made. Refusals that say the same within ten seconds are told once.
#[derive(Clone, Debug, Serialize)]
pub struct RefusalReport {
    /// The first.
    pub event: EventId,
    /// When.
    #[serde(rename = "at_s", serialize_with = "units::seconds")]
    pub at: Span,
    /// On the wall.
    #[serde(serialize_with = "units::opt_wall")]
    pub wall: Option<WallTime>,
    /// Index into `songs`.
    pub song: Option<usize>,
    /// The rule.
    pub rule: String,
    /// Why, in a sentence.
    pub why: String,
    /// How often.
    pub times: usize,
}

/// All alarms of one code about one machine.
#[derive(Clone, Debug, Serialize)]
pub struct AlarmReport {
    /// The alarm.
    pub code: String,
    /// About.
    #[serde(serialize_with = "units::opt_letter")]
    pub machine: Option<Machine>,
    /// The highest priority it had.
    pub priority: Priority,
    /// In words, as it was first raised.
    pub text: String,
    /// The likely cause.
    pub cause: Option<String>,
    /// What to do.
    pub mend: Option<String>,
    /// How often it was raised.
    pub times: usize,
    /// First.
    #[serde(rename = "first_s", serialize_with = "units::seconds")]
    pub first: Span,
    /// Last.
    #[serde(rename = "last_s", serialize_with = "units::seconds")]
    pub last: Span,
    /// How long it stood in all; an alarm that never cleared stands until the end.
    #[serde(rename = "standing_s", serialize_with = "units::seconds")]
    pub standing: Span,
    /// Whether it cleared.
    pub cleared: bool,
    /// How often a person acknowledged it.
    pub acknowledged: usize,
    /// The first event of it.
    pub event: EventId,
}

/// One event as a line.
#[derive(Clone, Debug, Serialize)]
pub struct Line {
    /// Its name.
    pub event: EventId,
    /// When.
    #[serde(rename = "at_s", serialize_with = "units::seconds")]
    pub at: Span,
    /// On the wall.
    #[serde(serialize_with = "units::opt_wall")]
    pub wall: Option<WallTime>,
    /// Index into `songs`.
    pub song: Option<usize>,
    /// About.
    #[serde(serialize_with = "units::opt_letter")]
    pub machine: Option<Machine>,
    /// Its code.
    pub code: String,
    /// In words.
    pub text: String,
    /// Who, where a person did it.
    pub who: Option<String>,
}

/// The outboard's patches.
#[derive(Clone, Debug, Default, Serialize)]
pub struct Patches {
    /// How many were heard or sent.
    pub heard: usize,
    /// Those that were missed.
    pub missed: Vec<Line>,
}

/// A stretch kept at full rate.
#[derive(Clone, Debug, Serialize)]
pub struct IncidentHead {
    /// Its number: `report --incident N`.
    pub number: i64,
    /// When.
    #[serde(rename = "at_s", serialize_with = "units::seconds")]
    pub at: Span,
    /// What it was about.
    pub text: String,
    /// The event.
    pub event: EventId,
}
