//! The page over real sockets: who may come in, who may act, and what the stream says.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, missing_docs)]

#[path = "../examples/fake_desk/channels.rs"]
mod channels;
#[path = "../examples/fake_desk/checks.rs"]
mod checks;
#[path = "../examples/fake_desk/desk.rs"]
mod desk;
#[path = "../examples/fake_desk/scenes.rs"]
mod scenes;
#[path = "../examples/fake_desk/shelf.rs"]
mod shelf;
#[path = "page/tls.rs"]
mod tls;

use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

use desk::FakeDesk;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use twinkeel_supervisor::page::{self, PageConfig, PageError};
use twinkeel_supervisor::snapshot::{FORMAT, Snapshot};

struct Page {
    at: SocketAddr,
    desk: Arc<FakeDesk>,
}

impl Page {
    async fn start(operator_hash: Option<String>) -> Page {
        let desk = FakeDesk::start("ready").unwrap();
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let at = listener.local_addr().unwrap();
        let config = PageConfig { bind: at, names: vec![], operator_hash, session_key: [3; 32], tls: None };
        let router = page::router(desk.clone(), &config, axum::Router::new()).unwrap();
        tokio::spawn(page::serve(listener, None, router, std::future::pending()));
        Page { at, desk }
    }

    /// Sends a request as it is and returns status, headers and body.
    async fn raw(&self, request: &str) -> (u16, String, String) {
        let mut tcp = TcpStream::connect(self.at).await.unwrap();
        tcp.write_all(request.as_bytes()).await.unwrap();
        let mut all = Vec::new();
        tokio::time::timeout(Duration::from_secs(10), tcp.read_to_end(&mut all)).await.unwrap().unwrap();
        let all = String::from_utf8(all).unwrap();
        let (head, body) = all.split_once("\r\n\r\n").unwrap();
        let status = head.split(' ').nth(1).unwrap().parse().unwrap();
        (status, head.to_lowercase(), body.into())
    }

    async fn get(&self, path: &str) -> (u16, String, String) {
        self.raw(&format!("GET {path} HTTP/1.1\r\nHost: {}\r\nConnection: close\r\n\r\n", self.at)).await
    }

    async fn post(&self, path: &str, headers: &str, body: &str) -> (u16, String, String) {
        let length = body.len();
        let host = self.at;
        self.raw(&format!(
            "POST {path} HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\nContent-Type: application/json\r\nContent-Length: {length}\r\n{headers}\r\n{body}"
        ))
        .await
    }

    fn own_origin(&self) -> String {
        format!("Origin: http://{}\r\n", self.at)
    }
}

const RELEASE: &str = r#"{"by":"Mara","do":{"act":"set-mode","mode":"propose"}}"#;

#[tokio::test]
async fn every_answer_is_locked_down() {
    let page = Page::start(None).await;
    for path in [
        "/",
        "/check",
        "/api/v1/check",
        "/why",
        "/rig",
        "/report",
        "/assets/watch.js",
        "/api/v1/snapshot",
        "/api/v1/nothing",
        "/nothing",
    ] {
        let (_, head, _) = page.get(path).await;
        for needed in ["default-src 'none'", "script-src 'self'", "frame-ancestors 'none'", "nosniff", "no-referrer"] {
            assert!(head.contains(needed), "{path}: {needed}\n{head}");
        }
        assert!(!head.contains("access-control-allow-origin") && !head.contains("unsafe-inline"), "{path}");
    }
}

#[tokio::test]
async fn another_name_or_origin_gets_nothing_done() {
    let page = Page::start(None).await;
    let rebound = "GET /api/v1/snapshot HTTP/1.1\r\nHost: rig.example.org\r\nConnection: close\r\n\r\n";
    assert_eq!(page.raw(rebound).await.0, 421);
    for origin in ["", "Origin: null\r\n", "Origin: http://example.org\r\n", "Origin: http://localhost\r\n"] {
        assert_eq!(page.post("/api/v1/act", origin, RELEASE).await.0, 403, "{origin}");
    }
    assert!(page.desk.acts().is_empty());
    let (status, _, body) = page.post("/api/v1/act", &page.own_origin(), RELEASE).await;
    assert_eq!((status, body.contains(r#""outcome":"done""#)), (200, true), "{body}");
    assert_eq!(page.desk.acts(), ["SetMode { mode: Propose } by Mara"]);
}

#[tokio::test]
async fn what_is_malformed_is_refused_in_words() {
    let page = Page::start(None).await;
    let origin = page.own_origin();
    let long = format!(r#"{{"by":"{}","do":{{"act":"release"}}}}"#, "x".repeat(5000));
    for (body, expected) in [
        ("{", 400),
        (r#"{"do":{"act":"explode"}}"#, 422),
        (r#"{"do":{"act":"changeover","to":"Z"}}"#, 422),
        (r#"{"do":{"act":"changeover","to":"B","toggle":true}}"#, 422),
        (r#"{"do":{"act":"shelve","alarm":1,"minutes":0}}"#, 422),
        (r#"{"do":{"act":"release"},"more":1}"#, 422),
        (r#"{"do":{"act":"release","machine":"B"}}"#, 422),
        (r#"["Mara",null,{"act":"release"}]"#, 422),
        (r#"{"before_ns":1,"do":{"act":"release"}}"#, 409),
        (&long, 413),
    ] {
        let (status, head, answer) = page.post("/api/v1/act", &origin, body).await;
        assert_eq!(status, expected, "{body}: {answer}");
        assert!(head.contains("application/problem+json"), "{body}");
    }
    assert!(page.desk.acts().is_empty());
    assert_eq!(page.get("/api/v1/history?window=1h").await.0, 400);
    for machine in ["A", "Z", "AA", "..%2fA"] {
        assert_eq!(
            page.get(&format!("/api/v1/machines/{machine}/history")).await.0,
            404,
            "{machine}: nothing is recorded"
        );
    }
    assert_eq!(page.get("/assets/..%2f..%2fCargo.toml").await.0, 404);
}

#[tokio::test]
async fn with_a_passphrase_only_those_who_know_it_act() {
    let page = Page::start(Some(page::hash_passphrase("tide goes out").unwrap())).await;
    let origin = page.own_origin();
    assert_eq!(page.post("/api/v1/act", &origin, RELEASE).await.0, 401);
    assert!(page.get("/api/v1/session").await.2.contains(r#""role":"reader""#));
    assert_eq!(page.post("/api/v1/session", &origin, r#"{"passphrase":"tide comes in"}"#).await.0, 401);
    let (status, head, _) = page.post("/api/v1/session", &origin, r#"{"passphrase":"tide goes out"}"#).await;
    assert_eq!(status, 204);
    let cookie = head.lines().find_map(|l| l.strip_prefix("set-cookie: ")).unwrap();
    let cookie = cookie.split(';').next().unwrap();
    let (status, _, _) = page.post("/api/v1/act", &format!("{origin}Cookie: {cookie}\r\n"), RELEASE).await;
    assert_eq!((status, page.desk.acts().len()), (200, 1));
    let forged = cookie.replace('.', ".0");
    assert_eq!(page.post("/api/v1/act", &format!("{origin}Cookie: {forged}\r\n"), RELEASE).await.0, 401);
}

#[test]
fn bound_beyond_loopback_without_passphrase_there_is_no_page() {
    let runtime = tokio::runtime::Runtime::new().unwrap();
    runtime.block_on(async {
        let desk = FakeDesk::start("ready").unwrap();
        let bind: SocketAddr = "0.0.0.0:8470".parse().unwrap();
        let mut config = PageConfig { bind, names: vec![], operator_hash: None, session_key: [0; 32], tls: None };
        let refused = page::router(desk.clone(), &config, axum::Router::new());
        assert_eq!(refused.err(), Some(PageError::OpenToOthers(bind)));
        config.operator_hash = Some(page::hash_passphrase("x").unwrap());
        assert!(page::router(desk, &config, axum::Router::new()).is_ok());
    });
}

#[tokio::test]
async fn the_stream_sends_snapshots_and_says_when_there_are_none() {
    let page = Page::start(None).await;
    let mut tcp = TcpStream::connect(page.at).await.unwrap();
    let request = format!("GET /api/v1/events HTTP/1.1\r\nHost: {}\r\n\r\n", page.at);
    tcp.write_all(request.as_bytes()).await.unwrap();
    let mut seen = String::new();
    let mut buffer = [0u8; 65536];
    let read_until = async |tcp: &mut TcpStream, seen: &mut String, buffer: &mut [u8], what: &str| {
        tokio::time::timeout(Duration::from_secs(10), async {
            while !seen.contains(what) {
                let n = tcp.read(buffer).await.unwrap();
                assert!(n > 0, "the stream ended");
                seen.push_str(&String::from_utf8_lossy(&buffer[..n]));
            }
        })
        .await
        .unwrap_or_else(|_| panic!("no {what} in ten seconds"));
    };
    read_until(&mut tcp, &mut seen, &mut buffer, "event: snapshot").await;
    page.desk.mute(true);
    read_until(&mut tcp, &mut seen, &mut buffer, "silent_ms").await;
}

#[tokio::test]
async fn a_snapshot_reads_back_as_it_was_and_every_scene_can_be_told() {
    let page = Page::start(None).await;
    for name in scenes::NAMES {
        assert!(page.desk.set_scene(name), "{name}");
        let (status, _, body) = page.get("/api/v1/snapshot").await;
        assert_eq!(status, 200);
        let snapshot: Snapshot = serde_json::from_str(&body).unwrap();
        assert_eq!(snapshot.format, FORMAT);
        let again = serde_json::to_value(&snapshot).unwrap();
        assert_eq!(rounded(again), rounded(serde_json::from_str(&body).unwrap()), "{name}");
    }
}

/// A decimal read and printed again may differ in its last bit.
fn rounded(v: serde_json::Value) -> serde_json::Value {
    use serde_json::Value;
    match v {
        Value::Number(n) if n.is_f64() => ((n.as_f64().unwrap() * 1e6).round() / 1e6).into(),
        Value::Array(a) => a.into_iter().map(rounded).collect(),
        Value::Object(o) => o.into_iter().map(|(k, v)| (k, rounded(v))).collect::<serde_json::Map<_, _>>().into(),
        other => other,
    }
}

#[tokio::test]
async fn files_are_not_sent_twice() {
    let page = Page::start(None).await;
    let (_, head, _) = page.get("/assets/style.css").await;
    let tag = head.lines().find_map(|l| l.strip_prefix("etag: ")).unwrap();
    let again = format!(
        "GET /assets/style.css HTTP/1.1\r\nHost: {}\r\nConnection: close\r\nIf-None-Match: {tag}\r\n\r\n",
        page.at
    );
    assert_eq!(page.raw(&again).await.0, 304);
}

#[tokio::test]
async fn a_check_wants_its_words_and_an_operator() {
    let page = Page::start(None).await;
    let origin = page.own_origin();
    let begin = |body: &'static str| page.post("/api/v1/check", &origin, body);
    let (status, _, body) = begin(r#"{"by":"Mara","depth":"fast"}"#).await;
    assert!(status == 200 && body.contains("refused") && body.contains("the desk is muted"), "{status}: {body}");
    let (_, _, body) = begin(r#"{"by":"Mara","depth":"fast","word":{"desk_muted":true}}"#).await;
    assert!(body.contains("done"), "{body}");
    let (_, _, body) = page.get("/api/v1/check").await;
    assert!(body.contains("press start once"), "{body}");
    let (status, ..) = begin(r#"{"depth":"deepest"}"#).await;
    assert_eq!(status, 422);
    assert_eq!(page.get("/api/v1/check/sheet.pdf").await.0, 404, "there is no sheet yet");
    let locked = Page::start(Some(page::hash_passphrase("two words").unwrap())).await;
    let origin = locked.own_origin();
    assert_eq!(locked.post("/api/v1/check", &origin, r#"{"depth":"quick"}"#).await.0, 401);
}

#[tokio::test]
async fn the_checks_sheet_is_a_page_and_a_paper() {
    let page = Page::start(None).await;
    let path = |end: &str| format!("/api/v1/check{end}");
    assert_eq!(page.get(&path("/sheet.html")).await.0, 404, "none was made");
    page.desk.show_check("passed");
    let (status, _, body) = page.get(&path("")).await;
    let told: serde_json::Value = serde_json::from_str(&body).unwrap();
    assert!(status == 200 && told["last"]["rows"].as_array().is_some_and(|i| !i.is_empty()), "{body}");
    let (status, head, body) = page.get(&path("/sheet.html")).await;
    assert!(status == 200 && head.contains("text/html"), "{head}");
    assert!(body.contains("not a safety system") || body.contains("no safety system"), "the sheet repeats it");
}

#[tokio::test]
async fn shows_are_listed_and_told_and_no_other_file_can_be_asked_for() {
    let page = Page::start(None).await;
    assert_eq!(page.get("/api/v1/shows").await.2, "[]", "there is no shelf");
    let dir = tempfile::tempdir().unwrap();
    shelf::fill(dir.path()).unwrap();
    page.desk.keep_shows(dir.path());
    let listed: Vec<page::ShowLine> = serde_json::from_str(&page.get("/api/v1/shows").await.2).unwrap();
    assert_eq!(listed.len(), 6);
    assert_eq!(listed[0].title, "Salt and Lanterns, Lantern Dock", "the newest first");
    assert!(listed[5].error.is_some(), "a damaged one says so");
    let path = |id: &str| format!("/api/v1/shows/{id}");
    let told: page::ShowFigures = serde_json::from_str(&page.get(&path(&listed[0].id)).await.2).unwrap();
    let b = &told.machines[1];
    // The shelf was recorded with a drift of 27.5 ppm, of three seconds of two songs of a minute without a standby, and of one alarm.
    let drift = b.drift.unwrap().0;
    assert!((drift - 27.5).abs() < 0.1, "{drift} ppm");
    assert_eq!((b.alarms, told.alarms.medium, told.songs), (1, 1, 2));
    let fit = told.fit.unwrap();
    assert!((fit - 117.0 / 120.0).abs() < 0.01, "{fit}");
    let (status, head, body) = page.get(&path(&format!("{}/report.html", listed[0].id))).await;
    assert!(status == 200 && head.contains("default-src 'none'") && body.contains("Lantern Dock"), "{head}");
    let outside = dir.path().join("damaged.showlog").display().to_string().replace('/', "%2F");
    for no in [outside.as_str(), "last", "1", "..%2F..%2Fetc%2Fpasswd", &listed[0].id[..8], &listed[5].id] {
        assert_eq!(page.get(&path(no)).await.0, 404, "{no}");
    }
}

/// Every route of the API stands in its description, and every one described is there: an unknown address and a wrong method are told
/// apart from all else by their words.
#[tokio::test]
async fn the_description_and_the_router_know_the_same_routes() {
    let page = Page::start(None).await;
    let described: serde_json::Value = serde_json::from_str(&page.get("/api/v1/openapi.json").await.2).unwrap();
    let source = include_str!("../src/page/api.rs");
    let methods = ["get", "post", "delete", "put", "patch"];
    let mut routed: Vec<(String, String)> = Vec::new();
    for line in source.lines().filter_map(|l| l.trim().strip_prefix(".route(\"")) {
        let (path, how) = line.split_once("\", ").unwrap();
        let of = methods.iter().filter(|m| how.starts_with(&format!("{m}(")) || how.contains(&format!(".{m}(")));
        routed.extend(of.map(|m| (format!("/api/v1{path}"), (*m).to_owned())));
    }
    let mut told: Vec<(String, String)> = Vec::new();
    for (path, entry) in described["paths"].as_object().unwrap() {
        told.extend(entry.as_object().unwrap().keys().map(|m| (path.clone(), m.clone())));
    }
    routed.sort();
    told.sort();
    assert_eq!(routed, told);
    assert!(told.len() > 15, "{told:?}");
    for (path, method) in told {
        let asked = path.replace("{id}", "none").replace("{place}", "0");
        let headers = page.own_origin();
        let request = format!(
            "{} {asked} HTTP/1.1\r\nHost: {}\r\nConnection: close\r\n{headers}\r\n",
            method.to_uppercase(),
            page.at
        );
        if path.ends_with("/events") {
            continue;
        }
        let (status, _, body) = page.raw(&request).await;
        assert!(status != 405 && !body.contains("nothing under this address"), "{method} {path}: {status} {body}");
    }
}
