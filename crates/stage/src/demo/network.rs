//! What lies between the demo's machines and its supervisor: the relay on loopback, or whatever else has hosts and links.

use std::net::{Ipv4Addr, SocketAddr, TcpListener, UdpSocket};

use base::Machine;

use super::DemoError;
use super::layout::MACHINES;
use crate::relay::{Relay, Route, Way};
use crate::weather::Weather;

/// The hosts of a demo and the links between them, and how they break.
pub trait Network: Send + Sync {
    /// Where the supervisor listens.
    fn supervisor(&self, way: Way) -> Option<SocketAddr>;

    /// Where a machine's agent sends to.
    fn address(&self, machine: Machine, way: Way) -> Option<SocketAddr>;

    /// Words before a command that put its process on a machine's host.
    fn host(&self, machine: Machine) -> Vec<String> {
        let _ = machine;
        Vec::new()
    }

    /// Where commands to the switch are sent, whose own socket is given.
    fn switch(&self, own: SocketAddr) -> SocketAddr {
        own
    }

    /// Cuts or mends a way of a machine.
    fn cut(&self, machine: Machine, way: Way, cut: bool);

    /// Cuts or mends all ways of a machine.
    fn cut_all(&self, machine: Machine, cut: bool);

    /// Cuts or mends the supervisor's own cables.
    fn cut_supervisor(&self, cut: bool);

    /// Takes machines' network as their power would, all at one instant, or gives it back: no packet more, no end of any stream.
    fn power(&self, machines: &[Machine], on: bool);

    /// The weather on all ways of a machine.
    fn weather(&self, machine: Machine, weather: Weather);

    /// A socket of somebody who has no business in this rig.
    ///
    /// # Errors
    /// When there is none.
    fn stranger(&self) -> std::io::Result<UdpSocket> {
        UdpSocket::bind((Ipv4Addr::LOCALHOST, 0))
    }

    /// Datagrams from machines to the supervisor that a stranger has overheard.
    fn overheard(&self) -> Vec<Vec<u8>> {
        Vec::new()
    }
}

/// Everything on one host, with the relay between.
pub struct Loopback {
    paths: Vec<SocketAddr>,
    lanes: SocketAddr,
    relay: Relay,
}

impl Loopback {
    /// A rig with so many paths.
    ///
    /// # Errors
    /// When there is no free port.
    pub fn start(paths: u8, seed: u64) -> Result<Loopback, DemoError> {
        let free = |_: std::io::Error| DemoError::Part("no free port on loopback".into());
        let paths: Vec<SocketAddr> = (0..paths).map(|_| free_udp()).collect::<Result<_, _>>().map_err(free)?;
        let lanes = free_tcp().map_err(free)?;
        let mut routes = Vec::new();
        for machine in Machine::first(MACHINES) {
            routes.push(Route { machine, way: Way::Lanes, supervisor: lanes });
            routes.extend((0u8..).zip(&paths).map(|(i, p)| Route { machine, way: Way::Path(i), supervisor: *p }));
        }
        let relay = Relay::start(&routes, seed).map_err(DemoError::of("the relay"))?;
        Ok(Loopback { paths, lanes, relay })
    }
}

impl Network for Loopback {
    fn supervisor(&self, way: Way) -> Option<SocketAddr> {
        match way {
            Way::Path(i) => self.paths.get(usize::from(i)).copied(),
            Way::Lanes => Some(self.lanes),
        }
    }

    fn address(&self, machine: Machine, way: Way) -> Option<SocketAddr> {
        self.relay.address(machine, way)
    }

    fn cut(&self, machine: Machine, way: Way, cut: bool) {
        self.relay.cut(machine, way, cut);
    }

    fn cut_all(&self, machine: Machine, cut: bool) {
        self.relay.cut_all(machine, cut);
    }

    fn cut_supervisor(&self, cut: bool) {
        Machine::first(MACHINES).for_each(|m| self.relay.cut_all(m, cut));
    }

    fn power(&self, machines: &[Machine], on: bool) {
        machines.iter().for_each(|m| self.relay.power(*m, on));
    }

    fn weather(&self, machine: Machine, weather: Weather) {
        self.relay.weather(machine, weather);
    }
}

/// A free datagram port on loopback.
pub fn free_udp() -> std::io::Result<SocketAddr> {
    UdpSocket::bind((Ipv4Addr::LOCALHOST, 0))?.local_addr()
}

/// A free stream port on loopback.
pub fn free_tcp() -> std::io::Result<SocketAddr> {
    TcpListener::bind((Ipv4Addr::LOCALHOST, 0))?.local_addr()
}
