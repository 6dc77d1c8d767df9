//! What reaches a device, heard: a MIDI input of ours, or a local socket of ours that takes MIDI as agents take it from players.

use std::io::Read;
use std::path::Path;
use std::sync::Arc;
use std::sync::mpsc::Sender;
use std::time::Duration;

use base::MonoTime;
use ports::local::{Listener, Stream};
use ports::midi::MidiPortName;
use ports::{Arrival, SourceState};
use settings::devices::Device;
use timecode::midi::encode::channel_message;
use timecode::midi::{MidiReader, MidiReaderConfig};
use watch::patches::PatchEvent;
use wire::feed::{FeedFrame, FeedReader};

use super::PatchNews;

/// Hears what reaches the device with this number, by its `tap`.
///
/// # Errors
/// There can be no thread, or the socket cannot be made.
pub fn start(number: usize, device: &Device, tell: Sender<PatchNews>) -> std::io::Result<()> {
    let Some(tap) = device.tap.clone() else { return Ok(()) };
    let thread = std::thread::Builder::new().name("patches-in".into());
    if device.host == "feed" {
        let listener = Listener::bind(Path::new(&tap))?;
        thread.spawn(move || take_connections(number, &listener, &tell))?;
    } else {
        let name = MidiPortName { host: device.host.clone(), port: tap };
        thread.spawn(move || hear_port(number, name, &tell))?;
    }
    Ok(())
}

fn hear_port(number: usize, name: MidiPortName, tell: &Sender<PatchNews>) {
    let me = std::thread::current();
    let mut arrivals = match ports::midi::open_in(name, Some(Arc::new(move || me.unpark()))) {
        Ok(a) => a,
        Err(e) => {
            let _ = tell.send(PatchNews::Tap(number, Some(format!("no thread: {e}"))));
            return;
        }
    };
    let mut ear = Ear::new();
    loop {
        while let Some(arrival) = arrivals.pop() {
            let told = match arrival {
                Arrival::Midi { at, bytes } => ear.on_bytes(&bytes, at, number, tell),
                Arrival::State { state: SourceState::Open(_), .. } => tell.send(PatchNews::Tap(number, None)).is_ok(),
                Arrival::State { state: SourceState::Gone { why }, .. } => {
                    ear = Ear::new();
                    tell.send(PatchNews::Tap(number, Some(why.to_string()))).is_ok()
                }
                Arrival::State { .. } | Arrival::Pcm { .. } => true,
            };
            if !told {
                return;
            }
        }
        std::thread::park_timeout(Duration::from_millis(50));
    }
}

fn take_connections(number: usize, listener: &Listener, tell: &Sender<PatchNews>) {
    loop {
        let why = match listener.accept() {
            Ok(stream) => {
                if tell.send(PatchNews::Tap(number, None)).is_err() {
                    return;
                }
                hear_socket(stream, number, tell)
            }
            Err(e) => {
                std::thread::sleep(Duration::from_millis(200));
                e.to_string()
            }
        };
        if tell.send(PatchNews::Tap(number, Some(why))).is_err() {
            return;
        }
    }
}

/// Reads one connection to its end and says why it ended.
fn hear_socket(mut stream: Stream, number: usize, tell: &Sender<PatchNews>) -> String {
    let mut reader = FeedReader::new();
    let mut buffer = [0u8; 4_096];
    let mut ear = Ear::new();
    loop {
        let n = match stream.read(&mut buffer) {
            Ok(0) => return "it was closed".into(),
            Ok(n) => n,
            Err(e) if e.kind() == std::io::ErrorKind::Interrupted => continue,
            Err(e) => return e.to_string(),
        };
        reader.on_bytes(&buffer[..n]);
        loop {
            match reader.next_frame() {
                Ok(Some(FeedFrame::Midi { at, bytes })) => _ = ear.on_bytes(bytes, at, number, tell),
                Ok(Some(_)) => {}
                Ok(None) => break,
                Err(e) if e.is_fatal() => return e.to_string(),
                Err(_) => {}
            }
        }
    }
}

struct Ear(MidiReader);

impl Ear {
    fn new() -> Ear {
        Ear(MidiReader::new(MidiReaderConfig::default()))
    }

    /// False: nobody listens any more.
    fn on_bytes(&mut self, bytes: &[u8], at: MonoTime, number: usize, tell: &Sender<PatchNews>) -> bool {
        let mut told = true;
        self.0.on_bytes(bytes, at, &mut |e| {
            let message = channel_message(&e);
            if let Some((event, at)) = message.and_then(|(at, m)| Some((PatchEvent::from_message(&m)?, at))) {
                told &= tell.send(PatchNews::Reached(number, event, at)).is_ok();
            }
        });
        told
    }
}
