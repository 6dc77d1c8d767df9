//! Changeover outputs: absolute commands to the switch, opened beforehand. UDP and OSC go out of the watch thread itself; what may
//! block has a pre-started thread behind a ring.

mod midi;
mod osc;

use base::{Machine, MonoTime, SwitchView};
use ports::os::Gate;
use settings::rig::Output;

use crate::to_watch::WatchDesk;

/// One output, ready to send.
pub enum Ready {
    /// OSC over UDP.
    Osc(osc::OscOutput),
    /// MIDI from its own thread.
    Midi(midi::MidiOutput),
}

/// The outputs in order of preference, and which is used now.
pub struct Outputs {
    ready: Vec<Ready>,
    now: usize,
}

impl Outputs {
    /// Opens all outputs. OSC outputs use the gate's sockets from `first_socket` on, one each.
    ///
    /// # Errors
    /// What keeps one from ever working.
    pub fn open(
        outputs: &[Output],
        machines: usize,
        first_socket: usize,
        desk: &WatchDesk,
    ) -> std::io::Result<Outputs> {
        let mut ready = Vec::new();
        let mut socket = first_socket;
        for o in outputs {
            ready.push(match o {
                Output::Osc { to, select, ask, answer } => {
                    let out = osc::OscOutput::new(socket, *to, select, ask.as_deref(), answer.as_deref(), machines)?;
                    socket += 1;
                    Ready::Osc(out)
                }
                Output::Midi { port, host, select, answer } => {
                    Ready::Midi(midi::MidiOutput::start(port, host, select, answer, desk.clone())?)
                }
            });
        }
        Ok(Outputs { ready, now: 0 })
    }

    /// How many sockets the outputs need.
    pub fn sockets(outputs: &[Output]) -> usize {
        outputs.iter().filter(|o| matches!(o, Output::Osc { .. })).count()
    }

    /// Commands the switch through the output in use. False: it could not be sent, or there is none.
    pub fn select(&mut self, to: Machine, gate: &Gate) -> bool {
        match self.ready.get_mut(self.now) {
            Some(Ready::Osc(o)) => o.select(to, gate),
            Some(Ready::Midi(o)) => o.select(to),
            None => false,
        }
    }

    /// Uses the next output from now on. After the last comes the first: a cable may be back.
    pub fn next(&mut self) {
        self.now = (self.now + 1) % self.ready.len().max(1);
    }

    /// Which output is in use, for the record.
    pub fn in_use(&self) -> usize {
        self.now
    }

    /// Asks every output that can be asked what is on air.
    pub fn ask(&self, gate: &Gate) {
        for r in &self.ready {
            if let Ready::Osc(o) = r {
                o.ask(gate);
            }
        }
    }

    /// What the switch answered on a socket: read to the end.
    pub fn hear(&self, gate: &Gate, buffer: &mut [u8]) -> Option<(SwitchView, MonoTime)> {
        let mut newest = None;
        for r in &self.ready {
            if let Ready::Osc(o) = r {
                while let Some((view, at)) = o.hear(gate, buffer) {
                    newest = Some((view, at));
                }
            }
        }
        newest
    }
}
