//! JACK: MIDI and audio through the `jack` crate, opened at run time, never starting a server.
//!
//! Stamps: what JACK hands over in a period belongs to the period before, so an event at frame f of a period that began at
//! t is stamped t - period + f / rate: constant latency, always in the past, and exact to a frame however late the callback
//! runs. JACK's clock is read beside ours in each callback, so that it need not be the same clock.

use base::{Hertz, MonoTime, Samples, Span};
use jack::{
    AudioIn, AudioOut, Client, ClientOptions, Control, MidiIn, MidiOut, Port, PortFlags, ProcessHandler, ProcessScope,
};

use crate::arrivals::{Format, Sink};
use crate::audio::AudioInput;
use crate::audio_out::{AudioOutput, Voice};
use crate::error::{PortError, find};
use crate::keeper::{Guard, Opened};
use crate::listing::{AudioDevice, MidiPort, PortDirection};
use crate::os::mono_now;
use crate::{DEFAULT, UNCONNECTED};

const HOST: &str = "jack";
const CLIENT: &str = "twinkeel";
const LOOK: &str = "twinkeel-look";
const MIDI_TYPE: &str = "8 bit raw midi";
const AUDIO_TYPE: &str = "32 bit float mono audio";
const SOUND_CARD: &str = "system:capture_";
/// MIDI messages that fit between a sender and the next period.
const OUT_RING: usize = 256;
/// The longest MIDI message that can be sent.
const OUT_BYTES: usize = 256;

type Message = arrayvec::ArrayVec<u8, OUT_BYTES>;

fn client(name: &str) -> Result<Client, PortError> {
    let opened = Client::new(name, ClientOptions::NO_START_SERVER);
    opened.map(|(client, _)| client).map_err(|_| PortError::host(HOST, "no JACK server is running"))
}

fn failed(e: jack::Error) -> PortError {
    PortError::host(HOST, e)
}

/// Ports of others that give (`IS_OUTPUT`) or take (`IS_INPUT`), in JACK's order.
fn others(client: &Client, kind: &str, flags: PortFlags) -> Vec<String> {
    let own = format!("{}:", client.name());
    client.ports(None, Some(kind), flags).into_iter().filter(|n| !n.starts_with(&own)).collect()
}

fn period(client: &Client) -> Span {
    Samples(f64::from(client.buffer_size())).at(Hertz(f64::from(client.sample_rate())))
}

/// The instant of the first frame of a period's contents, see the head of this file.
fn began(client: &Client, scope: &ProcessScope) -> MonoTime {
    let now = mono_now();
    let since = scope.cycle_times().map_or(0, |t| client.time().saturating_sub(t.current_usecs));
    let length = Samples(f64::from(scope.n_frames())).at(Hertz(f64::from(client.sample_rate())));
    now - Span::from_micros(i64::try_from(since).unwrap_or(0)) - length
}

// Inputs.

struct MidiReceiver {
    port: Port<MidiIn>,
    sink: Sink,
}

impl ProcessHandler for MidiReceiver {
    fn process(&mut self, client: &Client, scope: &ProcessScope) -> Control {
        self.sink.pulse(mono_now());
        let (start, rate) = (began(client, scope), Hertz(f64::from(client.sample_rate())));
        let mut any = false;
        for event in self.port.iter(scope) {
            any = true;
            self.sink.midi(start + Samples(f64::from(event.time)).at(rate), event.bytes);
        }
        if any {
            self.sink.done();
        }
        Control::Continue
    }
}

struct AudioReceiver {
    ports: Vec<Port<AudioIn>>,
    sink: Sink,
}

impl ProcessHandler for AudioReceiver {
    fn process(&mut self, client: &Client, scope: &ProcessScope) -> Control {
        self.sink.pulse(mono_now());
        let (start, rate) = (began(client, scope), Hertz(f64::from(client.sample_rate())));
        let ports = &self.ports;
        let sample = |frame: usize, channel: usize| ports[channel].as_slice(scope)[frame];
        self.sink.pcm(start, rate, ports.len(), scope.n_frames() as usize, sample);
        self.sink.done();
        Control::Continue
    }
}

/// A connection between full names of ports, one of which is somebody else's.
struct Wire {
    from: String,
    to: String,
    theirs: String,
}

impl Wire {
    /// Into a port of ours.
    fn inward(theirs: String, ours: String) -> Wire {
        Wire { from: theirs.clone(), to: ours, theirs }
    }
}

/// Holds the client, and watches that its connections stand.
struct JackGuard<P: 'static + Send + ProcessHandler> {
    active: jack::AsyncClient<(), P>,
    wires: Vec<Wire>,
    looks: u32,
}

/// The server is asked at every so-manieth look (20 ms each).
const LOOKS: u32 = 10;

impl<P: 'static + Send + ProcessHandler> Guard for JackGuard<P> {
    fn gone(&mut self) -> Option<String> {
        self.looks += 1;
        if !self.looks.is_multiple_of(LOOKS) {
            return None;
        }
        let client = self.active.as_client();
        // When the server dies its callbacks cease: the keeper's watchdog tells. Here only a partner's end is noticed.
        let broken = self.wires.iter().find(|w| client.port_by_name(&w.theirs).is_none());
        broken.map(|w| format!("{} is gone", w.theirs))
    }
}

fn hold<P: 'static + Send + ProcessHandler>(
    client: Client,
    process: P,
    wires: Vec<Wire>,
    mut format: Format,
) -> Result<Opened, PortError> {
    let period = period(&client);
    let active = client.activate_async((), process).map_err(failed)?;
    for w in &wires {
        active.as_client().connect_ports_by_name(&w.from, &w.to).map_err(failed)?;
    }
    if !wires.is_empty() {
        format.name = wires.iter().map(|w| w.theirs.as_str()).collect::<Vec<_>>().join(", ");
    }
    Ok(Opened { format, period: Some(period), guard: Box::new(JackGuard { active, wires, looks: 0 }) })
}

pub(crate) fn open_midi_in(port: &str, sink: Sink) -> Result<Opened, PortError> {
    let client = client(CLIENT)?;
    let own = client.register_port("midi in", MidiIn::default()).map_err(failed)?;
    let own_name = own.name().map_err(failed)?;
    let wires = if port == UNCONNECTED {
        Vec::new()
    } else {
        let names = others(&client, MIDI_TYPE, PortFlags::IS_OUTPUT);
        let found = find("JACK MIDI output", port, &names)?;
        vec![Wire::inward(names[found].clone(), own_name.clone())]
    };
    hold(client, MidiReceiver { port: own, sink }, wires, Format { name: own_name, ..Format::default() })
}

pub(crate) fn open_audio_in(input: &AudioInput, sink: Sink) -> Result<Opened, PortError> {
    let client = client(CLIENT)?;
    let picks = input.picks();
    let theirs = match input.device.as_str() {
        UNCONNECTED => Vec::new(),
        device => sources(&client, device, input)?,
    };
    let mut ports = Vec::new();
    let mut wires = Vec::new();
    for place in picks {
        let port = client.register_port(&format!("in {}", place + 1), AudioIn::default()).map_err(failed)?;
        if let Some(theirs) = theirs.get(place) {
            wires.push(Wire::inward(theirs.clone(), port.name().map_err(failed)?));
        }
        ports.push(port);
    }
    let rate = Hertz(f64::from(client.sample_rate()));
    let format = Format { name: client.name().to_owned(), sample_rate: Some(rate), channels: ports.len() };
    hold(client, AudioReceiver { ports, sink }, wires, format)
}

/// The ports to listen to: those whose full name contains `device`, in JACK's order, as many as there are channels.
fn sources(client: &Client, device: &str, input: &AudioInput) -> Result<Vec<String>, PortError> {
    let have = others(client, AUDIO_TYPE, PortFlags::IS_OUTPUT);
    let part = if device == DEFAULT { SOUND_CARD.to_owned() } else { device.to_lowercase() };
    let found: Vec<String> = have.iter().filter(|n| n.to_lowercase().contains(&part)).cloned().collect();
    if found.is_empty() {
        return Err(PortError::NotFound { what: "JACK audio output", wanted: device.into(), have });
    }
    let wanted = input.channels.len();
    if found.len() < wanted {
        let (device, written) = (device.into(), input.written.clone());
        return Err(PortError::TooFewChannels { device, has: found.len(), wanted, written });
    }
    Ok(found)
}

// Outputs.

struct AudioTransmitter {
    port: Port<AudioOut>,
    voice: Box<dyn Voice>,
    sink: Sink,
}

impl ProcessHandler for AudioTransmitter {
    fn process(&mut self, client: &Client, scope: &ProcessScope) -> Control {
        self.sink.pulse(mono_now());
        let rate = Hertz(f64::from(client.sample_rate()));
        for sample in self.port.as_mut_slice(scope) {
            *sample = self.voice.next(rate);
        }
        Control::Continue
    }
}

/// One port of ours, connected to the ports that are named and to no other.
pub(crate) fn open_audio_out(output: &AudioOutput, voice: Box<dyn Voice>, sink: Sink) -> Result<Opened, PortError> {
    let client = client(CLIENT)?;
    let port = client.register_port("alarm", AudioOut::default()).map_err(failed)?;
    let own = port.name().map_err(failed)?;
    let mut targets = Vec::new();
    if output.device != UNCONNECTED {
        let have = others(&client, AUDIO_TYPE, PortFlags::IS_INPUT);
        let part = output.device.to_lowercase();
        let found: Vec<String> = have.iter().filter(|n| n.to_lowercase().contains(&part)).cloned().collect();
        if found.is_empty() || part.is_empty() {
            return Err(PortError::NotFound { what: "JACK audio input", wanted: output.device.clone(), have });
        }
        for place in &output.channels {
            let (device, written) = (output.device.clone(), output.written.clone());
            let few = || PortError::TooFewChannels { device, has: found.len(), wanted: *place, written };
            targets.push(place.checked_sub(1).and_then(|i| found.get(i)).ok_or_else(few)?.clone());
        }
    }
    let rate = Hertz(f64::from(client.sample_rate()));
    let format = Format { name: own.clone(), sample_rate: Some(rate), channels: output.channels.len() };
    let wires = targets.into_iter().map(|theirs| Wire { from: own.clone(), to: theirs.clone(), theirs }).collect();
    hold(client, AudioTransmitter { port, voice, sink }, wires, format)
}

struct MidiTransmitter {
    port: Port<MidiOut>,
    queue: rtrb::Consumer<Message>,
}

impl ProcessHandler for MidiTransmitter {
    fn process(&mut self, _: &Client, scope: &ProcessScope) -> Control {
        let mut writer = self.port.writer(scope);
        while let Ok(message) = self.queue.peek() {
            // A full buffer takes the rest in the next period.
            if writer.write(&jack::RawMidi { time: 0, bytes: message }).is_err() {
                break;
            }
            drop(self.queue.pop());
        }
        Control::Continue
    }
}

/// Sends MIDI into a JACK port, at the start of the next period.
pub(crate) struct MidiSender {
    queue: rtrb::Producer<Message>,
    _active: jack::AsyncClient<(), MidiTransmitter>,
}

impl MidiSender {
    pub(crate) fn open(port: &str) -> Result<MidiSender, PortError> {
        let client = client(CLIENT)?;
        let own = client.register_port("midi out", MidiOut::default()).map_err(failed)?;
        let own_name = own.name().map_err(failed)?;
        let target = if port == UNCONNECTED {
            None
        } else {
            let names = others(&client, MIDI_TYPE, PortFlags::IS_INPUT);
            Some(names[find("JACK MIDI input", port, &names)?].clone())
        };
        let (queue, from) = rtrb::RingBuffer::new(OUT_RING);
        let active = client.activate_async((), MidiTransmitter { port: own, queue: from }).map_err(failed)?;
        if let Some(target) = target {
            active.as_client().connect_ports_by_name(&own_name, &target).map_err(failed)?;
        }
        Ok(MidiSender { queue, _active: active })
    }

    pub(crate) fn send(&mut self, message: &[u8]) -> Result<(), PortError> {
        let message = Message::try_from(message)
            .map_err(|_| PortError::host(HOST, format!("a message of more than {OUT_BYTES} bytes")))?;
        // A server that died takes nothing out of the ring: it fills, and the sender learns of it.
        self.queue.push(message).map_err(|_| PortError::host(HOST, "the server takes nothing any more"))
    }
}

// Listing.

pub(crate) fn midi_ports() -> Result<Vec<MidiPort>, PortError> {
    let client = client(LOOK)?;
    let list = |flags, direction| {
        let named = others(&client, MIDI_TYPE, flags).into_iter();
        named.map(move |name| MidiPort { host: HOST.into(), name, direction })
    };
    // What gives to others is what we can hear.
    Ok(list(PortFlags::IS_OUTPUT, PortDirection::In).chain(list(PortFlags::IS_INPUT, PortDirection::Out)).collect())
}

pub(crate) fn audio_devices() -> Result<Vec<AudioDevice>, PortError> {
    let client = client(LOOK)?;
    let rate = Some(Hertz(f64::from(client.sample_rate())));
    let mut devices: Vec<AudioDevice> = Vec::new();
    for (flags, gives) in [(PortFlags::IS_OUTPUT, true), (PortFlags::IS_INPUT, false)] {
        for port in others(&client, AUDIO_TYPE, flags) {
            let owner = port.rsplit_once(':').map_or(port.as_str(), |(owner, _)| owner);
            let at = devices.iter().position(|d| d.name == owner).unwrap_or_else(|| {
                let name = owner.to_owned();
                let is_default = name == "system";
                devices.push(AudioDevice {
                    host: HOST.into(),
                    name,
                    inputs: 0,
                    outputs: 0,
                    sample_rate: rate,
                    is_default,
                });
                devices.len() - 1
            });
            if gives {
                devices[at].inputs += 1;
            } else {
                devices[at].outputs += 1;
            }
        }
    }
    Ok(devices)
}
