//! An output by datagrams: OSC, or any bytes, over UDP. Its packets are made at the start, so that a changeover copies bytes and
//! nothing else; the switch's answers are compared with packets made the same way.

use std::net::SocketAddr;

use base::{Machine, MonoTime, SwitchView};
use ports::os::Gate;
use rosc::{OscMessage, OscPacket, OscType};

use super::health::Health;

/// What is sent and heard: for each machine in order.
#[derive(Default)]
pub struct Packets {
    /// Commands.
    pub select: Vec<Vec<u8>>,
    /// The question.
    pub ask: Option<Vec<u8>>,
    /// Its answers.
    pub answers: Vec<Vec<u8>>,
}

/// See the module.
pub struct DatagramOutput {
    socket: usize,
    to: SocketAddr,
    packets: Packets,
    health: Health,
}

impl DatagramOutput {
    /// An output on one of the gate's sockets.
    pub fn new(socket: usize, to: SocketAddr, packets: Packets, health: Health) -> DatagramOutput {
        health.opened();
        DatagramOutput { socket, to, packets, health }
    }

    /// Commands the switch.
    pub fn select(&self, to: Machine, gate: &Gate) -> bool {
        let sent = self.packets.select.get(to.index()).is_some_and(|p| gate.send(self.socket, p, self.to));
        if sent {
            self.health.sent()
        } else {
            self.health.count_failed()
        }
        sent
    }

    /// Asks the switch.
    pub fn ask(&self, gate: &Gate) {
        if let Some(p) = &self.packets.ask {
            // Refused or lost: its silence will be noticed.
            let _ = gate.send(self.socket, p, self.to);
        }
    }

    /// The next answer of the switch, if one is there; anybody else's datagram is passed over.
    pub fn hear(&self, gate: &Gate, buffer: &mut [u8]) -> Option<(SwitchView, MonoTime)> {
        while let Some(got) = gate.receive(self.socket, buffer) {
            let bytes = &buffer[..got.len];
            if got.from == self.to
                && let Some(m) = self.packets.answers.iter().position(|a| a == bytes).and_then(Machine::new)
            {
                return Some((SwitchView::On(m), got.at));
            }
        }
        None
    }
}

/// OSC packets whose argument is the machine's letter.
///
/// # Errors
/// An address pattern that OSC 1.0 cannot encode.
pub fn osc(select: &str, ask: Option<&str>, answer: Option<&str>, machines: usize) -> std::io::Result<Packets> {
    let letters: Vec<String> = Machine::first(machines).map(|m| m.letter().to_string()).collect();
    let each = |address: &str| letters.iter().map(|l| packet(address, Some(l))).collect::<Result<Vec<_>, _>>();
    Ok(Packets {
        select: each(select)?,
        ask: ask.map(|a| packet(a, None)).transpose()?,
        answers: answer.map(each).transpose()?.unwrap_or_default(),
    })
}

fn packet(address: &str, letter: Option<&String>) -> std::io::Result<Vec<u8>> {
    let args = letter.map(|l| OscType::String(l.clone())).into_iter().collect();
    rosc::encoder::encode(&OscPacket::Message(OscMessage { addr: address.into(), args }))
        .map_err(|e| std::io::Error::other(format!("{address}: {e}")))
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    /// OSC 1.0 specification, "OSC Message Examples": address and type tag are padded with nulls to four bytes.
    #[test]
    fn packets_are_osc_1_0() {
        let p = packet("/oscillator/4", Some(&"A".into())).unwrap();
        assert_eq!(p, b"/oscillator/4\0\0\0,s\0\0A\0\0\0");
    }

    #[test]
    fn only_the_switch_is_believed() {
        let gate = Gate::bind(&["127.0.0.1:0".parse().unwrap()]).unwrap();
        let switch = std::net::UdpSocket::bind("127.0.0.1:0").unwrap();
        let stranger = std::net::UdpSocket::bind("127.0.0.1:0").unwrap();
        let packets = osc("/go", Some("/ask"), Some("/is"), 2).unwrap();
        let health = Health::new(0, "switch".into(), std::sync::Arc::new(|_| {}));
        let out = DatagramOutput::new(0, switch.local_addr().unwrap(), packets, health);
        let us = gate.local_addr(0).unwrap();
        stranger.send_to(&packet("/is", Some(&"A".into())).unwrap(), us).unwrap();
        switch.send_to(b"nonsense", us).unwrap();
        switch.send_to(&packet("/is", Some(&"B".into())).unwrap(), us).unwrap();
        let mut buffer = [0; 256];
        let mut heard = None;
        for _ in 0..100 {
            gate.wait(Some(ports::os::mono_now() + base::Span::from_millis(50)));
            heard = out.hear(&gate, &mut buffer);
            if heard.is_some() {
                break;
            }
        }
        assert_eq!(heard.map(|h| h.0), Some(SwitchView::On(Machine::B)));
        assert!(out.select(Machine::A, &gate));
        let n = switch.recv(&mut buffer).unwrap();
        assert_eq!(&buffer[..n], packet("/go", Some(&"A".into())).unwrap());
    }
}
