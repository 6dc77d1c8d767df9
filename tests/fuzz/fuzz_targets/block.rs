//! Any bytes as a block of the record, under a checksum that fits: no panic, no more samples than a block may have, and what is read is
//! written and read again alike.
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
        assert_eq!(decode(&encode(&samples)).as_ref(), Ok(&samples));
    }
});
