//! The rig's hosts: the supervisor (with the switch), machines A and B, each a namespace, on one network or two independent ones,
//! each with an Ethernet switch of its own between them, so that nobody sees another's cable go.
//!
//! ```text
//! supervisor 10.77.0.1 ── br0 ──┬── A 10.77.0.2      path 0, and the lanes
//!                               └── B 10.77.0.3
//! supervisor 10.77.1.1 ── br1 ──┬── A 10.77.1.2      path 1
//!                               └── B 10.77.1.3
//! ```

use std::io::Write;
use std::net::{Ipv4Addr, SocketAddr, UdpSocket};
use std::os::fd::AsRawFd;
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use base::Machine;
use nix::sys::socket::{AddressFamily, MsgFlags, SockFlag, SockProtocol, SockType, recv, socket};
use stage::demo::Network;
use stage::relay::Way;
use stage::weather::Weather;

use crate::link_emulator::{Counts, LinkEmulator, Rough};
use crate::namespaces::Namespace;

/// Beats come in here, plus the path.
const BEATS: u16 = 7101;
/// Lanes come in here.
const LANES: u16 = 7200;
const MACHINES: usize = 2;

/// What the supervisor's host refuses: machines whose network has gone dark, and a share of the datagrams of lossy ones.
const FILTER: &str = "table inet tk {
    set dark { type ipv4_addr; }
    set lossy { type ipv4_addr; }
    chain input {
        type filter hook input priority 0;
        ip saddr @dark drop
        ip saddr @lossy numgen random mod 100 < 5 drop
    }
}
";

/// What the links between machines and network are made of.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Cables {
    /// Pairs of virtual Ethernet devices: clean and quick.
    Virtual,
    /// Emulated links, with weather.
    Emulated {
        /// The seed of their luck.
        seed: u64,
    },
}

/// The hosts and what connects them.
pub struct Hosts {
    paths: u8,
    /// Where supervisor and switch are.
    pub supervisor: Namespace,
    /// Where the machines are, A first.
    pub machines: Vec<Namespace>,
    /// The Ethernet switches.
    net: Namespace,
    /// One for each machine and path, machine by machine.
    links: Vec<LinkEmulator>,
    /// An `nft` that waits for its script: starting one takes longer than a beat.
    ready: Mutex<Option<Child>>,
    /// Where commands to the switch go instead, if something stands before it.
    front: Option<Box<dyn Fn(SocketAddr) -> SocketAddr + Send + Sync>>,
}

impl Hosts {
    /// Makes hosts with one or two paths between them.
    ///
    /// # Panics
    /// When the system refuses.
    pub fn new(paths: u8, cables: Cables) -> Hosts {
        let supervisor = Namespace::new("s");
        let machines: Vec<Namespace> = ["a", "b"].map(Namespace::new).into();
        let net = Namespace::new("net");
        let mut links = Vec::new();
        for i in 0..paths {
            net.ip(&format!("link add br{i} type bridge"));
            net.ip(&format!("link set br{i} up"));
            supervisor.cable(&port(i), &net, &plug(None, i));
        }
        for m in Machine::first(MACHINES) {
            for i in 0..paths {
                let (host, here, there) = (&machines[m.index()], port(i), plug(Some(m), i));
                match cables {
                    Cables::Virtual => host.cable(&here, &net, &there),
                    Cables::Emulated { seed } => {
                        let seed = seed.wrapping_add(links.len() as u64 * 7919);
                        links.push(LinkEmulator::start((host, &here), (&net, &there), seed));
                    }
                }
            }
        }
        for i in 0..paths {
            supervisor.address(&port(i), &format!("{}/24", address(None, i)));
            for m in Machine::first(MACHINES) {
                machines[m.index()].address(&port(i), &format!("{}/24", address(Some(m), i)));
            }
            for who in [None, Some(Machine::A), Some(Machine::B)] {
                net.ip(&format!("link set {} master br{i} up", plug(who, i)));
            }
        }
        supervisor.nft(FILTER);
        let hosts = Hosts { paths, supervisor, machines, net, links, ready: Mutex::default(), front: None };
        hosts.make_ready();
        hosts
    }

    /// Puts something before the switch: it is given the switch's own address and says where commands shall go.
    #[must_use]
    pub fn with_front(mut self, front: impl Fn(SocketAddr) -> SocketAddr + Send + Sync + 'static) -> Hosts {
        self.front = Some(Box::new(front));
        self
    }

    /// What emulated links do from now on: those of one machine.
    pub fn rough(&self, machine: Machine, rough: Rough) {
        for link in self.links.iter().skip(machine.index() * usize::from(self.paths)).take(usize::from(self.paths)) {
            link.set(rough);
        }
    }

    /// What emulated links have done and will do, machine by machine and path by path.
    pub fn counts(&self) -> Vec<Arc<Counts>> {
        self.links.iter().map(LinkEmulator::counts).collect()
    }

    /// From a whole second of the wall clock on, nothing of a machine is let in at the supervisor's host. To be told ahead of time.
    ///
    /// # Panics
    /// When the system refuses.
    pub fn dark_from(&self, machine: Machine, second: u64) {
        let from = self.elements(&[machine]);
        self.supervisor.nft(&format!(
            "table inet tk {{\n chain later {{\n type filter hook input priority 1;\n ip saddr {from} meta time >= {second} drop\n }}\n}}\n"
        ));
    }

    /// The end of [`Hosts::dark_from`].
    ///
    /// # Panics
    /// When the system refuses.
    pub fn light(&self) {
        self.supervisor.nft("flush chain inet tk later\n");
    }

    /// The replies to a machine are lost, its beats come through; or no longer.
    ///
    /// # Panics
    /// When the system refuses.
    pub fn one_way(&self, machine: Machine, cut: bool) {
        let host = &self.machines[machine.index()];
        let from: Vec<String> = (0..self.paths).map(|i| address(None, i).to_string()).collect();
        host.nft("table inet tk\n");
        host.nft("delete table inet tk\n");
        if cut {
            host.nft(&format!(
                "table inet tk {{\n chain input {{\n type filter hook input priority 0;\n ip saddr {{ {} }} udp dport != 0 drop\n }}\n}}\n",
                from.join(", ")
            ));
        }
    }

    /// The far end of the supervisor's cable on a path is out, or in again.
    ///
    /// # Panics
    /// When the system refuses.
    pub fn net_link(&self, path: u8, up: bool) {
        self.net.ip(&format!("link set {} {}", plug(None, path), if up { "up" } else { "down" }));
    }

    /// Words before a command that run it at the Ethernet switches.
    pub fn net_words(&self) -> Vec<String> {
        self.net.words()
    }

    /// What `ip -batch` must be told there to take a machine's cables out.
    pub fn cut_words(&self, machine: Machine) -> String {
        (0..self.paths).map(|i| format!("link set {} down\n", plug(Some(machine), i))).collect()
    }

    fn elements(&self, machines: &[Machine]) -> String {
        let of = |m: &Machine| (0..self.paths).map(|i| address(Some(*m), i).to_string()).collect::<Vec<_>>();
        let all: Vec<String> = machines.iter().flat_map(of).collect();
        format!("{{ {} }}", all.join(", "))
    }

    fn make_ready(&self) {
        let mut words = self.supervisor.words();
        words.extend(["nft", "-f", "-"].map(str::to_owned));
        let started = Command::new(&words[0]).args(&words[1..]).stdin(Stdio::piped()).spawn();
        *self.ready.lock().unwrap_or_else(PoisonError::into_inner) = Some(started.unwrap());
    }

    fn plugs(&self, machine: Machine, ways: impl Iterator<Item = u8>, cut: bool) {
        let state = if cut { "down" } else { "up" };
        let lines: Vec<String> = ways.map(|i| format!("link set {} {state}\n", plug(Some(machine), i))).collect();
        self.net.ip_lines(&lines.concat());
    }
}

impl Network for Hosts {
    fn supervisor(&self, way: Way) -> Option<SocketAddr> {
        match way {
            Way::Path(i) if i < self.paths => Some((address(None, i), BEATS + u16::from(i)).into()),
            Way::Path(_) => None,
            Way::Lanes => Some((address(None, 0), LANES).into()),
        }
    }

    fn address(&self, _: Machine, way: Way) -> Option<SocketAddr> {
        self.supervisor(way)
    }

    fn host(&self, machine: Machine) -> Vec<String> {
        self.machines[machine.index()].words()
    }

    fn switch(&self, own: SocketAddr) -> SocketAddr {
        self.front.as_ref().map_or(own, |f| f(own))
    }

    fn cut(&self, machine: Machine, way: Way, cut: bool) {
        let i = if let Way::Path(i) = way { i } else { 0 };
        self.plugs(machine, std::iter::once(i), cut);
    }

    fn cut_all(&self, machine: Machine, cut: bool) {
        self.plugs(machine, 0..self.paths, cut);
    }

    fn cut_supervisor(&self, cut: bool) {
        let state = if cut { "down" } else { "up" };
        let lines: Vec<String> = (0..self.paths).map(|i| format!("link set {} {state}\n", port(i))).collect();
        self.supervisor.ip_lines(&lines.concat());
    }

    fn power(&self, machines: &[Machine], on: bool) {
        let script =
            format!("{} element inet tk dark {}\n", if on { "delete" } else { "add" }, self.elements(machines));
        if on {
            self.supervisor.nft(&script);
            return;
        }
        let waiting = self.ready.lock().unwrap_or_else(PoisonError::into_inner).take();
        let mut nft = waiting.expect("it is made ready after each use");
        nft.stdin.take().unwrap().write_all(script.as_bytes()).unwrap();
        assert!(nft.wait().unwrap().success(), "nft: {script}");
        self.make_ready();
    }

    fn weather(&self, machine: Machine, weather: Weather) {
        if !self.links.is_empty() {
            self.rough(machine, Rough { weather, ..Rough::default() });
            return;
        }
        // Without emulated links there is one kind of weather: loss of one in twenty, in the filter.
        assert!(
            weather == Weather { loss: weather.loss, ..Weather::default() } && [0.0, 0.05].contains(&weather.loss),
            "virtual cables have no such weather: {weather:?}"
        );
        let verb = if weather.loss > 0.0 { "add" } else { "delete" };
        self.supervisor.nft(&format!("{verb} element inet tk lossy {}\n", self.elements(&[machine])));
    }

    /// On B's host, and so on the same network.
    fn stranger(&self) -> std::io::Result<UdpSocket> {
        self.machines[1].inside(|| UdpSocket::bind((Ipv4Addr::UNSPECIFIED, 0)))
    }

    fn overheard(&self) -> Vec<Vec<u8>> {
        self.net.inside(|| overhear(Duration::from_millis(300)))
    }
}

impl Drop for Hosts {
    fn drop(&mut self) {
        if let Some(mut child) = self.ready.lock().unwrap_or_else(PoisonError::into_inner).take() {
            // Without a script it ends by itself.
            drop(child.stdin.take());
            let _ = child.wait();
        }
    }
}

/// The interface of a host that leads to path `i`.
fn port(path: u8) -> String {
    format!("p{path}")
}

/// The other end of that cable, at the Ethernet switch. No machine: the supervisor's.
fn plug(who: Option<Machine>, path: u8) -> String {
    format!("{}{path}", who.map_or("s".to_owned(), |m| m.to_string().to_lowercase()))
}

fn address(who: Option<Machine>, path: u8) -> Ipv4Addr {
    Ipv4Addr::new(10, 77, path, who.map_or(1, |m| m.index() as u8 + 2))
}

/// What every UDP datagram on its way to the supervisor carried, as anybody on that network can hear it (packet(7); Ethernet II, IPv4
/// RFC 791, UDP RFC 768).
fn overhear(how_long: Duration) -> Vec<Vec<u8>> {
    let ear = socket(AddressFamily::Packet, SockType::Raw, SockFlag::SOCK_NONBLOCK, SockProtocol::EthAll).unwrap();
    let until = Instant::now() + how_long;
    let mut heard = Vec::new();
    let mut buffer = [0u8; 2048];
    while Instant::now() < until {
        let Ok(n) = recv(ear.as_raw_fd(), &mut buffer, MsgFlags::empty()) else {
            std::thread::sleep(Duration::from_millis(1));
            continue;
        };
        let frame = &buffer[..n];
        let ip = frame.get(14..).unwrap_or_default();
        let is_udp = frame.get(12..14) == Some(&[8, 0]) && ip.get(9) == Some(&17) && ip.get(19) == Some(&1);
        let header = ip.first().map_or(0, |b| usize::from(b & 15) * 4);
        if is_udp && let Some(data) = ip.get(header + 8..) {
            heard.push(data.to_vec());
        }
    }
    heard
}
