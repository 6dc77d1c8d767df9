//! A MIDI output: its own pre-started thread behind a ring, so that a port that blocks holds up nobody. It opens the port again for
//! ever; what was to be sent while it was closed is not sent late.
//!
//! An output does not notice that nobody takes its bytes any more. Where the switch answers, the port that its answers come from
//! tells: when that is gone, so is the output, until both are open again.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use base::{Machine, SwitchView};
use ports::midi::{MidiOut, MidiPortName};
use ports::{Arrival, SourceState};
use settings::rig::hex_bytes;

use crate::to_watch::{ToWatch, WatchDesk};

/// Between two tries to open the port.
const AGAIN: Duration = Duration::from_millis(500);

/// See the module.
pub struct MidiOutput {
    ring: rtrb::Producer<Machine>,
    thread: std::thread::Thread,
    open: Arc<AtomicBool>,
}

impl MidiOutput {
    /// Starts the sending thread, and the listening one where the switch answers.
    ///
    /// # Errors
    /// No thread could be started.
    pub fn start(
        port: &str,
        host: &str,
        select: &[String],
        answer: &[String],
        desk: WatchDesk,
    ) -> std::io::Result<MidiOutput> {
        let name = MidiPortName { host: host.into(), port: port.into() };
        let bytes = |texts: &[String]| texts.iter().map(|t| hex_bytes(t).unwrap_or_default()).collect::<Vec<_>>();
        let (ring, commands) = rtrb::RingBuffer::new(16);
        let open = Arc::new(AtomicBool::new(false));
        let lost = Arc::new(AtomicBool::new(false));
        let sender = Sender { name: name.clone(), messages: bytes(select), open: open.clone(), lost: lost.clone() };
        let thread = std::thread::Builder::new().name("midi-out".into()).spawn(move || {
            ports::os::make_urgent(40);
            sender.send_for_ever(commands);
        })?;
        let thread = thread.thread().clone();
        if !answer.is_empty() {
            let sender = thread.clone();
            let gone = move || {
                lost.store(true, Ordering::Release);
                sender.unpark();
            };
            listen(name, Answers::new(bytes(answer)), desk, gone)?;
        }
        Ok(MidiOutput { ring, thread, open })
    }

    /// Commands the switch. False: the port is not open, or its thread is held up.
    pub fn select(&mut self, to: Machine) -> bool {
        let sent = self.open.load(Ordering::Acquire) && self.ring.push(to).is_ok();
        self.thread.unpark();
        sent
    }
}

/// What the sending thread owns.
struct Sender {
    name: MidiPortName,
    messages: Vec<Vec<u8>>,
    open: Arc<AtomicBool>,
    /// The switch went away.
    lost: Arc<AtomicBool>,
}

impl Sender {
    fn send_for_ever(&self, mut commands: rtrb::Consumer<Machine>) {
        let mut said = String::new();
        while !commands.is_abandoned() {
            self.lost.store(false, Ordering::Release);
            let mut out = match MidiOut::open(&self.name) {
                Ok(out) => out,
                Err(e) => {
                    let e = e.to_string();
                    if e != said {
                        tracing::error!("MIDI output to {}: {e}; trying on", self.name.port);
                        said = e;
                    }
                    std::thread::sleep(AGAIN);
                    continue;
                }
            };
            said.clear();
            tracing::info!("MIDI output to {} is open", self.name.port);
            // What slipped in while it closed would be late by now.
            while commands.pop().is_ok() {}
            self.open.store(true, Ordering::Release);
            let why = self.send_while_open(&mut out, &mut commands);
            self.open.store(false, Ordering::Release);
            tracing::error!("MIDI output to {}: {why}", self.name.port);
        }
    }

    fn send_while_open(&self, out: &mut MidiOut, commands: &mut rtrb::Consumer<Machine>) -> String {
        while !commands.is_abandoned() {
            if self.lost.load(Ordering::Acquire) {
                return "the port of its answers is gone".into();
            }
            while let Ok(to) = commands.pop() {
                let Some(message) = self.messages.get(to.index()) else { continue };
                if let Err(e) = out.send(message) {
                    return e.to_string();
                }
            }
            std::thread::park_timeout(Duration::from_millis(50));
        }
        "the supervisor ends".into()
    }
}

/// The switch's answers among the bytes it sends, which may come cut anywhere: the newest are compared with each answer.
struct Answers {
    answers: Vec<Vec<u8>>,
    longest: usize,
    heard: Vec<u8>,
}

impl Answers {
    fn new(answers: Vec<Vec<u8>>) -> Answers {
        let longest = answers.iter().map(Vec::len).max().unwrap_or(0);
        Answers { answers, longest, heard: Vec::new() }
    }

    fn on_byte(&mut self, byte: u8) -> Option<Machine> {
        self.heard.push(byte);
        let spare = self.heard.len().saturating_sub(self.longest);
        self.heard.drain(..spare);
        let found = self.answers.iter().position(|a| !a.is_empty() && self.heard.ends_with(a))?;
        self.heard.clear();
        Machine::new(found)
    }
}

/// Hears the switch's answers, and tells when the port that they come from is gone.
fn listen(
    name: MidiPortName,
    mut answers: Answers,
    desk: WatchDesk,
    gone: impl Fn() + Send + 'static,
) -> std::io::Result<()> {
    std::thread::Builder::new().name("midi-answers".into()).spawn(move || {
        let me = std::thread::current();
        let port = name.port.clone();
        let mut arrivals = match ports::midi::open_in(name, Some(Arc::new(move || me.unpark()))) {
            Ok(a) => a,
            Err(e) => return tracing::error!("no thread could be started for the answers from {port}: {e}"),
        };
        let mut was_open = false;
        loop {
            while let Some(arrival) = arrivals.pop() {
                match arrival {
                    Arrival::Midi { at, bytes } => {
                        for m in bytes.iter().filter_map(|b| answers.on_byte(*b)) {
                            desk.tell(ToWatch::Switch(SwitchView::On(m), at));
                        }
                    }
                    Arrival::State { state: SourceState::Open(_), .. } => {
                        was_open = true;
                        tracing::info!("answers are heard from {port}");
                    }
                    Arrival::State { state: SourceState::Gone { why }, .. } => {
                        tracing::warn!("no answers are heard from {port}: {why}; trying on");
                        if std::mem::take(&mut was_open) {
                            gone();
                        }
                    }
                    Arrival::State { .. } | Arrival::Pcm { .. } => {}
                }
            }
            std::thread::park_timeout(Duration::from_millis(20));
        }
    })?;
    Ok(())
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn answers_are_found_however_they_are_cut_and_whatever_comes_between() {
        let mut answers = Answers::new(vec![vec![0xB0, 0x14, 0x00], vec![0xB0, 0x14, 0x01]]);
        let mut hear = |bytes: &[u8]| bytes.iter().filter_map(|b| answers.on_byte(*b)).collect::<Vec<_>>();
        assert_eq!(hear(&[0xB0]), []);
        assert_eq!(hear(&[0x14, 0x01, 0xFE, 0xB0, 0x14]), [Machine::B]);
        assert_eq!(hear(&[0x00, 0xB0, 0x14, 0x01]), [Machine::A, Machine::B]);
        assert_eq!(
            hear(&[0x14, 0x00, 0xB0, 0x15, 0x00]),
            [],
            "bytes of an answer that was heard already count no more"
        );
        assert_eq!(hear(&[0xF8; 10_000]), []);
        assert!(answers.heard.len() <= 3, "what is heard does not pile up");
    }

    #[test]
    fn a_port_that_is_not_open_takes_no_command() {
        let gate = ports::os::Gate::bind(&["127.0.0.1:0".parse().unwrap()]).unwrap();
        let (desk, _news) = WatchDesk::new(gate.waker());
        let select = ["c0 00".to_string(), "c0 01".into()];
        let mut out = MidiOutput::start("nobody's port", "no such host", &select, &select, desk).unwrap();
        for _ in 0..20 {
            assert!(!out.select(Machine::B));
            std::thread::sleep(Duration::from_millis(5));
        }
        assert_eq!(out.ring.slots(), 16, "and keeps none for later");
    }
}
