//! What came of a run: `summary.json`, from the supervisor's own event lines, its last snapshots and the recording of the house.

use std::path::Path;

use base::{Machine, MonoTime, Span};
use serde::{Deserialize, Serialize};
use supervisor::snapshot::{Mode, Snapshot};

use crate::house;
use crate::scenario::{Scenario, Seen, SeenAlarm, SeenChangeover};
use crate::switch::HouseNote;

/// The summary of a run. What did not happen is null.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct Summary {
    /// The scenario's name.
    pub scenario: String,
    /// The seed.
    pub seed: u64,
    /// When the fault happened that the rig acted on (the first, where it did not act), from the beginning, in seconds.
    pub fault_at_s: Option<f64>,
    /// From the fault to the verdict, in milliseconds.
    pub verdict_after_ms: Option<f64>,
    /// From the fault to the command on the output, in milliseconds.
    pub command_after_ms: Option<f64>,
    /// Longest stretch without programme round the changeover, measured in house.wav, in milliseconds.
    pub house_gap_ms: Option<f64>,
    /// How far the programme skipped forward there, in milliseconds.
    pub house_jump_ms: Option<f64>,
    /// Changeovers that the rig made by itself.
    pub changeovers: u32,
    /// Those of them that should not have been.
    pub false_changeovers: u32,
    /// Alarms raised.
    pub alarms: Vec<AlarmRaised>,
    /// Whether a changeover was proposed.
    pub proposed: bool,
    /// What was on air at the end.
    pub on_air_at_end: Option<String>,
    /// The mode at the end.
    pub mode_at_end: Option<Mode>,
    /// Whether the rig was latched at the end.
    pub latched_at_end: Option<bool>,
    /// Last offset of A against B before the fault, in milliseconds.
    pub offset_ms: Option<f64>,
    /// Last drift before the fault, in ppm.
    pub drift_ppm: Option<f64>,
    /// Last bound of the clocks before the fault (the wider one), in microseconds.
    pub clock_bound_us: Option<f64>,
    /// The drift that the crystals make.
    pub drift_expected_ppm: f64,
    /// What is not as the scenario expects, in words; nothing: all is well.
    #[serde(default)]
    pub differences: Vec<String>,
}

/// One alarm.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct AlarmRaised {
    /// Its code.
    pub code: String,
    /// How urgent.
    pub priority: String,
    /// When, from the beginning, in seconds.
    pub at_s: f64,
    /// About which machine.
    pub machine: Option<String>,
}

/// A line of events.jsonl.
#[derive(Deserialize)]
struct Line {
    mono_ns: u64,
    kind: String,
    code: String,
    machine: Option<String>,
    #[serde(default)]
    detail: serde_json::Value,
}

/// What the run itself noted.
pub struct Run {
    /// When it began.
    pub began: MonoTime,
    /// When it ended.
    pub ended: MonoTime,
    /// When each fault happened, in order.
    pub faults: Vec<MonoTime>,
    /// The last snapshot before the fault (or the end).
    pub before: Option<Snapshot>,
    /// The last snapshot of all.
    pub last: Option<Snapshot>,
}

impl Summary {
    /// Puts it together after the rig has ended, and holds it against what the scenario expects.
    pub fn of(s: &Scenario, seed: u64, run: &Run, shows: &Path, recording: &Path) -> Summary {
        let mut lines = read_lines(&shows.join("events.jsonl"));
        // What came while the rig was starting up or ending is no part of the show.
        lines.retain(|l| (run.began.nanos()..=run.ended.nanos()).contains(&l.mono_ns));
        let seconds = |at: u64| (MonoTime::from_nanos(at) - run.began).secs_f64();
        let is = |l: &&Line, kind: &str, code: &str| l.kind == kind && l.code == code;
        let own = |l: &&Line| is(l, "changeover", "intent") && l.detail["rule"] != "person";
        let intent = lines.iter().find(|l| is(l, "changeover", "intent"));
        // The fault that counts is the last one before the rig acted; where it did not act, the first.
        let acted = intent.map(|l| l.mono_ns);
        let before = run.faults.iter().rev().find(|f| acted.is_some_and(|a| f.nanos() <= a));
        let fault = before.or(run.faults.first()).copied();
        let after_fault = |l: Option<&Line>| {
            let at = MonoTime::from_nanos(l?.mono_ns);
            Some((at - fault?).millis_f64()).filter(|ms| *ms >= 0.0)
        };
        let changeovers: Vec<&Line> = lines.iter().filter(own).collect();
        let command = lines.iter().find(|l| is(l, "changeover", "sent"));
        let heard = command.and_then(|c| hear(recording, MonoTime::from_nanos(c.mono_ns)));
        let ms = |s: Span| s.millis_f64();
        let offset = run.before.as_ref().and_then(|s| s.offsets.first());
        let bound = |s: &Snapshot| s.machines.iter().filter_map(|m| m.clock.bound).map(|b| b.0 * 1e3).reduce(f64::max);
        let since = |at: u64| MonoTime::from_nanos(at) - run.began;
        let machine = |l: &Line| l.machine.as_deref().and_then(|m| m.chars().next()).and_then(Machine::from_letter);
        let alarm = |l: &&Line| l.kind == "alarm" && l.detail["transition"] == "raised";
        let seen = Seen {
            fault: fault.map(|f| f - run.began),
            changeovers: lines
                .iter()
                .filter(|l| is(l, "changeover", "sent"))
                .zip(lines.iter().filter(|l| is(l, "changeover", "intent")))
                .filter_map(|(sent, intent)| {
                    let rule = intent.detail["rule"].as_str().unwrap_or_default().to_owned();
                    let by_person = rule == "person";
                    Some(SeenChangeover { at: since(sent.mono_ns), to: machine(intent)?, rule, by_person })
                })
                .collect(),
            proposed: lines.iter().any(|l| is(&l, "proposal", "proposed")),
            alarms: lines
                .iter()
                .filter(alarm)
                .map(|l| SeenAlarm { at: since(l.mono_ns), code: l.code.clone(), machine: machine(l) })
                .collect(),
            gap: heard.map(|h| h.gap),
            jump: heard.and_then(|h| h.jump),
            on_air_at_end: run.last.as_ref().and_then(|s| s.on_air).map(|l| l.0),
            latched_at_end: run.last.as_ref().map(|s| s.latched.is_some()),
            real: true,
        };
        Summary {
            scenario: s.name.clone(),
            seed,
            fault_at_s: fault.map(|f| (f - run.began).secs_f64()),
            verdict_after_ms: after_fault(intent),
            command_after_ms: after_fault(command),
            house_gap_ms: heard.map(|h| ms(h.gap)),
            house_jump_ms: heard.and_then(|h| h.jump).map(ms),
            changeovers: changeovers.len() as u32,
            false_changeovers: false_ones(s, run, &changeovers),
            alarms: lines
                .iter()
                .filter(alarm)
                .map(|l| AlarmRaised {
                    code: l.code.clone(),
                    priority: l.detail["priority"].as_str().unwrap_or_default().into(),
                    at_s: seconds(l.mono_ns),
                    machine: l.machine.clone(),
                })
                .collect(),
            proposed: seen.proposed,
            on_air_at_end: run.last.as_ref().and_then(|s| s.on_air).map(|m| m.to_string()),
            mode_at_end: run.last.as_ref().map(|s| s.mode),
            latched_at_end: run.last.as_ref().map(|s| s.latched.is_some()),
            offset_ms: offset.and_then(|o| o.now.as_ref()).map(|r| r.value.value.0),
            drift_ppm: offset.and_then(|o| o.drift).map(|d| d.rate.0),
            clock_bound_us: run.before.as_ref().and_then(bound),
            drift_expected_ppm: s.rig.crystals[0].0 - s.rig.crystals[1].0,
            differences: s.expect.differences(&seen),
        }
    }
}

/// A changeover that came before any fault, that nobody expects, or that is one too many.
fn false_ones(s: &Scenario, run: &Run, changeovers: &[&Line]) -> u32 {
    let early = changeovers.iter().filter(|l| run.faults.first().is_none_or(|f| l.mono_ns < f.nanos())).count() as u32;
    let late = changeovers.len() as u32 - early;
    early + late.saturating_sub(s.expect.changeovers)
}

fn read_lines(path: &Path) -> Vec<Line> {
    let text = std::fs::read_to_string(path).unwrap_or_default();
    // A line that was being written when its writer was killed is no line.
    text.lines().filter_map(|l| serde_json::from_str(l).ok()).collect()
}

fn hear(recording: &Path, command: MonoTime) -> Option<house::Heard> {
    let note = HouseNote::read(recording).ok()?;
    let around = command - MonoTime::from_nanos(note.start_ns);
    house::measure(recording, around).map_err(|e| tracing::warn!("{e}")).ok()
}
