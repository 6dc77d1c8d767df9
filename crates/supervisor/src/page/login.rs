//! The operator's passphrase: once per device and show.
//!
//! A right passphrase earns a signed cookie. Nothing about it is kept here, so it holds over a restart of the supervisor
//! as long as the show's key does: nobody has to type anything in a crisis. Guessing is slow: one check at a time, a
//! pause after each wrong one, and a wait for the address that it came from which doubles from the sixth on.

use std::collections::BTreeMap;
use std::net::{IpAddr, Ipv6Addr};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use argon2::Argon2;
use argon2::password_hash::{PasswordHasher, PasswordVerifier, phc::PasswordHash};
use axum::http::{HeaderMap, header};
use tokio::time::Instant;

use super::PageError;

const COOKIE: &str = "twinkeel_operator";
/// Longer than any show; the key decides.
const COOKIE_LIFE: Duration = Duration::from_secs(30 * 24 * 3600);
const FREE_GUESSES: u32 = 5;
const LONGEST_WAIT: Duration = Duration::from_secs(60);
const PAUSE_AFTER_WRONG: Duration = Duration::from_millis(300);
const MOST_ADDRESSES: usize = 256;
const MOST_WAITING: usize = 8;

/// An argon2id hash (RFC 9106) of this passphrase, as a PHC string for the configuration.
///
/// # Errors
/// When there is no randomness for the salt, or the passphrase is longer than argon2 takes.
pub fn hash_passphrase(passphrase: &str) -> Result<String, PageError> {
    let hash = Argon2::default().hash_password(passphrase.as_bytes());
    hash.map(|h| h.to_string()).map_err(|e| PageError::CannotHash(e.to_string()))
}

pub(crate) struct Login {
    hash: Arc<str>,
    key: [u8; 32],
    /// The page is sealed: the cookie never travels in the clear.
    sealed: bool,
    /// One check at a time: argon2 is made to cost memory, and the supervisor has other work.
    turn: tokio::sync::Mutex<()>,
    waiting: tokio::sync::Semaphore,
    guesses: Mutex<BTreeMap<IpAddr, Guesses>>,
}

#[derive(Clone, Copy)]
struct Guesses {
    wrong: u32,
    not_before: Instant,
}

/// Why somebody is not let in.
#[derive(Debug, PartialEq, Eq)]
pub(crate) enum LoginRefused {
    Wrong,
    Wait(Duration),
    Failed(String),
}

impl Login {
    pub(crate) fn new(hash: &str, show_key: [u8; 32], sealed: bool) -> Result<Login, PageError> {
        let parsed = PasswordHash::new(hash).map_err(|e| PageError::NotAHash(e.to_string()))?;
        if !parsed.algorithm.as_str().starts_with("argon2") {
            return Err(PageError::NotAHash(format!("it is {}", parsed.algorithm)));
        }
        // Another passphrase makes the old cookies void.
        let key = *blake3::keyed_hash(&show_key, hash.as_bytes()).as_bytes();
        Ok(Login {
            hash: hash.into(),
            key,
            sealed,
            turn: tokio::sync::Mutex::new(()),
            waiting: tokio::sync::Semaphore::new(MOST_WAITING),
            guesses: Mutex::new(BTreeMap::new()),
        })
    }

    /// Checks a passphrase; the answer is the Set-Cookie header.
    pub(crate) async fn enter(&self, passphrase: String, from: IpAddr) -> Result<String, LoginRefused> {
        let from = neighbourhood(from);
        self.may_guess(from)?;
        let _place = self.waiting.try_acquire().map_err(|_| LoginRefused::Wait(Duration::from_secs(2)))?;
        let _turn = self.turn.lock().await;
        // Others from the same address may have guessed wrong while this one waited.
        self.may_guess(from)?;
        let hash = self.hash.clone();
        let check = tokio::task::spawn_blocking(move || {
            PasswordHash::new(&hash).is_ok_and(|h| Argon2::default().verify_password(passphrase.as_bytes(), &h).is_ok())
        });
        if check.await.map_err(|e| LoginRefused::Failed(e.to_string()))? {
            self.guesses.lock().unwrap_or_else(PoisonError::into_inner).remove(&from);
            return self.cookie().map_err(LoginRefused::Failed);
        }
        self.count_wrong(from);
        tokio::time::sleep(PAUSE_AFTER_WRONG).await;
        Err(LoginRefused::Wrong)
    }

    /// Whether these headers carry a cookie of ours.
    pub(crate) fn knows(&self, headers: &HeaderMap) -> bool {
        let cookies = headers.get_all(header::COOKIE).iter().filter_map(|h| h.to_str().ok());
        let mut pairs = cookies.flat_map(|c| c.split(';')).filter_map(|pair| pair.trim().split_once('='));
        pairs.any(|(name, value)| name == COOKIE && self.signed(value))
    }

    fn signed(&self, value: &str) -> bool {
        let Some((device, signature)) = value.split_once('.') else { return false };
        // Comparison of two hashes takes constant time.
        blake3::Hash::from_hex(signature).is_ok_and(|s| s == blake3::keyed_hash(&self.key, device.as_bytes()))
    }

    fn cookie(&self) -> Result<String, String> {
        let mut device = [0u8; 16];
        getrandom::fill(&mut device).map_err(|e| e.to_string())?;
        let device = wire::manifest::hex(&device);
        let signature = blake3::keyed_hash(&self.key, device.as_bytes()).to_hex();
        Ok(set_cookie(&format!("{device}.{signature}"), COOKIE_LIFE, self.sealed))
    }

    fn may_guess(&self, from: IpAddr) -> Result<(), LoginRefused> {
        let guesses = self.guesses.lock().unwrap_or_else(PoisonError::into_inner);
        let now = Instant::now();
        match guesses.get(&from) {
            Some(g) if g.not_before > now => Err(LoginRefused::Wait(g.not_before - now)),
            _ => Ok(()),
        }
    }

    fn count_wrong(&self, from: IpAddr) {
        let mut guesses = self.guesses.lock().unwrap_or_else(PoisonError::into_inner);
        let now = Instant::now();
        if guesses.len() >= MOST_ADDRESSES && !guesses.contains_key(&from) {
            let soonest = guesses.iter().min_by_key(|(_, g)| g.not_before).map(|(a, _)| *a);
            soonest.and_then(|a| guesses.remove(&a));
        }
        let g = guesses.entry(from).or_insert(Guesses { wrong: 0, not_before: now });
        g.wrong = g.wrong.saturating_add(1);
        g.not_before = now + wait_after(g.wrong);
    }
}

/// 0 for the free guesses, then 1, 2, 4 ... seconds.
fn wait_after(wrong: u32) -> Duration {
    match wrong.checked_sub(FREE_GUESSES) {
        None => Duration::ZERO,
        Some(n) => Duration::from_secs(1 << n.min(16)).min(LONGEST_WAIT),
    }
}

/// One IPv6 host owns a whole /64 (RFC 4291, 2.5.1), so that is what counts as one address.
fn neighbourhood(a: IpAddr) -> IpAddr {
    match a {
        IpAddr::V6(v6) => match v6.to_ipv4_mapped() {
            Some(v4) => IpAddr::V4(v4),
            None => {
                let s = v6.segments();
                IpAddr::V6(Ipv6Addr::new(s[0], s[1], s[2], s[3], 0, 0, 0, 0))
            }
        },
        v4 => v4,
    }
}

/// The header that makes a browser forget.
pub(crate) fn forget(sealed: bool) -> String {
    set_cookie("", Duration::ZERO, sealed)
}

/// RFC 6265, 4.1. A browser sends a `Secure` cookie over TLS alone.
fn set_cookie(value: &str, life: Duration, sealed: bool) -> String {
    let (life, secure) = (life.as_secs(), if sealed { "; Secure" } else { "" });
    format!("{COOKIE}={value}; Path=/; HttpOnly; SameSite=Strict; Max-Age={life}{secure}")
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    const HERE: IpAddr = IpAddr::V4(std::net::Ipv4Addr::LOCALHOST);

    fn carrying(set_cookie: &str) -> HeaderMap {
        let mut h = HeaderMap::new();
        h.insert(header::COOKIE, set_cookie.split(';').next().unwrap().parse().unwrap());
        h
    }

    #[tokio::test(start_paused = true)]
    async fn the_right_passphrase_earns_a_cookie_that_outlives_a_restart() {
        let hash = hash_passphrase("keel over").unwrap();
        let login = Login::new(&hash, [7; 32], false).unwrap();
        let cookie = login.enter("keel over".into(), HERE).await.unwrap();
        assert!(cookie.contains("HttpOnly") && cookie.contains("SameSite=Strict"));
        assert!(login.knows(&carrying(&cookie)));
        assert!(Login::new(&hash, [7; 32], false).unwrap().knows(&carrying(&cookie)), "after a restart");
        assert!(!Login::new(&hash, [8; 32], false).unwrap().knows(&carrying(&cookie)), "in the next show");
        let other = hash_passphrase("another").unwrap();
        assert!(!Login::new(&other, [7; 32], false).unwrap().knows(&carrying(&cookie)), "with another passphrase");
        assert!(!login.knows(&carrying(&cookie.replace('.', ".0"))));
        assert!(!login.knows(&HeaderMap::new()));
        assert!(!cookie.contains("Secure") && !forget(false).contains("Secure"));
        let sealed = Login::new(&hash, [7; 32], true).unwrap().enter("keel over".into(), HERE).await.unwrap();
        assert!(sealed.ends_with("; Secure") && forget(true).ends_with("; Secure"));
    }

    #[tokio::test(start_paused = true)]
    async fn guesses_are_limited_per_address() {
        let login = Login::new(&hash_passphrase("right").unwrap(), [0; 32], false).unwrap();
        for _ in 0..FREE_GUESSES {
            assert_eq!(login.enter("wrong".into(), HERE).await, Err(LoginRefused::Wrong));
        }
        assert!(matches!(login.enter("right".into(), HERE).await, Err(LoginRefused::Wait(_))), "even the right one");
        assert!(login.enter("right".into(), IpAddr::from([10, 0, 0, 2])).await.is_ok(), "others are not locked out");
        tokio::time::sleep(Duration::from_secs(1)).await;
        assert!(login.enter("right".into(), HERE).await.is_ok());
    }

    #[test]
    fn waits_double_up_to_a_minute_and_a_hash_is_demanded() {
        let waits: Vec<u64> = (1..=12).map(|n| wait_after(n).as_secs()).collect();
        assert_eq!(waits, [0, 0, 0, 0, 1, 2, 4, 8, 16, 32, 60, 60]);
        assert_eq!(wait_after(u32::MAX), LONGEST_WAIT);
        assert!(matches!(Login::new("keel over", [0; 32], false), Err(PageError::NotAHash(_))));
        assert_eq!(neighbourhood("2001:db8::1".parse().unwrap()), neighbourhood("2001:db8::2:3".parse().unwrap()));
    }
}
