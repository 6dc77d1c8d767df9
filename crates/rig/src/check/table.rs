//! The items in the order in which a person mends them, each with its words and its judge.

use base::Span;

use super::{Depth, Found, Limits, Row, Seen, Verdict, kit, network, sound, switch};

macro_rules! items {
    ($($(#[$doc:meta])* $name:ident = $code:literal),* $(,)?) => {
        /// What the check looks at.
        #[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
        pub enum Item { $($(#[$doc])* $name),* }
        impl Item {
            /// Every item.
            pub const ALL: &'static [Item] = &[$(Item::$name),*];
            /// Its code, stable over versions.
            pub const fn code(self) -> &'static str { match self { $(Item::$name => $code),* } }
        }
    };
}

items! {
    /// Every machine's agent is heard.
    Heard = "heard",
    /// No machine is out of service.
    InService = "in-service",
    /// Agents of one version.
    Agents = "agents",
    /// Clocks are tracked.
    Clocks = "clocks",
    /// Every path carries beats.
    Paths = "paths",
    /// The same system and build.
    System = "system",
    /// The player runs.
    PlayerRuns = "player-runs",
    /// The same player.
    Player = "player",
    /// The same sample rate.
    SampleRate = "sample-rate",
    /// The same buffer.
    Buffer = "buffer",
    /// The same audio device.
    Device = "device",
    /// The same clock source.
    ClockSource = "clock-source",
    /// The same channels.
    Channels = "channels",
    /// Configured sources are open.
    Sources = "sources",
    /// Mains power.
    Mains = "mains",
    /// Free disk.
    Disk = "disk",
    /// Free memory.
    Memory = "memory",
    /// Processor headroom.
    Processor = "processor",
    /// Temperature.
    Temperature = "temperature",
    /// Real-time priority of the agent.
    Priority = "priority",
    /// No sleep.
    Sleep = "sleep",
    /// No updates.
    Updates = "updates",
    /// No notifications.
    Notifications = "notifications",
    /// The same session files.
    Session = "session",
    /// The session was opened after its files last changed.
    SessionLoaded = "session-loaded",
    /// The switch says what is on air.
    OnAir = "on-air",
    /// No latch.
    Latch = "latch",
    /// Outputs answer.
    Outputs = "outputs",
    /// The tap is heard.
    Tap = "tap",
    /// The record can be written.
    Record = "record",
    /// Pilot tones.
    Pilot = "pilot",
    /// The real changeover, both ways.
    Changeover = "changeover",
    /// What was heard of it.
    ChangeoverHeard = "changeover-heard",
    /// Press once, all start.
    Trigger = "trigger",
    /// Timecode from every machine.
    Timecode = "timecode",
    /// Codes of one machine agree.
    CodesAgree = "codes-agree",
    /// Start skew.
    StartSkew = "start-skew",
    /// Offset.
    Offset = "offset",
    /// Drift.
    Drift = "drift",
    /// The same sound.
    Sound = "sound",
    /// The same level.
    Level = "level",
    /// The same polarity.
    Polarity = "polarity",
    /// The same lag.
    Lag = "lag",
    /// No dropouts.
    Dropouts = "dropouts",
    /// The same patches.
    Patches = "patches",
}

/// What is said of an item that only an agent on the machine could tell.
pub const OUTSIDE: &str = "not known: heard by the supervisor alone";

impl Item {
    /// Whether only an agent on the machine itself can tell: where there is none nobody waits for it.
    pub const fn is_inside(self) -> bool {
        use Item::*;
        matches!(
            self,
            Agents
                | Paths
                | System
                | PlayerRuns
                | Player
                | SampleRate
                | Buffer
                | Device
                | ClockSource
                | Mains
                | Disk
                | Memory
                | Processor
                | Temperature
                | Priority
                | Sleep
                | Updates
                | Notifications
                | Session
                | SessionLoaded
        )
    }
}

/// One item with its words and its judge.
pub struct Entry {
    /// Which.
    pub item: Item,
    /// Its code.
    pub code: &'static str,
    /// What is looked at.
    pub title: &'static str,
    /// Why it matters.
    pub why: &'static str,
    /// What to do when it is not so.
    pub mend: &'static str,
    /// The least depth that tests it.
    pub from: Depth,
    /// A run of that depth does not pass without it.
    pub must: bool,
    limit: fn(&Limits) -> String,
    judge: fn(&Seen, &Limits) -> Found,
}

impl Entry {
    /// Its line of the sheet.
    pub fn row(&self, seen: &Seen, limits: &Limits) -> Row {
        let found = if seen.depth < self.from {
            Found::untested(format!("needs a {} check", self.from.word()))
        } else if seen.outside && self.item.is_inside() {
            Found::untested(OUTSIDE)
        } else {
            (self.judge)(seen, limits)
        };
        let mend = if found.verdict > Verdict::NotTested { self.mend } else { "" };
        Row {
            code: self.code.into(),
            title: self.title.into(),
            verdict: found.verdict,
            measured: found.measured,
            limit: (self.limit)(limits),
            why: self.why.into(),
            mend: mend.into(),
            machines: found.machines,
        }
    }
}

fn none(_: &Limits) -> String {
    String::new()
}
fn same(_: &Limits) -> String {
    "the same on all machines".into()
}
fn up_to(span: Span) -> String {
    format!("at most {} ms", span.millis_f64())
}
fn bytes(b: u64) -> String {
    kit::bytes(b)
}

const fn entry(
    item: Item,
    (from, must): (Depth, bool),
    [title, why, mend]: [&'static str; 3],
    limit: fn(&Limits) -> String,
    judge: fn(&Seen, &Limits) -> Found,
) -> Entry {
    Entry { item, code: item.code(), title, why, mend, from, must, limit, judge }
}

const QUICK: (Depth, bool) = (Depth::Quick, false);
const QUICK_MUST: (Depth, bool) = (Depth::Quick, true);
const FAST: (Depth, bool) = (Depth::Fast, false);
const FAST_MUST: (Depth, bool) = (Depth::Fast, true);
const FULL: (Depth, bool) = (Depth::Full, false);
const FULL_MUST: (Depth, bool) = (Depth::Full, true);

/// See the module.
#[rustfmt::skip]
pub const TABLE: &[Entry] = &[
    entry(Item::Heard, QUICK_MUST, [
        "Every machine is heard",
        "A machine that is not heard can neither be watched nor take over.",
        "Start its agent, and look at its network cable and its log.",
    ], none, network::heard),
    entry(Item::InService, QUICK_MUST, [
        "Every machine is in service",
        "A machine out of service is no standby: there is nothing to change over to.",
        "Take it back into service on the page.",
    ], none, network::in_service),
    entry(Item::Agents, QUICK, [
        "Agents of one version",
        "An older agent may measure or report differently.",
        "Put the same version of Twinkeel on all machines.",
    ], same, kit::agents),
    entry(Item::Clocks, QUICK_MUST, [
        "Clocks are tracked",
        "Positions can be compared no better than the machines' clocks are known.",
        "Use a cable instead of a radio link, and take other traffic off it.",
    ], |l| up_to(l.clock_bound), network::clocks),
    entry(Item::Paths, QUICK_MUST, [
        "Every network path carries beats",
        "With one path down the next pulled cable looks like a dead machine.",
        "Look at the cable, the port and the address of the path that is named.",
    ], none, network::paths),
    entry(Item::System, QUICK, [
        "The same operating system and build",
        "Another build has other drivers and other latencies: twins should be twins.",
        "Bring both to the same build, on a day without a show.",
    ], same, kit::system),
    entry(Item::PlayerRuns, QUICK_MUST, [
        "The player runs",
        "Without a player a machine plays nothing.",
        "Start the player and open the session.",
    ], none, kit::player_runs),
    entry(Item::Player, QUICK, [
        "The same player",
        "Another version may read the same session differently.",
        "Install the same version of the player on all machines.",
    ], same, kit::player),
    entry(Item::SampleRate, QUICK, [
        "The same sample rate",
        "44.1 against 48 kHz plays at another pitch and speed.",
        "Set the device and the session of the machine that is named to the show's rate.",
    ], same, kit::sample_rate),
    entry(Item::Buffer, QUICK, [
        "The same buffer",
        "Another buffer is another latency: one machine plays late, always.",
        "Set the same buffer size in both players.",
    ], same, kit::buffer),
    entry(Item::Device, QUICK, [
        "The same audio device",
        "A player that fell back to another device plays into nowhere, or into the room.",
        "Look at the interface and its cable, and select it again in the player.",
    ], same, kit::device),
    entry(Item::ClockSource, QUICK, [
        "The same clock source",
        "Devices on clocks of their own drift apart all night.",
        "Set both devices to the same word clock, or both to their own.",
    ], same, kit::clock_source),
    entry(Item::Channels, QUICK, [
        "The same channels in the same order",
        "A moved channel puts the click into the PA.",
        "Compare the players' outputs and the agents' channel names.",
    ], same, kit::channels),
    entry(Item::Sources, QUICK_MUST, [
        "MIDI ports and other sources are there",
        "A port that is missing carries no timecode, no patches and no trigger.",
        "Plug it in again, and look whether its name has changed (twinkeel devices).",
    ], none, kit::sources),
    entry(Item::Mains, QUICK, [
        "On mains power",
        "A machine on its battery ends in the middle of the show.",
        "Look at the power supply, its cable and the socket.",
    ], none, kit::mains),
    entry(Item::Disk, QUICK, [
        "Free disk",
        "A full disk stops recordings, logs and sometimes the player.",
        "Empty what is not needed for the show.",
    ], |l| format!("at least {}", bytes(l.disk_fail)), kit::disk),
    entry(Item::Memory, QUICK, [
        "Free memory",
        "A machine without free memory swaps, and the sound stutters.",
        "End other programs, or start the machine anew.",
    ], |l| format!("at least {}", bytes(l.memory_fail)), kit::memory),
    entry(Item::Processor, QUICK, [
        "Processor headroom",
        "A busy processor has nothing left for the loud song.",
        "See what runs beside the player, and end it.",
    ], |l| format!("at most {} % in use", l.cpu_warn / 10), kit::processor),
    entry(Item::Temperature, QUICK, [
        "Temperature",
        "A hot processor slows itself down.",
        "Give it air, take it out of the sun, clean its fans.",
    ], |l| format!("below {} \u{b0}C", l.hot_tenths / 10), kit::temperature),
    entry(Item::Priority, QUICK, [
        "The agent has real-time priority",
        "An agent that has to queue for the processor looks like a stumbling machine.",
        "Let the agent's user have real-time priority (deploy/ says how).",
    ], none, kit::priority),
    entry(Item::Sleep, QUICK, [
        "Sleep is off",
        "A machine that falls asleep takes the show with it.",
        "Turn sleep off for the show.",
    ], none, kit::sleep),
    entry(Item::Updates, QUICK, [
        "Updates are off",
        "An update takes processor and network, and may start the machine anew.",
        "Turn automatic updates off until the tour ends.",
    ], none, kit::updates),
    entry(Item::Notifications, QUICK, [
        "Notifications are off",
        "A notification sounds in the PA and takes the keyboard away.",
        "Turn on \u{201c}do not disturb\u{201d}.",
    ], none, kit::notifications),
    entry(Item::Session, QUICK, [
        "The same session files",
        "An edit that reached one machine only is heard at the changeover.",
        "Copy the session to the machine that lacks the edit, and open it again there.",
    ], same, kit::session),
    entry(Item::SessionLoaded, QUICK, [
        "The session was opened after its last change",
        "The same files on disk are not the same session loaded: the edit at soundcheck is in one player only.",
        "Close and open the session again on the machine that is named.",
    ], none, kit::session_loaded),
    entry(Item::OnAir, QUICK_MUST, [
        "The switch says what is on air",
        "While nobody knows what is on air, nothing may move by itself.",
        "Look at the switch's power and its answer; several units must all be on the same side.",
    ], none, switch::on_air),
    entry(Item::Latch, QUICK_MUST, [
        "The rig is not latched",
        "A latched rig does nothing by itself: it is unprotected.",
        "Release the latch once the machine that was left is mended.",
    ], none, switch::latch),
    entry(Item::Outputs, QUICK_MUST, [
        "Every output to the switch answers",
        "The output that fails is found out here, or when it is needed.",
        "Look at the cable and address of the output that is named.",
    ], none, switch::outputs),
    entry(Item::Tap, QUICK, [
        "The tap is heard",
        "Without the tap nobody knows whether the stage has sound.",
        "Look at the cable from the switch's output to the supervisor.",
    ], none, switch::tap),
    entry(Item::Record, QUICK_MUST, [
        "The record can be written",
        "What is not recorded cannot be looked into tomorrow.",
        "See that the disk is not full and the folder of shows may be written.",
    ], none, switch::record),
    entry(Item::Pilot, FAST, [
        "Every machine's pilot tone is heard",
        "The pilot tells a machine that plays silence from one that is dead.",
        "Look at the pilot channel in the session, its routing and the interface.",
    ], none, sound::pilot),
    entry(Item::Changeover, FAST_MUST, [
        "A real changeover, there and back",
        "A changeover that never was tried does not work.",
        "Look at the switch, the output that commands it, and its answer.",
    ], |l| format!("confirmed within {} ms", l.confirm.millis_f64()), switch::changeover),
    entry(Item::ChangeoverHeard, FAST, [
        "What the audience would hear of it",
        "A changeover that is heard is better than silence, and worse than none.",
        "A hole: look at the switch. A jump: bring the machines into step.",
    ], |l| format!("hole at most {} ms, jump at most {} ms", l.gap_fail.millis_f64(), l.in_step.millis_f64()), switch::changeover_heard),
    entry(Item::Trigger, FULL, [
        "Press once, all start",
        "A trigger that reaches one machine only leaves the standby behind.",
        "Look at the trigger's splitter and cables, and at the note that the agents wait for.",
    ], |l| up_to(l.trigger), switch::trigger),
    entry(Item::Timecode, FULL_MUST, [
        "Timecode from every machine",
        "A machine whose code is not heard cannot be compared, and is no standby.",
        "Look at the code's channel or port, and whether the session sends it.",
    ], none, sound::timecode),
    entry(Item::CodesAgree, FULL, [
        "The codes of a machine agree",
        "Two codes that contradict each other come from two places in the show.",
        "Look which code starts elsewhere: an old print, or another frame rate.",
    ], none, sound::codes_agree),
    entry(Item::StartSkew, FULL_MUST, [
        "Start skew",
        "Machines that start apart stay apart for the whole song.",
        "Start both by the same trigger, with the same buffer.",
    ], |l| up_to(l.in_step), sound::start_skew),
    entry(Item::Offset, FULL_MUST, [
        "Offset",
        "The offset is the jump that the audience would hear.",
        "Stop both and start them again by the same trigger.",
    ], |l| up_to(l.in_step), sound::offset),
    entry(Item::Drift, FULL, [
        "Drift over the longest song",
        "Machines in step at the start may be out of step at its end.",
        "Lock both interfaces to one word clock.",
    ], |l| format!("grows by at most {} ms", l.in_step.millis_f64()), sound::drift),
    entry(Item::Sound, FULL_MUST, [
        "The same sound on every channel",
        "Only the sound itself shows another mix, a muted stem, last week's print.",
        "Compare the channel that is named in both sessions: mutes, routing, files.",
    ], none, sound::alike),
    entry(Item::Level, FULL, [
        "The same level on every channel",
        "A louder standby hurts in in-ear monitors at the changeover.",
        "Compare faders, trims and the interface's output level.",
    ], |l| format!("within {} dB", l.level.0), sound::level),
    entry(Item::Polarity, FULL, [
        "The same polarity on every channel",
        "Inverted, the low end vanishes where both are summed.",
        "Look for a polarity switch, or a balanced cable with its wires crossed.",
    ], none, sound::polarity),
    entry(Item::Lag, FULL, [
        "The sound lies where the code says",
        "Code in step and sound late means latency that the session does not compensate.",
        "Compare plug-ins, latency compensation and buffers.",
    ], |l| format!("within {} ms of the code", l.lag.millis_f64()), sound::lag),
    entry(Item::Dropouts, FULL, [
        "No dropouts while it rolled",
        "A machine that stutters in a quiet minute fails in a loud one.",
        "A larger buffer, fewer programs, another cable to the interface.",
    ], |l| format!("at most {}", l.dropouts), sound::dropouts),
    entry(Item::Patches, FULL, [
        "The same patches from every machine",
        "After a changeover the effects unit must not stand on another patch.",
        "Compare the program changes in both sessions.",
    ], same, sound::patches),
];
