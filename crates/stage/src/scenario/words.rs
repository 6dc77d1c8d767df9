//! The words of a scenario's steps: whom, what breaks, what the show and a person do.

use base::{Machine, Ppm};
use serde::{Deserialize, Serialize};
use settings::duration::Duration;
use settings::rig::Mode;

use crate::engine::AudioFault;
use crate::weather::Weather;

/// Which machine, as seen when the step happens.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Who {
    /// The one on air.
    OnAir,
    /// The first that is not on air.
    Standby,
    /// All of them at once.
    All,
    /// The first.
    A,
    /// The second.
    B,
}

/// What can break. Those above the line hit a machine, those below the supervisor or the switch.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Fault {
    /// The host vanishes: no packet more, no FIN, no sound.
    Power,
    /// The agent's process ends.
    AgentGone,
    /// The agent's process stands still.
    AgentFrozen,
    /// The player's process ends.
    PlayerGone,
    /// The player's process stands still.
    PlayerFrozen,
    /// The player's process ends as far as anybody can see, and its sound goes on.
    PlayerGoneSoundOn,
    /// Player and agent stand still; sockets stay open.
    OsFrozen,
    /// The host sleeps: as frozen, and its monotonic clock stands too.
    Suspended,
    /// No cable: every network path is cut, the machine plays on.
    Cable,
    /// One network path is cut (0 or 1).
    Path(u8),
    /// The network to this machine.
    Weather(Weather),
    /// Code and patches cease, sound goes on.
    MidiLost,
    /// Its MIDI timecode reads ahead of its LTC.
    CodeAhead(Duration),
    /// The sound is wrong.
    Audio(AudioFault),
    /// Another crystal.
    Drift(Ppm),
    /// The player fell back to another audio device.
    DeviceFallback,
    /// The disk with the session vanished.
    MediaGone,
    /// It jumps to the same place of another song.
    WrongSong(u16),
    /// It jumps forward within the song.
    JumpBy(Duration),
    /// It stops, and no cause is heard.
    StopsAlone,
    /// Pads do not reach it.
    PadsLost,
    /// The supervisor's own input that hears it is gone (a rig without agents).
    EarsLost,
    /// The plug of its sound is pulled at the supervisor's input: silence there, and the machine plays on (a rig without agents).
    PlugPulled,
    /// Its wall clock jumps forward.
    WallStep(Duration),
    /// It runs on its battery.
    OnBattery,
    /// It is too hot.
    Hot,
    /// Its disk is nearly full.
    DiskLow,
    // ---- no machine ----
    /// The supervisor's process is killed; mended: started again.
    SupervisorKilled,
    /// The supervisor's process is stopped; mended: it goes on.
    SupervisorStarved,
    /// The supervisor's cable is out: every way of every machine is cut.
    SupervisorCable,
    /// A hand turns the switch to this machine.
    SwitchTo(Who),
    /// The switch neither obeys nor answers, and passes sound.
    SwitchDeaf,
    /// The switch says that it obeyed, and passes what it passed.
    SwitchLies,
    /// The switch loses its power.
    SwitchPower,
    /// One of several units of the switch moves, the others don't.
    SwitchHalf,
    /// Replayed, forged, malformed and oversized datagrams come in.
    Forged,
}

impl Fault {
    /// Whether it hits one machine.
    pub const fn needs_machine(&self) -> bool {
        use Fault::*;
        !matches!(
            self,
            SupervisorKilled
                | SupervisorStarved
                | SupervisorCable
                | SwitchTo(_)
                | SwitchDeaf
                | SwitchLies
                | SwitchPower
                | SwitchHalf
                | Forged
        )
    }

    /// Whether it can only happen where the supervisor alone hears the machines (or never there).
    pub const fn wants_outside(&self, real: bool) -> Option<bool> {
        use Fault::*;
        match self {
            EarsLost | PlugPulled => Some(true),
            // Whoever listens there is a part of the supervisor's own process.
            AgentGone | AgentFrozen if real => Some(false),
            PlayerGoneSoundOn | DeviceFallback | MediaGone | OnBattery | Hot | DiskLow | Cable | Path(_)
            | Weather(_) => Some(false),
            _ => None,
        }
    }

    /// Whether real processes can do it.
    pub const fn is_real(&self) -> bool {
        use Fault::*;
        !matches!(
            self,
            PlayerGoneSoundOn
                | Suspended
                | DeviceFallback
                | MediaGone
                | WallStep(_)
                | OnBattery
                | Hot
                | DiskLow
                | SwitchHalf
        )
    }

    /// The same kind of fault, whatever its figures.
    pub fn same_kind(&self, other: &Fault) -> bool {
        std::mem::discriminant(self) == std::mem::discriminant(other)
    }
}

/// What the show does: pads that all machines hear.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Show {
    /// The loaded song starts.
    Start,
    /// It stops.
    Stop,
    /// Another song is loaded.
    Load(u16),
}

/// What a person does at the page.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Act {
    /// Releases the latch.
    Release,
    /// Takes the step's machine out of service.
    OutOfService,
    /// Puts it back.
    BackInService,
    /// Puts the step's machine on air.
    Changeover,
    /// The same against a refusal.
    ForcedChangeover,
    /// Chooses a mode.
    Mode(Mode),
}

impl Who {
    /// The machine's place where it does not depend on what is on air.
    pub const fn fixed(self) -> Option<Machine> {
        match self {
            Who::A => Some(Machine::A),
            Who::B => Some(Machine::B),
            _ => None,
        }
    }

    /// The machines that are meant in a rig of `count`, with `on_air` on air.
    pub fn among(self, count: usize, on_air: Machine) -> Vec<Machine> {
        match self {
            Who::OnAir => vec![on_air],
            Who::Standby => Machine::first(count).filter(|m| *m != on_air).take(1).collect(),
            Who::All => Machine::first(count).collect(),
            Who::A => vec![Machine::A],
            Who::B => vec![Machine::B],
        }
    }
}
