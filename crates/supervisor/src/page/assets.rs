//! The files of the page, embedded. Each has its content's hash as ETag: a reload after an upgrade gets the new files, any
//! other gets "not modified".

use std::sync::Arc;

use axum::Router;
use axum::extract::{Path, State};
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Redirect, Response};
use axum::routing::get;

use super::Page;
use super::api::problem;
use super::places::{self, PLACES};

macro_rules! files {
    ($($name:literal: $kind:ident),* $(,)?) => {
        &[$(File { name: $name, kind: $kind, bytes: include_bytes!(concat!("../../web/", $name)) }),*]
    };
}

const HTML: &str = "text/html; charset=utf-8";
const SCRIPT: &str = "text/javascript; charset=utf-8";
const STYLE: &str = "text/css; charset=utf-8";
const SVG: &str = "image/svg+xml";
const MANIFEST: &str = "application/manifest+json";
const JSON: &str = "application/json";

pub(super) const FILES: &[File] = files![
    "style.css": STYLE,
    "ask.js": SCRIPT,
    "link.js": SCRIPT,
    "dom.js": SCRIPT,
    "words.js": SCRIPT,
    "frame.js": SCRIPT,
    "hold.js": SCRIPT,
    "offset.js": SCRIPT,
    "machines.js": SCRIPT,
    "channels.js": SCRIPT,
    "history.js": SCRIPT,
    "control.js": SCRIPT,
    "hand.js": SCRIPT,
    "watch.js": SCRIPT,
    "check.js": SCRIPT,
    "why.js": SCRIPT,
    "rig.js": SCRIPT,
    "set.js": SCRIPT,
    "setup.js": SCRIPT,
    "shows.js": SCRIPT,
    "icon.svg": SVG,
    "manifest.webmanifest": MANIFEST,
    "openapi.json": JSON,
];

pub(super) struct File {
    pub name: &'static str,
    kind: &'static str,
    pub bytes: &'static [u8],
}

pub(crate) fn routes() -> Router<Arc<Page>> {
    let pages = PLACES.iter().filter(|p| p.path != "/report");
    let pages =
        pages.fold(Router::new(), |r, p| r.route(p.path, get(move |h: HeaderMap| async move { framed(p.path, &h) })));
    pages
        .route("/report", get(report))
        .route("/assets/{name}", get(|Path(name): Path<String>, h: HeaderMap| async move { file(&name, &h) }))
}

/// The API's description, for `api`.
pub(crate) async fn openapi(headers: HeaderMap) -> Response {
    file("openapi.json", &headers)
}

/// The last report that the snapshot names, or the list of shows.
async fn report(State(page): State<Arc<Page>>) -> Response {
    let place = page.desk.snapshots().borrow().report.clone();
    let place = place.filter(|p| p.starts_with('/') && !p.starts_with("//") && p != "/report");
    Redirect::to(place.as_deref().unwrap_or("/shows")).into_response()
}

fn framed(path: &str, headers: &HeaderMap) -> Response {
    send(places::whole(path).map(|bytes| (HTML, bytes)), headers)
}

fn file(name: &str, headers: &HeaderMap) -> Response {
    send(FILES.iter().find(|f| f.name == name).map(|f| (f.kind, f.bytes)), headers)
}

fn send(what: Option<(&'static str, &'static [u8])>, headers: &HeaderMap) -> Response {
    let Some((kind, bytes)) = what else {
        return problem(StatusCode::NOT_FOUND, "there is no such file").into_response();
    };
    let tag = format!("\"{}\"", &blake3::hash(bytes).to_hex()[..16]);
    let fresh = [(header::ETAG, tag.clone()), (header::CACHE_CONTROL, "no-cache".into())];
    if headers.get(header::IF_NONE_MATCH).is_some_and(|t| t.as_bytes() == tag.as_bytes()) {
        return (StatusCode::NOT_MODIFIED, fresh).into_response();
    }
    (fresh, [(header::CONTENT_TYPE, kind)], bytes).into_response()
}
