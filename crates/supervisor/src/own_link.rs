//! Watches the supervisor's own network links, on a thread of its own: a cable that is out here is known within a moment, so that
//! nobody's silence is taken for his death.

use std::net::SocketAddr;
use std::time::Duration;

use ports::os::OwnLinks;

use crate::scribe::{ScribeDesk, ToScribe};
use crate::to_watch::{ToWatch, WatchDesk};

/// Links are looked at this often, also when the system says nothing of them.
const LOOK_EVERY: Duration = Duration::from_millis(250);

/// Starts to watch the links that beats come in by, if there is anything to watch.
///
/// # Errors
/// When the system makes no thread.
pub fn start(paths: &[SocketAddr], watch: WatchDesk, scribe: ScribeDesk) -> std::io::Result<()> {
    let Some(mut links) = OwnLinks::watch(paths) else { return Ok(()) };
    std::thread::Builder::new().name("own-link".into()).spawn(move || {
        let mut told = false;
        loop {
            if links.down() != told {
                told = links.down();
                watch.tell(ToWatch::OwnLink(told));
                let text = if told {
                    "The supervisor's own network link is down: see to its cable. Nothing moves."
                } else {
                    "The supervisor's own network link is up again."
                };
                scribe.tell(ToScribe::Said { code: "own-link", text: text.into() });
            }
            links.wait(LOOK_EVERY);
        }
    })?;
    Ok(())
}
