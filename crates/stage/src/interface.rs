//! A simulated audio and MIDI interface at the supervisor, as a process of its own: it hears every playback computer by plugs of its own,
//! and gives what it hears to whoever listens there. It runs by its own clock: where nothing comes, it hears silence and not an end,
//! as a real one does.

use std::io;
use std::path::PathBuf;
use std::sync::mpsc::TryRecvError;

use base::{Machine, MonoTime};
use nix::poll::{PollFd, PollFlags, PollTimeout, poll};
use serde::{Deserialize, Serialize};
use wire::feed::FeedFrame;

use crate::engine::BLOCK;
use crate::feed_in::FeedIn;
use crate::feed_link::FeedLink;
use crate::filler::Filler;
use crate::os;
use crate::show::{CHANNELS, SAMPLE_RATE};

/// What an interface process is told when it starts.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct InterfaceConfig {
    /// A feed socket to be made for each machine, A first.
    pub inputs: Vec<PathBuf>,
    /// The feed socket of whoever listens to that machine.
    pub listeners: Vec<PathBuf>,
}

/// What a hand at the interface can do.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
#[serde(tag = "do", rename_all = "kebab-case", deny_unknown_fields)]
pub enum InterfaceCommand {
    /// The part of it that hears this machine goes, or is there again.
    There {
        /// Which machine.
        machine: Machine,
        /// Whether it is there.
        on: bool,
    },
    /// The plug of this machine's sound is pulled, or in again; its MIDI has a plug of its own.
    Plug {
        /// Which machine.
        machine: Machine,
        /// Whether it is in.
        on: bool,
    },
}

/// Works until its standard input ends or it is killed.
///
/// # Errors
/// When a socket cannot be made.
pub fn run_interface(config: InterfaceConfig) -> io::Result<()> {
    let commands = crate::player::commands_from_stdin()?;
    let got = os::make_urgent(60);
    let ports = config.inputs.iter().zip(config.listeners);
    let mut ports: Vec<Port> = ports.map(|(i, l)| Port::new(FeedIn::bind(i)?, l)).collect::<io::Result<_>>()?;
    println!("interface: process {}, {got}", std::process::id());
    loop {
        wait(&ports);
        loop {
            match commands.try_recv() {
                Ok(InterfaceCommand::There { machine, on }) => {
                    if let Some(p) = ports.get_mut(machine.index()) {
                        p.link = on.then(|| p.to());
                    }
                }
                Ok(InterfaceCommand::Plug { machine, on }) => {
                    if let Some(p) = ports.get_mut(machine.index()) {
                        p.plugged = on;
                    }
                }
                Err(TryRecvError::Empty) => break,
                Err(TryRecvError::Disconnected) => return Ok(()),
            }
        }
        ports.iter_mut().for_each(|p| p.tend(os::now()));
    }
}

fn wait(ports: &[Port]) {
    let mut fds: Vec<PollFd<'_>> =
        ports.iter().flat_map(|p| p.input.fds()).map(|fd| PollFd::new(fd, PollFlags::POLLIN)).collect();
    let due = ports.iter().map(|p| p.filler.due()).fold(MonoTime::FAR, MonoTime::min);
    let left = ((due - os::now()).nanos() + 999_999) / 1_000_000;
    let _ = poll(&mut fds, PollTimeout::from(left.clamp(0, 20) as u8));
}

/// Its plugs for one machine.
struct Port {
    input: FeedIn,
    listener: PathBuf,
    link: Option<FeedLink>,
    filler: Filler,
    plugged: bool,
}

impl Port {
    fn new(input: FeedIn, listener: PathBuf) -> io::Result<Port> {
        let mut port = Port { input, listener, link: None, filler: Filler::new(os::now()), plugged: true };
        port.link = Some(port.to());
        Ok(port)
    }

    fn to(&self) -> FeedLink {
        FeedLink::new(&self.listener, SAMPLE_RATE, &CHANNELS)
    }

    fn tend(&mut self, now: MonoTime) {
        let Port { input, link, filler, plugged, .. } = self;
        if let Some(link) = link {
            link.tend(now);
        }
        let mut block = Vec::new();
        let silence = [0f32; BLOCK * CHANNELS.len()];
        input.take(&mut |frame| match frame {
            FeedFrame::Midi { at, bytes } => _ = link.as_mut().map(|l| l.midi(at, bytes)),
            FeedFrame::Pcm { at, samples } if samples.channels() == CHANNELS.len() => {
                block.resize(samples.frames() * CHANNELS.len(), 0.0);
                samples.copy_into(&mut block);
                if !*plugged {
                    block.fill(0.0);
                }
                filler.on_block(at, now);
                let _ = link.as_mut().map(|l| l.pcm(at, &block));
            }
            FeedFrame::Pcm { .. } | FeedFrame::Hello(_) => {}
        });
        while let Some(at) = filler.zeros_due(now) {
            let _ = link.as_mut().map(|l| l.pcm(at, &silence));
        }
    }
}
