//! The certificate that the supervisor makes for itself: once, since every device that trusts it does so by its fingerprint.

use std::net::IpAddr;
use std::path::{Path, PathBuf};

use base::WallTime;
use rcgen::{CertificateParams, DistinguishedName, DnType, ExtendedKeyUsagePurpose, KeyPair, KeyUsagePurpose, SanType};
use time::{Duration, OffsetDateTime};

use super::TlsError;

/// The certificate's file, beside the supervisor's key.
pub const CERTIFICATE: &str = "page-certificate.pem";
/// Its key's.
pub const KEY: &str = "page-key.pem";

/// Phones refuse longer ones, whoever signed them: 825 days (CA/Browser Forum, Baseline Requirements 6.3.2 as of 2018; from memory).
const LIFE_DAYS: i64 = 820;
/// It holds from the day before: another device's clock may be behind.
const EARLIER_DAYS: i64 = 1;

/// The certificate's and key's places in `dir`, both made if neither is there.
///
/// # Errors
/// What could not be made or written; or that only one of the two is there.
pub fn make_once(
    dir: &Path,
    names: &[String],
    addresses: &[IpAddr],
    now: WallTime,
) -> Result<(PathBuf, PathBuf), TlsError> {
    let (certificate, key) = (dir.join(CERTIFICATE), dir.join(KEY));
    let lone = |file: &Path, other: &str| TlsError {
        file: file.to_owned(),
        what: format!("it is there without {other}"),
        mend: "bring the other back from a copy, or delete this one: both are made anew, and devices compare a new fingerprint",
    };
    match (certificate.exists(), key.exists()) {
        (true, true) => return Ok((certificate, key)),
        (true, false) => return Err(lone(&certificate, KEY)),
        (false, true) => return Err(lone(&key, CERTIFICATE)),
        (false, false) => {}
    }
    let failed = |file: &Path, what: String| TlsError {
        file: file.to_owned(),
        what,
        mend: "see that the folder is there, may be written and has room",
    };
    let (made, secret) =
        made(names, addresses, now).map_err(|e| failed(&certificate, format!("no certificate can be made: {e}")))?;
    ports::local::replace_secret(&key, &secret).map_err(|e| failed(&key, e.to_string()))?;
    ports::local::replace(&certificate, &made).map_err(|e| failed(&certificate, e.to_string()))?;
    Ok((certificate, key))
}

/// A certificate for these names and addresses, signed by its own key, and the key; both PEM. It signs nothing else: no authority (RFC 5280, 4.2.1.9).
fn made(names: &[String], addresses: &[IpAddr], now: WallTime) -> Result<(String, String), Box<dyn std::error::Error>> {
    let now = OffsetDateTime::from_unix_timestamp(now.0.div_euclid(1_000_000_000))?;
    let mut all = vec!["localhost".to_owned()];
    all.extend(names.iter().cloned());
    let mut params = CertificateParams::new(all)?;
    params.subject_alt_names.extend(addresses.iter().map(|a| SanType::IpAddress(*a)));
    params.distinguished_name = DistinguishedName::new();
    params.distinguished_name.push(DnType::CommonName, "Twinkeel page");
    params.not_before = now - Duration::days(EARLIER_DAYS);
    params.not_after = now + Duration::days(LIFE_DAYS);
    params.key_usages = vec![KeyUsagePurpose::DigitalSignature];
    params.extended_key_usages = vec![ExtendedKeyUsagePurpose::ServerAuth];
    let pair = KeyPair::generate()?;
    let certificate = params.self_signed(&pair)?;
    Ok((certificate.pem(), pair.serialize_pem()))
}

/// A day as people write it, UTC.
pub(super) fn date(seconds: i64) -> String {
    match OffsetDateTime::from_unix_timestamp(seconds) {
        Ok(t) => format!("{:04}-{:02}-{:02}", t.year(), u8::from(t.month()), t.day()),
        Err(_) => "a day beyond the calendar".into(),
    }
}
