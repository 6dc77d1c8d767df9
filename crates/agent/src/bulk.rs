//! The bulk lane: a second connection of the session, for what is large and may be late. Whatever happens to it, beats and the
//! urgent lane go on.

use std::io::Write;
use std::net::{SocketAddr, TcpStream};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;
use std::time::Duration;

use wire::framing::write_frame;
use wire::{Lane, Session, Up};

/// How long a connect or a write may take.
const PATIENCE: Duration = Duration::from_secs(2);
/// Between two tries, and between two looks at whether the session has ended.
const PAUSE: Duration = Duration::from_millis(500);

/// Carries messages as long as the session lasts.
///
/// # Errors
/// When no thread can be made.
pub fn start(
    address: SocketAddr,
    mut session: Session,
    messages: Arc<Mutex<Receiver<Up>>>,
    closed: Arc<AtomicBool>,
) -> std::io::Result<JoinHandle<()>> {
    std::thread::Builder::new().name("bulk-lane".into()).spawn(move || {
        while !closed.load(Ordering::Acquire) {
            if let Err(e) = carry(address, &mut session, &messages, &closed) {
                tracing::debug!("the bulk lane: {e}; trying on");
                std::thread::sleep(PAUSE);
            }
        }
    })
}

fn carry(
    address: SocketAddr,
    session: &mut Session,
    messages: &Mutex<Receiver<Up>>,
    closed: &AtomicBool,
) -> Result<(), Box<dyn std::error::Error>> {
    let mut stream = TcpStream::connect_timeout(&address, PATIENCE)?;
    stream.set_write_timeout(Some(PATIENCE))?;
    let mut sealed = vec![0u8; wire::session::MAX_FRAME];
    let mut out = Vec::new();
    let n = session.seal_attach(&mut sealed)?;
    write_frame(&sealed[..n], &mut out);
    stream.write_all(&out)?;
    let messages = messages.lock().map_err(|_| "another carrier failed")?;
    // What was cut before the lane stood is old.
    while messages.try_recv().is_ok() {}
    while !closed.load(Ordering::Acquire) {
        let up = match messages.recv_timeout(PAUSE) {
            Ok(up) => up,
            Err(RecvTimeoutError::Timeout) => continue,
            Err(e) => return Err(e.into()),
        };
        let plain = wire::encode_up(&up)?;
        let n = session.seal(Lane::Bulk, &plain, &mut sealed)?;
        out.clear();
        write_frame(&sealed[..n], &mut out);
        stream.write_all(&out)?;
    }
    Ok(())
}
