//! The urgent lane: connect, agree on a session, say who we are, then tell the news. It tries again for ever.

use std::io::{Read, Write};
use std::net::{Shutdown, SocketAddr, TcpStream};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use base::{MonoTime, RigId, Span};
use ports::os::mono_now;
use wire::framing::write_frame;
use wire::{Down, FrameReader, Initiator, Lane, PublicKey, SecretKey, Session, Up};

use crate::backlog::Backlog;
use crate::folders::keeper::Ask;
use crate::news::{News, NewsDesk};

/// How long a connect or a handshake may take.
const PATIENCE: Duration = Duration::from_secs(2);
/// Between two tries.
const PAUSE: Duration = Duration::from_millis(200);
/// Without a reply for this long the supervisor is not there, whatever the connection says.
const SILENCE: Span = Span::from_secs(3);

/// What the lane needs.
pub struct Lanes {
    /// Our key.
    pub me: SecretKey,
    /// The supervisor's.
    pub supervisor: PublicKey,
    /// The rig.
    pub rig: RigId,
    /// Where it listens.
    pub address: SocketAddr,
    /// First messages of every session.
    pub introduction: Arc<Mutex<Vec<Up>>>,
    /// News to be told.
    pub urgent: Backlog,
    /// What goes over the bulk lane.
    pub bulk: Arc<Mutex<Receiver<Up>>>,
    /// Where the beat lanes of a session go.
    pub desk: NewsDesk,
    /// Who answers for the session folders, if there are any.
    pub folders: Option<Sender<Ask>>,
    /// When a reply was last heard.
    pub last_reply: Arc<AtomicU64>,
}

impl Lanes {
    /// Connects and talks for ever.
    pub fn run(mut self) -> ! {
        let mut last_error = String::new();
        loop {
            match self.talk() {
                Ok(why) => tracing::warn!("the talk with the supervisor ended: {why}"),
                Err(e) => {
                    let e = e.to_string();
                    if e != last_error {
                        tracing::warn!("no talk with the supervisor at {}: {e}; trying on", self.address);
                        last_error = e;
                    }
                }
            }
            self.urgent.keep();
            std::thread::sleep(PAUSE);
        }
    }

    fn talk(&mut self) -> Result<String, Box<dyn std::error::Error>> {
        let mut stream = TcpStream::connect_timeout(&self.address, PATIENCE)?;
        stream.set_nodelay(true)?;
        stream.set_read_timeout(Some(PATIENCE))?;
        stream.set_write_timeout(Some(PATIENCE))?;
        let session = self.handshake(&mut stream)?;
        tracing::info!("session {} with the supervisor at {}", session.id(), self.address);
        let mut session = session;
        let beats = session.split_off(&[Lane::Path1, Lane::Path2]);
        self.desk.tell_now(News::Session(Box::new(beats)));
        let bulk = session.split_off(&[Lane::Bulk]);
        let since = mono_now();
        let session = Arc::new(Mutex::new(session));
        let closed = Arc::new(AtomicBool::new(false));
        let reader = spawn_reader(stream.try_clone()?, session.clone(), closed.clone(), self.folders.clone())?;
        let carrier = crate::bulk::start(self.address, bulk, self.bulk.clone(), closed.clone())?;
        let why = self.write(&mut stream, &session, &closed, since);
        let _ = stream.shutdown(Shutdown::Both);
        let _ = reader.join();
        closed.store(true, Ordering::Release);
        let _ = carrier.join();
        Ok(why)
    }

    fn handshake(&self, stream: &mut TcpStream) -> Result<Session, Box<dyn std::error::Error>> {
        let (initiator, knock) = Initiator::start(&self.me, &self.supervisor, self.rig)?;
        let mut out = Vec::new();
        write_frame(&knock, &mut out);
        stream.write_all(&out)?;
        let mut frames = FrameReader::new(4096);
        let mut buffer = [0u8; 4096];
        loop {
            let n = stream.read(&mut buffer)?;
            if n == 0 {
                return Err(
                    "the supervisor hung up during the handshake: is this machine's key in its rig.toml?".into()
                );
            }
            frames.on_bytes(&buffer[..n]);
            if let Some(frame) = frames.next_frame()? {
                return Ok(initiator.finish(frame)?);
            }
        }
    }

    fn write(
        &mut self,
        stream: &mut TcpStream,
        session: &Mutex<Session>,
        closed: &AtomicBool,
        since: MonoTime,
    ) -> String {
        let introduction = self.introduction.lock().map(|i| i.clone()).unwrap_or_default();
        let mut first: std::collections::VecDeque<Up> = introduction.into();
        loop {
            let introduces = !first.is_empty();
            let up = match first.pop_front() {
                Some(up) => up,
                None => match self.urgent.next(Duration::from_millis(100)) {
                    Ok(up) => up,
                    Err(RecvTimeoutError::Timeout) => {
                        if closed.load(Ordering::Acquire) {
                            return "it closed the connection".into();
                        }
                        let heard = MonoTime::from_nanos(self.last_reply.load(Ordering::Relaxed)).max(since);
                        if mono_now() - heard > SILENCE {
                            return "no reply to beats for 3 s".into();
                        }
                        continue;
                    }
                    Err(RecvTimeoutError::Disconnected) => return "this agent is ending".into(),
                },
            };
            if closed.load(Ordering::Acquire) {
                if !introduces {
                    self.urgent.back(up);
                }
                return "it closed the connection".into();
            }
            let Ok(plain) = wire::encode_up(&up) else {
                tracing::warn!("a message that is too long was not sent");
                continue;
            };
            if let Err(e) = send(stream, session, &plain) {
                if !introduces {
                    self.urgent.back(up);
                }
                return e.to_string();
            }
        }
    }
}

fn send(stream: &mut TcpStream, session: &Mutex<Session>, plain: &[u8]) -> std::io::Result<()> {
    let mut sealed = vec![0u8; plain.len() + wire::session::OVERHEAD];
    let len = session
        .lock()
        .map_err(|_| std::io::Error::other("the session is broken"))?
        .seal(Lane::Urgent, plain, &mut sealed)
        .map_err(std::io::Error::other)?;
    let mut out = Vec::with_capacity(len + 4);
    write_frame(&sealed[..len], &mut out);
    stream.write_all(&out)
}

/// Reads what the supervisor says until the connection ends.
fn spawn_reader(
    mut stream: TcpStream,
    session: Arc<Mutex<Session>>,
    closed: Arc<AtomicBool>,
    folders: Option<Sender<Ask>>,
) -> std::io::Result<std::thread::JoinHandle<()>> {
    let ask = move |ask| _ = folders.as_ref().map(|f| f.send(ask));
    stream.set_read_timeout(None)?;
    std::thread::Builder::new().name("lane-reader".into()).spawn(move || {
        let mut frames = FrameReader::sealed();
        let mut buffer = vec![0u8; 16 * 1024];
        let mut plain = vec![0u8; wire::session::MAX_FRAME];
        'read: while let Ok(n) = stream.read(&mut buffer) {
            if n == 0 {
                break;
            }
            frames.on_bytes(&buffer[..n]);
            loop {
                match frames.next_frame() {
                    Ok(Some(frame)) => {
                        let opened = session.lock().ok().and_then(|mut s| s.open(Lane::Urgent, frame, &mut plain).ok());
                        let Some(len) = opened else { continue };
                        match wire::decode_down(&plain[..len]) {
                            Ok(Down::Welcome { machine, .. }) => tracing::info!("this is machine {machine} of the rig"),
                            Ok(Down::Refuse { text, .. }) => tracing::error!("refused: {text}"),
                            Ok(Down::WantListing(want)) => ask(Ask::Part(want)),
                            Ok(Down::LookAgain { everything }) => ask(Ask::Again { everything }),
                            Ok(_) | Err(_) => {}
                        }
                    }
                    Ok(None) => break,
                    Err(e) => {
                        tracing::warn!("the supervisor's stream is broken: {e}");
                        break 'read;
                    }
                }
            }
        }
        closed.store(true, Ordering::Release);
    })
}
