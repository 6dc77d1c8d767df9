//! WAV files for all instruments: any width that people record in, read in stretches, and damaged files read as far as
//! they go.
//!
//! Reads RIFF/WAVE with integer samples of 8, 16, 24 or 32 bits and floating-point ones of 32 or 64, plain or extensible
//! (Microsoft, *Multiple Channel Audio Data and WAVE Files*), and the 64-bit forms RF64 and BW64 (EBU Tech 3306,
//! ITU-R BS.2088). Recorders that lost power leave sizes of 0 or of the full 32 bits behind: then the data is taken to
//! reach to the file's end.

use std::fs::File;
use std::io::{BufReader, Read, Seek, SeekFrom};
use std::path::Path;

use super::InspectError;

/// The most channels a file may have.
pub const MAX_CHANNELS: u16 = 32;

/// How samples lie in the file.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum SampleFormat {
    /// Unsigned bytes round 128.
    U8,
    /// Signed, 16 bits.
    I16,
    /// Signed, 24 bits in three bytes.
    I24,
    /// Signed, 32 bits.
    I32,
    /// Floating point, 32 bits.
    F32,
    /// Floating point, 64 bits.
    F64,
}

impl SampleFormat {
    /// Bytes a sample.
    pub const fn bytes(self) -> usize {
        match self {
            Self::U8 => 1,
            Self::I16 => 2,
            Self::I24 => 3,
            Self::I32 | Self::F32 => 4,
            Self::F64 => 8,
        }
    }
    /// One sample from its bytes, full scale at 1. `b` has exactly [`bytes`](Self::bytes) bytes.
    fn read(self, b: &[u8]) -> f32 {
        match (self, b) {
            (Self::U8, &[a]) => (f32::from(a) - 128.0) / 128.0,
            (Self::I16, &[a, b]) => f32::from(i16::from_le_bytes([a, b])) / 32_768.0,
            (Self::I24, &[a, b, c]) => (i32::from_le_bytes([0, a, b, c]) >> 8) as f32 / 8_388_608.0,
            (Self::I32, &[a, b, c, d]) => (f64::from(i32::from_le_bytes([a, b, c, d])) / 2_147_483_648.0) as f32,
            (Self::F32, &[a, b, c, d]) => f32::from_le_bytes([a, b, c, d]),
            (Self::F64, &[a, b, c, d, e, f, g, h]) => f64::from_le_bytes([a, b, c, d, e, f, g, h]) as f32,
            _ => 0.0,
        }
    }
}

/// An open WAV file, its header read. Sample frames come by [`read`](WavFile::read).
pub struct WavFile {
    name: String,
    input: BufReader<File>,
    sample_rate: u32,
    channels: u16,
    channel_mask: Option<u32>,
    format: SampleFormat,
    /// Sample frames that the header promises, when it can be believed.
    promised: Option<u64>,
    /// Sample frames read so far.
    read: u64,
    truncated: bool,
    bytes: Vec<u8>,
}

impl WavFile {
    /// Opens a file and reads its header.
    ///
    /// # Errors
    /// When it can't be opened, is no WAV file, or holds samples of an unknown kind. The message names the file, the byte
    /// and what is wrong there.
    pub fn open(path: &Path) -> Result<WavFile, InspectError> {
        let name = path.display().to_string();
        let file = File::open(path).map_err(|e| InspectError(format!("{name}: cannot be opened: {e}")))?;
        let length = file.metadata().map(|m| m.len()).unwrap_or(u64::MAX);
        Header { name: &name, input: BufReader::new(file), at: 0, length }.read()
    }

    /// Samples a second.
    pub fn sample_rate(&self) -> u32 {
        self.sample_rate
    }

    /// Channels.
    pub fn channels(&self) -> usize {
        usize::from(self.channels)
    }

    /// Which loudspeakers the channels feed, a bit each, where an extensible header says so.
    pub fn channel_mask(&self) -> Option<u32> {
        self.channel_mask
    }

    /// A channel by the number that people use (from 1), as an index.
    ///
    /// # Errors
    /// When the file has no such channel.
    pub fn channel(&self, number: u16) -> Result<usize, InspectError> {
        if (1..=self.channels).contains(&number) {
            return Ok(usize::from(number) - 1);
        }
        let (name, has) = (&self.name, self.channels);
        Err(InspectError(match has {
            1 => format!("{name}: there is no channel {number}: the file has one channel; leave --channel out"),
            _ => format!("{name}: there is no channel {number}: the file has channels 1 to {has}"),
        }))
    }

    /// Up to `frames` further sample frames, interleaved, into `out` (which is cleared first). Returns how many came; none
    /// at the end.
    ///
    /// # Errors
    /// When the disk fails. A file that ends early is no error: see [`warning`](WavFile::warning).
    pub fn read(&mut self, frames: usize, out: &mut Vec<f32>) -> Result<usize, InspectError> {
        out.clear();
        let left = self.promised.map_or(u64::MAX, |p| p - self.read);
        let frames = (frames as u64).min(left) as usize;
        let frame = self.format.bytes() * usize::from(self.channels);
        self.bytes.resize(frames * frame, 0);
        let mut filled = 0;
        while filled < self.bytes.len() {
            match self.input.read(&mut self.bytes[filled..]) {
                Ok(0) => break,
                Ok(n) => filled += n,
                Err(e) if e.kind() == std::io::ErrorKind::Interrupted => {}
                Err(e) => {
                    let at = self.read;
                    return Err(InspectError(format!("{}: reading failed after sample {at}: {e}", self.name)));
                }
            }
        }
        let whole = filled / frame;
        self.truncated |= filled < self.bytes.len() && (self.promised.is_some() || filled % frame != 0);
        let format = self.format;
        out.extend(self.bytes[..whole * frame].chunks_exact(format.bytes()).map(|b| format.read(b)));
        self.read += whole as u64;
        Ok(whole)
    }

    /// Up to `frames` further samples of one channel (index from 0) into `out`. Returns how many came; none at the end.
    ///
    /// # Errors
    /// As [`read`](WavFile::read).
    pub fn read_channel(&mut self, channel: usize, frames: usize, out: &mut Vec<f32>) -> Result<usize, InspectError> {
        let n = self.read(frames, out)?;
        let channels = usize::from(self.channels);
        for i in 0..n {
            out[i] = out[i * channels + channel];
        }
        out.truncate(n);
        Ok(n)
    }

    /// After the last sample: what was amiss with the file though it could be read.
    pub fn warning(&self) -> Option<String> {
        let (name, read) = (&self.name, self.read);
        self.truncated.then(|| match self.promised {
            Some(p) => format!("{name}: cut short: the header promises {p} samples, the file ends after {read}"),
            None => format!("{name}: cut short: the file ends within sample {read}"),
        })
    }
}

/// Reads the chunks up to the samples.
struct Header<'a> {
    name: &'a str,
    input: BufReader<File>,
    at: u64,
    length: u64,
}

impl Header<'_> {
    fn wrong(&self, what: impl std::fmt::Display) -> InspectError {
        InspectError(format!("{}: byte {}: {what}", self.name, self.at))
    }

    fn take<const N: usize>(&mut self, what: &str) -> Result<[u8; N], InspectError> {
        let mut b = [0; N];
        match self.input.read_exact(&mut b) {
            Ok(()) => {
                self.at += N as u64;
                Ok(b)
            }
            Err(e) if e.kind() == std::io::ErrorKind::UnexpectedEof => {
                Err(self.wrong(format_args!("the file ends where {what} should be; is it a whole WAV file?")))
            }
            Err(e) => Err(self.wrong(format_args!("reading {what} failed: {e}"))),
        }
    }

    fn skip(&mut self, bytes: u64) -> Result<(), InspectError> {
        self.at = self.at.saturating_add(bytes);
        let seek = self.input.seek(SeekFrom::Start(self.at));
        seek.map(|_| ()).map_err(|e| self.wrong(format_args!("cannot go there: {e}")))
    }

    fn read(mut self) -> Result<WavFile, InspectError> {
        let riff = self.take::<4>("\"RIFF\"")?;
        if !matches!(&riff, b"RIFF" | b"RF64" | b"BW64") {
            self.at = 0;
            return Err(self.wrong("no \"RIFF\" here: this is no WAV file (export the recording as WAV)"));
        }
        self.take::<4>("the file's size")?;
        if &self.take::<4>("\"WAVE\"")? != b"WAVE" {
            self.at = 8;
            return Err(self.wrong("no \"WAVE\" here: a RIFF file, but not a WAV file"));
        }
        let mut format = None;
        let mut long_size = None;
        loop {
            let id = self.take::<4>("a chunk's name (\"data\" has not come yet)")?;
            let size = u64::from(u32::from_le_bytes(self.take("a chunk's size")?));
            let body = self.at;
            match &id {
                b"ds64" if size >= 16 => {
                    self.take::<8>("the 64-bit file size")?;
                    long_size = Some(u64::from_le_bytes(self.take("the 64-bit data size")?));
                }
                b"fmt " => format = Some(self.format(size)?),
                b"data" => {
                    let Some((format, channels, sample_rate, channel_mask)) = format else {
                        return Err(self.wrong("\"data\" comes before \"fmt \": what the samples are is not known"));
                    };
                    let frame = (format.bytes() * usize::from(channels)) as u64;
                    let bytes = match (size, long_size) {
                        (0xFFFF_FFFF, Some(long)) => Some(long),
                        (0xFFFF_FFFF, None) => None,
                        // Nothing recorded, or a recorder that never came to write the size.
                        (0, _) if self.length > body => None,
                        (n, _) => Some(n),
                    };
                    return Ok(WavFile {
                        name: self.name.to_owned(),
                        input: self.input,
                        sample_rate,
                        channels,
                        channel_mask,
                        format,
                        promised: bytes.map(|b| b / frame),
                        read: 0,
                        truncated: false,
                        bytes: Vec::new(),
                    });
                }
                _ => {}
            }
            // Chunks start at even bytes.
            self.at = body;
            self.skip(size + size % 2)?;
        }
    }

    /// The "fmt " chunk: what the samples are, how many channels, how many a second, and which loudspeakers they feed.
    fn format(&mut self, size: u64) -> Result<(SampleFormat, u16, u32, Option<u32>), InspectError> {
        if size < 16 {
            return Err(self.wrong(format_args!("\"fmt \" has {size} bytes, it needs at least 16")));
        }
        let at = self.at;
        let b = self.take::<16>("the sample format")?;
        let two = |i: usize| u16::from_le_bytes([b[i], b[i + 1]]);
        let (mut tag, mut mask) = (two(0), None);
        let channels = two(2);
        let sample_rate = u32::from_le_bytes([b[4], b[5], b[6], b[7]]);
        let (block, bits) = (two(12), two(14));
        if tag == 0xFFFE && size >= 40 {
            let more = self.take::<10>("the extended sample format")?;
            tag = u16::from_le_bytes([more[8], more[9]]);
            mask = Some(u32::from_le_bytes([more[4], more[5], more[6], more[7]]));
        }
        self.at = at;
        if !(1..=MAX_CHANNELS).contains(&channels) {
            return Err(self.wrong(format_args!("{channels} channels; a file may have 1 to {MAX_CHANNELS}")));
        }
        if !(1_000..=1_000_000).contains(&sample_rate) {
            return Err(self.wrong(format_args!("a sample rate of {sample_rate} Hz; expected 8000 to 192000")));
        }
        // The container decides: 20 bits come left-justified in three bytes, 24 sometimes in four.
        let container = if block % channels == 0 && block > 0 { block / channels * 8 } else { bits.div_ceil(8) * 8 };
        let format = match (tag, container) {
            (1, 8) => SampleFormat::U8,
            (1, 16) => SampleFormat::I16,
            (1, 24) => SampleFormat::I24,
            (1, 32) => SampleFormat::I32,
            (3, 32) => SampleFormat::F32,
            (3, 64) => SampleFormat::F64,
            (1 | 3, _) => {
                return Err(self.wrong(format_args!("samples of {container} bits; expected 8, 16, 24 or 32, or float")));
            }
            _ => {
                let mend = "save it as plain PCM or floating point";
                return Err(self.wrong(format_args!("samples of a compressed or unknown kind (format {tag}); {mend}")));
            }
        };
        Ok((format, channels, sample_rate, mask))
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]
    use super::*;

    fn file(name: &str, bytes: &[u8]) -> std::path::PathBuf {
        let path = std::env::temp_dir().join(format!("twinkeel-wav-{}-{name}", std::process::id()));
        std::fs::write(&path, bytes).unwrap();
        path
    }

    fn all(path: &Path) -> (Vec<f32>, WavFile) {
        let mut w = WavFile::open(path).unwrap();
        let (mut got, mut part) = (Vec::new(), Vec::new());
        while w.read(3, &mut part).unwrap() > 0 {
            got.extend_from_slice(&part);
        }
        std::fs::remove_file(path).unwrap();
        (got, w)
    }

    /// Written by `hound`, which is not ours.
    #[test]
    fn every_width_reads_as_another_library_wrote_it() {
        for (bits, float) in [(8, false), (16, false), (24, false), (32, false), (32, true)] {
            for channels in [1u16, 2, 3, 32] {
                let path = file(&format!("{bits}{float}{channels}"), &[]);
                let sample_format = if float { hound::SampleFormat::Float } else { hound::SampleFormat::Int };
                let spec = hound::WavSpec { channels, sample_rate: 44_100, bits_per_sample: bits, sample_format };
                let mut w = hound::WavWriter::create(&path, spec).unwrap();
                let values: Vec<f32> = (0..10 * channels).map(|i| f32::from(i % 17) / 16.0 - 0.5).collect();
                for v in &values {
                    if float {
                        w.write_sample(*v).unwrap();
                    } else {
                        w.write_sample((f64::from(*v) * f64::from(1u32 << (bits - 1))) as i32).unwrap();
                    }
                }
                w.finalize().unwrap();
                let (got, w) = all(&path);
                assert_eq!(got, values, "{bits} {float} {channels}");
                assert_eq!((w.channels, w.sample_rate(), w.warning()), (channels, 44_100, None));
            }
        }
    }

    fn header(data: u32) -> Vec<u8> {
        let mut b = b"RIFF\0\0\0\0WAVELIST\x03\0\0\0abc\0fmt \x10\0\0\0\x01\0\x01\0".to_vec();
        b.extend(8_000u32.to_le_bytes());
        b.extend(16_000u32.to_le_bytes());
        b.extend(b"\x02\0\x10\0data");
        b.extend(data.to_le_bytes());
        b
    }

    #[test]
    fn files_cut_short_or_never_closed_read_as_far_as_they_go() {
        for (size, said, warns) in
            [(100, Some(50), true), (6, Some(3), false), (0, None, false), (u32::MAX, None, false)]
        {
            let mut b = header(size);
            b.extend([0, 64, 0, 192, 0, 32]);
            let (got, w) = all(&file(&format!("short{size}"), &b));
            assert_eq!(got, [0.5, -0.5, 0.25]);
            assert_eq!((w.promised, w.warning().is_some()), (said, warns));
        }
    }

    #[test]
    fn what_is_no_wav_file_is_named_with_its_place() {
        let cases: [(&str, Vec<u8>, &str); 5] = [
            ("empty", vec![], "byte 0"),
            ("text", b"hello, I am a text".to_vec(), "byte 0: no \"RIFF\""),
            ("avi", b"RIFF\0\0\0\0AVI LIST".to_vec(), "byte 8: no \"WAVE\""),
            ("nodata", b"RIFF\0\0\0\0WAVE".to_vec(), "byte 12: the file ends"),
            ("early", b"RIFF\0\0\0\0WAVEdata\0\0\0\0".to_vec(), "\"data\" comes before"),
        ];
        for (name, bytes, says) in cases {
            let path = file(name, &bytes);
            let e = WavFile::open(&path).err().unwrap().0;
            std::fs::remove_file(&path).unwrap();
            assert!(e.contains(says) && e.contains(name), "{e}");
        }
        let mut mp3 = header(0);
        mp3[32] = 0x55;
        let path = file("mp3", &mp3);
        let e = WavFile::open(&path).err().unwrap().0;
        std::fs::remove_file(&path).unwrap();
        assert!(e.contains("format 85"), "{e}");
        assert!(WavFile::open(Path::new("/nowhere/x.wav")).err().unwrap().0.contains("cannot be opened"));
    }
}
