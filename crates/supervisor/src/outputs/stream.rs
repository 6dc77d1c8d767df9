//! Outputs by a stream of bytes: TCP, connected beforehand and kept alive, and serial ports. Another thread listens, which is how a
//! far end that goes is noticed while nothing is sent.

use std::io::{ErrorKind, Read, Write};
use std::net::{Shutdown, SocketAddr, TcpStream};
use std::sync::Arc;
use std::sync::Weak;
use std::time::Duration;

use base::{Machine, MonoTime, Span, SwitchView};
use ports::os::mono_now;
use ports::serial::Serial;

use super::answers::Answers;
use super::datagram::Packets;
use super::worker::{Bell, Failure, Way};

/// The switch is asked this often.
pub const ASK_EVERY: Span = Span::from_millis(500);
/// A switch on the rig's own network answers well within this.
const CONNECTING: Duration = Duration::from_secs(1);
/// A command that the system will not take within this has failed.
const WRITING: Duration = Duration::from_millis(100);

/// A TCP output.
pub struct TcpWay {
    /// Where to.
    pub to: SocketAddr,
    /// What.
    pub packets: Packets,
}

/// A connection, and when it is to be asked.
pub struct TcpLink {
    stream: TcpStream,
    ask_at: MonoTime,
}

impl Drop for TcpLink {
    /// The listener holds the connection, too: this ends its reading.
    fn drop(&mut self) {
        let _ = self.stream.shutdown(Shutdown::Both);
    }
}

impl Way for TcpWay {
    type Link = TcpLink;

    fn open(&mut self, bell: Bell) -> Result<TcpLink, String> {
        let words = |e: std::io::Error| e.to_string();
        let stream = TcpStream::connect_timeout(&self.to, CONNECTING).map_err(words)?;
        stream.set_nodelay(true).map_err(words)?;
        stream.set_write_timeout(Some(WRITING)).map_err(words)?;
        let alive =
            socket2::TcpKeepalive::new().with_time(Duration::from_secs(2)).with_interval(Duration::from_secs(1));
        socket2::SockRef::from(&stream).set_tcp_keepalive(&alive).map_err(words)?;
        let mut ears = stream.try_clone().map_err(words)?;
        let answers = Answers::new(self.packets.answers.clone());
        listen("tcp-answers", answers, bell, move |buffer| match ears.read(buffer) {
            Ok(0) => Err(()),
            Ok(n) => Ok(n),
            Err(e) if matches!(e.kind(), ErrorKind::Interrupted | ErrorKind::TimedOut | ErrorKind::WouldBlock) => Ok(0),
            Err(_) => Err(()),
        })?;
        Ok(TcpLink { stream, ask_at: mono_now() })
    }

    fn send(&mut self, link: &mut TcpLink, to: Machine) -> Result<(), Failure> {
        let Some(bytes) = self.packets.select.get(to.index()) else { return Ok(()) };
        link.stream.write_all(bytes).map_err(|e| Failure::Broken(e.to_string()))?;
        // Its answer to the question confirms what it did not say by itself.
        link.ask_at = mono_now();
        Ok(())
    }

    fn idle(&mut self, link: &mut TcpLink, now: MonoTime) -> Result<(), String> {
        match &self.packets.ask {
            Some(ask) if now >= link.ask_at => {
                link.ask_at = now + ASK_EVERY;
                link.stream.write_all(ask).map_err(|e| e.to_string())
            }
            _ => Ok(()),
        }
    }
}

/// A serial output.
pub struct SerialWay {
    /// The port.
    pub port: String,
    /// Bits a second.
    pub baud: u32,
    /// What.
    pub packets: Packets,
}

/// An open port; its listener ends with it.
pub struct SerialLink {
    port: Serial,
    ask_at: MonoTime,
    _holds: Arc<()>,
}

impl Way for SerialWay {
    type Link = SerialLink;

    fn open(&mut self, bell: Bell) -> Result<SerialLink, String> {
        let port = Serial::open(&self.port, self.baud).map_err(|e| e.to_string())?;
        let mut ears = port.second().map_err(|e| e.to_string())?;
        let holds = Arc::new(());
        let held: Weak<()> = Arc::downgrade(&holds);
        let answers = Answers::new(self.packets.answers.clone());
        listen("serial-answers", answers, bell, move |buffer| match held.strong_count() {
            0 => Err(()),
            _ => ears.hear(buffer).map(|n| n.unwrap_or(0)).map_err(|_| ()),
        })?;
        Ok(SerialLink { port, ask_at: mono_now(), _holds: holds })
    }

    fn send(&mut self, link: &mut SerialLink, to: Machine) -> Result<(), Failure> {
        let Some(bytes) = self.packets.select.get(to.index()) else { return Ok(()) };
        link.port.send(bytes).map_err(|e| Failure::Broken(e.to_string()))?;
        link.ask_at = mono_now();
        Ok(())
    }

    fn idle(&mut self, link: &mut SerialLink, now: MonoTime) -> Result<(), String> {
        match &self.packets.ask {
            Some(ask) if now >= link.ask_at => {
                link.ask_at = now + ASK_EVERY;
                link.port.send(ask).map_err(|e| e.to_string())
            }
            _ => Ok(()),
        }
    }
}

/// Listens on a thread of its own until `read` fails, then rings the bell.
fn listen(
    name: &str,
    mut answers: Answers,
    bell: Bell,
    mut read: impl FnMut(&mut [u8]) -> Result<usize, ()> + Send + 'static,
) -> Result<(), String> {
    let hear = move || {
        let mut buffer = [0; 512];
        while let Ok(n) = read(&mut buffer) {
            let at = mono_now();
            for m in buffer[..n].iter().filter_map(|b| answers.on_byte(*b)) {
                bell.health.heard(SwitchView::On(m), at);
            }
        }
        bell.ring();
    };
    let started = std::thread::Builder::new().name(name.into()).spawn(hear);
    started.map(drop).map_err(|e| format!("no thread could be started: {e}"))
}
