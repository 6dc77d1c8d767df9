//! Where the supervisor's page is, and whom to take for it.

use std::io::Write;
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr};
use std::path::{Path, PathBuf};
use std::time::Duration;

use settings::RigFile;
use supervisor::page::tls;

use super::pinned::Pinned;

/// Where it is when nothing says otherwise.
const USUAL: &str = "127.0.0.1:7777";
const PATIENCE: Duration = Duration::from_secs(4);

/// Where the supervisor is.
#[derive(clap::Args)]
pub struct At {
    /// Address of the supervisor's page, `https://` before it where it is sealed; without it, as the rig's file says, or 127.0.0.1:7777.
    #[arg(long, env = "TWINKEEL_PAGE")]
    page: Option<String>,
    /// The one certificate to trust, of a page that is sealed: its SHA-256 fingerprint, or its PEM file; without it, the rig's own.
    #[arg(long, env = "TWINKEEL_TRUST", value_name = "FINGERPRINT|FILE")]
    trust: Option<String>,
    /// The rig's file, if it is on this computer.
    #[arg(long, env = "TWINKEEL_RIG", default_value = "rig.toml", value_name = "FILE")]
    rig: PathBuf,
}

/// A page that can be asked.
pub(crate) struct Page {
    pub(crate) agent: ureq::Agent,
    /// Scheme, host and port: what a browser would send as Origin.
    pub(crate) origin: String,
    fingerprint: Option<String>,
}

impl At {
    /// The rig's file, if it is on this computer.
    pub(crate) fn rig(&self) -> &Path {
        &self.rig
    }

    /// Works out where the page is and whom to trust.
    pub(crate) fn reach(&self) -> Result<Page, String> {
        // A file that was broken by an edit must not keep a person from a changeover: the page may still be where it usually is.
        let rig = std::fs::read_to_string(&self.rig).ok();
        let rig = rig.and_then(|text| RigFile::parse(&self.rig.display().to_string(), &text).ok());
        let certificate = rig.as_ref().and_then(|r| tls::certificate_of(r, &self.rig));
        let (sealed, host) = match (&self.page, &rig) {
            (Some(page), _) => split(page),
            (None, Some(rig)) => (certificate.is_some(), here(rig.listen.page).to_string()),
            (None, None) => (false, USUAL.into()),
        };
        if !sealed {
            let agent = settings().build().into();
            return Ok(Page { agent, origin: format!("http://{host}"), fingerprint: None });
        }
        let fingerprint = match (&self.trust, certificate) {
            (Some(t), _) => trusted(t)?,
            (None, Some(file)) => tls::fingerprint_of(&file).map_err(|e| e.to_string())?,
            (None, None) => {
                return Err(format!(
                    "https://{host} is sealed: say which certificate is the rig's by --trust or TWINKEEL_TRUST, its fingerprint as the supervisor's terminal and the Rig page show it, or its PEM file"
                ));
            }
        };
        let pinned = Pinned::to(&fingerprint).map_err(|e| e.to_string())?;
        let agent = ureq::Agent::with_parts(
            settings().build(),
            pinned,
            ureq::unversioned::resolver::DefaultResolver::default(),
        );
        Ok(Page { agent, origin: format!("https://{host}"), fingerprint: Some(fingerprint) })
    }

    /// What a person compares, of a page that is sealed.
    pub(crate) fn tell(&self, out: &mut impl Write) -> std::io::Result<()> {
        match self.reach().ok().and_then(|p| p.fingerprint) {
            Some(f) => writeln!(out, "sealed by the certificate with the SHA-256 fingerprint {f}"),
            None => Ok(()),
        }
    }
}

impl Page {
    pub(crate) fn url(&self, what: &str) -> String {
        format!("{}/api/v1/{what}", self.origin)
    }

    /// An answer's text, or what is wrong.
    pub(crate) fn text(&self, answer: Result<ureq::http::Response<ureq::Body>, ureq::Error>) -> Result<String, String> {
        let origin = &self.origin;
        let answer = answer.map_err(|e| format!("no supervisor at {origin}: {e}"))?;
        let status = answer.status();
        let text = answer.into_body().read_to_string().map_err(|e| format!("{origin}: {e}"))?;
        if status.is_success() { Ok(text) } else { Err(format!("{origin}: {status}: {text}")) }
    }
}

fn settings() -> ureq::config::ConfigBuilder<ureq::typestate::AgentScope> {
    // An answer that sends us elsewhere is told, not followed: an act belongs to this page alone.
    ureq::Agent::config_builder().timeout_global(Some(PATIENCE)).http_status_as_error(false).max_redirects(0)
}

/// Whether it is sealed, and host with port.
fn split(page: &str) -> (bool, String) {
    let page = page.trim_end_matches('/');
    match (page.strip_prefix("https://"), page.strip_prefix("http://")) {
        (Some(host), _) => (true, host.into()),
        (None, Some(host)) => (false, host.into()),
        (None, None) => (false, page.into()),
    }
}

/// An address that is bound to all of this computer's is called by loopback.
fn here(page: SocketAddr) -> SocketAddr {
    match page.ip() {
        IpAddr::V4(a) if a.is_unspecified() => (Ipv4Addr::LOCALHOST, page.port()).into(),
        IpAddr::V6(a) if a.is_unspecified() => (Ipv6Addr::LOCALHOST, page.port()).into(),
        _ => page,
    }
}

/// A fingerprint as people copy it (with or without colons, any case), or that of a file.
fn trusted(said: &str) -> Result<String, String> {
    let digits: String = said.chars().filter(|c| !matches!(c, ':' | ' ')).collect();
    if digits.len() == 64 && digits.bytes().all(|b| b.is_ascii_hexdigit()) {
        let pairs: Vec<&str> = (0..32).map(|i| &digits[2 * i..2 * i + 2]).collect();
        return Ok(pairs.join(":").to_ascii_uppercase());
    }
    tls::fingerprint_of(Path::new(said))
        .map_err(|e| format!("{e}\n  (or 64 hexadecimal digits: a certificate's SHA-256 fingerprint)"))
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use std::sync::Arc;

    use supervisor::page::{self, ActOutcome, BoxFuture, Desk, DeskAct, History, HistoryWindow, PageConfig, Who};
    use supervisor::snapshot::Snapshot;

    use super::*;

    /// As little of a supervisor as can be asked.
    struct Small(tokio::sync::watch::Sender<Arc<Snapshot>>);

    impl Desk for Small {
        fn snapshots(&self) -> tokio::sync::watch::Receiver<Arc<Snapshot>> {
            self.0.subscribe()
        }
        fn act(&self, _: DeskAct, who: Who) -> BoxFuture<ActOutcome> {
            Box::pin(async move { ActOutcome::Done { text: format!("by {}", who.name) } })
        }
        fn history(&self, _: HistoryWindow) -> History {
            History::default()
        }
    }

    /// A sealed page over a real socket, its rig's file beside its certificate.
    fn sealed(dir: &Path, name: &str) -> (SocketAddr, PathBuf) {
        let dir = dir.join(name);
        std::fs::create_dir_all(&dir).unwrap();
        let now = ports::os::wall_now();
        let (certificate, key) = tls::make_once(&dir, &[], &[], now).unwrap();
        let tls = tls::Tls::load(&certificate, &key, now).unwrap();
        let (to, from) = std::sync::mpsc::channel();
        std::thread::spawn(move || {
            tokio::runtime::Runtime::new().unwrap().block_on(async move {
                let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
                let bind = listener.local_addr().unwrap();
                let snapshot = Arc::new(Snapshot::starting(ports::os::mono_now()));
                let desk = Arc::new(Small(tokio::sync::watch::Sender::new(snapshot)));
                let config = PageConfig {
                    bind,
                    names: vec![],
                    operator_hash: None,
                    session_key: [0; 32],
                    tls: Some(tls.clone()),
                };
                let router = page::router(desk, &config, Default::default()).unwrap();
                to.send(bind).unwrap();
                page::serve(listener, Some(tls), router, std::future::pending()).await
            })
        });
        let at = from.recv().unwrap();
        let text = include_str!("../../../../config/rig.toml");
        let text = text.replace("page = \"127.0.0.1:7777\"", &format!("page = \"{at}\"\ntls = \"generated\""));
        std::fs::write(dir.join("rig.toml"), text).unwrap();
        (at, dir)
    }

    /// The commands' own way to a sealed page: by the rig's file, by a fingerprint or a file; and no way with another's.
    #[test]
    fn commands_trust_the_rigs_own_certificate_and_no_other() {
        let dir = tempfile::tempdir().unwrap();
        let ((at, own), (_, other)) = (sealed(dir.path(), "own"), sealed(dir.path(), "other"));
        let certificate = own.join(tls::CERTIFICATE);
        let fingerprint = tls::fingerprint_of(&certificate).unwrap();
        let page = Some(format!("https://{at}"));
        let none = dir.path().join("none.toml");
        for (page, trust, rig) in [
            (None, None, own.join("rig.toml")),
            (page.clone(), None, own.join("rig.toml")),
            (page.clone(), Some(fingerprint), none.clone()),
            (page.clone(), Some(certificate.display().to_string()), none.clone()),
        ] {
            let at = At { page, trust, rig };
            let snapshot = super::super::read(&at, "snapshot").unwrap();
            assert!(serde_json::from_str::<Snapshot>(&snapshot).is_ok());
            let done = super::super::ask(&at, "act", &serde_json::json!({"by": "Mara", "do": {"act": "release"}}));
            assert_eq!(done, Ok(ActOutcome::Done { text: "by Mara".into() }));
        }
        for (page, trust, rig, words) in [
            (page.clone(), None, other.join("rig.toml"), "no supervisor at https://"),
            (page.clone(), Some("00".repeat(32)), none.clone(), "no supervisor at https://"),
            (page, None, none.clone(), "--trust"),
            (Some(at.to_string()), None, none.clone(), "call it as https://"),
        ] {
            let at = At { page, trust, rig };
            let e = super::super::ask(&at, "act", &serde_json::json!({"do": {"act": "release"}})).unwrap_err();
            assert!(e.contains(words), "{words}: {e}");
        }
    }

    #[test]
    fn a_page_and_a_fingerprint_are_read_as_people_write_them() {
        assert_eq!(split("https://10.0.0.10:7777/"), (true, "10.0.0.10:7777".into()));
        assert_eq!(split("http://localhost:1"), (false, "localhost:1".into()));
        assert_eq!(split("127.0.0.1:7777"), (false, "127.0.0.1:7777".into()));
        assert_eq!(here("0.0.0.0:7777".parse().unwrap()).to_string(), "127.0.0.1:7777");
        assert_eq!(here("[::]:7777".parse().unwrap()).to_string(), "[::1]:7777");
        let bare = "ab".repeat(32);
        assert_eq!(trusted(&bare).unwrap(), vec!["AB"; 32].join(":"));
        assert_eq!(trusted(&vec!["ab"; 32].join(":")).unwrap(), vec!["AB"; 32].join(":"));
        assert!(trusted("no-such-file.pem").unwrap_err().contains("no-such-file.pem"));
    }
}
