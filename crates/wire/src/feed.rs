//! The codec of the local feed socket: players hand MIDI bytes and audio to an agent or a switch, a switch hands its tap to
//! the supervisor. Anybody's player may speak it.
//!
//! A stream of frames, all numbers little endian:
//!
//! ```text
//! u32 length of what follows, at most 256 KiB
//! u8  kind
//! u64 at_ns: the sender's CLOCK_MONOTONIC in nanoseconds; PCM: the instant of the first sample
//! payload:
//!   kind 1 hello: u16 version = 1, u32 pid, u32 sample rate in Hz (0: no audio), u8 channels, then per channel u8 length and UTF-8 name
//!   kind 2 MIDI:  raw bytes, cut anywhere
//!   kind 3 PCM:   interleaved 32-bit floats, whole sample frames
//! ```
//!
//! The hello comes first and may come again when the format changes. Both ends are on one host, so its monotonic clock is
//! the same on both sides.

use base::{Hertz, MonoTime};

use crate::framing::{FrameError, FrameReader};

/// The version of this protocol.
pub const VERSION: u16 = 1;
/// The longest frame, without its length, in bytes.
pub const MAX_FEED_FRAME: usize = 256 * 1024;
/// The most bytes of samples in one PCM frame.
pub const MAX_PCM_BYTES: usize = MAX_FEED_FRAME - PREFIX;

/// Kind and time.
const PREFIX: usize = 9;
const HELLO: u8 = 1;
const MIDI: u8 = 2;
const PCM: u8 = 3;

/// One frame.
#[derive(Clone, PartialEq, Debug)]
pub enum FeedFrame<'a> {
    /// Who feeds, and in which format.
    Hello(FeedHello),
    /// MIDI bytes.
    Midi {
        /// When they were sent.
        at: MonoTime,
        /// As they came, cut anywhere.
        bytes: &'a [u8],
    },
    /// Audio.
    Pcm {
        /// The instant of the first sample.
        at: MonoTime,
        /// The samples.
        samples: PcmView<'a>,
    },
}

/// Who feeds, and in which format.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct FeedHello {
    /// When it was sent.
    pub at: MonoTime,
    /// The feeding process.
    pub pid: u32,
    /// Its sample rate, if it feeds audio.
    pub sample_rate: Option<Hertz>,
    /// Its channels' names.
    pub channels: Vec<String>,
}

/// Interleaved samples as they lie in the frame (not aligned, so not a slice of floats).
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct PcmView<'a> {
    bytes: &'a [u8],
    channels: usize,
}

impl<'a> PcmView<'a> {
    /// How many channels there are; at least one.
    pub const fn channels(&self) -> usize {
        self.channels
    }
    /// How many samples each channel has.
    pub const fn frames(&self) -> usize {
        self.bytes.len() / 4 / self.channels
    }
    /// All samples, interleaved.
    pub fn interleaved(&self) -> impl ExactSizeIterator<Item = f32> + 'a {
        self.bytes.chunks_exact(4).map(|b| f32::from_le_bytes([b[0], b[1], b[2], b[3]]))
    }
    /// One channel's samples; none for a channel that there is not.
    pub fn channel(&self, channel: usize) -> impl Iterator<Item = f32> + 'a {
        let (step, count) = (self.channels, if channel < self.channels { usize::MAX } else { 0 });
        self.interleaved().skip(channel).step_by(step).take(count)
    }
    /// Copies all samples, interleaved, into `out` and returns how many fitted.
    pub fn copy_into(&self, out: &mut [f32]) -> usize {
        out.iter_mut().zip(self.interleaved()).map(|(o, s)| *o = s).count()
    }
}

/// What is wrong with a feed.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
pub enum FeedError {
    /// The stream's frames are lost: close the connection.
    #[error("feed: {0}")]
    Frame(#[from] FrameError),
    /// A frame without room for kind and time.
    #[error("feed: a frame of {0} bytes, at least {PREFIX} are needed for kind and time")]
    Short(usize),
    /// A kind that this version does not know.
    #[error("feed: kind {0} is unknown (1 hello, 2 MIDI, 3 PCM)")]
    Kind(u8),
    /// A hello in another version.
    #[error("feed: the player speaks version {0}, this build version {VERSION}")]
    Version(u16),
    /// A hello that ends too early, has bytes left over, or a name that is no UTF-8.
    #[error("feed: the hello is cut short, too long, or a channel name is not UTF-8")]
    Hello,
    /// PCM, but no hello has named a sample rate and channels.
    #[error("feed: PCM before a hello that names a sample rate and channels")]
    NoFormat,
    /// PCM that is not a whole number of sample frames.
    #[error("feed: {bytes} bytes of PCM are no whole number of frames of {channels} channels")]
    Ragged {
        /// Bytes in the frame.
        bytes: usize,
        /// Channels by the hello.
        channels: usize,
    },
}

impl FeedError {
    /// Whether the connection must be closed. After any other error the next frame can be read.
    pub const fn is_fatal(&self) -> bool {
        matches!(self, FeedError::Frame(_) | FeedError::Version(_))
    }
}

/// Reads a feed, in pieces of any size.
#[derive(Debug)]
pub struct FeedReader {
    frames: FrameReader,
    /// By the newest hello; 0: no audio.
    channels: usize,
}

impl Default for FeedReader {
    fn default() -> FeedReader {
        FeedReader::new()
    }
}

impl FeedReader {
    /// For a new connection.
    pub const fn new() -> FeedReader {
        FeedReader { frames: FrameReader::new(MAX_FEED_FRAME), channels: 0 }
    }
    /// Takes what came in. Then ask [`FeedReader::next_frame`] until it has none.
    pub fn on_bytes(&mut self, bytes: &[u8]) {
        self.frames.on_bytes(bytes);
    }
    /// The next whole frame.
    pub fn next_frame(&mut self) -> Result<Option<FeedFrame<'_>>, FeedError> {
        let Some(frame) = self.frames.next_frame()? else { return Ok(None) };
        let Some((prefix, payload)) = frame.split_first_chunk::<PREFIX>() else {
            return Err(FeedError::Short(frame.len()));
        };
        let [kind, t @ ..] = *prefix;
        let at = MonoTime::from_nanos(u64::from_le_bytes(t));
        match kind {
            HELLO => {
                let hello = parse_hello(at, payload)?;
                self.channels = if hello.sample_rate.is_some() { hello.channels.len() } else { 0 };
                Ok(Some(FeedFrame::Hello(hello)))
            }
            MIDI => Ok(Some(FeedFrame::Midi { at, bytes: payload })),
            PCM if self.channels == 0 => Err(FeedError::NoFormat),
            PCM if payload.len() % (4 * self.channels) != 0 => {
                Err(FeedError::Ragged { bytes: payload.len(), channels: self.channels })
            }
            PCM => Ok(Some(FeedFrame::Pcm { at, samples: PcmView { bytes: payload, channels: self.channels } })),
            other => Err(FeedError::Kind(other)),
        }
    }
    /// Whether the stream was cut off inside a frame.
    pub fn is_midway(&self) -> bool {
        self.frames.is_midway()
    }
}

fn parse_hello(at: MonoTime, payload: &[u8]) -> Result<FeedHello, FeedError> {
    let (version, rest) = payload.split_first_chunk::<2>().ok_or(FeedError::Hello)?;
    let version = u16::from_le_bytes(*version);
    if version != VERSION {
        return Err(FeedError::Version(version));
    }
    let (pid, rest) = rest.split_first_chunk::<4>().ok_or(FeedError::Hello)?;
    let (rate, rest) = rest.split_first_chunk::<4>().ok_or(FeedError::Hello)?;
    let (count, mut rest) = rest.split_first().ok_or(FeedError::Hello)?;
    let rate = u32::from_le_bytes(*rate);
    let mut channels = Vec::with_capacity(usize::from(*count));
    for _ in 0..*count {
        let (len, tail) = rest.split_first().ok_or(FeedError::Hello)?;
        let (name, tail) = tail.split_at_checked(usize::from(*len)).ok_or(FeedError::Hello)?;
        channels.push(core::str::from_utf8(name).map_err(|_| FeedError::Hello)?.to_owned());
        rest = tail;
    }
    if !rest.is_empty() {
        return Err(FeedError::Hello);
    }
    let sample_rate = (rate > 0).then_some(Hertz(f64::from(rate)));
    Ok(FeedHello { at, pid: u32::from_le_bytes(*pid), sample_rate, channels })
}

/// Appends a hello. Names beyond 255 bytes are cut at a character, channels beyond 255 left out.
pub fn encode_hello(hello: &FeedHello, out: &mut Vec<u8>) {
    let rate = hello.sample_rate.map_or(0, |r| r.0.round() as u32);
    let channels = &hello.channels[..hello.channels.len().min(255)];
    frame(HELLO, hello.at, out, |out| {
        out.extend_from_slice(&VERSION.to_le_bytes());
        out.extend_from_slice(&hello.pid.to_le_bytes());
        out.extend_from_slice(&rate.to_le_bytes());
        out.push(channels.len() as u8);
        for name in channels {
            let end = (0..=name.len().min(255)).rev().find(|i| name.is_char_boundary(*i)).unwrap_or(0);
            out.push(end as u8);
            out.extend_from_slice(&name.as_bytes()[..end]);
        }
    });
}

/// Appends MIDI bytes, in several frames if there are very many.
pub fn encode_midi(at: MonoTime, bytes: &[u8], out: &mut Vec<u8>) {
    for piece in bytes.chunks(MAX_FEED_FRAME - PREFIX) {
        frame(MIDI, at, out, |out| out.extend_from_slice(piece));
    }
}

/// Appends interleaved samples as one frame. False, with nothing appended, when they exceed [`MAX_PCM_BYTES`].
#[must_use]
pub fn encode_pcm(at: MonoTime, interleaved: &[f32], out: &mut Vec<u8>) -> bool {
    if interleaved.len() * 4 > MAX_PCM_BYTES {
        return false;
    }
    frame(PCM, at, out, |out| interleaved.iter().for_each(|s| out.extend_from_slice(&s.to_le_bytes())));
    true
}

fn frame(kind: u8, at: MonoTime, out: &mut Vec<u8>, payload: impl FnOnce(&mut Vec<u8>)) {
    let start = out.len();
    out.extend_from_slice(&[0; 4]);
    out.push(kind);
    out.extend_from_slice(&at.nanos().to_le_bytes());
    payload(out);
    let len = (out.len() - start - 4) as u32;
    out[start..start + 4].copy_from_slice(&len.to_le_bytes());
}
