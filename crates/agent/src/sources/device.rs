//! MIDI ports and audio devices: a thread a source, woken by the driver's callback.

use std::sync::Arc;
use std::time::Duration;

use base::{Dbfs, FrameRate, Hertz};
use ports::audio::AudioInput;
use ports::midi::MidiPortName;
use ports::{Arrival, Arrivals, SourceState, Wake};
use wire::SourceFlags;

use crate::core::SoundFormat;
use crate::news::{News, NewsDesk};

/// A wake may be lost between the last look and the sleep: look again after this.
const LOOK_AGAIN: Duration = Duration::from_millis(20);

/// What is wanted of an audio device.
pub struct AudioWanted {
    pub host: String,
    pub device: String,
    pub channels: Vec<String>,
    pub timecode: Option<String>,
    pub rate: Option<FrameRate>,
    pub pilot: Option<f64>,
    pub floor: Option<f64>,
}

pub fn start_midi(input: usize, port: String, host: String, desk: NewsDesk) -> std::io::Result<()> {
    let name = format!("MIDI port {port}");
    listen(
        "midi-in",
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

pub fn start_audio(wanted: AudioWanted, desk: NewsDesk) -> std::io::Result<()> {
    let name = format!("audio device {}", wanted.device);
    let input =
        AudioInput { host: wanted.host.clone(), device: wanted.device.clone(), channels: wanted.channels.clone() };
    let channels: Vec<String> = wanted.channels.iter().filter(|c| !c.is_empty()).cloned().collect();
    let timecode = wanted.timecode.as_ref().and_then(|t| channels.iter().position(|c| c == t));
    listen(
        "audio-in",
        move |wake| ports::audio::open_in(input, Some(wake)),
        move |arrival| match arrival {
            Arrival::Pcm { at, block } => desk.tell(News::Pcm { at, samples: block.samples.to_vec() }),
            Arrival::State { state, .. } => {
                if let SourceState::Open(format) = &state
                    && let Some(rate) = format.sample_rate
                {
                    desk.tell_format(SoundFormat {
                        rate,
                        channels: channels.clone(),
                        timecode,
                        ltc_rate: wanted.rate,
                        pilot: wanted.pilot.map(Hertz),
                        floor: wanted.floor.map(Dbfs),
                        exact_stamps: false,
                    });
                }
                desk.tell_now(News::Source {
                    flag: SourceFlags::AUDIO_OPEN,
                    on: matches!(state, SourceState::Open(_)),
                });
                if let SourceState::Open(format) = &state {
                    desk.tell_device(&format.name);
                }
                say(&name, &state);
                tell(&name, &state, &desk);
            }
            Arrival::Midi { .. } => {}
        },
    )
}

/// Starts a thread that opens a source and hands on what comes.
fn listen(
    thread: &str,
    open: impl FnOnce(Wake) -> std::io::Result<Arrivals> + Send + 'static,
    mut hand_on: impl FnMut(Arrival) + Send + 'static,
) -> std::io::Result<()> {
    std::thread::Builder::new().name(thread.into()).spawn(move || {
        ports::os::make_urgent(30);
        let me = std::thread::current();
        let mut arrivals = match open(Arc::new(move || me.unpark())) {
            Ok(a) => a,
            Err(e) => return tracing::error!("no thread could be started for a source: {e}"),
        };
        loop {
            while let Some(arrival) = arrivals.pop() {
                hand_on(arrival);
            }
            std::thread::park_timeout(LOOK_AGAIN);
        }
    })?;
    Ok(())
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
