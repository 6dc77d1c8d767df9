#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::os::unix::fs::PermissionsExt;

use super::*;

const DAY_NS: i64 = DAY_SECONDS * 1_000_000_000;
/// 2026-06-01, 00:00 UTC.
const NOW: WallTime = WallTime(1_780_272_000 * 1_000_000_000);

fn made_in(dir: &Path) -> (PathBuf, PathBuf) {
    make_once(dir, &["rig.example".into()], &["10.0.0.10".parse().unwrap()], NOW).unwrap()
}

#[test]
fn a_certificate_is_made_once_and_its_key_is_private() {
    let dir = tempfile::tempdir().unwrap();
    let (certificate, key) = made_in(dir.path());
    let first = Tls::load(&certificate, &key, NOW).unwrap();
    made_in(dir.path());
    let again = Tls::load(&certificate, &key, NOW).unwrap();
    assert_eq!(first.fingerprint(), again.fingerprint());
    assert_eq!(first.fingerprint().len(), 95, "32 pairs with colons: {}", first.fingerprint());
    assert_eq!(std::fs::metadata(&key).unwrap().permissions().mode() & 0o777, 0o600);
    std::fs::remove_file(&key).unwrap();
    let e = make_once(dir.path(), &[], &[], NOW).unwrap_err().to_string();
    assert!(e.contains(CERTIFICATE) && e.contains("without page-key.pem"), "{e}");
}

/// FIPS 180-4's own example, as NIST publishes it: SHA-256 of "abc".
#[test]
fn the_fingerprint_is_sha_256() {
    assert!(fingerprint(b"abc").starts_with("BA:78:16:BF:8F:01:CF:EA:41:41:40:DE:5D:AE:22:23"));
}

#[test]
fn an_expiry_is_said_three_weeks_before_and_does_not_keep_it_from_starting() {
    let dir = tempfile::tempdir().unwrap();
    let (certificate, key) = made_in(dir.path());
    let after = |days: i64| Tls::load(&certificate, &key, WallTime(NOW.0 + days * DAY_NS)).unwrap();
    assert_eq!((after(0).expiring(), after(0).words()), (false, "The page's certificate holds until 2028-08-29."));
    assert!(
        !after(799).expiring() && after(800).expiring() && after(800).words().contains("in 20 days"),
        "{}",
        after(800).words()
    );
    assert!(after(821).expiring() && after(821).words().contains("expired on 2028-08-29"), "{}", after(821).words());
    assert!(after(-2).words().contains("clock right"));
}

/// What is wrong, and which file and words the error must have.
#[test]
fn errors_name_the_file_what_is_wrong_and_the_mend() {
    let dir = tempfile::tempdir().unwrap();
    let other = tempfile::tempdir().unwrap();
    let ((certificate, key), (_, strange)) = (made_in(dir.path()), made_in(other.path()));
    let file = |name: &str, text: &str| {
        let path = dir.path().join(name);
        ports::local::write_secret(&path, text).unwrap();
        path
    };
    let open = file("open.pem", &std::fs::read_to_string(&key).unwrap());
    std::fs::set_permissions(&open, std::fs::Permissions::from_mode(0o644)).unwrap();
    let text = std::fs::read_to_string(&certificate).unwrap();
    let cut = file("cut.pem", &text[..text.len() / 2]);
    let nonsense = file("nonsense.pem", "-----BEGIN CERTIFICATE-----\nAAAA\n-----END CERTIFICATE-----\n");
    let (empty, gone) = (file("empty.pem", ""), dir.path().join("gone.pem"));
    for (certificate, key, at, words) in [
        (&gone, &key, &gone, "No such file"),
        (&empty, &key, &empty, "no certificate in it"),
        (&cut, &key, &cut, "PEM"),
        (&nonsense, &key, &nonsense, "cannot be read"),
        (&certificate, &gone, &gone, "No such file"),
        (&certificate, &empty, &empty, "no private key"),
        (&certificate, &certificate, &certificate, ""),
        (&certificate, &open, &open, "644"),
        (&certificate, &strange, &strange, "not the key of"),
    ] {
        let e = match Tls::load(certificate, key, NOW) {
            Err(e) => e,
            Ok(_) => panic!("{} with {}", certificate.display(), key.display()),
        };
        assert_eq!(&e.file, at, "{e}");
        assert!(e.to_string().contains(words) && e.to_string().contains("mend: "), "{words}: {e}");
    }
}
