//! The page over an invented rig, for browser tests and pictures: `cargo run -p twinkeel-supervisor --example fake_desk --
//! [PORT] [SCENE]`. `GET /fake/scene/NAME` sets a scene, `/fake/mute` and `/fake/unmute` stop and start the snapshots,
//! `/fake/acts` lists the acts that came in.
//!
//! `TWINKEEL_FAKE_PASSPHRASE` sets an operator passphrase, `TWINKEEL_FAKE_HASH` its hash; `TWINKEEL_FAKE_HOST` is where it listens;
//! with `TWINKEEL_FAKE_TLS` set to a folder the page is sealed, with a certificate that is kept there.

mod channels;
mod checks;
mod desk;
mod scenes;
mod shelf;

use std::net::SocketAddr;
use std::path::Path as FilePath;
use std::sync::Arc;
use std::time::{SystemTime, UNIX_EPOCH};

use axum::extract::{Path, State};
use axum::http::StatusCode;
use axum::routing::get;
use axum::{Json, Router};
use base::WallTime;
use twinkeel_supervisor::page::{self, PageConfig};

use desk::FakeDesk;

#[tokio::main]
async fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut args = std::env::args().skip(1);
    let port: u16 = args.next().map_or(Ok(8470), |p| p.parse())?;
    let scene = args.next().unwrap_or_else(|| "ready".into());
    let desk = FakeDesk::start(&scene).ok_or("there is no such scene")?;
    let host = std::env::var("TWINKEEL_FAKE_HOST").unwrap_or_else(|_| "127.0.0.1".into());
    let shows = tempfile::tempdir()?;
    shelf::fill(shows.path())?;
    desk.keep_shows(shows.path());
    let listener = tokio::net::TcpListener::bind((host.as_str(), port)).await?;
    let bind: SocketAddr = listener.local_addr()?;
    let operator_hash = match (std::env::var("TWINKEEL_FAKE_HASH"), std::env::var("TWINKEEL_FAKE_PASSPHRASE")) {
        (Ok(hash), _) => Some(hash),
        (_, Ok(passphrase)) => Some(page::hash_passphrase(&passphrase)?),
        _ => None,
    };
    let hash = operator_hash.as_deref().map(|h| format!(" hash {h}")).unwrap_or_default();
    let now = WallTime(i64::try_from(SystemTime::now().duration_since(UNIX_EPOCH)?.as_nanos())?);
    let tls = match std::env::var("TWINKEEL_FAKE_TLS") {
        Ok(dir) => {
            let (certificate, key) = page::tls::make_once(FilePath::new(&dir), &[], &[bind.ip()], now)?;
            Some(page::tls::Tls::load(&certificate, &key, now)?)
        }
        Err(_) => None,
    };
    let scheme = if tls.is_some() { "https" } else { "http" };
    let config = PageConfig { bind, names: vec![], operator_hash, session_key: [1; 32], tls: tls.clone() };
    let extra = Router::new()
        .route("/fake/scene/{name}", get(scene_of))
        .route("/fake/scenes", get(|| async { Json(scenes::NAMES) }))
        .route("/fake/mute", get(|State(d): State<Arc<FakeDesk>>| async move { d.mute(true) }))
        .route("/fake/unmute", get(|State(d): State<Arc<FakeDesk>>| async move { d.mute(false) }))
        .route("/fake/check/{name}", get(check_of))
        .route("/fake/acts", get(|State(d): State<Arc<FakeDesk>>| async move { Json(d.acts()) }))
        .with_state(desk.clone());
    println!("{scheme}://{bind}/{hash}");
    page::serve(listener, tls, page::router(desk, &config, extra)?, std::future::pending()).await?;
    Ok(())
}

async fn scene_of(State(desk): State<Arc<FakeDesk>>, Path(name): Path<String>) -> StatusCode {
    if desk.set_scene(&name) { StatusCode::NO_CONTENT } else { StatusCode::NOT_FOUND }
}

async fn check_of(State(desk): State<Arc<FakeDesk>>, Path(name): Path<String>) -> StatusCode {
    desk.show_check(&name);
    StatusCode::NO_CONTENT
}
