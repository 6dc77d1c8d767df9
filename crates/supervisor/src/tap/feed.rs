//! A tap over a local feed socket.

use std::io::Read;
use std::path::Path;

use ports::local::{Listener, Stream};
use ports::os::make_urgent;
use wire::feed::{FeedFrame, FeedReader};

use super::{Listening, Wanted};

pub fn start(socket: &Path, wanted: Wanted) -> std::io::Result<()> {
    let listener = Listener::bind(socket)?;
    std::thread::Builder::new().name("tap".into()).spawn(move || {
        make_urgent(super::URGENCY);
        let mut tap = Listening::new(wanted);
        loop {
            match listener.accept() {
                Ok(stream) => {
                    tracing::info!("the tap is connected");
                    let why = listen(stream, &mut tap);
                    tap.on_closed();
                    tracing::warn!("the tap: {why}");
                }
                Err(e) => {
                    tracing::warn!("the tap: {e}");
                    std::thread::sleep(std::time::Duration::from_millis(200));
                }
            }
        }
    })?;
    Ok(())
}

fn listen(mut stream: Stream, tap: &mut Listening) -> String {
    let mut reader = FeedReader::new();
    let mut buffer = vec![0u8; 64 * 1024];
    loop {
        match stream.read(&mut buffer) {
            Ok(0) => return "its source is gone".into(),
            Ok(n) => reader.on_bytes(&buffer[..n]),
            Err(e) if e.kind() == std::io::ErrorKind::Interrupted => continue,
            Err(e) => return e.to_string(),
        }
        loop {
            match reader.next_frame() {
                Ok(Some(FeedFrame::Hello(h))) => match h.sample_rate {
                    Some(rate) => tap.on_open(rate, &h.channels),
                    None => tap.on_closed(),
                },
                Ok(Some(FeedFrame::Pcm { at, samples })) => {
                    tap.on_block(at, samples.channels(), samples.interleaved());
                }
                Ok(Some(FeedFrame::Midi { .. })) => {}
                Ok(None) => break,
                Err(e) if e.is_fatal() => return e.to_string(),
                Err(e) => tracing::warn!("the tap: {e}"),
            }
        }
    }
}
