//! The page and its API: what a person at the side of the stage sees and presses.
//!
//! One axum router over a [`Desk`]. Nothing here decides: snapshots go out, acts go in. All that the browser loads is
//! embedded in the binary; nothing is asked of any other host. The doors (who may load, who may act) are in `door` and
//! `login`, the event stream in `stream`, the JSON in `api`, the files in `assets`.

mod address;
mod api;
mod asked;
mod assets;
pub mod desk;
mod door;
mod login;
mod places;
mod shows;
mod stream;
pub mod tls;

use std::future::Future;
use std::net::SocketAddr;
use std::sync::Arc;

use axum::Router;
use axum::extract::DefaultBodyLimit;
use axum::middleware;
use axum::serve::ListenerExt;
use tokio::net::{TcpListener, TcpStream};

pub use desk::{
    ActOutcome, BoxFuture, Desk, DeskAct, History, HistoryLine, HistoryPoint, HistoryWindow, Mark, MarkKind, Who, Why,
};
pub use login::hash_passphrase;
pub use shows::{AlarmCount, Happened, MachineFigures, MachineHistory, ShowFigures, ShowLine};

/// No request of ours is longer than this, in bytes.
const LONGEST_BODY: usize = 4096;

/// How the page is bound and who may act on it.
#[derive(Clone)]
pub struct PageConfig {
    /// The address that the listener is bound to. Whatever is not loopback needs `operator_hash`.
    pub bind: SocketAddr,
    /// Host names by which browsers may call the page, besides addresses. Only used beyond loopback.
    pub names: Vec<String>,
    /// The operator passphrase as an argon2 PHC string ([`hash_passphrase`] makes one). `None`: whoever is on this
    /// computer is an operator, which is only possible on loopback.
    pub operator_hash: Option<String>,
    /// Signs the operator cookies. Random, kept over restarts and made anew for each show: operator rights last as
    /// long as it does, also when the supervisor is killed in the middle.
    pub session_key: [u8; 32],
    /// The certificate that the page is sealed with; `None`: plain HTTP.
    pub tls: Option<tls::Tls>,
}

/// Why there can be no page with this configuration.
#[derive(Debug, thiserror::Error, PartialEq, Eq)]
pub enum PageError {
    /// Bound beyond loopback without a passphrase.
    #[error(
        "the page is bound to {0}, which others can reach, and no operator passphrase is set: bind it to 127.0.0.1, or set one"
    )]
    OpenToOthers(SocketAddr),
    /// The hash is none.
    #[error("the operator passphrase is not an argon2 hash (PHC string, starts with $argon2id$): {0}")]
    NotAHash(String),
    /// A passphrase could not be hashed.
    #[error("the passphrase cannot be hashed: {0}")]
    CannotHash(String),
}

/// What every handler knows.
pub(crate) struct Page {
    pub desk: Arc<dyn Desk>,
    pub door: door::Door,
    pub login: Option<login::Login>,
    pub printer: stream::Printer,
    pub shows: shows::Shows,
    pub bind: SocketAddr,
    pub tls: Option<tls::Tls>,
}

/// The page's router over this desk. `extra` holds further routes (reports, a demo panel) that go through the same door;
/// they may set their own Content-Security-Policy.
///
/// # Errors
/// When the configuration would let strangers act.
pub fn router(desk: Arc<dyn Desk>, config: &PageConfig, extra: Router) -> Result<Router, PageError> {
    let login = match &config.operator_hash {
        Some(hash) => Some(login::Login::new(hash, config.session_key, config.tls.is_some())?),
        None if config.bind.ip().is_loopback() => None,
        None => return Err(PageError::OpenToOthers(config.bind)),
    };
    let page = Arc::new(Page {
        desk,
        door: door::Door::new(config.bind.ip().is_loopback(), &config.names, config.tls.is_some()),
        login,
        printer: stream::Printer::default(),
        shows: shows::Shows::default(),
        bind: config.bind,
        tls: config.tls.clone(),
    });
    Ok(Router::new()
        .merge(assets::routes())
        .nest("/api/v1", api::routes())
        .with_state(page.clone())
        .merge(extra)
        .layer(DefaultBodyLimit::max(LONGEST_BODY))
        .layer(middleware::from_fn_with_state(page, door::guard)))
}

/// Serves the router until `stop` resolves, sealed where there is a certificate. Open event streams are cut then: browsers come back by
/// themselves.
///
/// # Errors
/// When the listener fails.
pub async fn serve(
    listener: TcpListener,
    tls: Option<tls::Tls>,
    router: Router,
    stop: impl Future<Output = ()>,
) -> std::io::Result<()> {
    if let Some(tls) = tls {
        let listener = tls::SealedListener::start(listener, &tls)?;
        let service = router.layer(middleware::map_request(tls::with_address));
        let service = service.into_make_service_with_connect_info::<tls::Caller>();
        return tokio::select! {
            done = axum::serve(listener, service) => done,
            () = stop => Ok(()),
        };
    }
    // A snapshot is one small write: it must not wait for the acknowledgement of the one before (Nagle, RFC 896).
    let listener = listener.tap_io(|tcp| no_delay(tcp));
    let service = router.into_make_service_with_connect_info::<SocketAddr>();
    tokio::select! {
        done = axum::serve(listener, service) => done,
        () = stop => Ok(()),
    }
}

fn no_delay(tcp: &TcpStream) {
    if let Err(e) = tcp.set_nodelay(true) {
        tracing::debug!("no TCP_NODELAY on a page connection: {e}");
    }
}
