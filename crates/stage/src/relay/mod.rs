//! A network in user space between agents and supervisor: every datagram and every byte of theirs passes through here, so that
//! "power" and "cable" can be true silence. A closed socket would tell the other end within 2 ms; a cut route tells nothing.
//!
//! Two threads: one for datagrams, which must add no delay worth measuring, one for streams.

mod tcp;
mod udp;

use std::collections::BTreeMap;
use std::io;
use std::net::{SocketAddr, TcpListener, UdpSocket};
use std::sync::atomic::{AtomicBool, AtomicU32, AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;

use base::Machine;

use crate::weather::Weather;

/// One way between a machine and the supervisor.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Way {
    /// A network path for beats, 0 or 1.
    Path(u8),
    /// The reliable lanes.
    Lanes,
}

/// A way that the relay shall carry, from a socket of its own to the supervisor's.
#[derive(Clone, Copy, Debug)]
pub struct Route {
    /// Whose.
    pub machine: Machine,
    /// Which way.
    pub way: Way,
    /// Where the supervisor listens.
    pub supervisor: SocketAddr,
}

/// What is wanted of one route, shared with its thread.
#[derive(Default)]
struct Wish {
    cut: AtomicBool,
    /// Counts losses of power: streams from before the newest one are dead for ever.
    era: AtomicU32,
    weather: Mutex<Weather>,
    carried: AtomicU64,
    lost: AtomicU64,
}

/// The running relay. Dropping it ends its threads and closes its sockets.
pub struct Relay {
    wishes: BTreeMap<(Machine, Way), Arc<Wish>>,
    addresses: BTreeMap<(Machine, Way), SocketAddr>,
    ending: Arc<AtomicBool>,
    threads: Vec<JoinHandle<()>>,
}

impl Relay {
    /// Binds a loopback socket for each route and starts carrying.
    ///
    /// # Errors
    /// When a socket cannot be bound or a thread not started.
    pub fn start(routes: &[Route], seed: u64) -> io::Result<Relay> {
        let ending = Arc::new(AtomicBool::new(false));
        let mut relay =
            Relay { wishes: BTreeMap::new(), addresses: BTreeMap::new(), ending: ending.clone(), threads: Vec::new() };
        let (mut datagrams, mut streams) = (Vec::new(), Vec::new());
        for (i, route) in routes.iter().enumerate() {
            let wish = Arc::new(Wish::default());
            let key = (route.machine, route.way);
            relay.wishes.insert(key, wish.clone());
            match route.way {
                Way::Path(_) => {
                    let agents = UdpSocket::bind("127.0.0.1:0")?;
                    relay.addresses.insert(key, agents.local_addr()?);
                    let luck = crate::seed::at(seed, 0x7e1, i as i64);
                    datagrams.push(udp::Wire::new(agents, route.supervisor, wish, luck)?);
                }
                Way::Lanes => {
                    let agents = TcpListener::bind("127.0.0.1:0")?;
                    relay.addresses.insert(key, agents.local_addr()?);
                    streams.push(tcp::Pipe::new(agents, route.supervisor, wish)?);
                }
            }
        }
        let end = ending.clone();
        relay.threads.push(
            std::thread::Builder::new().name("relay-datagrams".into()).spawn(move || udp::carry(datagrams, &end))?,
        );
        relay.threads.push(
            std::thread::Builder::new().name("relay-streams".into()).spawn(move || tcp::carry(streams, &ending))?,
        );
        Ok(relay)
    }

    /// Where a machine's agent must send to, instead of to the supervisor.
    pub fn address(&self, machine: Machine, way: Way) -> Option<SocketAddr> {
        self.addresses.get(&(machine, way)).copied()
    }

    /// Cuts or mends a way. While it is cut, datagrams vanish, streams stand still and keep what they hold.
    pub fn cut(&self, machine: Machine, way: Way, cut: bool) {
        if let Some(wish) = self.wishes.get(&(machine, way)) {
            wish.cut.store(cut, Ordering::SeqCst);
        }
    }

    /// Cuts or mends all ways of a machine.
    pub fn cut_all(&self, machine: Machine, cut: bool) {
        self.of(machine).for_each(|wish| wish.cut.store(cut, Ordering::SeqCst));
    }

    /// Takes a machine's power, or gives it back. With the power its streams die: no FIN of theirs is ever passed on.
    pub fn power(&self, machine: Machine, on: bool) {
        for wish in self.of(machine) {
            wish.cut.store(!on, Ordering::SeqCst);
            if !on {
                wish.era.fetch_add(1, Ordering::SeqCst);
            }
        }
    }

    /// The weather on all datagram paths of a machine.
    pub fn weather(&self, machine: Machine, weather: Weather) {
        for wish in self.of(machine) {
            *wish.weather.lock().unwrap_or_else(std::sync::PoisonError::into_inner) = weather;
        }
    }

    /// Datagrams carried and lost on a way, both directions.
    pub fn count(&self, machine: Machine, way: Way) -> (u64, u64) {
        self.wishes
            .get(&(machine, way))
            .map_or((0, 0), |w| (w.carried.load(Ordering::Relaxed), w.lost.load(Ordering::Relaxed)))
    }

    fn of(&self, machine: Machine) -> impl Iterator<Item = &Arc<Wish>> {
        self.wishes.iter().filter(move |((m, _), _)| *m == machine).map(|(_, w)| w)
    }
}

impl Drop for Relay {
    fn drop(&mut self) {
        self.ending.store(true, Ordering::SeqCst);
        for t in self.threads.drain(..) {
            let _ = t.join();
        }
    }
}

#[cfg(test)]
mod tests;
