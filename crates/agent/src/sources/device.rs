//! MIDI ports and audio devices: a thread a source, woken by the driver's callback.

use base::{Dbfs, FrameRate, Hertz};
use ports::audio::AudioInput;
use ports::midi::MidiPortName;
use ports::{Arrival, SourceState};
use wire::SourceFlags;

use crate::core::SoundFormat;
use crate::news::{News, NewsDesk};

/// Sources are read with this level of real-time scheduling.
const URGENCY: Option<u8> = Some(30);

/// What is wanted of an audio device.
pub struct AudioWanted {
    pub host: String,
    pub device: String,
    pub channels: Vec<String>,
    /// Where they are named.
    pub written: String,
    pub timecode: Option<String>,
    pub rate: Option<FrameRate>,
    pub pilot: Option<f64>,
    pub floor: Option<f64>,
    pub outside: bool,
}

pub fn start_midi(input: usize, port: String, host: String, desk: NewsDesk) -> std::io::Result<()> {
    let name = format!("MIDI port {port}");
    ports::read(
        "midi-in",
        "a source".into(),
        URGENCY,
        move |wake| ports::midi::open_in(MidiPortName { host, port }, Some(wake)),
        move |arrival| match arrival {
            Arrival::Midi { at, bytes } => desk.tell(News::Midi { input, at, bytes: bytes.to_vec() }),
            Arrival::State { state, .. } => {
                desk.tell_now(News::MidiInput { input, open: matches!(state, SourceState::Open(_)) });
                say(&name, &state);
                tell(&name, &state, &desk);
            }
            Arrival::Pcm { .. } => {}
        },
    )
}

/// Opens each device once, whoever wants channels of it: many devices cannot be opened twice.
pub fn start_audio(wanted: Vec<(AudioWanted, NewsDesk)>) -> std::io::Result<()> {
    let mut devices: Vec<Vec<(AudioWanted, NewsDesk)>> = Vec::new();
    for w in wanted {
        match devices.iter_mut().find(|d| d.iter().any(|o| (&o.0.host, &o.0.device) == (&w.0.host, &w.0.device))) {
            Some(device) => device.push(w),
            None => devices.push(vec![w]),
        }
    }
    devices.into_iter().try_for_each(start_device)
}

/// One who listens to some channels of a device.
struct Listener {
    wanted: AudioWanted,
    desk: NewsDesk,
    /// Where its channels lie in a frame that has the channels of all.
    places: Vec<usize>,
}

fn start_device(wanted: Vec<(AudioWanted, NewsDesk)>) -> std::io::Result<()> {
    let Some((first, _)) = wanted.first() else { return Ok(()) };
    let lists: Vec<&[String]> = wanted.iter().map(|(w, _)| w.channels.as_slice()).collect();
    let (channels, places) = shared(&lists);
    // Who names the most is who a device with too few is told of.
    let widest = wanted.iter().map(|(w, _)| w).max_by_key(|w| w.channels.len()).unwrap_or(first);
    let written = widest.written.clone();
    let input = AudioInput { host: first.host.clone(), device: first.device.clone(), channels, written };
    let name = format!("audio device {}", first.device);
    let listeners: Vec<Listener> = wanted
        .into_iter()
        .zip(places)
        .map(|((mut wanted, desk), places)| {
            wanted.channels.retain(|c| !c.is_empty());
            Listener { wanted, desk, places }
        })
        .collect();
    ports::read(
        "audio-in",
        "a source".into(),
        URGENCY,
        move |wake| ports::audio::open_in(input, Some(wake)),
        move |arrival| match arrival {
            Arrival::Pcm { at, block } => {
                for l in &listeners {
                    let samples = share(&block.samples, block.channels, &l.places);
                    l.desk.tell(News::Pcm { at, samples });
                }
            }
            Arrival::State { state, .. } => {
                say(&name, &state);
                listeners.iter().for_each(|l| l.on_state(&name, &state));
            }
            Arrival::Midi { .. } => {}
        },
    )
}

/// The channels of a device that anybody wants, and where each one's own lie in a frame of those. A channel's name matters to its
/// listener alone; here it only says that the channel is wanted.
fn shared(lists: &[&[String]]) -> (Vec<String>, Vec<Vec<usize>>) {
    let named = |list: &[String], i: usize| list.get(i).is_some_and(|c| !c.is_empty());
    let widest = lists.iter().map(|l| l.len()).max().unwrap_or(0);
    let heard: Vec<usize> = (0..widest).filter(|i| lists.iter().any(|l| named(l, *i))).collect();
    let channels = (0..widest).map(|i| if heard.contains(&i) { i.to_string() } else { String::new() }).collect();
    let places = lists.iter().map(|l| (0..heard.len()).filter(|p| named(l, heard[*p])).collect());
    (channels, places.collect())
}

/// One's own channels of interleaved frames.
fn share(samples: &[f32], channels: usize, places: &[usize]) -> Vec<f32> {
    let frames = samples.chunks_exact(channels.max(1));
    frames.flat_map(|f| places.iter().filter_map(|p| f.get(*p).copied())).collect()
}

impl Listener {
    fn on_state(&self, name: &str, state: &SourceState) {
        let open = matches!(state, SourceState::Open(_));
        if let SourceState::Open(format) = state
            && let Some(rate) = format.sample_rate
        {
            let channels = self.wanted.channels.clone();
            let timecode = self.wanted.timecode.as_ref().and_then(|t| channels.iter().position(|c| c == t));
            self.desk.tell_format(SoundFormat {
                rate,
                channels,
                timecode,
                ltc_rate: self.wanted.rate,
                pilot: self.wanted.pilot.map(Hertz),
                floor: self.wanted.floor.map(Dbfs),
                outside: self.wanted.outside,
                exact_stamps: false,
            });
        }
        self.desk.tell_now(News::Source { flag: SourceFlags::AUDIO_OPEN, on: open });
        if let SourceState::Open(format) = state {
            self.desk.tell_device(&format.name);
        }
        tell(name, state, &self.desk);
    }
}

/// To the supervisor; that callbacks have ceased is in the beats.
fn tell(name: &str, state: &SourceState, desk: &NewsDesk) {
    match state {
        SourceState::Open(format) => {
            desk.tell_source(name, wire::message::SourceState::Open, &format!("Open as {}.", format.name));
        }
        SourceState::Gone { why } => desk.tell_source(name, wire::message::SourceState::Gone, why),
        SourceState::Opening | SourceState::Stalled => {}
    }
}

fn say(name: &str, state: &SourceState) {
    match state {
        SourceState::Opening => tracing::info!("{name}: opening"),
        SourceState::Open(format) => tracing::info!("{name}: open as {}", format.name),
        SourceState::Stalled => tracing::warn!("{name}: its callbacks have ceased"),
        SourceState::Gone { why } => tracing::warn!("{name}: {why}; trying on"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_listener_of_a_device_gets_its_own_channels() {
        let list = |names: &[&str]| names.iter().map(|n| (*n).to_owned()).collect::<Vec<_>>();
        let a = list(&["tracks L", "", "timecode"]);
        let b = list(&["", "", "", "", "tracks L", "timecode"]);
        let (channels, places) = shared(&[&a, &b]);
        // Channels 1 and 3 (counted from 0) are nobody's.
        assert_eq!(channels, ["0", "", "2", "", "4", "5"]);
        let frames = [0.0, 0.2, 0.4, 0.5, 1.0, 1.2, 1.4, 1.5];
        assert_eq!(share(&frames, 4, &places[0]), [0.0, 0.2, 1.0, 1.2]);
        assert_eq!(share(&frames, 4, &places[1]), [0.4, 0.5, 1.4, 1.5]);
        let (channels, places) = shared(&[&a]);
        assert_eq!((channels.len(), share(&[1.0, 3.0], 2, &places[0])), (3, vec![1.0, 3.0]));
    }
}
