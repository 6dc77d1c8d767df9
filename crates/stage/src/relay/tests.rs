#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::io::{Read, Write};
use std::net::{TcpStream, UdpSocket};
use std::time::Duration;

use super::*;
use crate::os;

const WAIT: Duration = Duration::from_secs(5);
/// Long enough for anything on loopback to have come, were it to come at all.
const SILENCE: Duration = Duration::from_millis(150);

fn datagram_rig() -> (Relay, UdpSocket, UdpSocket) {
    let supervisor = UdpSocket::bind("127.0.0.1:0").unwrap();
    let agent = UdpSocket::bind("127.0.0.1:0").unwrap();
    supervisor.set_read_timeout(Some(WAIT)).unwrap();
    agent.set_read_timeout(Some(WAIT)).unwrap();
    let route = Route { machine: Machine::A, way: Way::Path(0), supervisor: supervisor.local_addr().unwrap() };
    let relay = Relay::start(&[route], 1).unwrap();
    agent.connect(relay.address(Machine::A, Way::Path(0)).unwrap()).unwrap();
    (relay, agent, supervisor)
}

#[test]
fn datagrams_pass_both_ways_and_a_cut_is_silence() {
    let (relay, agent, supervisor) = datagram_rig();
    let mut buf = [0u8; 100];
    agent.send(b"beat 1").unwrap();
    let (n, from) = supervisor.recv_from(&mut buf).unwrap();
    assert_eq!(&buf[..n], b"beat 1");
    supervisor.send_to(b"reply 1", from).unwrap();
    let n = agent.recv(&mut buf).unwrap();
    assert_eq!(&buf[..n], b"reply 1");

    relay.cut(Machine::A, Way::Path(0), true);
    agent.send(b"beat 2").unwrap();
    supervisor.set_read_timeout(Some(SILENCE)).unwrap();
    assert!(supervisor.recv_from(&mut buf).is_err());
    relay.cut(Machine::A, Way::Path(0), false);
    supervisor.set_read_timeout(Some(WAIT)).unwrap();
    agent.send(b"beat 3").unwrap();
    let n = supervisor.recv(&mut buf).unwrap();
    assert_eq!(&buf[..n], b"beat 3", "what was sent while cut is gone for good");
    assert_eq!(relay.count(Machine::A, Way::Path(0)).1, 1);
}

#[test]
fn weather_delays_and_doubles() {
    let (relay, agent, supervisor) = datagram_rig();
    let weather = Weather { delay: settings::duration::Duration::millis(30), duplicate: 1.0, ..Weather::default() };
    relay.weather(Machine::A, weather);
    let sent = os::now();
    agent.send(b"x").unwrap();
    let mut buf = [0u8; 10];
    for _ in 0..2 {
        supervisor.recv(&mut buf).unwrap();
        assert!(os::now() - sent >= base::Span::from_millis(29));
    }
}

fn stream_rig() -> (Relay, TcpListener, SocketAddr) {
    let supervisor = TcpListener::bind("127.0.0.1:0").unwrap();
    let route = Route { machine: Machine::B, way: Way::Lanes, supervisor: supervisor.local_addr().unwrap() };
    let relay = Relay::start(&[route], 1).unwrap();
    let address = relay.address(Machine::B, Way::Lanes).unwrap();
    (relay, supervisor, address)
}

#[test]
fn a_stream_passes_bytes_and_its_end() {
    let (_relay, supervisor, address) = stream_rig();
    let mut agent = TcpStream::connect(address).unwrap();
    agent.write_all(b"hello").unwrap();
    let (mut s, _) = supervisor.accept().unwrap();
    s.set_read_timeout(Some(WAIT)).unwrap();
    let mut buf = [0u8; 5];
    s.read_exact(&mut buf).unwrap();
    assert_eq!(&buf, b"hello");
    let long: Vec<u8> = (0..1_000_000u32).map(|i| i as u8).collect();
    let copy = long.clone();
    let writer = std::thread::spawn(move || s.write_all(&copy).map(|()| s));
    let mut got = vec![0u8; long.len()];
    agent.read_exact(&mut got).unwrap();
    assert_eq!(got, long);
    let mut s = writer.join().unwrap().unwrap();
    drop(agent);
    assert_eq!(s.read(&mut [0u8; 1]).unwrap(), 0);
}

#[test]
fn lost_power_passes_no_end_and_a_new_stream_works_after_it() {
    let (relay, supervisor, address) = stream_rig();
    let mut agent = TcpStream::connect(address).unwrap();
    agent.write_all(b"a").unwrap();
    let (mut old, _) = supervisor.accept().unwrap();
    old.set_read_timeout(Some(WAIT)).unwrap();
    old.read_exact(&mut [0u8; 1]).unwrap();

    relay.power(Machine::B, false);
    drop(agent);
    old.set_read_timeout(Some(SILENCE)).unwrap();
    assert!(old.read(&mut [0u8; 1]).is_err(), "an end must not pass");

    relay.power(Machine::B, true);
    let mut agent = TcpStream::connect(address).unwrap();
    agent.write_all(b"b").unwrap();
    let (mut new, _) = supervisor.accept().unwrap();
    new.set_read_timeout(Some(WAIT)).unwrap();
    let mut buf = [0u8; 1];
    new.read_exact(&mut buf).unwrap();
    assert_eq!(&buf, b"b");
}

#[test]
fn a_mended_cable_brings_what_was_held() {
    let (relay, supervisor, address) = stream_rig();
    let mut agent = TcpStream::connect(address).unwrap();
    agent.write_all(b"1").unwrap();
    let (mut s, _) = supervisor.accept().unwrap();
    s.set_read_timeout(Some(WAIT)).unwrap();
    s.read_exact(&mut [0u8; 1]).unwrap();
    relay.cut_all(Machine::B, true);
    agent.write_all(b"2").unwrap();
    s.set_read_timeout(Some(SILENCE)).unwrap();
    assert!(s.read(&mut [0u8; 1]).is_err());
    relay.cut_all(Machine::B, false);
    s.set_read_timeout(Some(WAIT)).unwrap();
    let mut buf = [0u8; 1];
    s.read_exact(&mut buf).unwrap();
    assert_eq!(&buf, b"2");
}
