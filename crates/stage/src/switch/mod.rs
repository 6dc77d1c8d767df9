//! A simulated changeover switch as a process of its own. It takes one feed from each playback computer, obeys absolute commands by
//! OSC, says what is on air when it is asked and after each command, keeps its state over a loss of its own power, writes what the
//! house hears to a file, and gives its output to the supervisor as a tap.
//!
//! It switches as a relay does: a hard cut at the instant the command came in.
//!
//! - `/changeover/select "A"`: this machine to the stage. Answer: `/changeover/on_air "A"` to the sender.
//! - `/changeover/ask`: the same answer.

mod input;
mod recorder;

use std::io;
use std::net::{SocketAddr, UdpSocket};
use std::os::fd::AsFd;
use std::path::PathBuf;
use std::sync::mpsc::{Receiver, Sender, TryRecvError};

use base::{Machine, MonoTime};
use nix::poll::{PollFd, PollFlags, PollTimeout, poll};
use rosc::{OscMessage, OscPacket, OscType};
use serde::{Deserialize, Serialize};
use settings::duration::Duration;
use wire::feed::FeedFrame;

use crate::engine::BLOCK;
use crate::feed_in::FeedIn;
use crate::feed_link::FeedLink;
use crate::os;
use crate::show::{CHANNELS, SAMPLE_RATE};
use crate::synth::Frame;

use crate::filler::{Filler, ZERO_AFTER};
use recorder::Entry;
pub use recorder::{HouseNote, PROGRAMME};

/// Address of the command.
pub const SELECT: &str = "/changeover/select";
/// Address of the question.
pub const ASK: &str = "/changeover/ask";
/// Address of the answer.
pub const ANSWER: &str = "/changeover/on_air";

/// What a switch process is told when it starts.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SwitchConfig {
    /// A feed socket to be made for each machine, A first.
    pub inputs: Vec<PathBuf>,
    /// Where OSC commands come in.
    pub osc: SocketAddr,
    /// The supervisor's feed socket for the tap.
    pub tap: PathBuf,
    /// The recording of what the house hears: tracks left and right, and timecode.
    pub house: PathBuf,
    /// The recording ends after this long; the switch works on.
    pub house_limit: Duration,
    /// Where the state is kept.
    pub state: PathBuf,
}

/// What a hand at the switch can do.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
#[serde(tag = "do", rename_all = "kebab-case", deny_unknown_fields)]
pub enum SwitchCommand {
    /// Turns it by hand: nobody is told.
    Select {
        /// Where to.
        to: Machine,
    },
    /// Without ears it neither obeys nor answers, and passes sound as before.
    Deaf {
        /// Whether it is.
        on: bool,
    },
    /// It says that it obeyed, and passes what it passed.
    Lies {
        /// Whether it does.
        on: bool,
    },
    /// Without power it passes nothing, obeys nothing and answers nothing.
    Power {
        /// Whether it has power.
        on: bool,
    },
}

/// One line of the switch's output for each change of what is on air.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct SwitchLine {
    /// When, in nanoseconds of the monotonic clock.
    pub mono_ns: u64,
    /// What is on air from then on.
    pub on_air: Machine,
    /// Whether a command moved it; else a hand, or its memory at the start.
    pub commanded: bool,
}

/// Works until its standard input ends or it is killed.
///
/// # Errors
/// When a socket or the recording cannot be made.
pub fn run_switch(config: SwitchConfig) -> io::Result<()> {
    let commands = crate::player::commands_from_stdin()?;
    let got = os::make_urgent(70);
    let record = recorder::start(&config)?;
    let mut switch = Switch::new(&config, record)?;
    println!("switch: process {}, {got}", std::process::id());
    switch.announce(os::now(), false);
    loop {
        switch.wait();
        if !switch.obey_hand(&commands) {
            return Ok(());
        }
        switch.listen_osc();
        switch.take_feeds();
        switch.tend_tap();
    }
}

struct Switch {
    on_air: Machine,
    powered: bool,
    deaf: bool,
    /// What it says that it passes, when that is not so.
    claims: Option<Machine>,
    inputs: Vec<FeedIn>,
    osc: UdpSocket,
    tap: FeedLink,
    filler: Filler,
    record: Sender<Entry>,
}

impl Switch {
    fn new(config: &SwitchConfig, record: Sender<Entry>) -> io::Result<Switch> {
        let inputs = config.inputs.iter().map(|path| FeedIn::bind(path)).collect::<io::Result<Vec<_>>>()?;
        let osc = UdpSocket::bind(config.osc)?;
        osc.set_nonblocking(true)?;
        let on_air = recorder::remembered(&config.state).filter(|m| m.index() < inputs.len()).unwrap_or(Machine::A);
        let tap = FeedLink::new(&config.tap, SAMPLE_RATE, &CHANNELS);
        Ok(Switch {
            on_air,
            powered: true,
            deaf: false,
            claims: None,
            inputs,
            osc,
            tap,
            filler: Filler::new(os::now()),
            record,
        })
    }

    fn wait(&self) {
        let mut fds = vec![PollFd::new(self.osc.as_fd(), PollFlags::POLLIN)];
        fds.extend(self.inputs.iter().flat_map(FeedIn::fds).map(|fd| PollFd::new(fd, PollFlags::POLLIN)));
        let left = if self.powered { ((self.filler.due() - os::now()).nanos() + 999_999) / 1_000_000 } else { 20 };
        let _ = poll(&mut fds, PollTimeout::from(left.clamp(0, 20) as u8));
    }

    /// False when nobody holds the other end any more.
    fn obey_hand(&mut self, commands: &Receiver<SwitchCommand>) -> bool {
        loop {
            let now = os::now();
            match commands.try_recv() {
                Ok(SwitchCommand::Select { to }) => self.select(to, now, false),
                Ok(SwitchCommand::Deaf { on }) => self.deaf = on,
                Ok(SwitchCommand::Lies { on }) => self.claims = on.then_some(self.on_air),
                Ok(SwitchCommand::Power { on }) => {
                    self.powered = on;
                    self.filler.restart(now);
                    let _ = self.record.send(Entry::OnAir(now, on.then_some(self.on_air)));
                }
                Err(TryRecvError::Empty) => return true,
                Err(TryRecvError::Disconnected) => return false,
            }
        }
    }

    fn listen_osc(&mut self) {
        let mut buf = [0u8; 2048];
        while let Ok((n, from)) = self.osc.recv_from(&mut buf) {
            let now = os::now();
            if self.deaf || !self.powered {
                continue;
            }
            if let Ok((_, packet)) = rosc::decoder::decode_udp(&buf[..n]) {
                self.on_packet(&packet, from, now);
            }
        }
    }

    fn on_packet(&mut self, packet: &OscPacket, from: SocketAddr, now: MonoTime) {
        match packet {
            OscPacket::Bundle(b) => b.content.iter().for_each(|p| self.on_packet(p, from, now)),
            OscPacket::Message(m) if m.addr == SELECT => {
                if let Some(to) = letter(m) {
                    match &mut self.claims {
                        Some(claimed) => *claimed = to,
                        None => self.select(to, now, true),
                    }
                }
                self.answer(from);
            }
            OscPacket::Message(m) if m.addr == ASK => self.answer(from),
            OscPacket::Message(_) => {}
        }
    }

    fn select(&mut self, to: Machine, now: MonoTime, commanded: bool) {
        if to.index() < self.inputs.len() && to != self.on_air {
            self.on_air = to;
            self.filler.restart(now);
            self.announce(now, commanded);
        }
    }

    fn announce(&self, now: MonoTime, commanded: bool) {
        let _ = self.record.send(Entry::OnAir(now, self.powered.then_some(self.on_air)));
        let line = SwitchLine { mono_ns: now.nanos(), on_air: self.on_air, commanded };
        if let Ok(text) = serde_json::to_string(&line) {
            println!("{text}");
        }
    }

    fn answer(&self, to: SocketAddr) {
        let message = OscMessage {
            addr: ANSWER.into(),
            args: vec![OscType::String(self.claims.unwrap_or(self.on_air).to_string())],
        };
        if let Ok(bytes) = rosc::encoder::encode(&OscPacket::Message(message)) {
            let _ = self.osc.send_to(&bytes, to);
        }
    }

    fn take_feeds(&mut self) {
        let now = os::now();
        for (i, input) in self.inputs.iter_mut().enumerate() {
            let on_air = self.powered && self.on_air.index() == i;
            input.take(&mut |frame| {
                let FeedFrame::Pcm { at, samples } = frame else { return };
                if samples.channels() != CHANNELS.len() {
                    return;
                }
                let mut block: Vec<Frame> = vec![[0f32; CHANNELS.len()]; samples.frames()];
                samples.copy_into(block.as_flattened_mut());
                if on_air {
                    self.tap.pcm(at, block.as_flattened());
                    self.filler.on_block(at, now);
                }
                let _ = self.record.send(Entry::Block(i, at, block));
            });
        }
    }

    fn tend_tap(&mut self) {
        if !self.powered {
            return;
        }
        let now = os::now();
        self.tap.tend(now);
        let zeros = [0f32; BLOCK * CHANNELS.len()];
        while let Some(at) = self.filler.zeros_due(now) {
            self.tap.pcm(at, &zeros);
        }
    }
}

fn letter(m: &OscMessage) -> Option<Machine> {
    match m.args.first()? {
        OscType::String(s) => {
            let mut chars = s.chars();
            let machine = Machine::from_letter(chars.next()?);
            machine.filter(|_| chars.next().is_none())
        }
        _ => None,
    }
}

/// How long after a missing block the tap carries zeros: what a supervisor's ears must reckon with.
pub const TAP_PATIENCE: base::Span = ZERO_AFTER;
