//! Any bytes as a block of the record, under a checksum that fits: no panic, no more samples than a block may have, and what is
//! written is read alike. (An instant past the end of all clocks is first moved to their end.)
#![no_main]

use libfuzzer_sys::fuzz_target;
use showlog::codec::{decode, encode};

/// CRC-32 of IEEE 802.3, bit by bit.
fn crc32(data: &[u8]) -> u32 {
    !data.iter().fold(!0, |crc, b| {
        (0..8).fold(crc ^ u32::from(*b), |c, _| if c & 1 == 1 { c >> 1 ^ 0xedb8_8320 } else { c >> 1 })
    })
}

fuzz_target!(|data: &[u8]| {
    let _ = decode(data);
    let block = [data, &crc32(data).to_le_bytes()].concat();
    if let Ok(samples) = decode(&block) {
        assert!(samples.len() <= 65_536);
        let once = decode(&encode(&samples));
        let once = once.as_deref().map(|s| (s, decode(&encode(s))));
        assert!(once.as_ref().is_ok_and(|(s, again)| again.as_deref() == Ok(*s)), "{once:?}");
    }
});
