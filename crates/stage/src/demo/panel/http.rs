//! The panel's own web server: loopback only, four files and one order, one request a connection. Nothing but the demo needs it,
//! so it stays as small as it can be and still refuse what it should.

use std::io::{self, BufRead, BufReader, Read, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::sync::mpsc::Sender;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use super::{Board, Order};

/// The longest request that is read.
const LONGEST: u64 = 16 * 1024;

const FILES: [(&str, &str, &str); 3] = [
    ("/", "text/html; charset=utf-8", include_str!("panel.html")),
    ("/panel.css", "text/css; charset=utf-8", include_str!("panel.css")),
    ("/panel.js", "text/javascript; charset=utf-8", include_str!("panel.js")),
];

/// Serves until the process ends.
///
/// # Errors
/// When the thread cannot be started.
pub fn serve(listener: TcpListener, board: Arc<Mutex<Board>>, orders: Sender<Order>) -> io::Result<()> {
    let here = listener.local_addr()?;
    std::thread::Builder::new().name("panel".into()).spawn(move || {
        for stream in listener.incoming().flatten() {
            let (board, orders) = (board.clone(), orders.clone());
            // A slow or silent browser must not hold up the others.
            let _ = std::thread::Builder::new().name("panel-request".into()).spawn(move || {
                let _ = answer(stream, here, &board, &orders);
            });
        }
    })?;
    Ok(())
}

fn answer(mut stream: TcpStream, here: SocketAddr, board: &Mutex<Board>, orders: &Sender<Order>) -> io::Result<()> {
    stream.set_read_timeout(Some(Duration::from_secs(5)))?;
    stream.set_write_timeout(Some(Duration::from_secs(5)))?;
    let request = Request::read(&mut BufReader::new((&stream).take(LONGEST)))?;
    let reply = reply(&request, here, board, orders);
    let head = format!(
        "HTTP/1.1 {}\r\nContent-Type: {}\r\nContent-Length: {}\r\nConnection: close\r\nCache-Control: no-store\r\n\
         X-Content-Type-Options: nosniff\r\nReferrer-Policy: no-referrer\r\n\
         Content-Security-Policy: default-src 'self'; frame-ancestors 'none'; base-uri 'none'; form-action 'none'\r\n\r\n",
        reply.status,
        reply.kind,
        reply.body.len()
    );
    stream.write_all(head.as_bytes())?;
    stream.write_all(reply.body.as_bytes())
}

struct Reply {
    status: &'static str,
    kind: &'static str,
    body: String,
}

const JSON: &str = "application/json";
const TEXT: &str = "text/plain; charset=utf-8";

fn plain(status: &'static str, body: &str) -> Reply {
    Reply { status, kind: TEXT, body: body.into() }
}

fn reply(request: &Request, here: SocketAddr, board: &Mutex<Board>, orders: &Sender<Order>) -> Reply {
    // A name that somebody's own server points at this computer is no name of ours.
    let ours = |h: &str| h == here.to_string() || h == format!("localhost:{}", here.port());
    if !request.host.as_deref().is_some_and(ours) {
        return plain("421 Misdirected Request", "This panel is at its own address only.");
    }
    match (request.method.as_str(), request.path.as_str()) {
        ("GET", "/state") => {
            let board = board.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
            match serde_json::to_string(&*board) {
                Ok(body) => Reply { status: "200 OK", kind: JSON, body },
                Err(e) => plain("500 Internal Server Error", &e.to_string()),
            }
        }
        ("GET", path) => match FILES.iter().find(|f| f.0 == path) {
            Some((_, kind, body)) => Reply { status: "200 OK", kind, body: (*body).into() },
            None => plain("404 Not Found", "There is no such thing here."),
        },
        ("POST", "/order") => {
            // Another site's page could send this, but not with our own address as its origin.
            if !request.origin.as_deref().and_then(|o| o.strip_prefix("http://")).is_some_and(ours) {
                return plain("403 Forbidden", "Orders come from the panel's own page only.");
            }
            match serde_json::from_slice::<Order>(&request.body) {
                Ok(order) if orders.send(order).is_ok() => {
                    Reply { status: "202 Accepted", kind: JSON, body: "{}".into() }
                }
                Ok(_) => plain("503 Service Unavailable", "The demo is ending."),
                Err(e) => plain("400 Bad Request", &e.to_string()),
            }
        }
        _ => plain("405 Method Not Allowed", "GET or POST."),
    }
}

#[derive(Default)]
struct Request {
    method: String,
    path: String,
    host: Option<String>,
    origin: Option<String>,
    body: Vec<u8>,
}

impl Request {
    fn read(from: &mut impl BufRead) -> io::Result<Request> {
        let wrong = || io::Error::new(io::ErrorKind::InvalidData, "no HTTP request");
        let mut line = String::new();
        from.read_line(&mut line)?;
        let mut words = line.split_ascii_whitespace();
        let mut request = Request {
            method: words.next().ok_or_else(wrong)?.to_owned(),
            path: words.next().ok_or_else(wrong)?.to_owned(),
            ..Request::default()
        };
        let mut length = 0u64;
        loop {
            let mut line = String::new();
            if from.read_line(&mut line)? == 0 {
                return Err(wrong());
            }
            let line = line.trim_end();
            if line.is_empty() {
                break;
            }
            let Some((name, value)) = line.split_once(':') else { return Err(wrong()) };
            match name.to_ascii_lowercase().as_str() {
                "host" => request.host = Some(value.trim().to_owned()),
                "origin" => request.origin = Some(value.trim().to_owned()),
                "content-length" => length = value.trim().parse().map_err(|_| wrong())?,
                _ => {}
            }
        }
        from.take(length.min(LONGEST)).read_to_end(&mut request.body)?;
        Ok(request)
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::scenario::{Fault, Who};

    fn ask(to: SocketAddr, text: &str) -> String {
        let mut s = TcpStream::connect(to).unwrap();
        s.write_all(text.as_bytes()).unwrap();
        let mut answer = String::new();
        s.read_to_string(&mut answer).unwrap();
        answer
    }

    #[test]
    fn it_gives_its_files_and_takes_orders_from_its_own_page_alone() {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let here = listener.local_addr().unwrap();
        let (tell, orders) = std::sync::mpsc::channel();
        serve(listener, Arc::new(Mutex::new(Board::default())), tell).unwrap();
        let host = format!("Host: {here}\r\n");
        let page = ask(here, &format!("GET / HTTP/1.1\r\n{host}\r\n"));
        assert!(page.starts_with("HTTP/1.1 200 OK") && page.contains("Demo panel"));
        assert!(ask(here, &format!("GET /panel.js HTTP/1.1\r\n{host}\r\n")).contains("text/javascript"));
        assert!(ask(here, &format!("GET /../secret HTTP/1.1\r\n{host}\r\n")).starts_with("HTTP/1.1 404"));
        assert!(ask(here, "GET /state HTTP/1.1\r\nHost: evil.example\r\n\r\n").starts_with("HTTP/1.1 421"));
        assert!(ask(here, &format!("GET /state HTTP/1.1\r\n{host}\r\n")).contains("\"broken\":[]"));

        let body = r#"{"do":"break","fault":{"audio":"silent"},"machine":"a"}"#;
        let post = |origin: &str, body: &str| {
            ask(here, &format!("POST /order HTTP/1.1\r\n{host}{origin}Content-Length: {}\r\n\r\n{body}", body.len()))
        };
        assert!(post("", body).starts_with("HTTP/1.1 403"));
        assert!(post("Origin: http://evil.example\r\n", body).starts_with("HTTP/1.1 403"));
        assert!(post(&format!("Origin: http://{here}\r\n"), "{}").starts_with("HTTP/1.1 400"));
        assert!(orders.try_recv().is_err());
        assert!(post(&format!("Origin: http://{here}\r\n"), body).starts_with("HTTP/1.1 202"));
        let order = orders.recv_timeout(Duration::from_secs(5)).unwrap();
        let silent = Fault::Audio(crate::engine::AudioFault::Silent);
        assert_eq!(order, Order::Break { fault: silent, machine: Some(Who::A) });
    }

    #[test]
    fn nonsense_is_no_request() {
        for text in [
            "",
            "\r\n",
            "GET\r\n\r\n",
            "GET / HTTP/1.1\r\nno colon\r\n\r\n",
            "GET / HTTP/1.1\r\nHost: x\r\n",
            "POST / HTTP/1.1\r\nContent-Length: -1\r\n\r\n",
        ] {
            assert!(Request::read(&mut text.as_bytes()).is_err(), "{text:?}");
        }
    }
}
