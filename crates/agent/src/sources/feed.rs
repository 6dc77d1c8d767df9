//! The local feed socket (its codec: `wire::feed`). The agent makes it, readable by its own user alone; a player connects.

use std::io::Read;
use std::path::Path;

use base::{FrameRate, PlayerState, Span};
use ports::local::{Listener, Stream};
use ports::os::{make_urgent, mono_now};
use wire::SourceFlags;
use wire::feed::{FeedFrame, FeedHello, FeedReader};
use wire::message::SourceState;

use crate::core::SoundFormat;
use crate::news::{News, NewsDesk};

/// A stamp older than this is not believed: arrival is taken instead.
const OLDEST: Span = Span::from_secs(1);

/// What people call it; a machine has one at most.
const NAME: &str = "feed";

/// What a feed's channels are for.
pub struct Wanted {
    /// Which MIDI input it is.
    pub input: usize,
    /// The channel that carries LTC.
    pub timecode: Option<String>,
    /// Its rate.
    pub rate: Option<FrameRate>,
    /// The pilot tone's frequency in hertz.
    pub pilot: Option<f64>,
    /// The noise floor of what its sound went through, in dBFS.
    pub floor: Option<f64>,
    /// Whether the other end is the player itself: else it is an interface that hears it, and says nothing of the player's process.
    pub at_player: bool,
}

pub fn start(socket: &Path, wanted: Wanted, desk: NewsDesk) -> std::io::Result<()> {
    let listener = Listener::bind(socket)?;
    let name = socket.display().to_string();
    std::thread::Builder::new().name("feed".into()).spawn(move || {
        // Stamps come with the bytes, but a player's end is noticed here.
        make_urgent(20);
        loop {
            match listener.accept() {
                Ok(stream) => {
                    tracing::info!("feed {name}: a player connected");
                    let why = listen(stream, &wanted, &desk);
                    tracing::warn!("feed {name}: {why}");
                    let at = mono_now();
                    if wanted.at_player {
                        desk.tell(News::Player { at, state: PlayerState::Gone });
                    }
                    desk.tell(News::MidiInput { input: wanted.input, open: false });
                    desk.tell_now(News::Source { flag: SourceFlags::FEED_OPEN, on: false });
                    desk.tell_player(None);
                    desk.tell_source(NAME, SourceState::Gone, &why);
                }
                Err(e) => {
                    tracing::warn!("feed {name}: {e}");
                    std::thread::sleep(std::time::Duration::from_millis(200));
                }
            }
        }
    })?;
    Ok(())
}

/// Reads one connection to its end and says why it ended.
fn listen(mut stream: Stream, wanted: &Wanted, desk: &NewsDesk) -> String {
    let mut reader = FeedReader::new();
    let mut buffer = vec![0u8; 64 * 1024];
    loop {
        let n = match stream.read(&mut buffer) {
            Ok(0) => return "the player is gone".into(),
            Ok(n) => n,
            Err(e) if e.kind() == std::io::ErrorKind::Interrupted => continue,
            Err(e) => return e.to_string(),
        };
        reader.on_bytes(&buffer[..n]);
        loop {
            let now = mono_now();
            let believed = |at: base::MonoTime| if at > now || now - at > OLDEST { now } else { at };
            match reader.next_frame() {
                Ok(Some(FeedFrame::Hello(hello))) => on_hello(hello, wanted, desk),
                Ok(Some(FeedFrame::Midi { at, bytes })) => {
                    desk.tell(News::Midi { input: wanted.input, at: believed(at), bytes: bytes.to_vec() });
                }
                Ok(Some(FeedFrame::Pcm { at, samples })) => {
                    desk.tell(News::Pcm { at: believed(at), samples: samples.interleaved().collect() });
                }
                Ok(None) => break,
                Err(e) if e.is_fatal() => return e.to_string(),
                Err(e) => tracing::warn!("{e}"),
            }
        }
    }
}

fn on_hello(hello: FeedHello, wanted: &Wanted, desk: &NewsDesk) {
    if let Some(rate) = hello.sample_rate {
        let timecode = wanted.timecode.as_ref().and_then(|t| hello.channels.iter().position(|c| c == t));
        desk.tell_format(SoundFormat {
            rate,
            channels: hello.channels,
            timecode,
            ltc_rate: wanted.rate,
            pilot: wanted.pilot.map(base::Hertz),
            floor: wanted.floor.map(base::Dbfs),
            outside: !wanted.at_player,
            exact_stamps: true,
        });
    }
    if wanted.at_player {
        desk.tell(News::Player { at: mono_now(), state: PlayerState::Running });
        desk.tell_player(Some(hello.pid));
    }
    desk.tell(News::MidiInput { input: wanted.input, open: true });
    desk.tell_now(News::Source { flag: SourceFlags::FEED_OPEN, on: true });
    desk.tell_source(
        NAME,
        SourceState::Open,
        if wanted.at_player { "A player is connected." } else { "It brings sound." },
    );
}
