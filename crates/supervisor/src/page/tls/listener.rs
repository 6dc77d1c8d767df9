//! Connections that are sealed before the page sees them.
//!
//! Each handshake is a task with a time limit, so that whoever stalls holds up nobody but itself. Who speaks plain HTTP here, having typed
//! `http://`, is sent to the sealed address; an act is refused instead, since it has already travelled in the clear.

use std::collections::BTreeMap;
use std::net::{IpAddr, SocketAddr};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use axum::extract::Request;
use axum::extract::connect_info::{ConnectInfo, Connected};
use axum::serve::{IncomingStream, Listener};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{Semaphore, mpsc};
use tokio_rustls::TlsAcceptor;
use tokio_rustls::server::TlsStream;

use super::Tls;
use crate::page::no_delay;

/// A handshake takes two round trips; a phone at the edge of the network gets so long.
const HANDSHAKE: Duration = Duration::from_secs(5);
/// So many handshakes at once are an accident or an attack: the rest wait in the system's queue.
const MOST_AT_ONCE: usize = 256;
/// So many of one address: more are cut at once, so that one device that stalls leaves room for all others. A browser opens six.
const MOST_OF_ONE: usize = 24;
/// The longest head of a plain request that is looked at, in bytes.
const LONGEST_HEAD: usize = 2048;
/// The first byte of a handshake record (RFC 8446, 5.1).
const HANDSHAKE_RECORD: u8 = 22;
/// After an error of `accept` (no file descriptors left, say) others need the processor.
const PAUSE: Duration = Duration::from_millis(100);

/// Gives out sealed connections.
pub struct SealedListener {
    at: SocketAddr,
    ready: mpsc::Receiver<(TlsStream<TcpStream>, SocketAddr)>,
    accepting: tokio::task::JoinHandle<()>,
}

impl SealedListener {
    /// Begins to accept, on the present tokio runtime.
    ///
    /// # Errors
    /// When the socket does not know its own address.
    pub fn start(listener: TcpListener, tls: &Tls) -> std::io::Result<SealedListener> {
        let at = listener.local_addr()?;
        let (to, ready) = mpsc::channel(MOST_AT_ONCE);
        let acceptor = TlsAcceptor::from(tls.config.clone());
        let accepting = tokio::spawn(async move {
            let places = Arc::new(Semaphore::new(MOST_AT_ONCE));
            let crowd = Crowd::default();
            loop {
                let Ok(place) = places.clone().acquire_owned().await else { return };
                let (tcp, from) = match listener.accept().await {
                    Ok(c) => c,
                    Err(e) => {
                        tracing::debug!("a connection to the page could not be taken: {e}");
                        tokio::time::sleep(PAUSE).await;
                        continue;
                    }
                };
                let Some(one) = crowd.enter(from.ip()) else { continue };
                let (acceptor, to) = (acceptor.clone(), to.clone());
                tokio::spawn(async move {
                    match tokio::time::timeout(HANDSHAKE, sealed(tcp, &acceptor)).await {
                        Ok(Ok(Some(stream))) => _ = to.send((stream, from)).await,
                        Ok(Ok(None)) => {}
                        Ok(Err(e)) => tracing::debug!("{from}: no TLS: {e}"),
                        Err(_) => tracing::debug!("{from}: no TLS within {HANDSHAKE:?}"),
                    }
                    drop((place, one));
                });
            }
        });
        Ok(SealedListener { at, ready, accepting })
    }
}

impl Drop for SealedListener {
    fn drop(&mut self) {
        self.accepting.abort();
    }
}

/// How many handshakes each address is in.
#[derive(Clone, Default)]
struct Crowd(Arc<Mutex<BTreeMap<IpAddr, usize>>>);

/// One of them; it is over when this goes.
struct OfCrowd(Crowd, IpAddr);

impl Crowd {
    fn enter(&self, from: IpAddr) -> Option<OfCrowd> {
        let mut all = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let of_one = all.entry(from).or_default();
        if *of_one >= MOST_OF_ONE {
            return None;
        }
        *of_one += 1;
        Some(OfCrowd(self.clone(), from))
    }
}

impl Drop for OfCrowd {
    fn drop(&mut self) {
        let mut all = self.0.0.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(n) = all.get_mut(&self.1) {
            *n -= 1;
            if *n == 0 {
                all.remove(&self.1);
            }
        }
    }
}

/// A sealed connection, or nothing when it was a plain request, which has had its answer.
async fn sealed(mut tcp: TcpStream, acceptor: &TlsAcceptor) -> std::io::Result<Option<TlsStream<TcpStream>>> {
    no_delay(&tcp);
    let mut first = [0u8; 1];
    match tcp.peek(&mut first).await? {
        0 => Ok(None),
        _ if first[0] == HANDSHAKE_RECORD => acceptor.accept(tcp).await.map(Some),
        _ => {
            let answer = plain_answer(&head(&mut tcp).await?, tcp.local_addr()?);
            tcp.write_all(answer.as_bytes()).await?;
            tcp.shutdown().await?;
            Ok(None)
        }
    }
}

/// A plain request's first lines, as far as they come.
async fn head(tcp: &mut TcpStream) -> std::io::Result<Vec<u8>> {
    let mut head = Vec::new();
    let mut block = [0u8; 512];
    while head.len() < LONGEST_HEAD && !head.windows(4).any(|w| w == b"\r\n\r\n") {
        match tcp.read(&mut block).await? {
            0 => break,
            n => head.extend_from_slice(&block[..n]),
        }
    }
    Ok(head)
}

/// The sealed address for who looks on; a refusal for all else. The address is the connection's own and the path's bytes are plain ones: nothing that was sent
/// can make another header of it.
fn plain_answer(head: &[u8], here: SocketAddr) -> String {
    let head = String::from_utf8_lossy(head);
    let mut words = head.lines().next().unwrap_or_default().split(' ');
    let (method, path) = (words.next().unwrap_or_default(), words.next().unwrap_or_default());
    let is_plain = path.starts_with('/') && !path.starts_with("//") && path.bytes().all(|b| b.is_ascii_graphic());
    let here = SocketAddr::new(here.ip().to_canonical(), here.port());
    let text = format!("This page is sealed: call it as https://{here}/\n");
    let (status, place) = match method {
        "GET" | "HEAD" if is_plain => ("307 Temporary Redirect", format!("Location: https://{here}{path}\r\n")),
        _ => ("400 Bad Request", String::new()),
    };
    let body = if method == "HEAD" { "" } else { &text };
    format!(
        "HTTP/1.1 {status}\r\n{place}Content-Type: text/plain\r\nContent-Length: {}\r\nCache-Control: no-store\r\nConnection: close\r\n\r\n{body}",
        text.len()
    )
}

impl Listener for SealedListener {
    type Io = TlsStream<TcpStream>;
    type Addr = SocketAddr;

    async fn accept(&mut self) -> (Self::Io, Self::Addr) {
        match self.ready.recv().await {
            Some(c) => c,
            // The accepting task lives as long as this does.
            None => std::future::pending().await,
        }
    }

    fn local_addr(&self) -> std::io::Result<SocketAddr> {
        Ok(self.at)
    }
}

/// Who calls by a sealed connection.
#[derive(Clone, Copy)]
pub struct Caller(SocketAddr);

impl Connected<IncomingStream<'_, SealedListener>> for Caller {
    fn connect_info(stream: IncomingStream<'_, SealedListener>) -> Caller {
        Caller(*stream.remote_addr())
    }
}

/// Handlers know one kind of caller, plain or sealed.
pub async fn with_address(ConnectInfo(Caller(from)): ConnectInfo<Caller>, mut request: Request) -> Request {
    request.extensions_mut().insert(ConnectInfo(from));
    request
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_address_takes_its_own_places_and_gives_them_back() {
        let (crowd, one, other) = (Crowd::default(), IpAddr::from([10, 0, 0, 1]), IpAddr::from([10, 0, 0, 2]));
        let mut held: Vec<_> = (0..MOST_OF_ONE).map(|_| crowd.enter(one)).collect();
        assert!(held.iter().all(Option::is_some) && crowd.enter(one).is_none() && crowd.enter(other).is_some());
        held.pop();
        assert!(crowd.enter(one).is_some());
        held.clear();
        assert!(crowd.0.lock().is_ok_and(|all| all.is_empty()), "nothing is left of who has gone");
    }

    #[test]
    fn a_plain_request_is_sent_on_and_can_write_no_header() {
        let here = SocketAddr::from(([10, 0, 0, 10], 7777));
        let to = |head: &str| plain_answer(head.as_bytes(), here);
        assert!(
            to("GET /check?x=1 HTTP/1.1\r\nHost: x\r\n\r\n")
                .contains("307 Temporary Redirect\r\nLocation: https://10.0.0.10:7777/check?x=1\r\n")
        );
        for refused in [
            "POST /api/v1/act HTTP/1.1",
            "GET //evil.example/ HTTP/1.1",
            "GET /\u{e9} HTTP/1.1",
            "GET http://evil.example/ HTTP/1.1",
            "",
            "\r\n",
            "rubbish",
        ] {
            let answer = to(refused);
            assert!(answer.starts_with("HTTP/1.1 400") && !answer.contains("Location"), "{refused}: {answer}");
        }
        assert!(to("HEAD / HTTP/1.1").ends_with("\r\n\r\n"));
    }
}
