//! A MIDI output.
//!
//! An output does not notice that nobody takes its bytes any more. Where the switch answers, the port that its answers come from
//! tells: when that is gone, so is the output, until both are open again.

use std::sync::{Arc, Mutex};

use base::{Machine, SwitchView};
use ports::midi::{MidiOut, MidiPortName};
use ports::{Arrival, SourceState};

use super::answers::Answers;
use super::worker::{Bell, Failure, Way};

/// See the module.
pub struct MidiWay {
    name: MidiPortName,
    messages: Vec<Vec<u8>>,
    /// Until somebody listens.
    answers: Option<Answers>,
    /// Of the link that is open, for the listener, which outlives it.
    bell: Arc<Mutex<Option<Bell>>>,
}

impl MidiWay {
    /// A port, and for each machine the command and (or none at all) the answer.
    pub fn new(port: &str, host: &str, messages: Vec<Vec<u8>>, answers: Vec<Vec<u8>>) -> MidiWay {
        let name = MidiPortName { host: host.into(), port: port.into() };
        let answers = (!answers.is_empty()).then(|| Answers::new(answers));
        MidiWay { name, messages, answers, bell: Arc::default() }
    }
}

impl Way for MidiWay {
    type Link = MidiOut;

    fn open(&mut self, bell: Bell) -> Result<MidiOut, String> {
        if let Ok(mut b) = self.bell.lock() {
            *b = Some(bell);
        }
        if let Some(answers) = self.answers.take() {
            listen(self.name.clone(), answers, self.bell.clone())
                .map_err(|e| format!("no thread could be started for its answers: {e}"))?;
        }
        MidiOut::open(&self.name).map_err(|e| e.to_string())
    }

    fn send(&mut self, link: &mut MidiOut, to: Machine) -> Result<(), Failure> {
        let Some(message) = self.messages.get(to.index()) else { return Ok(()) };
        link.send(message).map_err(|e| Failure::Broken(e.to_string()))
    }
}

/// Hears the switch's answers, and tells when the port that they come from is gone.
fn listen(name: MidiPortName, mut answers: Answers, bell: Arc<Mutex<Option<Bell>>>) -> std::io::Result<()> {
    let port = name.port.clone();
    let current = move || bell.lock().ok().and_then(|b| b.clone());
    let mut was_open = false;
    ports::read(
        "midi-answers",
        format!("the answers from {port}"),
        None,
        move |wake| ports::midi::open_in(name, Some(wake)),
        move |arrival| match arrival {
            Arrival::Midi { at, bytes } => {
                for m in bytes.iter().filter_map(|b| answers.on_byte(*b)) {
                    if let Some(bell) = current() {
                        bell.health.heard(SwitchView::On(m), at);
                    }
                }
            }
            Arrival::State { state: SourceState::Open(_), .. } => {
                was_open = true;
                tracing::info!("answers are heard from {port}");
            }
            Arrival::State { state: SourceState::Gone { why }, .. } => {
                tracing::warn!("no answers are heard from {port}: {why}; trying on");
                if std::mem::take(&mut was_open)
                    && let Some(bell) = current()
                {
                    bell.ring();
                }
            }
            Arrival::State { .. } | Arrival::Pcm { .. } => {}
        },
    )
}
