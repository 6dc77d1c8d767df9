//! The LTC word: 80 bits a frame, of which 64 carry data and 16 are the sync word (SMPTE ST 12-1, the word's layout from
//! memory, held against libltc's in the tests).
//!
//! ```text
//! bits   0-3  frame units      4-7  binary group 1     8-9  frame tens   10 drop flag   11 colour flag
//!       12-15 group 2        16-19  second units     20-23  group 3   24-26 second tens   27 flag
//!       28-31 group 4        32-35  minute units     36-39  group 5   40-42 minute tens   43 flag
//!       44-47 group 6        48-51  hour units       52-55  group 7   56-57 hour tens   58, 59 flags
//!       60-63 group 8        64-79  sync word 0011 1111 1111 1101
//! ```
//!
//! Numbers go out least significant bit first. One flag (27 at 24 and 30 frames, 59 at 25) may be the polarity
//! correction, which makes the number of zeros in the word even, so that each sync word starts with the same polarity.

use base::{Direction, FrameRate};

use crate::smpte::{Timecode, TimecodeError};

/// Bits in a word.
pub const BITS: u32 = 80;

/// The sync word as it passes when the code runs forward, earliest bit highest.
pub(super) const SYNC_FORWARD: u16 = 0b0011_1111_1111_1101;
/// The same played backwards.
pub(super) const SYNC_REVERSE: u16 = 0b1011_1111_1111_1100;

/// The place of binary group `g` (0 to 7).
const fn group_shift(g: u32) -> u32 {
    4 + 8 * g
}

/// The flags that neither count nor hold user bits nor may be the polarity correction: drop, colour, 43 and 58.
const STEADY_FLAGS: u64 = 1 << 10 | 1 << 11 | 1 << 43 | 1 << 58;

/// The 64 data bits of a frame; bit n of the standard is bit n of the number.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct LtcWord(pub u64);

impl LtcWord {
    /// The word for a label with these user bits (binary group 1 in the high half of the first byte), polarity
    /// correction included.
    pub fn new(label: Timecode, user_bits: [u8; 4]) -> LtcWord {
        let tens_units = |v: u8| (u64::from(v / 10), u64::from(v % 10));
        let mut w = 0u64;
        for (value, at) in [(label.frame(), 0), (label.seconds(), 16), (label.minutes(), 32), (label.hours(), 48)] {
            let (tens, units) = tens_units(value);
            w |= units << at | tens << (at + 8);
        }
        w |= u64::from(label.rate().is_drop()) << 10;
        for (i, byte) in user_bits.into_iter().enumerate() {
            let g = 2 * i as u32;
            w |= u64::from(byte >> 4) << group_shift(g) | u64::from(byte & 15) << group_shift(g + 1);
        }
        LtcWord(w).with_polarity_correction(label.rate())
    }

    /// Sets or clears the rate's polarity correction bit so that the word has an even number of zeros.
    pub fn with_polarity_correction(self, rate: FrameRate) -> LtcWord {
        let bit = if rate == FrameRate::F25 { 59 } else { 27 };
        let cleared = LtcWord(self.0 & !(1 << bit));
        if cleared.zeros_even() { cleared } else { LtcWord(cleared.0 | 1 << bit) }
    }

    /// Whether the whole word (its sync word has three zeros) holds an even number of zeros.
    pub const fn zeros_even(self) -> bool {
        (self.0.count_zeros() + 3).is_multiple_of(2)
    }

    /// The drop-frame flag.
    pub const fn drop_flag(self) -> bool {
        self.0 >> 10 & 1 == 1
    }
    /// The colour frame flag.
    pub const fn colour_flag(self) -> bool {
        self.0 >> 11 & 1 == 1
    }
    /// The flags that stay as they are from frame to frame.
    pub(super) const fn steady_flags(self) -> u64 {
        self.0 & STEADY_FLAGS
    }

    /// The user bits, binary group 1 in the high half of the first byte.
    pub fn user_bits(self) -> [u8; 4] {
        core::array::from_fn(|i| {
            let g = 2 * i as u32;
            let group = |g: u32| (self.0 >> group_shift(g) & 15) as u8;
            group(g) << 4 | group(g + 1)
        })
    }

    /// Frame number as written, which no rate may have.
    pub fn frame_number(self) -> Option<u8> {
        self.number(0, 2)
    }

    /// The label, read at a rate.
    ///
    /// # Errors
    /// When a digit is none, or no frame of that rate bears the label.
    pub fn label(self, rate: FrameRate) -> Result<Timecode, TimecodeError> {
        let read = |at, tens| self.number(at, tens).ok_or(TimecodeError::Malformed);
        Timecode::new(rate, read(48, 2)?, read(32, 3)?, read(16, 3)?, read(0, 2)?)
    }

    /// Two digits: units in four bits from `at`, tens in `tens` bits eight further on.
    fn number(self, at: u32, tens: u32) -> Option<u8> {
        let units = (self.0 >> at & 15) as u8;
        let tens = (self.0 >> (at + 8)) as u8 & ((1 << tens) - 1);
        (units < 10).then_some(10 * tens + units)
    }

    /// The whole word in the order in which its bits pass when the code runs forward: bit 0 highest of 80.
    pub const fn passing(self) -> u128 {
        (self.0.reverse_bits() as u128) << 16 | SYNC_FORWARD as u128
    }

    /// Looks for a whole word at the end of the bits that have passed (newest lowest).
    pub(super) const fn found(passed: u128) -> Option<(LtcWord, Direction)> {
        if passed as u16 == SYNC_FORWARD {
            Some((LtcWord(((passed >> 16) as u64).reverse_bits()), Direction::Forward))
        } else if (passed >> 64) as u16 == SYNC_REVERSE {
            Some((LtcWord(passed as u64), Direction::Reverse))
        } else {
            None
        }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn each_field_lies_where_the_standard_puts_it() {
        // SMPTE ST 12-1, table of bit assignments (from memory; the outside test against libltc holds the same).
        let t = Timecode::new(FrameRate::F29_97Df, 23, 59, 48, 27).unwrap();
        let w = LtcWord::new(t, [0x12, 0x34, 0x56, 0x78]);
        let field = |at: u32, n: u32| w.0 >> at & ((1 << n) - 1);
        assert_eq!((field(0, 4), field(8, 2)), (7, 2));
        assert_eq!((field(16, 4), field(24, 3)), (8, 4));
        assert_eq!((field(32, 4), field(40, 3)), (9, 5));
        assert_eq!((field(48, 4), field(56, 2)), (3, 2));
        assert_eq!(field(10, 1), 1);
        for g in 0..8 {
            assert_eq!(field(4 + 8 * g, 4), u64::from(g) + 1);
        }
        assert!(w.zeros_even());
    }

    #[test]
    fn polarity_correction_sits_at_59_at_25_frames_and_at_27_else() {
        for rate in FrameRate::ALL {
            let bit = if rate == FrameRate::F25 { 59 } else { 27 };
            let other = if rate == FrameRate::F25 { 27 } else { 59 };
            let mut seen = [false; 2];
            for f in 0..20 {
                let w = LtcWord::new(Timecode::from_frames(rate, f), [0; 4]);
                assert!(w.zeros_even());
                assert_eq!(w.0 >> other & 1, 0);
                seen[(w.0 >> bit & 1) as usize] = true;
            }
            assert_eq!(seen, [true, true]);
        }
    }

    proptest! {
        #[test]
        fn words_round_trip_both_ways(rate in 0usize..6, n in 0i64..2_500_000, user in any::<[u8; 4]>()) {
            let rate = FrameRate::ALL[rate];
            let t = Timecode::from_frames(rate, n);
            let w = LtcWord::new(t, user);
            prop_assert_eq!(w.label(rate), Ok(t));
            prop_assert_eq!(w.user_bits(), user);
            prop_assert_eq!(LtcWord::found(w.passing()), Some((w, Direction::Forward)));
            let backwards = w.passing().reverse_bits() >> 48;
            prop_assert_eq!(LtcWord::found(backwards), Some((w, Direction::Reverse)));
        }

        #[test]
        fn any_bits_are_read_or_refused(bits in any::<u64>(), rate in 0usize..6) {
            let rate = FrameRate::ALL[rate];
            if let Ok(t) = LtcWord(bits).label(rate) {
                prop_assert_eq!(t.rate(), rate);
            }
        }
    }
}
