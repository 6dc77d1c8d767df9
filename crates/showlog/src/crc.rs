//! CRC-32 (ISO 3309 / ITU-T V.42, reflected polynomial EDB88320): SQLite does not checksum its pages, so every block
//! and every event carries its own, and a flipped bit is told from a fact.

const TABLE: [u32; 256] = table();

const fn table() -> [u32; 256] {
    let mut t = [0u32; 256];
    let mut i = 0;
    while i < 256 {
        let mut c = i as u32;
        let mut bit = 0;
        while bit < 8 {
            c = if c & 1 == 1 { 0xEDB8_8320 ^ (c >> 1) } else { c >> 1 };
            bit += 1;
        }
        t[i] = c;
        i += 1;
    }
    t
}

/// The checksum of all `parts`, as if they were one.
pub(crate) fn crc32(parts: &[&[u8]]) -> u32 {
    let mut c = u32::MAX;
    for byte in parts.iter().flat_map(|p| p.iter()) {
        c = TABLE[usize::from((c as u8) ^ byte)] ^ (c >> 8);
    }
    !c
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The check value that ITU-T V.42's CRC-32 is known by: "123456789" gives CBF43926.
    #[test]
    fn the_published_check_value() {
        assert_eq!(crc32(&[b"1234", b"56789"]), 0xCBF4_3926);
        assert_eq!(crc32(&[]), 0);
    }
}
