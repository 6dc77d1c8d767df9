//! What to do about an alarm: one sentence beside it on the page, and in the report under what to fix before the next show.

use rig::AlarmCode;

/// The sentence; empty where the alarm's own says it all.
pub const fn advice(code: AlarmCode) -> &'static str {
    use AlarmCode as A;
    match code {
        A::HostSilent => "Find out why the host went silent: its power, its network cables, its system log.",
        A::EarsLost => {
            "Look at the supervisor's interface, its cable and the plugs of this machine; listen to the house meanwhile."
        }
        A::AgentLost => "Start its agent again, and keep the agent's last log lines.",
        A::PlayerGone => "Find out why the player ended: its crash report, its memory, its session's plug-ins.",
        A::MediaGone => "Check the disk with the session, its cable and its sleep settings.",
        A::MidiLost => "Check the MIDI port or interface that carries the code.",
        A::CodesContradict => "Set the player's timecodes to one start, and see which devices follow which code.",
        A::SoundDiffers => {
            "Listen to that channel on both machines: routing, mute, polarity, and which bounce is loaded."
        }
        A::NeverAlike => "Compare that track's bounce on both machines, unless its effects draw lots.",
        A::SessionDiffers => "See `twinkeel parity` for what differs, and copy the session over before the next song.",
        A::SessionStale => "Open the session again in that player, or say that it has it: `twinkeel parity --loaded`.",
        A::AudioLost | A::AudioWrong | A::StandbySilent => "Check its audio device, its routing and its buffer size.",
        A::Stalled => "Check what made the transport stand: disk, processor, a lost clock source.",
        A::StartMissed => "Check how the trigger reaches that machine.",
        A::ChannelShift => "Check the output routing on that machine before anybody hears it.",
        A::RateFlip => "Set the session and the interface to one sample rate on both machines.",
        A::DeviceFallback => "Choose the right audio device in the player again, and find out why it vanished.",
        A::Dropouts => "Raise the buffer size, or take load off that machine.",
        A::PathLost => "Check the network cable or switch of the path that is gone.",
        A::OffsetHigh | A::OffsetOut => {
            "Lock both interfaces to one word clock; start the machine again at the next song."
        }
        A::OnBattery => "Find the mains supply that failed: qualified people only.",
        A::Hot => "Give that machine air.",
        A::DiskLow => "Make room on that machine's disk.",
        A::NotConfirmed | A::OutputFailed => "Check the output to the switch and its cable.",
        A::SwitchConflict | A::SwitchSilent => "Go and look at the switch itself.",
        A::Forged => "Find out who else is on the show's network.",
        A::SupervisorCutOff => "Check the supervisor's own network cable.",
        A::SupervisorLate => "Take other work off the supervisor's computer.",
        A::DevicePort => "See that the interface is on and connected; it is tried on.",
        A::PatchDiffers => "Compare the two sessions' MIDI tracks at that place.",
        A::NotChased => "See what the device is on; `twinkeel patches chase` sends it what should be in force.",
        A::MidiLeak => {
            "See how MIDI is switched or merged before that device: a machine that is not on air plays it too."
        }
        A::BothPlayersLost => "Start a player: there is nothing to change over to.",
        _ => "",
    }
}
