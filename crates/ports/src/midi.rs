//! MIDI ports: the system's own by `midir`, JACK's by `jack`.

use std::sync::Arc;
use std::time::{Duration, Instant};

use midir::{MidiInput, MidiInputConnection, MidiOutput, MidiOutputConnection};

use crate::arrivals::{Arrivals, Format, Sink, Wake};
use crate::error::{PortError, find};
use crate::keeper::{Guard, Open, Opened, keep, limited};
use crate::os::mono_now;
use crate::{DEFAULT, listing};

const CLIENT: &str = "twinkeel";
const INPUT: &str = "MIDI input";
const OUTPUT: &str = "MIDI output";
/// How often the system is asked whether an open port is still there.
const STILL_THERE: Duration = Duration::from_secs(1);

/// Which MIDI port.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct MidiPortName {
    /// `default`, or `jack`.
    pub host: String,
    /// The port's name, or a part of it that is unique; [`crate::UNCONNECTED`] on JACK.
    pub port: String,
}

/// Opens a MIDI input and keeps it open for ever; `wake` is called when something has come.
///
/// # Errors
/// No thread could be started. Everything else is told as the source's state.
pub fn open_in(name: MidiPortName, wake: Option<Wake>) -> std::io::Result<Arrivals> {
    let open: Open = Arc::new(move |sink| match host_of(&name.host)? {
        Host::System => open_system(&name.port, sink),
        #[cfg(feature = "jack")]
        Host::Jack => crate::jack::open_midi_in(&name.port, sink),
    });
    keep("midi", wake, open)
}

/// A MIDI output. It is opened once; who holds it opens it anew when sending fails.
pub struct MidiOut(Out);

enum Out {
    System(MidiOutputConnection),
    #[cfg(feature = "jack")]
    Jack(crate::jack::MidiSender),
}

impl MidiOut {
    /// Opens an output, in at most five seconds.
    ///
    /// # Errors
    /// No such port (all are named), or the host's own words.
    pub fn open(name: &MidiPortName) -> Result<MidiOut, PortError> {
        // A connection need not be movable on every system; those that are not fail to build here and not in a show.
        let MidiPortName { host, port } = name.clone();
        limited("opening the MIDI output", move || match host_of(&host)? {
            Host::System => Ok(MidiOut(Out::System(connect_system(&port)?))),
            #[cfg(feature = "jack")]
            Host::Jack => Ok(MidiOut(Out::Jack(crate::jack::MidiSender::open(&port)?))),
        })
    }

    /// Sends one whole message. May block: not for the watch thread.
    ///
    /// # Errors
    /// The port is gone, or the message is none.
    pub fn send(&mut self, message: &[u8]) -> Result<(), PortError> {
        match &mut self.0 {
            Out::System(c) => c.send(message).map_err(|e| PortError::host(DEFAULT, e)),
            #[cfg(feature = "jack")]
            Out::Jack(sender) => sender.send(message),
        }
    }
}

pub(crate) enum Host {
    System,
    #[cfg(feature = "jack")]
    Jack,
}

pub(crate) fn host_of(name: &str) -> Result<Host, PortError> {
    match name {
        DEFAULT => Ok(Host::System),
        system if system == listing::system_midi() => Ok(Host::System),
        #[cfg(feature = "jack")]
        "jack" => Ok(Host::Jack),
        other => Err(PortError::NoHost { wanted: other.into(), have: listing::midi_hosts() }),
    }
}

fn open_system(port: &str, sink: Sink) -> Result<Opened, PortError> {
    let input = MidiInput::new(CLIENT).map_err(|e| PortError::host(DEFAULT, e))?;
    let ports = input.ports();
    let names: Vec<String> = ports.iter().map(|p| input.port_name(p).unwrap_or_default()).collect();
    let found = find(INPUT, port, &names)?;
    let receive = |_: u64, bytes: &[u8], sink: &mut Sink| {
        let now = mono_now();
        sink.pulse(now);
        sink.midi(now, bytes);
        sink.done();
    };
    let connection =
        input.connect(&ports[found], "in", receive, sink).map_err(|e| PortError::host(DEFAULT, e.kind()))?;
    let format = Format { name: names[found].clone(), ..Format::default() };
    let look = MidiInput::new("twinkeel look").ok();
    let guard = SystemGuard { _connection: connection, id: ports[found].id(), look, looked: Instant::now() };
    Ok(Opened { format, period: None, guard: Box::new(guard) })
}

/// A port that vanishes says nothing, so the system is asked now and then.
struct SystemGuard {
    _connection: MidiInputConnection<Sink>,
    id: String,
    look: Option<MidiInput>,
    looked: Instant,
}

impl Guard for SystemGuard {
    fn gone(&mut self) -> Option<String> {
        if self.looked.elapsed() < STILL_THERE {
            return None;
        }
        self.looked = Instant::now();
        let there = self.look.as_ref().is_none_or(|look| look.find_port_by_id(&self.id).is_some());
        (!there).then(|| "the port is gone".into())
    }
}

fn connect_system(port: &str) -> Result<MidiOutputConnection, PortError> {
    let output = MidiOutput::new(CLIENT).map_err(|e| PortError::host(DEFAULT, e))?;
    let ports = output.ports();
    let names: Vec<String> = ports.iter().map(|p| output.port_name(p).unwrap_or_default()).collect();
    let found = find(OUTPUT, port, &names)?;
    output.connect(&ports[found], "out").map_err(|e| PortError::host(DEFAULT, e.kind()))
}
