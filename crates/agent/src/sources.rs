//! Where MIDI bytes and sound come from: the local feed socket, MIDI ports, audio devices, OSC. Each source is a thread that hands
//! stamped news to the beat thread, opens again for ever, and says so when it is gone.

mod device;
mod feed;
mod osc;

pub use device::{AudioWanted, start_audio};
use settings::agent::Source;
use wire::SourceFlags;
use wire::message::{SourceInfo, SourceState};

use crate::news::{News, NewsDesk};

/// What people call a source.
pub fn name(s: &Source) -> String {
    match s {
        Source::Midi { port, .. } => format!("MIDI port {port}"),
        Source::Audio { device, .. } => format!("audio device {device}"),
        Source::Feed { .. } => "feed".into(),
        Source::Osc { listen, .. } => format!("OSC at {listen}"),
    }
}

/// The device that a source hears, as it is configured; a feed names none.
pub fn device(s: &Source) -> Option<String> {
    match s {
        Source::Audio { device, .. } => Some(device.clone()),
        _ => None,
    }
}

/// How a source is told of before it is open.
pub fn info(s: &Source) -> SourceInfo {
    let rate = match s {
        Source::Audio { rate, .. } | Source::Feed { rate, .. } => *rate,
        Source::Midi { .. } | Source::Osc { .. } => None,
    };
    SourceInfo { name: name(s), kind: None, rate, state: SourceState::Opening }
}

/// Starts every configured source but audio devices, which are left to [`start_audio`]. `channels_at`: where each one's channels are named. `at_player`: a feed's other end is the player itself, so that its end is the player's.
///
/// # Errors
/// A source that can never work as configured (its address cannot be bound).
pub fn start(
    sources: &[Source],
    channels_at: &[String],
    at_player: bool,
    desk: &NewsDesk,
) -> std::io::Result<Vec<(AudioWanted, NewsDesk)>> {
    let mut audio = Vec::new();
    let mut inputs = 0..;
    for (i, s) in sources.iter().enumerate() {
        let wanted = match s {
            Source::Midi { .. } => SourceFlags::MIDI_WANTED,
            Source::Audio { .. } => SourceFlags::AUDIO_WANTED,
            Source::Feed { .. } => SourceFlags::FEED_WANTED,
            Source::Osc { .. } => SourceFlags::OSC_WANTED,
        };
        desk.tell(News::Source { flag: wanted, on: true });
        let input = match s {
            Source::Midi { .. } | Source::Feed { .. } => inputs.next().unwrap_or_default(),
            Source::Audio { .. } | Source::Osc { .. } => 0,
        };
        match s {
            Source::Feed { socket, timecode, rate, pilot, floor } => {
                let (timecode, rate, pilot, floor) = (timecode.clone(), *rate, *pilot, *floor);
                let wanted = feed::Wanted { input, timecode, rate, pilot, floor, at_player };
                feed::start(socket, wanted, desk.clone())?;
            }
            Source::Osc { listen, from } => osc::start(*listen, *from, desk.clone())?,
            Source::Midi { port, host } => device::start_midi(input, port.clone(), host.clone(), desk.clone())?,
            Source::Audio { host, device, channels, timecode, rate, pilot, floor } => {
                let (host, device, channels) = (host.clone(), device.clone(), channels.clone());
                let (timecode, rate, pilot, floor) = (timecode.clone(), *rate, *pilot, *floor);
                let outside = !at_player;
                let written = channels_at.get(i).cloned().unwrap_or_default();
                let wanted = AudioWanted { host, device, channels, written, timecode, rate, pilot, floor, outside };
                audio.push((wanted, desk.clone()));
            }
        }
    }
    Ok(audio)
}
