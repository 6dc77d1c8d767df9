//! A thread that reads a source for as long as the process lives, woken by the driver's callback.

use std::sync::Arc;
use std::time::Duration;

use crate::arrivals::{Arrival, Arrivals, Wake};
use crate::os::make_urgent;

/// A wake may be lost between the last look and the sleep: look again after this.
const LOOK_AGAIN: Duration = Duration::from_millis(20);

/// Starts a thread that opens a source and hands on what comes. `what` it is, for the log. `urgency`: the level of its real-time
/// scheduling; none: it has no hurry.
///
/// # Errors
/// No thread could be started.
pub fn read(
    thread: &str,
    what: String,
    urgency: Option<u8>,
    open: impl FnOnce(Wake) -> std::io::Result<Arrivals> + Send + 'static,
    mut hand_on: impl FnMut(Arrival) + Send + 'static,
) -> std::io::Result<()> {
    std::thread::Builder::new().name(thread.into()).spawn(move || {
        if let Some(level) = urgency {
            make_urgent(level);
        }
        let me = std::thread::current();
        let mut arrivals = match open(Arc::new(move || me.unpark())) {
            Ok(a) => a,
            Err(e) => return tracing::error!("no thread could be started for {what}: {e}"),
        };
        loop {
            while let Some(arrival) = arrivals.pop() {
                hand_on(arrival);
            }
            std::thread::park_timeout(LOOK_AGAIN);
        }
    })?;
    Ok(())
}
