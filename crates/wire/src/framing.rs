//! Frames on a byte stream: a little-endian `u32` length, then so many bytes.

/// Why a stream can't be read on: its frames are lost, so the connection must be closed.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
pub enum FrameError {
    /// The length is beyond the agreed limit: not our protocol, or an attack.
    #[error("a frame of {len} bytes was announced, at most {max} are allowed")]
    TooLong {
        /// Announced length in bytes.
        len: u32,
        /// The limit in bytes.
        max: usize,
    },
}

/// Cuts a byte stream, which may come in pieces of any size, into frames.
///
/// It holds at most one frame and what came after it in the same piece; it never reserves what a length merely announces.
#[derive(Debug)]
pub struct FrameReader {
    held: Vec<u8>,
    /// Where the next unread frame begins in `held`.
    start: usize,
    max: usize,
    failed: Option<FrameError>,
}

const LENGTH: usize = 4;

impl FrameReader {
    /// A reader that refuses frames of more than `max` bytes.
    pub const fn new(max: usize) -> FrameReader {
        FrameReader { held: Vec::new(), start: 0, max, failed: None }
    }
    /// A reader for sealed frames.
    pub const fn sealed() -> FrameReader {
        FrameReader::new(crate::session::MAX_FRAME)
    }

    /// Takes what came in. Then ask [`FrameReader::next_frame`] until it has none.
    pub fn on_bytes(&mut self, bytes: &[u8]) {
        if self.failed.is_some() {
            return;
        }
        self.held.drain(..self.start);
        self.start = 0;
        self.held.extend_from_slice(bytes);
    }

    /// The next whole frame, without its length. After an error it gives that error for ever.
    pub fn next_frame(&mut self) -> Result<Option<&[u8]>, FrameError> {
        if let Some(error) = self.failed {
            return Err(error);
        }
        let rest = &self.held[self.start..];
        let Some((length, body)) = rest.split_first_chunk::<LENGTH>() else { return Ok(None) };
        let len = u32::from_le_bytes(*length);
        if len as usize > self.max {
            let error = FrameError::TooLong { len, max: self.max };
            self.failed = Some(error);
            self.held = Vec::new();
            self.start = 0;
            return Err(error);
        }
        if body.len() < len as usize {
            return Ok(None);
        }
        let from = self.start + LENGTH;
        self.start = from + len as usize;
        Ok(Some(&self.held[from..self.start]))
    }

    /// Whether bytes of an unfinished frame are held: at the stream's end they tell that it was cut off.
    pub fn is_midway(&self) -> bool {
        self.start < self.held.len()
    }
}

/// Writes a frame's length and the frame behind it into `out`.
pub fn write_frame(frame: &[u8], out: &mut Vec<u8>) {
    let len = u32::try_from(frame.len()).unwrap_or(u32::MAX);
    out.extend_from_slice(&len.to_le_bytes());
    out.extend_from_slice(&frame[..len as usize]);
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn frames_survive_any_cutting(
            frames in prop::collection::vec(prop::collection::vec(any::<u8>(), 0..40), 0..12),
            cut in 1usize..17,
        ) {
            let mut stream = Vec::new();
            frames.iter().for_each(|f| write_frame(f, &mut stream));
            let (mut reader, mut got) = (FrameReader::new(40), Vec::new());
            for piece in stream.chunks(cut) {
                reader.on_bytes(piece);
                while let Some(frame) = reader.next_frame().unwrap() {
                    got.push(frame.to_vec());
                }
            }
            prop_assert_eq!(got, frames);
            prop_assert!(!reader.is_midway());
        }

        #[test]
        fn nothing_makes_it_panic_or_hoard(pieces in prop::collection::vec(prop::collection::vec(any::<u8>(), 0..64), 0..64)) {
            let mut reader = FrameReader::new(100);
            for piece in pieces {
                reader.on_bytes(&piece);
                while let Ok(Some(_)) = reader.next_frame() {}
                prop_assert!(reader.held.len() <= 100 + LENGTH + 64);
            }
        }
    }

    #[test]
    fn too_long_is_final_and_says_both_numbers() {
        let mut reader = FrameReader::new(10);
        reader.on_bytes(&[11, 0, 0, 0, 1, 2]);
        let error = reader.next_frame().unwrap_err();
        assert_eq!(error.to_string(), "a frame of 11 bytes was announced, at most 10 are allowed");
        reader.on_bytes(&[0, 0, 0, 0]);
        assert_eq!(reader.next_frame(), Err(error));
    }
}
