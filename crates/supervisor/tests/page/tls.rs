//! The sealed page over real sockets, with rustls as the client: it checks names, dates and signature by the web's own rules (RFC 5280).

use std::net::{IpAddr, SocketAddr};
use std::sync::Arc;
use std::time::Duration;

use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, ServerName};
use rustls::{ClientConfig, RootCertStore};
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio_rustls::TlsConnector;
use tokio_rustls::client::TlsStream;
use twinkeel_supervisor::page::{self, PageConfig, tls::Tls};

use super::desk::FakeDesk;

const LIMIT: Duration = Duration::from_secs(10);

struct Sealed {
    at: SocketAddr,
    desk: Arc<FakeDesk>,
    client: TlsConnector,
    fingerprint: String,
}

impl Sealed {
    async fn start() -> Sealed {
        let dir = tempfile::tempdir().unwrap();
        let now = ports::os::wall_now();
        let (certificate, key) = page::tls::make_once(dir.path(), &[], &[IpAddr::from([127, 0, 0, 1])], now).unwrap();
        let tls = Tls::load(&certificate, &key, now).unwrap();
        let fingerprint = tls.fingerprint().to_owned();
        let client = trusting(&CertificateDer::from_pem_file(&certificate).unwrap());
        let desk = FakeDesk::start("ready").unwrap();
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let at = listener.local_addr().unwrap();
        let hash = page::hash_passphrase("tide goes out").unwrap();
        let config = PageConfig {
            bind: at,
            names: vec![],
            operator_hash: Some(hash),
            session_key: [3; 32],
            tls: Some(tls.clone()),
        };
        let router = page::router(desk.clone(), &config, axum::Router::new()).unwrap();
        tokio::spawn(page::serve(listener, Some(tls), router, std::future::pending()));
        Sealed { at, desk, client, fingerprint }
    }

    async fn connect(&self, name: &'static str) -> std::io::Result<TlsStream<TcpStream>> {
        let tcp = TcpStream::connect(self.at).await?;
        self.client.connect(ServerName::try_from(name).unwrap(), tcp).await
    }

    async fn ask(&self, request: &str) -> String {
        let mut stream = self.connect("127.0.0.1").await.unwrap();
        send(&mut stream, request).await
    }

    async fn post(&self, path: &str, headers: &str, body: &str) -> String {
        let (host, length) = (self.at, body.len());
        self.ask(&format!(
            "POST {path} HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\nContent-Type: application/json\r\nContent-Length: {length}\r\n{headers}\r\n{body}"
        ))
        .await
    }

    fn get(&self, path: &str) -> String {
        format!("GET {path} HTTP/1.1\r\nHost: {}\r\nConnection: close\r\n\r\n", self.at)
    }
}

fn trusting(certificate: &CertificateDer<'static>) -> TlsConnector {
    let mut roots = RootCertStore::empty();
    roots.add(certificate.clone()).unwrap();
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let config = ClientConfig::builder_with_provider(provider).with_safe_default_protocol_versions().unwrap();
    TlsConnector::from(Arc::new(config.with_root_certificates(roots).with_no_client_auth()))
}

async fn send(stream: &mut (impl AsyncRead + AsyncWrite + Unpin), request: &str) -> String {
    stream.write_all(request.as_bytes()).await.unwrap();
    let mut all = Vec::new();
    tokio::time::timeout(LIMIT, stream.read_to_end(&mut all)).await.unwrap().unwrap();
    String::from_utf8(all).unwrap()
}

#[tokio::test]
async fn a_browser_that_trusts_it_looks_on_and_acts_and_its_cookie_stays_sealed() {
    let page = Sealed::start().await;
    assert!(page.connect("localhost").await.is_ok(), "by its name, too");
    assert!(page.connect("rig.example").await.is_err(), "but by no other");
    let address = page.ask(&page.get("/api/v1/address")).await;
    assert!(address.contains(&page.fingerprint) && address.contains(&format!("https://{}/", page.at)), "{address}");
    let origin = format!("Origin: https://{}\r\n", page.at);
    let entered = page.post("/api/v1/session", &origin, r#"{"passphrase":"tide goes out"}"#).await;
    let cookie = entered.lines().find_map(|l| l.strip_prefix("set-cookie: ")).unwrap();
    assert!(cookie.contains("; Secure") && cookie.contains("HttpOnly"), "{cookie}");
    let act = r#"{"by":"Mara","do":{"act":"set-mode","mode":"propose"}}"#;
    let own = format!("Cookie: {}\r\n", cookie.split(';').next().unwrap());
    let plain = format!("{own}Origin: http://{}\r\n", page.at);
    assert!(
        page.post("/api/v1/act", &plain, act).await.starts_with("HTTP/1.1 403"),
        "from a page that came in the clear"
    );
    assert!(page.post("/api/v1/act", &origin, act).await.starts_with("HTTP/1.1 401"), "without the cookie");
    assert!(page.post("/api/v1/act", &format!("{own}{origin}"), act).await.starts_with("HTTP/1.1 200"));
    assert_eq!(page.desk.acts(), ["SetMode { mode: Propose } by Mara"]);
}

#[tokio::test]
async fn the_stream_of_events_flows_sealed() {
    let page = Sealed::start().await;
    let mut stream = page.connect("127.0.0.1").await.unwrap();
    stream.write_all(page.get("/api/v1/events").as_bytes()).await.unwrap();
    let (mut all, mut block) = (String::new(), [0; 4096]);
    while all.matches("event: snapshot").count() < 3 {
        let n = tokio::time::timeout(LIMIT, stream.read(&mut block)).await.unwrap().unwrap();
        assert_ne!(n, 0, "{all}");
        all += &String::from_utf8_lossy(&block[..n]);
    }
}

#[tokio::test]
async fn who_trusts_another_certificate_is_not_deceived() {
    let (page, other) = (Sealed::start().await, Sealed::start().await);
    let tcp = TcpStream::connect(page.at).await.unwrap();
    let e = other.client.connect(ServerName::try_from("127.0.0.1").unwrap(), tcp).await.unwrap_err();
    assert!(e.to_string().contains("certificate"), "{e}");
}

#[tokio::test]
async fn plain_http_is_sent_on_or_refused_and_stalls_hold_up_nobody() {
    let page = Sealed::start().await;
    // Some say nothing, some begin a handshake and stop, some say rubbish: each stays open.
    let mut held = Vec::new();
    for said in [&b""[..], &[22, 3, 1], &[22, 3, 1, 2, 0, 1], b"GET / HT"] {
        for _ in 0..4 {
            let mut tcp = TcpStream::connect(page.at).await.unwrap();
            tcp.write_all(said).await.unwrap();
            held.push(tcp);
        }
    }
    let answer = tokio::time::timeout(Duration::from_secs(3), page.ask(&page.get("/api/v1/session"))).await;
    assert!(answer.expect("others are served meanwhile").starts_with("HTTP/1.1 200"));
    let mut plain = TcpStream::connect(page.at).await.unwrap();
    let sent_on = send(&mut plain, &page.get("/rig")).await;
    assert!(
        sent_on.starts_with("HTTP/1.1 307") && sent_on.contains(&format!("Location: https://{}/rig\r\n", page.at)),
        "{sent_on}"
    );
    let mut plain = TcpStream::connect(page.at).await.unwrap();
    let act = "POST /api/v1/act HTTP/1.1\r\nHost: localhost\r\nContent-Length: 0\r\n\r\n";
    assert!(send(&mut plain, act).await.starts_with("HTTP/1.1 400"));
    // All of them are cut within the limit.
    for mut tcp in held {
        let mut rest = Vec::new();
        let ended = tokio::time::timeout(LIMIT, tcp.read_to_end(&mut rest)).await;
        assert!(ended.is_ok(), "still open after {LIMIT:?}");
    }
}
