//! System exclusive messages, cut out of an input's bytes (MIDI 1.0 Detailed Specification, "System Exclusive").

use wire::message::ExclusivePart;

/// The longest that is kept, F0 and F7 included.
pub const LONGEST: usize = 4_096;

/// One input's. Real-time bytes may stand anywhere and belong to nothing; any other status ends a message that has no F7.
#[derive(Default)]
pub struct ExclusiveReader {
    inside: bool,
    /// Bytes of it may be missing.
    broken: bool,
    kept: Vec<u8>,
    length: usize,
}

impl ExclusiveReader {
    /// Bytes in, cut anywhere.
    pub fn on_bytes(&mut self, bytes: &[u8], sink: &mut impl FnMut(ExclusivePart)) {
        for byte in bytes {
            match *byte {
                0xF8..=0xFE => {}
                0xF0 => {
                    self.on_cut(sink);
                    (self.inside, self.broken) = (true, false);
                    self.length = 0;
                    self.kept.clear();
                    self.keep(0xF0);
                }
                0xF7 if self.inside && !self.broken => {
                    self.keep(0xF7);
                    self.inside = false;
                    if self.length > LONGEST {
                        sink(ExclusivePart::TooLong(u32::try_from(self.length).unwrap_or(u32::MAX)));
                    } else if !is_code(&self.kept) {
                        sink(ExclusivePart::Whole(self.kept.clone()));
                    }
                }
                0x80.. => self.on_cut(sink),
                data if self.inside => {
                    self.keep(data);
                    // By now it is known to be for a device.
                    if self.length == HEAD && !is_code(&self.kept) {
                        sink(ExclusivePart::Begun);
                    }
                }
                _ => {}
            }
        }
    }

    /// The input closed. A device that was within a message still is: nothing is told until a status has come.
    pub fn on_lost(&mut self) {
        self.broken = true;
    }

    fn on_cut(&mut self, sink: &mut impl FnMut(ExclusivePart)) {
        if std::mem::take(&mut self.inside) && !is_code(&self.kept) {
            sink(ExclusivePart::Cut);
        }
    }

    fn keep(&mut self, byte: u8) {
        self.length = self.length.saturating_add(1);
        if self.kept.len() < LONGEST {
            self.kept.push(byte);
        }
    }
}

/// So many bytes tell whether it is code.
const HEAD: usize = 4;

/// Timecode and machine control go to followers of the code and set nothing on a device: universal real time, sub-ID 1 of 01, 06 or 07
/// (MIDI 1.0, "Universal System Exclusive Messages").
fn is_code(message: &[u8]) -> bool {
    matches!(message, [0xF0, 0x7F, _, 0x01 | 0x06 | 0x07, ..])
}

#[cfg(test)]
mod tests {
    use super::*;
    use ExclusivePart::{Begun, Cut, TooLong, Whole};

    fn read(pieces: &[&[u8]]) -> Vec<ExclusivePart> {
        let (mut reader, mut all) = (ExclusiveReader::default(), Vec::new());
        pieces.iter().for_each(|p| reader.on_bytes(p, &mut |part| all.push(part)));
        all
    }

    #[test]
    fn whole_messages_wherever_the_bytes_are_cut_and_whatever_real_time_stands_within() {
        let whole = Whole(vec![0xF0, 0x7D, 1, 2, 3, 0xF7]);
        assert_eq!(read(&[&[0xC0, 5, 0xF0, 0x7D, 1, 2, 3, 0xF7, 0xC0, 6]]), [Begun, whole.clone()]);
        assert_eq!(read(&[&[0xF0, 0xF8], &[0x7D, 1], &[0xFE, 2], &[3], &[0xF7]]), [Begun, whole]);
        assert_eq!(read(&[&[0xF0, 0x7D, 0xF7]]), [Whole(vec![0xF0, 0x7D, 0xF7])]);
        assert_eq!(read(&[&[1, 2, 0xF7]]), [], "an end without a beginning");
    }

    #[test]
    fn what_never_ends_is_cut() {
        assert_eq!(read(&[&[0xF0, 0x7D, 1, 2, 0xB0, 7, 100]]), [Begun, Cut]);
        assert_eq!(read(&[&[0xF0, 0x7D, 0xF0, 0x7D, 0xF7]]), [Cut, Whole(vec![0xF0, 0x7D, 0xF7])]);
        assert_eq!(read(&[&[0xF0, 0x7D, 1, 0xFF, 2, 0xF7]]), [Cut], "a reset ends it, too");
        let (mut reader, mut all) = (ExclusiveReader::default(), Vec::new());
        reader.on_bytes(&[0xF0, 0x7D, 1, 2], &mut |part| all.push(part));
        reader.on_lost();
        reader.on_bytes(&[9, 0xF7], &mut |part| all.push(part));
        assert_eq!(all, [Begun, Cut], "two halves of different ones are none");
    }

    #[test]
    fn the_longest_is_kept_and_a_longer_one_counted() {
        let of = |n: usize| [vec![0xF0], vec![1; n - 2], vec![0xF7]].concat();
        assert_eq!(read(&[&of(LONGEST)]), [Begun, Whole(of(LONGEST))]);
        assert_eq!(read(&[&of(LONGEST + 1)]), [Begun, TooLong(4_097)]);
    }

    /// A full frame of timecode and a machine-control locate; General MIDI's reset is a device's.
    #[test]
    fn code_is_not_among_them() {
        assert_eq!(read(&[&[0xF0, 0x7F, 0x7F, 1, 1, 0x21, 0, 0, 0, 0xF7]]), []);
        assert_eq!(read(&[&[0xF0, 0x7F, 0x7F, 6, 0x44, 6, 1, 0, 0, 0, 0, 0, 0xF7]]), []);
        assert_eq!(read(&[&[0xF0, 0x7E, 0x7F, 9, 1, 0xF7]]).len(), 2);
    }
}
