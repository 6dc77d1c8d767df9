//! Changeover outputs: absolute commands to the switch, opened beforehand. UDP and OSC go out of the watch thread itself; what may
//! block has a pre-started thread behind a ring.

mod answers;
mod command;
mod datagram;
mod health;
mod http;
mod midi;
mod stream;
mod worker;

use std::sync::Arc;

use base::{Machine, MonoTime, SwitchView};
use ports::os::Gate;
use settings::rig::Output;

use datagram::{DatagramOutput, Packets};
pub use health::{Health, HealthView};
use worker::Worker;

/// What outputs tell, from threads of their own.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum OutputNews {
    /// The switch said what is on air.
    Heard(SwitchView, MonoTime),
    /// An output could send from now on.
    Opened {
        /// Which, by its place in the list.
        output: usize,
        /// What people call it.
        label: String,
    },
    /// An output cannot send; it is tried again for ever.
    Gone {
        /// Which, by its place in the list.
        output: usize,
        /// What people call it.
        label: String,
        /// Why.
        why: String,
    },
    /// A command that was handed over did not go out, or was refused by the far end.
    Failed {
        /// Which output, by its place in the list.
        output: usize,
        /// The command's number, see [`Outputs::newest`].
        number: u32,
        /// What people call the output.
        label: String,
        /// Why.
        why: String,
    },
}

/// Where news goes. It is called from the outputs' threads and must not wait for long.
pub type Tell = Arc<dyn Fn(OutputNews) + Send + Sync>;

/// One output, ready to send.
enum Ready {
    /// From the watch thread.
    Datagram(DatagramOutput),
    /// From its own.
    Worker(Worker),
}

/// The outputs in order of preference, and which is used now.
pub struct Outputs {
    ready: Vec<Ready>,
    health: Vec<Health>,
    now: usize,
    number: u32,
}

impl Outputs {
    /// Opens all outputs. Those by datagrams use the gate's sockets from `first_socket` on, one each.
    ///
    /// # Errors
    /// What keeps one from ever working.
    pub fn open(outputs: &[Output], machines: usize, first_socket: usize, tell: &Tell) -> std::io::Result<Outputs> {
        let mut all = Outputs { ready: Vec::new(), health: Vec::new(), now: 0, number: 0 };
        let mut socket = first_socket;
        for (i, o) in outputs.iter().enumerate() {
            let health = Health::new(i, o.label(), tell.clone());
            all.health.push(health.clone());
            all.ready.push(open_one(o, machines, socket, health)?);
            socket += usize::from(needs_socket(o));
        }
        Ok(all)
    }

    /// How many sockets the outputs need.
    pub fn sockets(outputs: &[Output]) -> usize {
        outputs.iter().filter(|o| needs_socket(o)).count()
    }

    /// Each output's health, in their order.
    pub fn health(&self) -> &[Health] {
        &self.health
    }

    /// Commands the switch through the output in use. False: it could not be sent, or there is none. Neither waits nor allocates.
    pub fn select(&mut self, to: Machine, gate: &Gate) -> bool {
        self.number = self.number.wrapping_add(1);
        match self.ready.get_mut(self.now) {
            Some(Ready::Datagram(o)) => o.select(to, gate),
            Some(Ready::Worker(o)) => o.select(to, self.number),
            None => false,
        }
    }

    /// The number of the newest command: a failure of an older one changes nothing any more.
    pub fn newest(&self) -> u32 {
        self.number
    }

    /// Uses the next output from now on. After the last comes the first: a cable may be back.
    pub fn next(&mut self) {
        self.now = (self.now + 1) % self.ready.len().max(1);
    }

    /// How many there are.
    pub fn count(&self) -> usize {
        self.ready.len()
    }

    /// Which output is in use, for the record.
    pub fn in_use(&self) -> usize {
        self.now
    }

    /// Asks every output that is asked from here what is on air; the others ask from their own threads.
    pub fn ask(&self, gate: &Gate) {
        for r in &self.ready {
            if let Ready::Datagram(o) = r {
                o.ask(gate);
            }
        }
    }

    /// What the switch answered on a socket: read to the end.
    pub fn hear(&self, gate: &Gate, buffer: &mut [u8]) -> Option<(SwitchView, MonoTime)> {
        let mut newest = None;
        for r in &self.ready {
            if let Ready::Datagram(o) = r {
                while let Some((view, at)) = o.hear(gate, buffer) {
                    newest = Some((view, at));
                }
            }
        }
        newest
    }
}

fn needs_socket(o: &Output) -> bool {
    matches!(o, Output::Osc { .. } | Output::Udp { .. })
}

fn open_one(o: &Output, machines: usize, socket: usize, health: Health) -> std::io::Result<Ready> {
    // Written as bytes: checked when the file was read.
    let bytes = |e: &settings::outputs::Encoding, texts: &[String]| {
        texts.iter().map(|t| e.bytes(t).unwrap_or_default()).collect::<Vec<_>>()
    };
    let packets = |e: &settings::outputs::Encoding, select: &[String], ask: &Option<String>, answer: &[String]| {
        Packets { select: bytes(e, select), ask: bytes(e, ask.as_slice()).pop(), answers: bytes(e, answer) }
    };
    let hex = settings::outputs::Encoding::Hex;
    Ok(match o {
        Output::Osc { to, select, ask, answer } => {
            let packets = datagram::osc(select, ask.as_deref(), answer.as_deref(), machines)?;
            Ready::Datagram(DatagramOutput::new(socket, *to, packets, health))
        }
        Output::Udp { to, encoding, select, ask, answer } => {
            Ready::Datagram(DatagramOutput::new(socket, *to, packets(encoding, select, ask, answer), health))
        }
        Output::Midi { port, host, select, answer } => {
            let way = midi::MidiWay::new(port, host, bytes(&hex, select), bytes(&hex, answer));
            Ready::Worker(Worker::start("midi-out", health, way)?)
        }
        Output::Tcp { to, encoding, select, ask, answer } => {
            let way = stream::TcpWay { to: *to, packets: packets(encoding, select, ask, answer) };
            Ready::Worker(Worker::start("tcp-out", health, way)?)
        }
        Output::Serial { port, baud, encoding, select, ask, answer } => {
            let packets = packets(encoding, select, ask, answer);
            let way = stream::SerialWay { port: port.clone(), baud: *baud, packets };
            Ready::Worker(Worker::start("serial-out", health, way)?)
        }
        Output::Http { method, select, body, media, ask, answer } => {
            let url = |i: usize| if select.len() == 1 { select.first() } else { select.get(i) };
            let command =
                |i: usize| http::HttpCommand { url: url(i).cloned().unwrap_or_default(), body: body.get(i).cloned() };
            let way = http::HttpWay {
                method: method.clone(),
                commands: (0..machines).map(command).collect(),
                media: media.clone(),
                ask: ask.clone(),
                answers: answer.clone(),
            };
            Ready::Worker(Worker::start("http-out", health, way)?)
        }
        Output::Command { program, select, limit } => {
            let way = command::CommandWay { program: program.clone(), arguments: select.clone(), limit: limit.0 };
            Ready::Worker(Worker::start("command-out", health, way)?)
        }
    })
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn a_port_that_is_not_open_takes_no_command() {
        let health = Health::new(0, "midi".into(), Arc::new(|_| {}));
        let way = midi::MidiWay::new("nobody's port", "no such host", vec![vec![0xC0, 0], vec![0xC0, 1]], vec![]);
        let mut out = Worker::start("midi-out", health, way).unwrap();
        for _ in 0..20 {
            assert!(!out.select(Machine::B, 1));
            std::thread::sleep(std::time::Duration::from_millis(5));
        }
        assert_eq!(out.waiting(), 0, "and keeps none for later");
    }
}
