//! The JSON API, version 1. Described in `web/openapi.json`; `twinkeel status` is a client of it as the page is.

use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

use axum::extract::rejection::QueryRejection;
use axum::extract::{ConnectInfo, Query, State};
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{Html, IntoResponse, Response};
use axum::routing::{get, post};
use axum::{Json, Router};
use serde::{Deserialize, Serialize};

use super::asked::Asked;
use super::desk::{DeskAct, HistoryWindow, Who, Whole};
use super::login::{LoginRefused, forget};
use super::{Page, address, assets, shows, stream};
use crate::check::CheckRequest;

/// How long an act may take to be accepted or refused.
const PATIENCE: Duration = Duration::from_secs(2);
const LONGEST_NAME: usize = 32;
const MOST_SHELVED_MINUTES: u16 = 720;

pub(crate) fn routes() -> Router<Arc<Page>> {
    Router::new()
        .route("/snapshot", get(snapshot))
        .route("/events", get(stream::events))
        .route("/why", get(why))
        .route("/parity", get(parity))
        .route("/history", get(history))
        .route("/machines/{letter}/history", get(shows::of_machine))
        .route("/act", post(act))
        .route("/check/sheet.html", get(sheet_page))
        .route("/check/sheet.pdf", get(sheet_pdf))
        .route("/check", get(check).post(begin_check).delete(stop_check))
        .route("/shows", get(shows::list))
        .route("/shows/{id}", get(shows::figures))
        .route("/shows/{id}/report.html", get(shows::report_page))
        .route("/shows/{id}/report.pdf", get(shows::report_pdf))
        .route("/address", get(address::addresses))
        .route("/address/{place}/qr.svg", get(address::code))
        .route("/session", get(session).post(enter).delete(leave))
        .route("/openapi.json", get(assets::openapi))
        .fallback(|| async { problem(StatusCode::NOT_FOUND, "there is nothing under this address") })
        .method_not_allowed_fallback(|| async {
            problem(StatusCode::METHOD_NOT_ALLOWED, "this address knows another method")
        })
}

/// A problem in words (RFC 9457).
pub(crate) fn problem(status: StatusCode, detail: impl Into<String>) -> impl IntoResponse {
    #[derive(Serialize)]
    struct Problem {
        status: u16,
        title: &'static str,
        detail: String,
    }
    let body = Problem {
        status: status.as_u16(),
        title: status.canonical_reason().unwrap_or_default(),
        detail: detail.into(),
    };
    (status, [(header::CONTENT_TYPE, "application/problem+json")], serde_json::to_string(&body).unwrap_or_default())
}

/// Does what takes its time away from the runtime's own threads; a failure of it is the answer.
pub(crate) async fn aside<T: Send + 'static, E: std::fmt::Display + Send + 'static>(
    what: impl FnOnce() -> Result<T, E> + Send + 'static,
) -> Result<T, Response> {
    let failed = |why: String| problem(StatusCode::INTERNAL_SERVER_ERROR, why).into_response();
    match tokio::task::spawn_blocking(what).await {
        Ok(done) => done.map_err(|e| failed(e.to_string())),
        Err(e) => Err(failed(e.to_string())),
    }
}

async fn snapshot(State(page): State<Arc<Page>>) -> Response {
    let snapshot = page.desk.snapshots().borrow().clone();
    match page.printer.print(&snapshot) {
        Ok(text) => ([(header::CONTENT_TYPE, "application/json")], text.to_string()).into_response(),
        Err(e) => problem(StatusCode::INTERNAL_SERVER_ERROR, e.to_string()).into_response(),
    }
}

async fn why(State(page): State<Arc<Page>>) -> Response {
    Json(page.desk.why()).into_response()
}

async fn parity(State(page): State<Arc<Page>>) -> Response {
    Json(page.desk.parity()).into_response()
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct HistoryQuery {
    #[serde(default)]
    window: HistoryWindow,
}

async fn history(State(page): State<Arc<Page>>, query: Result<Query<HistoryQuery>, QueryRejection>) -> Response {
    match query {
        Ok(Query(q)) => Json(page.desk.history(q.window)).into_response(),
        Err(_) => problem(StatusCode::BAD_REQUEST, "window is one of 10s, 5min, song").into_response(),
    }
}

#[derive(Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
struct ActRequest {
    /// Who says so.
    #[serde(default)]
    by: Option<String>,
    /// Later than this (ns on the supervisor's clock) it must not be done any more: a press that was stuck in a broken
    /// network takes effect when nobody expects it.
    #[serde(default, rename = "before_ns")]
    before: Option<Whole<u64>>,
    /// What to do.
    #[serde(rename = "do")]
    act: DeskAct,
}

async fn act(
    State(page): State<Arc<Page>>,
    ConnectInfo(address): ConnectInfo<SocketAddr>,
    headers: HeaderMap,
    request: Result<Asked<ActRequest>, Response>,
) -> Response {
    if !is_operator(&page, &headers, address) {
        return looks_on();
    }
    let ActRequest { by, before, act } = match request {
        Ok(Asked(r)) => r,
        Err(no) => return no,
    };
    if matches!(act, DeskAct::Shelve { minutes, .. } if !(1..=MOST_SHELVED_MINUTES).contains(&minutes)) {
        return problem(StatusCode::UNPROCESSABLE_ENTITY, "minutes must be from 1 to 720").into_response();
    }
    let now = page.desk.snapshots().borrow().now;
    if before.is_some_and(|Whole(before)| now.nanos() > before) {
        return problem(StatusCode::CONFLICT, "this came too late and was not done: press again").into_response();
    }
    let who = Who { name: plain_name(by.as_deref(), address), address };
    match tokio::time::timeout(PATIENCE, page.desk.act(act, who)).await {
        Ok(outcome) => Json(outcome).into_response(),
        Err(_) => problem(StatusCode::GATEWAY_TIMEOUT, "the supervisor did not answer in 2 s").into_response(),
    }
}

async fn check(State(page): State<Arc<Page>>) -> Response {
    Json(page.desk.check()).into_response()
}

/// The last sheet as a page of its own, to be printed or kept.
async fn sheet_page(State(page): State<Arc<Page>>) -> Response {
    const OWN: &str = "default-src 'none'; style-src 'unsafe-inline'; frame-ancestors 'none'";
    match page.desk.check().last {
        Some(s) => ([(header::CONTENT_SECURITY_POLICY, OWN)], Html(showlog::report::sheet::page(&s))).into_response(),
        None => problem(StatusCode::NOT_FOUND, "no check has been made with this rig").into_response(),
    }
}

/// The last sheet on paper.
async fn sheet_pdf(State(page): State<Arc<Page>>) -> Response {
    let Some(s) = page.desk.check().last else {
        return problem(StatusCode::NOT_FOUND, "no check has been made with this rig").into_response();
    };
    let made = aside(move || showlog::report::sheet::pdf(&s)).await;
    made.map_or_else(|no| no, |pdf| ([(header::CONTENT_TYPE, "application/pdf")], pdf).into_response())
}

async fn begin_check(
    State(page): State<Arc<Page>>,
    ConnectInfo(address): ConnectInfo<SocketAddr>,
    headers: HeaderMap,
    request: Result<Asked<CheckRequest>, Response>,
) -> Response {
    if !is_operator(&page, &headers, address) {
        return looks_on();
    }
    match request {
        Ok(Asked(r)) => {
            let who = Who { name: plain_name(r.by.as_deref(), address), address };
            Json(page.desk.clone().begin_check(r, who)).into_response()
        }
        Err(no) => no,
    }
}

async fn stop_check(
    State(page): State<Arc<Page>>,
    ConnectInfo(address): ConnectInfo<SocketAddr>,
    headers: HeaderMap,
) -> Response {
    if !is_operator(&page, &headers, address) {
        return looks_on();
    }
    if page.desk.stop_check() {
        return StatusCode::NO_CONTENT.into_response();
    }
    problem(StatusCode::NOT_FOUND, "no check runs").into_response()
}

fn looks_on() -> Response {
    problem(StatusCode::UNAUTHORIZED, "this device looks on; acting needs the operator's passphrase").into_response()
}

/// A name fit for the record: printable, short, never empty.
fn plain_name(by: Option<&str>, address: SocketAddr) -> String {
    let name: String = by.unwrap_or_default().chars().filter(|c| !c.is_control()).take(LONGEST_NAME).collect();
    match name.trim() {
        "" if address.ip().is_loopback() => "this computer".into(),
        "" => address.ip().to_string(),
        name => name.into(),
    }
}

/// With no passphrase (loopback only) whoever can reach the page may act. A page that is open to others asks them for it, and not who sits
/// at this computer: its own browser and commands must work in a crisis, and a web site that is open there is stopped at the door.
fn is_operator(page: &Page, headers: &HeaderMap, from: SocketAddr) -> bool {
    let at_home = from.ip().to_canonical().is_loopback() && !page.bind.ip().is_loopback();
    at_home || page.login.as_ref().is_none_or(|l| l.knows(headers))
}

async fn session(
    State(page): State<Arc<Page>>,
    ConnectInfo(address): ConnectInfo<SocketAddr>,
    headers: HeaderMap,
) -> Response {
    #[derive(Serialize)]
    struct Session {
        role: &'static str,
        passphrase: bool,
    }
    let role = if is_operator(&page, &headers, address) { "operator" } else { "reader" };
    Json(Session { role, passphrase: page.login.is_some() }).into_response()
}

#[derive(Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
struct EnterRequest {
    passphrase: String,
}

async fn enter(
    State(page): State<Arc<Page>>,
    ConnectInfo(address): ConnectInfo<SocketAddr>,
    request: Result<Asked<EnterRequest>, Response>,
) -> Response {
    let passphrase = match request {
        Ok(Asked(r)) => r.passphrase,
        Err(no) => return no,
    };
    let Some(login) = &page.login else {
        // Nothing to prove: this computer's own page.
        return StatusCode::NO_CONTENT.into_response();
    };
    match login.enter(passphrase, address.ip()).await {
        Ok(cookie) => (StatusCode::NO_CONTENT, [(header::SET_COOKIE, cookie)]).into_response(),
        Err(LoginRefused::Wrong) => problem(StatusCode::UNAUTHORIZED, "that is not the passphrase").into_response(),
        Err(LoginRefused::Wait(wait)) => {
            let seconds = wait.as_secs() + 1;
            let mut r =
                problem(StatusCode::TOO_MANY_REQUESTS, format!("too many guesses: wait {seconds} s")).into_response();
            r.headers_mut().insert(header::RETRY_AFTER, HeaderValue::from(seconds));
            r
        }
        Err(LoginRefused::Failed(e)) => problem(StatusCode::INTERNAL_SERVER_ERROR, e).into_response(),
    }
}

async fn leave(State(page): State<Arc<Page>>) -> Response {
    (StatusCode::NO_CONTENT, [(header::SET_COOKIE, forget(page.tls.is_some()))]).into_response()
}
