//! The tap: the switch's output as the supervisor hears it, and which machine it carries: by a pilot tone, by the place of its timecode,
//! or because one machine alone sounds.

use base::{AudioState, Dbfs, Machine, MonoTime, PlayerState, ShowPosition, Span};
use rig::MachineEvidence;

use crate::carried::{Carried, Plays};
use crate::machine::PerMachine;

/// What the tap shows is worth something for this long.
pub const TAP_IS_WORTH: Span = Span::from_millis(300);
/// What is carried is known for sure when it has been so for longer than a switch takes.
const SETTLED: Span = Span::from_millis(300);
/// By the place of its code a tap tells after a changeover: the broken frame, three whole ones at 24 a second, and what they need to come.
const PLACE_TAKES: Span = Span::from_millis(250);
/// Programme on the tap: a level above what a line hums by itself (common practice, no source) ...
const SOUNDS: Dbfs = Dbfs(-50.0);
/// ... a moment ago.
const JUST_NOW: Span = Span::from_millis(40);

/// A machine that alone sounded for this long is what a tap that sounds carries.
const ALONE: Span = Span::from_millis(150);

/// What the tap of the switch's output sounds like, as its listener found it.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct TapReport {
    /// When it was found.
    pub at: MonoTime,
    /// How often it was opened so far: each time its way may be another.
    pub opened: u32,
    /// The newest non-zero sample of programme.
    pub last_sound: Option<MonoTime>,
    /// The machine whose pilot is heard.
    pub pilot: Option<Machine>,
    /// A frame of timecode that ended since the last report: when, and the place at that instant.
    pub code: Option<(MonoTime, ShowPosition)>,
    /// Programme level.
    pub level: Dbfs,
}

impl TapReport {
    /// A tap on which nothing is heard.
    pub fn quiet(at: MonoTime) -> TapReport {
        TapReport { at, opened: 1, last_sound: None, pilot: None, code: None, level: Dbfs::SILENCE }
    }
}

/// By what the tap tells which machine it carries.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum TapSign {
    /// That machine's pilot tone.
    Pilot,
    /// Its timecode lies where that machine's does.
    Place,
    /// It sounds, and that machine alone does.
    Sound,
}

/// What the tap carries.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Carries {
    /// Which machine.
    pub machine: Machine,
    /// By what.
    pub by: TapSign,
    /// When that was heard.
    pub at: MonoTime,
}

/// What is known of the tap.
#[derive(Default)]
pub struct Tap {
    newest: Option<TapReport>,
    place: Carried,
    /// What is carried as the switch or a pilot says it, and since when.
    known: Option<(Machine, MonoTime)>,
    ever_pilot: bool,
    ever_place: bool,
    carries: Option<Carries>,
}

impl Tap {
    /// The listener's news. `switch`: what the switch says of itself now. `plays`: what a machine played at an instant. `alone`: whether a
    /// machine alone has sounded for a while.
    pub fn on_report(
        &mut self,
        report: TapReport,
        switch: Option<Machine>,
        plays: impl Fn(Machine, MonoTime) -> Plays,
        alone: Option<Machine>,
    ) {
        if self.newest.is_some_and(|n| n.opened != report.opened) {
            self.place.forget();
        }
        self.newest = Some(report);
        self.ever_pilot |= report.pilot.is_some();
        let says = report.pilot.or(switch);
        self.known = says.map(|m| self.known.filter(|k| k.0 == m).unwrap_or((m, report.at)));
        if let Some((at, place)) = report.code {
            let mut all = PerMachine::<Plays>::default();
            Machine::first(all.len()).zip(&mut all).for_each(|(m, p)| *p = plays(m, at));
            let known = self.known.filter(|k| at - k.1 >= SETTLED).map(|k| k.0);
            self.place.on_code(at, place, &all, known);
        }
        let place = self.place.now(report.at);
        self.ever_place |= place.is_some();
        let sounds = report.level.0 > SOUNDS.0 && report.last_sound.is_some_and(|t| report.at - t <= JUST_NOW);
        let as_of = |machine, by, at| Carries { machine, by, at };
        let pilot = report.pilot.map(|m| as_of(m, TapSign::Pilot, report.at));
        let place = place.map(|(m, at)| as_of(m, TapSign::Place, at));
        let sound = alone.filter(|_| sounds).map(|m| as_of(m, TapSign::Sound, report.at));
        self.carries = pilot.or(place).or(sound);
    }

    /// The newest report.
    pub fn newest(&self) -> Option<TapReport> {
        self.newest
    }

    /// Which machine it carried when it was last heard.
    pub fn carries(&self) -> Option<Carries> {
        self.carries
    }

    /// How long after a changeover it takes to tell what it carries.
    pub fn takes(&self) -> Span {
        if self.ever_place && !self.ever_pilot { PLACE_TAKES } else { Span::ZERO }
    }
}

/// The machine that sounds when all others have been silent for a while, by their own agents' word. One that is not heard tells nothing.
pub fn alone_sounds(machines: &[MachineEvidence], now: MonoTime) -> Option<Machine> {
    let audio = |e: &MachineEvidence| e.audio.and_then(|a| a.fresh(now));
    let quiet = |e: &MachineEvidence| {
        let gone = e.player.and_then(|p| p.fresh(now)) == Some(PlayerState::Gone);
        let silent = gone || matches!(audio(e), Some(AudioState::Silent | AudioState::Ceased));
        silent && e.last_sound.is_none_or(|t| now - t >= ALONE)
    };
    let one = machines.iter().position(|e| audio(e) == Some(AudioState::Sounding))?;
    let others_quiet = machines.iter().enumerate().all(|(i, e)| i == one || quiet(e));
    Machine::new(one).filter(|_| others_quiet)
}

#[cfg(test)]
mod tests {
    use base::Reading;

    use super::*;

    fn machine(audio: AudioState, last_sound: u64) -> MachineEvidence {
        let at = MonoTime::from_nanos(10_000_000_000);
        MachineEvidence {
            audio: Some(Reading { value: audio, as_of: at, expires: at + Span::from_secs(1) }),
            last_sound: Some(MonoTime::from_nanos(last_sound * 1_000_000)),
            ..MachineEvidence::default()
        }
    }

    #[test]
    fn one_alone_sounds_when_the_other_has_been_silent_for_a_while() {
        let now = MonoTime::from_nanos(10_010_000_000);
        let (a, b) = (machine(AudioState::Silent, 9_800), machine(AudioState::Sounding, 10_005));
        assert_eq!(alone_sounds(&[a, b], now), Some(Machine::B));
        assert_eq!(alone_sounds(&[machine(AudioState::Silent, 9_950), b], now), None, "only just");
        assert_eq!(alone_sounds(&[machine(AudioState::Sounding, 10_005), b], now), None);
        assert_eq!(alone_sounds(&[machine(AudioState::Unknown, 9_800), b], now), None, "not heard is not silent");
        assert_eq!(alone_sounds(&[a, a], now), None);
    }

    /// By sound a tap tells only while it sounds itself; a pilot is believed before a place, and that before sound.
    #[test]
    fn a_tap_that_sounds_carries_the_one_that_sounds_alone() {
        let mut tap = Tap::default();
        let at = MonoTime::from_nanos(10_000_000_000);
        let nothing = |_: Machine, _: MonoTime| Plays::Nothing;
        tap.on_report(TapReport::quiet(at), None, nothing, Some(Machine::B));
        assert_eq!(tap.carries(), None);
        let sounding = TapReport { last_sound: Some(at), level: Dbfs(-20.0), ..TapReport::quiet(at) };
        tap.on_report(sounding, None, nothing, Some(Machine::B));
        assert_eq!(tap.carries(), Some(Carries { machine: Machine::B, by: TapSign::Sound, at }));
        tap.on_report(TapReport { pilot: Some(Machine::A), ..sounding }, None, nothing, Some(Machine::B));
        assert_eq!(tap.carries(), Some(Carries { machine: Machine::A, by: TapSign::Pilot, at }));
    }
}
