//! A MIDI output: its own pre-started thread behind a ring, so that a port that blocks holds up nobody. It opens the port again for
//! ever; what was to be sent while it was closed is not sent late.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use base::{Machine, SwitchView};
use ports::Arrival;
use ports::midi::{MidiOut, MidiPortName};
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
        let (messages, is_open, to) = (bytes(select), open.clone(), name.clone());
        let thread = std::thread::Builder::new().name("midi-out".into()).spawn(move || {
            ports::os::make_urgent(40);
            send_for_ever(&to, &messages, commands, &is_open);
        })?;
        if !answer.is_empty() {
            listen(name, bytes(answer), desk)?;
        }
        Ok(MidiOutput { ring, thread: thread.thread().clone(), open })
    }

    /// Commands the switch. False: the port is not open, or its thread is held up.
    pub fn select(&mut self, to: Machine) -> bool {
        let sent = self.open.load(Ordering::Acquire) && self.ring.push(to).is_ok();
        self.thread.unpark();
        sent
    }
}

fn send_for_ever(name: &MidiPortName, messages: &[Vec<u8>], mut commands: rtrb::Consumer<Machine>, open: &AtomicBool) {
    let mut said = String::new();
    while !commands.is_abandoned() {
        let mut out = match MidiOut::open(name) {
            Ok(out) => out,
            Err(e) => {
                let e = e.to_string();
                if e != said {
                    tracing::error!("MIDI output to {}: {e}; trying on", name.port);
                    said = e;
                }
                std::thread::sleep(AGAIN);
                continue;
            }
        };
        said.clear();
        tracing::info!("MIDI output to {} is open", name.port);
        open.store(true, Ordering::Release);
        let why = send_while_open(&mut out, messages, &mut commands);
        open.store(false, Ordering::Release);
        while commands.pop().is_ok() {}
        tracing::error!("MIDI output to {}: {why}", name.port);
    }
}

fn send_while_open(out: &mut MidiOut, messages: &[Vec<u8>], commands: &mut rtrb::Consumer<Machine>) -> String {
    while !commands.is_abandoned() {
        while let Ok(to) = commands.pop() {
            let Some(message) = messages.get(to.index()) else { continue };
            if let Err(e) = out.send(message) {
                return e.to_string();
            }
        }
        std::thread::park_timeout(Duration::from_millis(50));
    }
    "the supervisor ends".into()
}

/// Hears the switch's answers: the bytes may come cut, so the newest are compared with each answer.
fn listen(name: MidiPortName, answers: Vec<Vec<u8>>, desk: WatchDesk) -> std::io::Result<()> {
    std::thread::Builder::new().name("midi-answers".into()).spawn(move || {
        let me = std::thread::current();
        let Ok(mut arrivals) = ports::midi::open_in(name, Some(Arc::new(move || me.unpark()))) else { return };
        let longest = answers.iter().map(Vec::len).max().unwrap_or(0);
        let mut heard: Vec<u8> = Vec::new();
        loop {
            while let Some(arrival) = arrivals.pop() {
                let Arrival::Midi { at, bytes } = arrival else { continue };
                for b in bytes {
                    heard.push(b);
                    if let Some(m) = answers.iter().position(|a| heard.ends_with(a)).and_then(Machine::new) {
                        desk.tell(ToWatch::Switch(SwitchView::On(m), at));
                        heard.clear();
                    }
                }
                let spare = heard.len().saturating_sub(longest);
                heard.drain(..spare);
            }
            std::thread::park_timeout(Duration::from_millis(20));
        }
    })?;
    Ok(())
}
