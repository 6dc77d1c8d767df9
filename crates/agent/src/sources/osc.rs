//! OSC position messages. OSC carries no proof of its sender: loopback, or one named address.

use std::net::{IpAddr, SocketAddr, UdpSocket};

use ports::os::mono_now;
use timecode::osc::{OscEvent, read};
use wire::SourceFlags;
use wire::message::SourceState;

use crate::core::OscNews;
use crate::news::{News, NewsDesk};

pub fn start(listen: SocketAddr, from: Option<IpAddr>, desk: NewsDesk) -> std::io::Result<()> {
    let socket = UdpSocket::bind(listen).map_err(|e| std::io::Error::new(e.kind(), format!("OSC at {listen}: {e}")))?;
    std::thread::Builder::new().name("osc".into()).spawn(move || {
        let mut buffer = [0u8; 2048];
        let mut open = false;
        loop {
            let Ok((n, sender)) = socket.recv_from(&mut buffer) else { continue };
            let at = mono_now();
            if !(sender.ip().is_loopback() || from == Some(sender.ip())) {
                continue;
            }
            let heard = read(&buffer[..n], &mut |e| {
                let news = match e {
                    OscEvent::Position { at, song } => OscNews::Position { song, at },
                    OscEvent::Start => OscNews::Start,
                    OscEvent::Stop => OscNews::Stop,
                };
                desk.tell(News::Osc { at, news });
            });
            if let Err(e) = heard {
                tracing::warn!("OSC from {sender}: {e}");
                continue;
            }
            if !open {
                open = true;
                desk.tell(News::Source { flag: SourceFlags::OSC_OPEN, on: true });
                desk.tell_source(&format!("OSC at {listen}"), SourceState::Open, "Its first message came.");
            }
        }
    })?;
    Ok(())
}
