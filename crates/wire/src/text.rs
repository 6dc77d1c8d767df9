//! Base 32 (RFC 4648 section 6) and a 24-bit checksum, for keys that people may have to read out or type.

const ALPHABET: &[u8; 32] = b"abcdefghijklmnopqrstuvwxyz234567";

/// Lower-case base 32 without padding. `bytes` should be a multiple of five long.
pub(crate) fn base32(bytes: &[u8]) -> String {
    let mut out = String::with_capacity(bytes.len() * 8 / 5 + 1);
    let (mut held, mut bits) = (0u32, 0);
    for byte in bytes {
        held = (held << 8) | u32::from(*byte);
        bits += 8;
        while bits >= 5 {
            bits -= 5;
            out.push(char::from(ALPHABET[(held >> bits & 31) as usize]));
        }
    }
    if bits > 0 {
        out.push(char::from(ALPHABET[(held << (5 - bits) & 31) as usize]));
    }
    out
}

/// Reads base 32 of either case into `out`, whose length must fit exactly. Spaces and hyphens are skipped.
pub(crate) fn from_base32(text: &str, out: &mut [u8]) -> Option<()> {
    let (mut held, mut bits, mut filled) = (0u32, 0, 0);
    for c in text.bytes().filter(|c| !matches!(c, b' ' | b'-')) {
        let digit = ALPHABET.iter().position(|a| *a == c.to_ascii_lowercase())?;
        held = (held << 5) | digit as u32;
        bits += 5;
        if bits >= 8 {
            bits -= 8;
            *out.get_mut(filled)? = (held >> bits) as u8;
            filled += 1;
        }
    }
    (filled == out.len() && bits < 5 && held & ((1 << bits) - 1) == 0).then_some(())
}

/// CRC-24 as in OpenPGP (RFC 9580 section 6.1).
pub(crate) fn crc24(bytes: impl Iterator<Item = u8>) -> [u8; 3] {
    let mut crc = 0xB7_04CE_u32;
    for byte in bytes {
        crc ^= u32::from(byte) << 16;
        for _ in 0..8 {
            crc <<= 1;
            if crc & 0x100_0000 != 0 {
                crc ^= 0x186_4CFB;
            }
        }
    }
    let [_, a, b, c] = crc.to_be_bytes();
    [a, b, c]
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    /// RFC 4648 section 10, lower case and without padding.
    #[test]
    fn base32_test_vectors() {
        let cases = [
            ("", ""),
            ("f", "my"),
            ("fo", "mzxq"),
            ("foo", "mzxw6"),
            ("foob", "mzxw6yq"),
            ("fooba", "mzxw6ytb"),
            ("foobar", "mzxw6ytboi"),
        ];
        for (plain, text) in cases {
            assert_eq!(base32(plain.as_bytes()), text);
            let mut back = vec![0; plain.len()];
            from_base32(text, &mut back).unwrap();
            assert_eq!(back, plain.as_bytes());
        }
    }

    /// The check value of CRC-24/OPENPGP in the Catalogue of parametrised CRC algorithms (from memory).
    #[test]
    fn crc_check_value() {
        assert_eq!(crc24("123456789".bytes()), [0x21, 0xCF, 0x02]);
    }
}
