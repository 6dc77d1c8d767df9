//! Every figure at one instant, as plain data that a shell may show and record.

use arrayvec::ArrayVec;
use base::ids::MAX_MACHINES;
use base::{Dbfs, Heard, MonoTime, PositionReport, Reading, ShowPosition, SourceKind, Span, SwitchView};
use measure::clock::ClockEstimate;
use measure::hints::Hint;
use measure::offset::OffsetView;

use crate::heard_levels::HeardLevels;
use crate::machine::MAX_PATHS;
use crate::pair::MAX_HINTS;
use crate::tap::{Carries, TapReport};

/// The whole rig.
#[derive(Clone, Debug)]
pub struct WatchView {
    /// The instant.
    pub now: MonoTime,
    /// The judge's view.
    pub rig: rig::RigView,
    /// The rule table as it stood at the last judgement.
    pub why: rig::view::WhyRows,
    /// The machines in order.
    pub machines: ArrayVec<MachineFigures, MAX_MACHINES>,
    /// The tap.
    pub tap: Option<TapReport>,
    /// Which machine that carried when it was last heard, and by what that is known.
    pub carries: Option<Carries>,
    /// The latest wake-up of the watch so far.
    pub worst_lateness: Span,
    /// Datagrams refused so far.
    pub refused: u32,
    /// What the switch last said.
    pub switch_reply: Option<Reading<SwitchView>>,
}

/// One machine.
#[derive(Clone, Debug)]
pub struct MachineFigures {
    /// How it is heard.
    pub heard: Heard,
    /// Its network paths.
    pub paths: [PathFigures; MAX_PATHS],
    /// Beats lost so far.
    pub beats_lost: u64,
    /// Its clock.
    pub clock: ClockEstimate,
    /// Its newest beat ...
    pub beat: Option<wire::Beat>,
    /// ... and when that came.
    pub beat_at: Option<MonoTime>,
    /// Its position now, and the report it was carried from.
    pub position: Option<(ShowPosition, PositionReport)>,
    /// Where in the show that is.
    pub place: Option<Reading<rig::Place>>,
    /// The reference's position minus this one's, its bound, and when.
    pub offset: Option<(Span, Span, MonoTime)>,
    /// Since when both roll and neither jumped, as far as that was looked at.
    pub together_since: Option<MonoTime>,
    /// The same fitted, with drift.
    pub offset_fit: Option<OffsetView>,
    /// What the offset, its drift or its steps probably come from.
    pub hints: ArrayVec<Hint, MAX_HINTS>,
    /// The levels of all its channels, as of that beat and the few before it.
    pub levels: HeardLevels,
    /// Programme level.
    pub level: Option<Dbfs>,
    /// By how many channels its sound comes further on than its twin's, when it does.
    pub moved_by: Option<usize>,
    /// What the judge was told.
    pub evidence: rig::MachineEvidence,
    /// A source whose code is gone while another rolls.
    pub code_lost: Option<SourceKind>,
}

/// One network path.
#[derive(Clone, Copy, Debug)]
pub struct PathFigures {
    /// It has worked in this session.
    pub known: bool,
    /// It works now.
    pub alive: bool,
    /// There and back.
    pub round_trip: Option<Span>,
}
