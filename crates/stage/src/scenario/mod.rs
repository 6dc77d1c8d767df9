//! Scenario files: a show, what breaks in it and when, and what must come of it. The same file drives the rig in virtual time and
//! the demo's real processes.
//!
//! ```toml
//! about = "The host of the on-air machine vanishes: silence on every path."
//! real = true                  # also with real processes
//! length = "20s"
//! [[step]]
//! at = "10s"
//! machine = "on-air"
//! fault = "power"
//! [expect]
//! changeovers = 1
//! to = "b"
//! within = "30ms"
//! alarms = ["host-silent"]
//! on_air_at_end = "b"
//! ```
//!
//! The show starts by itself: song 1 is loaded at 1 s and started at 3 s.

mod builtin;
mod timeline;
mod verdict;
mod words;

use base::Ppm;
use serde::{Deserialize, Serialize};
use settings::duration::Duration;
use settings::rig::{HeardBy, LoneStop, Mode, OnLinkLoss};
use settings::{SettingsError, parse};

use crate::weather::Weather;

pub use builtin::{builtin, names};
pub use timeline::{Deed, Moment};
pub use verdict::{Seen, SeenAlarm, SeenChangeover};
pub use words::{Act, Fault, Show, Who};

/// A scenario.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Scenario {
    /// Its name: the file's, without its ending.
    #[serde(skip)]
    pub name: String,
    /// What happens, in a sentence.
    pub about: String,
    /// Whether real processes can play it too; else virtual time alone.
    #[serde(default)]
    pub real: bool,
    /// How long it lasts.
    pub length: Duration,
    /// How long it lasts in virtual time, where that is longer.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub virtual_length: Option<Duration>,
    /// When song 1 starts.
    #[serde(default = "default_start")]
    pub start: Duration,
    /// What differs from the plain rig.
    #[serde(default)]
    pub rig: RigSetup,
    /// What happens, in order of time.
    #[serde(default, rename = "step")]
    pub steps: Vec<Step>,
    /// What must come of it.
    pub expect: Expect,
}

fn default_start() -> Duration {
    Duration::secs(3)
}

/// The rig of a scenario. The plain one has two machines, two network paths, a tap and acts by itself.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct RigSetup {
    /// What the supervisor may do by itself.
    pub mode: Mode,
    /// Who hears the machines.
    pub heard_by: HeardBy,
    /// Network paths for beats: 1 or 2.
    pub paths: u8,
    /// Whether the supervisor hears the switch's output.
    pub tap: bool,
    /// Whether each machine has a pilot tone of its own that the tap knows it by.
    pub pilots: bool,
    /// The policy for a lost link, if a person chose one.
    pub on_link_loss: Option<OnLinkLoss>,
    /// The policy for one machine that stops alone.
    pub lone_stop: LoneStop,
    /// A first output that leads nowhere stands before the real one.
    pub dead_output: bool,
    /// Errors of the machines' crystals.
    pub crystals: [Ppm; 2],
    /// How much later each machine starts.
    pub start_skew: [Duration; 2],
    /// Each MIDI message is late by up to this.
    pub midi_jitter: Duration,
    /// MIDI leaves at the ends of buffers of this many samples; 0: at its own time.
    pub midi_clump: u32,
    /// The first machine's player ends by itself in the midst of what it sends to outboard devices.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub ends_in_patches: Option<EndsInPatches>,
    /// The network, from the beginning.
    pub weather: Weather,
}

/// Where a player ends by itself. Real processes only.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct EndsInPatches {
    /// Right after so many channel messages to outboard devices.
    pub after: u32,
    /// Having begun a system exclusive message.
    #[serde(default)]
    pub in_exclusive: bool,
}

impl Default for RigSetup {
    fn default() -> RigSetup {
        RigSetup {
            mode: Mode::Act,
            heard_by: HeardBy::Agents,
            paths: 2,
            tap: true,
            pilots: true,
            on_link_loss: None,
            lone_stop: LoneStop::Propose,
            dead_output: false,
            crystals: [Ppm(14.0), Ppm(-9.0)],
            start_skew: [Duration::millis(0), Duration::millis(3)],
            midi_jitter: Duration::millis(1),
            midi_clump: 0,
            ends_in_patches: None,
            weather: Weather::default(),
        }
    }
}

/// Something that happens. Exactly one of `fault`, `mend`, `show` and `act` is given.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Step {
    /// When, from the beginning.
    pub at: Duration,
    /// To which machine.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub machine: Option<Who>,
    /// What breaks.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fault: Option<Fault>,
    /// What is mended again: the fault of that name.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mend: Option<Fault>,
    /// What the show does.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub show: Option<Show>,
    /// What a person does.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub act: Option<Act>,
    /// The fault is mended after this long.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lasts: Option<Duration>,
    /// It happens again and again at this distance,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub every: Option<Duration>,
    /// this many times in all.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub times: Option<u32>,
}

/// What must come of it. What is not given is not asked.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Expect {
    /// How many changeovers the rig makes by itself.
    pub changeovers: u32,
    /// Where the last one goes.
    pub to: Option<Who>,
    /// From the first fault to its command, at most, in virtual time.
    pub within: Option<Duration>,
    /// The same with real processes.
    pub within_real: Option<Duration>,
    /// From the first fault to its command, at least: confirmation must not be skipped.
    pub not_before: Option<Duration>,
    /// What the house misses, at most.
    pub gap: Option<Duration>,
    /// How far the programme skips, either way, at most.
    pub jump: Option<Duration>,
    /// Whether a changeover is proposed.
    pub proposed: Option<bool>,
    /// Codes of alarms that must appear.
    pub alarms: Vec<String>,
    /// Codes of alarms that must not appear.
    pub no_alarms: Vec<String>,
    /// No alarm at all but those in `alarms`.
    pub quiet: bool,
    /// From the first fault to the first of `alarms`, at most.
    pub alarm_within: Option<Duration>,
    /// Which machine is on air at the end; `a` or `b`.
    pub on_air_at_end: Option<Who>,
    /// Whether the rig is latched at the end.
    pub latched_at_end: Option<bool>,
}

impl Scenario {
    /// Parses and checks the text of a scenario file.
    ///
    /// # Errors
    /// What is wrong, where, and the mend.
    pub fn parse(file: &str, text: &str) -> Result<Scenario, SettingsError> {
        let mut s: Scenario = parse(file, text)?;
        let stem = file.rsplit('/').next().unwrap_or(file);
        s.name = stem.strip_suffix(".toml").unwrap_or(stem).to_owned();
        let err = |key: &str, what: String, mend: &str| Err(SettingsError::at_key(file, text, key, what, mend));
        if !(1..=2).contains(&s.rig.paths) {
            return err("rig.paths", "there are one or two network paths".into(), "write paths = 2");
        }
        if let Err(what) = s.rig.weather.check() {
            return err("rig.weather", what, "see the fields of weather");
        }
        let longest = s.virtual_length.unwrap_or(s.length).max(s.length);
        for (i, step) in s.steps.iter().enumerate() {
            if let Err((key, what, mend)) = step.check(longest, s.real, s.rig.heard_by == HeardBy::Supervisor) {
                return err(&format!("step[{i}].{key}"), what, mend);
            }
        }
        let known = |code: &String| rig::AlarmCode::ALL.iter().any(|a| a.code() == code);
        for (key, codes) in [("expect.alarms", &s.expect.alarms), ("expect.no_alarms", &s.expect.no_alarms)] {
            if let Some(code) = codes.iter().find(|c| !known(c)) {
                return err(key, format!("no alarm is called \"{code}\""), "use a code of the alarm list");
            }
        }
        if s.expect.changeovers == 0 && (s.expect.to.is_some() || s.expect.within.is_some()) {
            return err(
                "expect.changeovers",
                "a changeover is described but none is expected".into(),
                "write changeovers = 1",
            );
        }
        if s.expect.on_air_at_end.is_some_and(|w| w.fixed().is_none()) {
            return err("expect.on_air_at_end", "this depends on what is on air".into(), "write \"a\" or \"b\"");
        }
        Ok(s)
    }

    /// Lets others hear the machines than the file says.
    ///
    /// # Errors
    /// Which of its faults that rig cannot have.
    pub fn set_heard_by(&mut self, by: HeardBy) -> Result<(), String> {
        let outside = by == HeardBy::Supervisor;
        let faults = self.steps.iter().filter_map(|s| s.fault.or(s.mend));
        if let Some(f) = faults.into_iter().find(|f| f.wants_outside(true).is_some_and(|w| w != outside)) {
            return Err(format!("the scenario \"{}\" has a fault that this rig cannot have: {f:?}", self.name));
        }
        self.rig.heard_by = by;
        Ok(())
    }

    /// When the first fault happens.
    pub fn first_fault(&self) -> Option<Duration> {
        self.steps.iter().filter(|s| s.fault.is_some()).map(|s| s.at).min()
    }
}

impl Step {
    fn check(&self, longest: Duration, real: bool, outside: bool) -> Result<(), (&'static str, String, &'static str)> {
        let given = [self.fault.is_some(), self.mend.is_some(), self.show.is_some(), self.act.is_some()];
        if given.iter().filter(|g| **g).count() != 1 {
            return Err(("at", "a step does exactly one thing".into(), "give one of fault, mend, show and act"));
        }
        if self.at > longest {
            return Err(("at", "this is after the end".into(), "make the scenario longer"));
        }
        if let Some(f) = self.fault.or(self.mend) {
            match (f.needs_machine(), self.machine) {
                (true, None) => {
                    return Err(("machine", "this fault hits a machine".into(), "write machine = \"on-air\""));
                }
                (false, Some(_)) => return Err(("machine", "this fault hits no machine".into(), "leave machine out")),
                _ => {}
            }
            if outside != f.wants_outside(real).unwrap_or(outside) {
                let what = if outside {
                    "nothing runs on the machines"
                } else {
                    "the supervisor's own inputs do not hear them"
                };
                return Err(("fault", what.into(), "see rig.heard_by"));
            }
            if real && !f.is_real() {
                return Err(("fault", "real processes cannot do this".into(), "write real = false"));
            }
            if let Fault::Weather(w) = f
                && let Err(what) = w.check()
            {
                return Err(("fault", what, "see the fields of weather"));
            }
        }
        if self.act.is_some_and(|a| !matches!(a, Act::Release | Act::Mode(_))) && self.machine.is_none() {
            return Err(("machine", "this act concerns a machine".into(), "write machine = \"b\""));
        }
        if self.every.is_some() != self.times.is_some() {
            return Err(("every", "every and times belong together".into(), "give both"));
        }
        if self.lasts.is_some() && self.fault.is_none() {
            return Err(("lasts", "only a fault lasts".into(), "leave it out"));
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests;
