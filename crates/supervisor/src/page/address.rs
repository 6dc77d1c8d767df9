//! Where another device finds the page: addresses, each with a code for a phone's camera (ISO/IEC 18004). A code holds the address and
//! nothing else: no secret is in it, and none is needed to look on.

use std::net::{IpAddr, SocketAddr};
use std::sync::Arc;

use axum::Json;
use axum::extract::{Path, State};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use qrcode::render::svg;
use qrcode::{EcLevel, QrCode};
use serde::Serialize;

use super::Page;
use super::api::problem;

/// At least so many pixels a side; the page scales it.
const SIDE: u32 = 320;

#[derive(Serialize)]
struct Addresses {
    /// Other devices can reach it.
    open: bool,
    /// How that is, in words.
    text: String,
    urls: Vec<String>,
    /// The certificate's SHA-256 fingerprint, where the page is sealed.
    fingerprint: Option<String>,
    /// What there is to say of the certificate, or of there being none; empty: nothing.
    tls: String,
}

/// `GET /address`.
pub(crate) async fn addresses(State(page): State<Arc<Page>>) -> Response {
    let open = !page.bind.ip().is_loopback();
    let text = if open {
        "A device on one of these networks looks on; the operator's passphrase, once for a show, lets it act."
    } else {
        "Only this computer can open the page. For a phone: `twinkeel passphrase`, its line under [listen] of rig.toml, and there a page address that the phone can reach."
    };
    let tls = match &page.tls {
        Some(tls) => tls.words().to_owned(),
        None if open => "This page is not sealed: whoever listens on its network can read the passphrase. Where strangers can join it, write tls = \"generated\" under [listen] of rig.toml.".into(),
        None => String::new(),
    };
    let fingerprint = page.tls.as_ref().map(|t| t.fingerprint().to_owned());
    let urls = urls(page.bind, &ports::os::links(), page.tls.is_some());
    Json(Addresses { open, text: text.into(), urls, fingerprint, tls }).into_response()
}

/// `GET /address/{place}/qr.svg`.
pub(crate) async fn code(State(page): State<Arc<Page>>, Path(place): Path<String>) -> Response {
    let urls = urls(page.bind, &ports::os::links(), page.tls.is_some());
    let Some(url) = place.parse().ok().and_then(|place: usize| urls.get(place)) else {
        return problem(StatusCode::NOT_FOUND, "there is no such address").into_response();
    };
    match QrCode::with_error_correction_level(url, EcLevel::M) {
        Ok(code) => {
            let picture = code.render::<svg::Color<'_>>().min_dimensions(SIDE, SIDE).quiet_zone(true).build();
            ([(header::CONTENT_TYPE, "image/svg+xml")], picture).into_response()
        }
        Err(e) => problem(StatusCode::INTERNAL_SERVER_ERROR, e.to_string()).into_response(),
    }
}

/// The addresses by which the page can be called, those that others can reach first.
fn urls(bind: SocketAddr, links: &[ports::os::Link], sealed: bool) -> Vec<String> {
    let scheme = if sealed { "https" } else { "http" };
    let url = |ip: IpAddr| format!("{scheme}://{}/", SocketAddr::new(ip, bind.port()));
    if !bind.ip().is_unspecified() {
        return vec![url(bind.ip())];
    }
    let reached = links.iter().filter(|l| l.carries && !l.loopback).filter_map(|l| l.address);
    // An IPv6 socket takes IPv4 as well; link-local addresses need a zone, which no browser takes.
    let fits = |a: &IpAddr| match a {
        IpAddr::V4(_) => true,
        IpAddr::V6(v6) => bind.is_ipv6() && !v6.is_unicast_link_local(),
    };
    let mut all: Vec<IpAddr> = reached.filter(fits).collect();
    all.sort();
    all.dedup();
    all.into_iter().map(url).collect()
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn an_open_page_is_found_at_every_address_that_carries() {
        let link = |address: &str, carries, loopback| ports::os::Link {
            name: "x".into(),
            address: Some(address.parse().unwrap()),
            carries,
            loopback,
        };
        let links = [
            link("127.0.0.1", true, true),
            link("192.168.7.2", true, false),
            link("10.0.0.10", true, false),
            link("10.9.9.9", false, false),
            link("fe80::1", true, false),
            link("fd00::7", true, false),
        ];
        let of = |bind: &str| urls(bind.parse().unwrap(), &links, false);
        assert_eq!(of("0.0.0.0:7777"), ["http://10.0.0.10:7777/", "http://192.168.7.2:7777/"]);
        assert_eq!(of("[::]:7777"), ["http://10.0.0.10:7777/", "http://192.168.7.2:7777/", "http://[fd00::7]:7777/"]);
        assert_eq!(of("10.0.0.10:80"), ["http://10.0.0.10:80/"]);
        assert_eq!(of("127.0.0.1:7777"), ["http://127.0.0.1:7777/"]);
        assert_eq!(urls("10.0.0.10:80".parse().unwrap(), &links, true), ["https://10.0.0.10:80/"]);
    }
}
