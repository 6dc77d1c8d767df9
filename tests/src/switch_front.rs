//! What stands before the switch in a bench: it lets everything through, and notes by the kernel's stamp when each command came.

use std::net::{Ipv4Addr, SocketAddr};
use std::sync::{Arc, Mutex, PoisonError};

use base::MonoTime;
use ports::os::Gate;

/// A socket before the switch's. It works as long as the process does.
#[derive(Clone, Default)]
pub struct SwitchFront {
    commands: Arc<Mutex<Vec<MonoTime>>>,
}

impl SwitchFront {
    /// Opens it on the calling thread's host and returns the address for commands.
    ///
    /// # Panics
    /// When the system refuses.
    pub fn open(&self, switch: SocketAddr) -> SocketAddr {
        let any = SocketAddr::from((Ipv4Addr::LOCALHOST, 0));
        let gate = Gate::bind(&[any, any]).unwrap();
        let address = gate.local_addr(0).unwrap();
        let commands = self.commands.clone();
        std::thread::spawn(move || {
            ports::os::make_urgent(50);
            let mut buffer = [0u8; 2048];
            let mut supervisor = None;
            loop {
                gate.wait(None);
                while let Some(got) = gate.receive(0, &mut buffer) {
                    supervisor = Some(got.from);
                    if buffer[..got.len].starts_with(stage::switch::SELECT.as_bytes()) {
                        commands.lock().unwrap_or_else(PoisonError::into_inner).push(got.at);
                    }
                    gate.send(1, &buffer[..got.len], switch);
                }
                while let Some(got) = gate.receive(1, &mut buffer) {
                    if let Some(to) = supervisor {
                        gate.send(0, &buffer[..got.len], to);
                    }
                }
            }
        });
        address
    }

    /// The instants of all commands since the last call.
    pub fn commands(&self) -> Vec<MonoTime> {
        std::mem::take(&mut self.commands.lock().unwrap_or_else(PoisonError::into_inner))
    }
}
