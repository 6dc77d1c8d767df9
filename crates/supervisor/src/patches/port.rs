//! The way to a device: a MIDI port, or a local socket that takes MIDI as players give it to agents.

use std::io::Write;
use std::path::Path;

use ports::local::Stream;
use ports::midi::{MidiOut, MidiPortName};
use ports::os::mono_now;
use settings::devices::Device;
use wire::feed::{FeedHello, encode_hello, encode_midi};

/// An open way.
pub enum Port {
    Midi(MidiOut),
    Feed(Stream, Vec<u8>),
}

impl Port {
    /// Opens it. May take seconds.
    pub fn open(device: &Device) -> Result<Port, String> {
        let port = device.port.as_deref().ok_or("no port is configured")?;
        if device.host != "feed" {
            let name = MidiPortName { host: device.host.clone(), port: port.into() };
            return MidiOut::open(&name).map(Port::Midi).map_err(|e| e.to_string());
        }
        let stream = ports::local::connect(Path::new(port)).map_err(|e| format!("{port}: {e}"))?;
        stream.set_write_timeout(Some(std::time::Duration::from_millis(500))).map_err(|e| e.to_string())?;
        let mut port = Port::Feed(stream, Vec::new());
        if let Port::Feed(stream, held) = &mut port {
            let hello = FeedHello { at: mono_now(), pid: std::process::id(), sample_rate: None, channels: Vec::new() };
            encode_hello(&hello, held);
            stream.write_all(held).map_err(|e| e.to_string())?;
        }
        Ok(port)
    }

    /// Sends one whole message.
    pub fn send(&mut self, message: &[u8]) -> Result<(), String> {
        match self {
            Port::Midi(out) => out.send(message).map_err(|e| e.to_string()),
            Port::Feed(stream, held) => {
                held.clear();
                encode_midi(mono_now(), message, held);
                stream.write_all(held).map_err(|e| e.to_string())
            }
        }
    }
}
