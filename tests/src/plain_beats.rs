//! The plain way to notice that a host has gone, to hold ours against: a datagram every 10 ms, and a verdict when none has come for
//! three of them (the detection time of RFC 5880 section 6.8.4 with a multiplier of 3, without its jitter). The same host, link and
//! scheduling as ours.

use std::net::{Ipv4Addr, SocketAddr};
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex, PoisonError};

use base::{MonoTime, Span};
use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;
use ports::os::{Gate, make_urgent, mono_now, sleep_until};

use crate::namespaces::Namespace;

/// Time between two datagrams.
pub const INTERVAL: Span = Span::from_millis(10);
/// So many missing ones make a verdict.
pub const MULTIPLIER: i64 = 3;
/// The argument that makes a bench's own program a sender.
pub const SENDER: &str = "--plain-beats-to";

/// Where a program is told to be a sender (see [`SENDER`]), it is one for ever.
///
/// # Panics
/// When the address is none.
pub fn send_if_asked() {
    let mut words = std::env::args().skip_while(|a| a != SENDER).skip(1);
    let Some(to) = words.next() else { return };
    stage::os::end_with_parent_if_asked();
    let to: SocketAddr = to.parse().unwrap();
    let gate = Gate::bind(&[SocketAddr::from((Ipv4Addr::UNSPECIFIED, 0))]).unwrap();
    make_urgent(40);
    let mut due = mono_now();
    loop {
        gate.send(0, b"here", to);
        due = (due + INTERVAL).max(mono_now());
        sleep_until(due);
    }
}

/// A sender on a machine's host and the one who listens to it on the supervisor's.
pub struct PlainBeats {
    words: Vec<String>,
    sender: Child,
    verdicts: Arc<Mutex<Vec<MonoTime>>>,
}

impl PlainBeats {
    /// Starts both; `address` is the supervisor's.
    ///
    /// # Panics
    /// When the system refuses.
    pub fn start(machine: &Namespace, supervisor: &Namespace, address: Ipv4Addr, port: u16) -> PlainBeats {
        let at = SocketAddr::from((address, port));
        let gate = supervisor.inside(|| Gate::bind(&[at])).unwrap();
        let verdicts: Arc<Mutex<Vec<MonoTime>>> = Arc::default();
        let noted = verdicts.clone();
        std::thread::spawn(move || listen(&gate, &noted));
        let mut words = machine.words();
        words.extend([std::env::current_exe().unwrap().display().to_string(), SENDER.into(), at.to_string()]);
        PlainBeats { sender: start(&words), words, verdicts }
    }

    /// Stops the sender where it stands, or lets it go on.
    pub fn freeze(&self, frozen: bool) {
        self.signal(if frozen { Signal::SIGSTOP } else { Signal::SIGCONT });
    }

    /// Kills the sender.
    pub fn strike(&self) {
        self.signal(Signal::SIGKILL);
    }

    /// Starts the sender again.
    pub fn restart(&mut self) {
        self.strike();
        let _ = self.sender.wait();
        self.sender = start(&self.words);
    }

    /// When the sender was declared gone, since the last call.
    pub fn verdicts(&self) -> Vec<MonoTime> {
        std::mem::take(&mut self.verdicts.lock().unwrap_or_else(PoisonError::into_inner))
    }

    fn signal(&self, s: Signal) {
        // Not yet waited for: its number is still its own.
        let _ = kill(Pid::from_raw(self.sender.id() as i32), s);
    }
}

impl Drop for PlainBeats {
    fn drop(&mut self) {
        self.strike();
        let _ = self.sender.wait();
    }
}

fn start(words: &[String]) -> Child {
    let parent = std::process::id().to_string();
    let mut command = Command::new(&words[0]);
    command.args(&words[1..]).env(stage::os::PARENT_VARIABLE, parent).stdin(Stdio::null());
    command.spawn().unwrap()
}

fn listen(gate: &Gate, verdicts: &Mutex<Vec<MonoTime>>) {
    make_urgent(45);
    let mut buffer = [0u8; 64];
    let mut deadline: Option<MonoTime> = None;
    loop {
        gate.wait(deadline);
        while let Some(got) = gate.receive(0, &mut buffer) {
            deadline = Some(got.at + INTERVAL.times(MULTIPLIER));
        }
        let now = mono_now();
        if deadline.is_some_and(|d| now >= d) {
            deadline = None;
            verdicts.lock().unwrap_or_else(PoisonError::into_inner).push(now);
        }
    }
}
