//! What will happen in one show: two hours of songs and gaps, a rig as somebody might have set it up, and faults that come
//! singly, in clusters, on machines, network, switch and supervisor, with persons who act in between.

use base::Span;
use rig::{LinkLoss, LoneStop, Mode};

use crate::music::Luck;

/// What breaks, and is mended after a while.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Fault {
    // A machine.
    Power,
    OsFrozen,
    Asleep,
    PlayerGone,
    PlayerFrozen,
    WindowGone,
    AgentGone,
    AgentFrozen,
    Cable,
    Path(usize),
    CodeLost,
    Callbacks,
    Muted,
    Stem,
    Noise,
    Glitches,
    OtherDevice,
    Media,
    Battery,
    Hot,
    DiskFull,
    StopsAlone,
    WrongSong,
    Jump(i64),
    Drift(i32),
    Contradicts,
    // Everything else.
    BothHosts,
    BothPlayers,
    OwnCable,
    Starved,
    Killed,
    HandOnSwitch,
    SwitchDeaf,
    SwitchPower,
    SwitchHalf,
    CommandsLost,
    Forged,
}

/// Which machine it hits.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Who {
    OnAir,
    Standby,
}

/// What a person does.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Person {
    Release,
    StandbyOut,
    AllBack,
    Changeover,
    Forced,
    Answer(bool),
    Mode(Mode),
}

#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Deed {
    /// It begins; the number ties the mend to it.
    Break(usize, Fault, Who),
    Mend(usize),
    Person(Person),
    /// A pad, heard by all: this song starts.
    Start(u16),
    Stop,
    /// One song leads into the next without a stop: a section's jump that all machines are told.
    Vamp,
}

/// The rig of this show.
#[derive(Clone, Copy, Debug)]
pub struct Rig {
    pub paths: usize,
    pub tap: bool,
    pub pilot: bool,
    pub ltc: bool,
    pub on_link_loss: Option<LinkLoss>,
    pub lone_stop: LoneStop,
    pub mode: Mode,
    /// Chance of loss and jitter of every path, all evening.
    pub loss: f64,
    pub jitter: Span,
    /// B's start against A's.
    pub skew: Span,
    /// Crystals, in ppm.
    pub crystals: [i32; 2],
    pub phase: Span,
    pub nic_tells: bool,
}

pub struct Plan {
    pub rig: Rig,
    pub length: Span,
    /// By time.
    pub events: Vec<(Span, Deed)>,
}

pub const SHOW: Span = Span::from_secs(7_200);
const MS: Span = Span::from_millis(1);

impl Plan {
    /// The show of this seed.
    pub fn new(seed: u64) -> Plan {
        let mut luck = Luck::new(seed);
        let l = &mut luck;
        let rig = rig(l);
        let mut events = Vec::new();
        let gaps = songs(l, &mut events);
        let clusters = 2 + l.below(3);
        for _ in 0..clusters {
            cluster(l, &gaps, &mut events);
        }
        if l.chance(10) {
            let at = l.between(Span::from_secs(60), SHOW - Span::from_secs(60));
            events.push((at, Deed::Person(Person::Mode(l.pick(&[Mode::Observe, Mode::Propose])))));
            events.push((at + Span::from_secs(300), Deed::Person(Person::Mode(Mode::Act))));
        }
        events.retain(|e| e.0 < SHOW - Span::from_secs(2));
        events.sort_by_key(|e| e.0);
        Plan { rig, length: SHOW, events }
    }
}

fn rig(l: &mut Luck) -> Rig {
    let tap = l.chance(65);
    let paths = if l.chance(50) { 2 } else { 1 };
    let lossy = l.chance(15);
    Rig {
        paths,
        tap,
        pilot: l.chance(70),
        ltc: l.chance(50),
        on_link_loss: l.pick(&[None, Some(LinkLoss::Hold), Some(LinkLoss::Changeover), Some(LinkLoss::Changeover)]),
        lone_stop: l.pick(&[LoneStop::Propose, LoneStop::Propose, LoneStop::Changeover]),
        mode: if l.chance(90) { Mode::Act } else { l.pick(&[Mode::Observe, Mode::Propose]) },
        loss: if lossy { 0.01 + 0.01 * l.below(5) as f64 } else { 0.0 },
        jitter: if lossy { MS.times(1 + l.below(3) as i64) } else { Span::from_micros(20 + l.below(200) as i64) },
        skew: Span::from_micros(l.below(24_000) as i64 - 12_000),
        crystals: [l.below(61) as i32 - 30, l.below(61) as i32 - 30],
        phase: Span::from_micros(l.below(5_000) as i64),
        nic_tells: l.chance(50),
    }
}

/// Songs and gaps; returns the middles of the gaps.
fn songs(l: &mut Luck, events: &mut Vec<(Span, Deed)>) -> Vec<Span> {
    let mut gaps = Vec::new();
    let mut at = Span::from_secs(40);
    let mut song = 1;
    while at < SHOW - Span::from_secs(120) {
        events.push((at, Deed::Start(song)));
        let length = l.between(Span::from_secs(240), Span::from_secs(560));
        if l.chance(15) {
            events.push((at + length.scaled(0.4), Deed::Vamp));
        }
        at += length;
        events.push((at, Deed::Stop));
        let gap = l.between(Span::from_secs(15), Span::from_secs(60));
        gaps.push(at + gap.scaled(0.5));
        at += gap;
        song += 1;
    }
    gaps
}

const DECISIVE: [Fault; 8] = [
    Fault::Power,
    Fault::Power,
    Fault::OsFrozen,
    Fault::PlayerGone,
    Fault::PlayerFrozen,
    Fault::Callbacks,
    Fault::Muted,
    Fault::Noise,
];

fn any_fault(l: &mut Luck) -> Fault {
    use Fault::*;
    const ALL: [Fault; 36] = [
        Power,
        OsFrozen,
        Asleep,
        PlayerGone,
        PlayerFrozen,
        WindowGone,
        AgentGone,
        AgentFrozen,
        Cable,
        Path(0),
        Path(1),
        CodeLost,
        Callbacks,
        Muted,
        Stem,
        Noise,
        Glitches,
        OtherDevice,
        Media,
        Battery,
        Hot,
        DiskFull,
        StopsAlone,
        WrongSong,
        Contradicts,
        BothHosts,
        BothPlayers,
        OwnCable,
        Starved,
        Killed,
        HandOnSwitch,
        SwitchDeaf,
        SwitchPower,
        SwitchHalf,
        CommandsLost,
        Forged,
    ];
    match l.below(10) {
        0 => Jump(l.below(4_000) as i64 - 2_000),
        1 => Jump(l.below(600) as i64 - 300),
        2 => Drift(l.below(4_000) as i32 - 2_000),
        3..=5 => l.pick(&DECISIVE),
        _ => l.pick(&ALL),
    }
}

/// One to five faults within a few seconds, and what persons do about them afterwards.
fn cluster(l: &mut Luck, gaps: &[Span], events: &mut Vec<(Span, Deed)>) {
    let at = l.between(Span::from_secs(30), SHOW - Span::from_secs(150));
    let next_gap = gaps.iter().copied().find(|g| *g > at + Span::from_secs(10)).unwrap_or(SHOW - Span::from_secs(60));
    let clean = l.chance(45);
    let n = if clean { 1 } else { 1 + l.below(5) };
    for _ in 0..n {
        let fault = if clean { l.pick(&DECISIVE) } else { any_fault(l) };
        let who = if clean || l.chance(65) { Who::OnAir } else { Who::Standby };
        let begins = at + if n == 1 { Span::ZERO } else { l.between(Span::ZERO, Span::from_millis(2_500)) };
        let stays = clean || l.chance(35);
        let ends = if stays { next_gap } else { begins + short(l) };
        let id = events.len();
        events.push((begins, Deed::Break(id, fault, who)));
        events.push((ends, Deed::Mend(id)));
        if !stays && l.chance(15) {
            // And again, as a loose plug does.
            let again = ends + short(l);
            events.push((again, Deed::Break(id, fault, who)));
            events.push((again + short(l), Deed::Mend(id)));
        }
    }
    let after = |l: &mut Luck| at + l.between(Span::from_millis(500), Span::from_secs(6));
    if l.chance(20) {
        let act = l.pick(&[
            Person::Release,
            Person::Changeover,
            Person::Forced,
            Person::StandbyOut,
            Person::Answer(true),
            Person::Answer(false),
        ]);
        events.push((after(l), Deed::Person(act)));
    }
    if l.chance(85) {
        events.push((next_gap + Span::from_secs(3), Deed::Person(Person::AllBack)));
        events.push((next_gap + Span::from_secs(3), Deed::Person(Person::Release)));
    }
}

/// From the veto's time to a few seconds, short ones as likely as long ones.
fn short(l: &mut Luck) -> Span {
    let octave = l.below(8);
    l.between(MS.times(10 << octave), MS.times(20 << octave))
}
