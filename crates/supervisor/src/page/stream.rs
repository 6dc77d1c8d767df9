//! Snapshots as server-sent events (HTML standard, "Server-sent events").
//!
//! Each snapshot is printed once, however many browsers look on. A slow browser misses snapshots and never delays
//! another. When the supervisor falls silent the stream says so itself, so that the page can tell "the network is gone"
//! from "the supervisor does not answer".

use std::convert::Infallible;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use axum::extract::State;
use axum::http::StatusCode;
use axum::response::sse::{Event, Sse};
use axum::response::{IntoResponse, Response};
use futures_util::stream::{self, Stream};
use tokio::sync::{Semaphore, SemaphorePermit, watch};
use tokio::time::Instant;

use super::Page;
use super::api::problem;
use crate::snapshot::Snapshot;

/// More browsers than this on one show are an accident or an attack.
const MOST_STREAMS: usize = 64;
static STREAMS: Semaphore = Semaphore::const_new(MOST_STREAMS);

/// How soon a browser comes back after the connection broke.
const RETRY: Duration = Duration::from_millis(400);
/// How long the supervisor may be silent before the stream says so.
const SILENCE: Duration = Duration::from_millis(300);

/// Prints each snapshot once.
#[derive(Default)]
pub(crate) struct Printer {
    last: Mutex<Option<(Arc<Snapshot>, Arc<str>)>>,
}

impl Printer {
    pub(crate) fn print(&self, snapshot: &Arc<Snapshot>) -> Result<Arc<str>, serde_json::Error> {
        let mut last = self.last.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some((of, text)) = &*last
            && Arc::ptr_eq(of, snapshot)
        {
            return Ok(text.clone());
        }
        let text: Arc<str> = serde_json::to_string(&**snapshot)?.into();
        *last = Some((snapshot.clone(), text.clone()));
        Ok(text)
    }
}

/// `GET /api/v1/events`
pub(crate) async fn events(State(page): State<Arc<Page>>) -> Response {
    let Ok(place) = STREAMS.try_acquire() else {
        return problem(StatusCode::SERVICE_UNAVAILABLE, "too many pages are open").into_response();
    };
    let mut snapshots = page.desk.snapshots();
    snapshots.mark_changed();
    Sse::new(stream_of(Viewer { page, snapshots, heard: Instant::now(), greeted: false, _place: place }))
        .into_response()
}

struct Viewer {
    page: Arc<Page>,
    snapshots: watch::Receiver<Arc<Snapshot>>,
    /// When the last snapshot came.
    heard: Instant,
    greeted: bool,
    _place: SemaphorePermit<'static>,
}

fn stream_of(viewer: Viewer) -> impl Stream<Item = Result<Event, Infallible>> {
    stream::unfold(viewer, |mut v| async move {
        if !v.greeted {
            v.greeted = true;
            return Some((Ok(Event::default().retry(RETRY).comment("twinkeel")), v));
        }
        let event = match tokio::time::timeout(SILENCE, v.snapshots.changed()).await {
            // The supervisor is going down: the browser notices and comes back.
            Ok(Err(_)) => return None,
            Ok(Ok(())) => {
                v.heard = Instant::now();
                let snapshot = v.snapshots.borrow_and_update().clone();
                let text = v.page.printer.print(&snapshot).ok()?;
                Event::default().event("snapshot").id(snapshot.sequence.to_string()).data(&*text)
            }
            Err(_) => {
                let silent = v.heard.elapsed().as_millis();
                Event::default().event("silent").data(format!(r#"{{"silent_ms":{silent}}}"#))
            }
        };
        Some((Ok(event), v))
    })
}
