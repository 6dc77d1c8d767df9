//! Static keys (X25519, RFC 7748) and their text forms.
//!
//! A key's text is its kind, a hyphen, and 56 letters of base 32: 32 bytes of key and a 24-bit checksum over kind and key,
//! so that a slip of the pen is noticed and a secret is never mistaken for a public key.

use core::fmt;
use core::str::FromStr;

use snow::Builder;
use snow::params::DHChoice;
use snow::resolvers::{CryptoResolver, DefaultResolver};

use crate::text;

/// A key anybody may know: it tells who somebody is.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct PublicKey([u8; 32]);

/// A key that never leaves its machine. It has no `Display`, and its `Debug` shows nothing.
#[derive(Clone)]
pub struct SecretKey([u8; 32]);

/// A secret key and its public one.
#[derive(Clone, Debug)]
pub struct KeyPair {
    /// Never leaves the machine.
    pub secret: SecretKey,
    /// Tells others who this machine is.
    pub public: PublicKey,
}

/// Why a text is no key.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
pub enum KeyError {
    /// It does not begin with the kind that was asked for.
    #[error("a key of this kind begins with `{0}`")]
    Kind(&'static str),
    /// Wrong letters or wrong length.
    #[error("after its kind a key has 56 letters a-z and digits 2-7")]
    Letters,
    /// The checksum does not fit: a slip somewhere.
    #[error("the key has a slip in it: its checksum does not fit")]
    Checksum,
    /// The system gave no randomness.
    #[error("the system gave no randomness for a new key")]
    NoRandomness,
}

const PUBLIC: &str = "key-";
const SECRET: &str = "secret-";

impl KeyPair {
    /// Makes a new pair from the system's randomness.
    pub fn generate() -> Result<KeyPair, KeyError> {
        let params = crate::handshake::PATTERN.parse().map_err(|_| KeyError::NoRandomness)?;
        let pair = Builder::new(params).generate_keypair().map_err(|_| KeyError::NoRandomness)?;
        let secret: [u8; 32] = pair.private.try_into().map_err(|_| KeyError::NoRandomness)?;
        let public = PublicKey::of_slice(&pair.public).ok_or(KeyError::NoRandomness)?;
        Ok(KeyPair { secret: SecretKey(secret), public })
    }
}

impl PublicKey {
    /// From its 32 bytes.
    pub const fn new(bytes: [u8; 32]) -> PublicKey {
        PublicKey(bytes)
    }
    /// Its 32 bytes.
    pub const fn bytes(&self) -> &[u8; 32] {
        &self.0
    }
    pub(crate) fn of_slice(bytes: &[u8]) -> Option<PublicKey> {
        bytes.try_into().ok().map(PublicKey)
    }
}

impl SecretKey {
    /// From its 32 bytes.
    pub const fn new(bytes: [u8; 32]) -> SecretKey {
        SecretKey(bytes)
    }
    pub(crate) const fn bytes(&self) -> &[u8; 32] {
        &self.0
    }
    /// The public key that belongs to it.
    pub fn public(&self) -> Option<PublicKey> {
        let mut dh = DefaultResolver.resolve_dh(&DHChoice::Curve25519)?;
        dh.set(&self.0);
        PublicKey::of_slice(dh.pubkey())
    }
    /// The secret in letters, for a file that only its owner may read. Never for a log.
    pub fn to_secret_text(&self) -> String {
        write(SECRET, &self.0)
    }
}

impl fmt::Display for PublicKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&write(PUBLIC, &self.0))
    }
}
impl fmt::Debug for PublicKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}
impl fmt::Debug for SecretKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("SecretKey(not shown)")
    }
}
impl FromStr for PublicKey {
    type Err = KeyError;
    fn from_str(s: &str) -> Result<PublicKey, KeyError> {
        read(PUBLIC, s).map(PublicKey)
    }
}
impl FromStr for SecretKey {
    type Err = KeyError;
    fn from_str(s: &str) -> Result<SecretKey, KeyError> {
        read(SECRET, s).map(SecretKey)
    }
}

fn checksum(kind: &str, key: &[u8; 32]) -> [u8; 3] {
    text::crc24(kind.bytes().chain(key.iter().copied()))
}

fn write(kind: &str, key: &[u8; 32]) -> String {
    let mut all = [0; 35];
    all[..32].copy_from_slice(key);
    all[32..].copy_from_slice(&checksum(kind, key));
    format!("{kind}{}", text::base32(&all))
}

fn read(kind: &'static str, s: &str) -> Result<[u8; 32], KeyError> {
    let letters = s.trim().strip_prefix(kind).ok_or(KeyError::Kind(kind))?;
    let mut all = [0; 35];
    text::from_base32(letters, &mut all).ok_or(KeyError::Letters)?;
    let key: [u8; 32] = *all.first_chunk().ok_or(KeyError::Letters)?;
    if all[32..] == checksum(kind, &key) { Ok(key) } else { Err(KeyError::Checksum) }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn hex(s: &str) -> [u8; 32] {
        core::array::from_fn(|i| u8::from_str_radix(&s[2 * i..2 * i + 2], 16).unwrap())
    }

    /// RFC 7748 section 6.1: Alice's private and public key.
    #[test]
    fn the_public_key_follows_from_the_secret() {
        let alice = SecretKey::new(hex("77076d0a7318a57d3c16c17251b26645df4c2f87ebc0992ab177fba51db92c2a"));
        let public = PublicKey::new(hex("8520f0098930a754748b7ddcb43ef75a0dbf3a0d26381af4eba4a98eaa9b4e6a"));
        assert_eq!(alice.public(), Some(public));
    }

    #[test]
    fn texts_round_trip_and_slips_are_noticed() {
        let pair = KeyPair::generate().unwrap();
        let text = pair.public.to_string();
        assert_eq!(text.len(), PUBLIC.len() + 56);
        assert_eq!(text.parse::<PublicKey>(), Ok(pair.public));
        let secret: SecretKey = pair.secret.to_secret_text().parse().unwrap();
        assert_eq!(secret.bytes(), pair.secret.bytes());
        assert_eq!(secret.public(), Some(pair.public));
        for i in PUBLIC.len()..text.len() {
            let mut slip = text.clone().into_bytes();
            slip[i] = if slip[i] == b'a' { b'b' } else { b'a' };
            let slip = String::from_utf8(slip).unwrap();
            assert_eq!(slip.parse::<PublicKey>(), Err(KeyError::Checksum), "{slip}");
        }
        assert_eq!(pair.secret.to_secret_text().parse::<PublicKey>(), Err(KeyError::Kind(PUBLIC)));
        assert_eq!("key-abc".parse::<PublicKey>(), Err(KeyError::Letters));
    }

    #[test]
    fn a_secret_is_never_shown() {
        let pair = KeyPair::generate().unwrap();
        let shown = format!("{pair:?}");
        let letters = pair.secret.to_secret_text();
        assert!(!shown.contains(&letters[SECRET.len()..]));
        assert!(shown.contains("not shown"));
    }
}
