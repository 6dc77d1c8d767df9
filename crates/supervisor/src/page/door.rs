//! Who may come in: the Host and Origin of every request, and the headers of every answer.
//!
//! A page on loopback is reachable by any web site that the same browser has open: by a form or script that posts to it
//! (cross-site request forgery), or by a name that suddenly resolves to 127.0.0.1 (DNS rebinding). So the Host must be
//! one of ours, and whatever changes something must carry an Origin that equals it (RFC 6454; Fetch standard, "Origin").

use std::net::IpAddr;
use std::sync::Arc;

use axum::extract::{Request, State};
use axum::http::{HeaderMap, HeaderValue, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};

use super::Page;
use super::api::problem;

/// Which hosts are ours.
pub(crate) struct Door {
    loopback: bool,
    names: Vec<String>,
    sealed: bool,
}

impl Door {
    pub(crate) fn new(loopback: bool, names: &[String], sealed: bool) -> Door {
        Door { loopback, sealed, names: names.iter().map(|n| n.to_ascii_lowercase()).collect() }
    }

    /// Whether a Host header (with or without port) is one by which this page may be called. Ports are free: a tunnel
    /// may change them, and a port proves nothing.
    fn knows_host(&self, host: &str) -> bool {
        let Some(name) = host_name(host) else { return false };
        let name = name.to_ascii_lowercase();
        let address = name.trim_matches(['[', ']']).parse::<IpAddr>();
        if self.loopback {
            // RFC 6761, 6.3: localhost and all names below it are loopback.
            return name == "localhost" || name.ends_with(".localhost") || address.is_ok_and(|a| a.is_loopback());
        }
        // An address cannot be rebound: its page would have that address as origin.
        address.is_ok() || name == "localhost" || self.names.contains(&name)
    }

    fn check(&self, method: &Method, headers: &HeaderMap) -> Result<(), (StatusCode, &'static str)> {
        let host = headers.get(header::HOST).and_then(|h| h.to_str().ok()).unwrap_or_default();
        if !self.knows_host(host) {
            return Err((StatusCode::MISDIRECTED_REQUEST, "this name is not one of this page's"));
        }
        if matches!(*method, Method::GET | Method::HEAD) {
            return Ok(());
        }
        let origin = headers.get(header::ORIGIN).and_then(|h| h.to_str().ok()).unwrap_or_default();
        // A plain page may stand behind somebody's own TLS. A sealed one is never called from a page that came in the clear: anybody on
        // the network could have written that.
        let plain = if self.sealed { None } else { origin.strip_prefix("http://") };
        let from = plain.or_else(|| origin.strip_prefix("https://"));
        if from.is_some_and(|o| o.eq_ignore_ascii_case(host)) {
            Ok(())
        } else {
            Err((StatusCode::FORBIDDEN, "acts must carry an Origin header that equals this page's address"))
        }
    }
}

/// The host without its port; `None` when it is malformed.
fn host_name(host: &str) -> Option<&str> {
    let (name, port) = match host.rfind(']') {
        Some(end) if host.starts_with('[') => (&host[..=end], &host[end + 1..]),
        Some(_) => return None,
        None => host.find(':').map_or((host, ""), |colon| host.split_at(colon)),
    };
    let port_is_fine = port.is_empty() || port.strip_prefix(':').is_some_and(|p| p.parse::<u16>().is_ok());
    (port_is_fine && !name.is_empty()).then_some(name)
}

/// Nothing but our own files: no inline script or style, no frames, no other host.
const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; \
     manifest-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'; require-trusted-types-for 'script'";

const HEADERS: [(header::HeaderName, &str); 6] = [
    (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
    (header::X_FRAME_OPTIONS, "DENY"),
    (header::REFERRER_POLICY, "no-referrer"),
    (header::HeaderName::from_static("cross-origin-opener-policy"), "same-origin"),
    (header::HeaderName::from_static("cross-origin-resource-policy"), "same-origin"),
    (header::HeaderName::from_static("permissions-policy"), "camera=(), microphone=(), geolocation=(), usb=()"),
];

/// Lets a request in or not, and puts the headers on whatever goes out.
pub(crate) async fn guard(State(page): State<Arc<Page>>, request: Request, next: Next) -> Response {
    let mut response = match page.door.check(request.method(), request.headers()) {
        Ok(()) => next.run(request).await,
        Err((status, why)) => problem(status, why).into_response(),
    };
    let headers = response.headers_mut();
    for (name, value) in HEADERS {
        headers.insert(name, HeaderValue::from_static(value));
    }
    headers.entry(header::CONTENT_SECURITY_POLICY).or_insert(HeaderValue::from_static(POLICY));
    headers.entry(header::CACHE_CONTROL).or_insert(HeaderValue::from_static("no-store"));
    response
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn headers(host: &str, origin: Option<&str>) -> HeaderMap {
        let mut h = HeaderMap::new();
        h.insert(header::HOST, host.parse().unwrap());
        if let Some(o) = origin {
            h.insert(header::ORIGIN, o.parse().unwrap());
        }
        h
    }

    #[test]
    fn on_loopback_only_loopback_names_are_ours() {
        let door = Door::new(true, &["playback.example".into()], false);
        for ours in ["localhost", "LOCALHOST:8080", "127.0.0.1:1", "[::1]:8080", "127.9.9.9", "rig.localhost:80"] {
            assert!(door.knows_host(ours), "{ours}");
        }
        for not in [
            "",
            "example.org",
            "localhost.example.org",
            "127.0.0.1.example.org",
            "192.168.1.4:80",
            "[::1",
            "::1",
            "localhost:http",
            "localhost:99999",
            "playback.example",
            "notlocalhost",
        ] {
            assert!(!door.knows_host(not), "{not}");
        }
    }

    #[test]
    fn beyond_loopback_addresses_and_listed_names_are_ours() {
        let door = Door::new(false, &["Playback.example".into()], false);
        for ours in ["192.168.1.4:8080", "[fe80::1]:80", "playback.example:80", "localhost"] {
            assert!(door.knows_host(ours), "{ours}");
        }
        assert!(!door.knows_host("example.org"));
    }

    #[test]
    fn what_changes_something_needs_our_origin() {
        let door = Door::new(true, &[], false);
        let post = |h: &str, o: Option<&str>| door.check(&Method::POST, &headers(h, o)).is_ok();
        assert!(post("localhost:80", Some("http://localhost:80")));
        assert!(!post("localhost:80", None));
        assert!(!post("localhost:80", Some("null")));
        assert!(!post("localhost:80", Some("http://localhost:81")));
        assert!(!post("localhost:80", Some("http://127.0.0.1:80")));
        assert!(!post("localhost:80", Some("http://example.org")));
        assert!(door.check(&Method::GET, &headers("localhost:80", None)).is_ok());
        assert!(door.check(&Method::GET, &headers("example.org", None)).is_err());
        let sealed = Door::new(true, &[], true);
        let post = |o| sealed.check(&Method::POST, &headers("localhost:80", Some(o))).is_ok();
        assert!(post("https://localhost:80") && !post("http://localhost:80"));
    }
}
