//! A tap at an audio input of the supervisor's own.

use ports::audio::AudioInput;
use ports::{Arrival, SourceState};

use super::{Listening, Wanted};

pub fn start(input: AudioInput, wanted: Wanted) -> std::io::Result<()> {
    let channels: Vec<String> = input.channels.iter().filter(|c| !c.is_empty()).cloned().collect();
    let mut tap = Listening::new(wanted);
    ports::read(
        "tap",
        "the tap".into(),
        Some(super::URGENCY),
        move |wake| ports::audio::open_in(input, Some(wake)),
        move |arrival| match arrival {
            Arrival::Pcm { at, block } => tap.on_block(at, block.channels, block.samples.iter().copied()),
            Arrival::State { state, .. } => on_state(&mut tap, &state, &channels),
            Arrival::Midi { .. } => {}
        },
    )
}

fn on_state(tap: &mut Listening, state: &SourceState, channels: &[String]) {
    match state {
        SourceState::Open(format) => {
            tracing::info!("the tap: open as {}", format.name);
            match format.sample_rate {
                Some(rate) => tap.on_open(rate, channels),
                None => tap.on_closed(),
            }
        }
        SourceState::Gone { why } => {
            tracing::warn!("the tap: {why}; trying on");
            tap.on_closed();
        }
        SourceState::Stalled => tracing::warn!("the tap: its callbacks have ceased"),
        SourceState::Opening => {}
    }
}
