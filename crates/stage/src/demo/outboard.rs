//! A simulated outboard device: it takes what the supervisor sends it and writes each message down.

use std::io::{Read, Write};
use std::os::unix::net::{UnixListener, UnixStream};
use std::path::{Path, PathBuf};

use settings::devices::{Device, Gate, Importance, Link};
use wire::feed::{FeedFrame, FeedReader};

/// What it heard, a line of JSON a message: `mono_ns` and `bytes` in hexadecimal.
pub const HEARD: &str = "device.jsonl";

/// The device as the show file has it; it takes what all songs send.
pub fn entry(socket: &Path) -> Device {
    Device {
        name: "pad rack".into(),
        channels: vec![1, 2],
        port: Some(socket.display().to_string()),
        host: "feed".into(),
        tap: None,
        input: Some(1),
        sysex: true,
        link: Link::Usb,
        importance: Importance::High,
        chase: true,
        chase_at_song_start: false,
        pedal: false,
        gate: Gate::Switch,
        follows: None,
        patches: Default::default(),
    }
}

/// Listens until the process ends.
///
/// # Errors
/// When the socket, the file or the thread cannot be made.
pub fn start(socket: PathBuf, out: &Path) -> std::io::Result<()> {
    let mut file = std::fs::File::create(out.join(HEARD))?;
    let listener = UnixListener::bind(socket)?;
    std::thread::Builder::new().name("outboard".into()).spawn(move || {
        for stream in listener.incoming().flatten() {
            hear(stream, &mut file);
        }
    })?;
    Ok(())
}

fn hear(mut stream: UnixStream, file: &mut std::fs::File) {
    let mut reader = FeedReader::new();
    let mut buffer = [0u8; 4_096];
    while let Ok(n @ 1..) = stream.read(&mut buffer) {
        reader.on_bytes(&buffer[..n]);
        while let Ok(Some(frame)) = reader.next_frame() {
            if let FeedFrame::Midi { at, bytes } = frame {
                let hex: Vec<String> = bytes.iter().map(|b| format!("{b:02x}")).collect();
                let line = serde_json::json!({ "mono_ns": at.nanos(), "bytes": hex.join(" ") });
                if writeln!(file, "{line}").is_err() {
                    return;
                }
            }
        }
    }
}
