//! A tap at an audio input of the supervisor's own.

use std::sync::Arc;
use std::time::Duration;

use ports::audio::AudioInput;
use ports::{Arrival, SourceState};

use super::{Listening, Wanted};

/// A wake may be lost between the last look and the sleep: look again after this.
const LOOK_AGAIN: Duration = Duration::from_millis(20);

pub fn start(input: AudioInput, wanted: Wanted) -> std::io::Result<()> {
    let channels: Vec<String> = input.channels.iter().filter(|c| !c.is_empty()).cloned().collect();
    std::thread::Builder::new().name("tap".into()).spawn(move || {
        ports::os::make_urgent(35);
        let me = std::thread::current();
        let mut arrivals = match ports::audio::open_in(input, Some(Arc::new(move || me.unpark()))) {
            Ok(a) => a,
            Err(e) => return tracing::error!("no thread could be started for the tap: {e}"),
        };
        let mut tap = Listening::new(wanted);
        loop {
            while let Some(arrival) = arrivals.pop() {
                match arrival {
                    Arrival::Pcm { at, block } => tap.on_block(at, block.channels, block.samples.iter().copied()),
                    Arrival::State { state, .. } => on_state(&mut tap, &state, &channels),
                    Arrival::Midi { .. } => {}
                }
            }
            std::thread::park_timeout(LOOK_AGAIN);
        }
    })?;
    Ok(())
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
