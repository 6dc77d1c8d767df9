//! The urgent lanes: agents connect, agree on a session, and tell their news. One thread a connection; whoever cannot prove to be a
//! machine of this rig is hung up on within two seconds.

use std::io::{Read, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::sync::atomic::{AtomicU32, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use base::{Machine, MachineId, RigId, Span};
use ports::os::mono_now;
use wire::framing::write_frame;
use wire::{Down, FrameReader, HandshakeError, Lane, PublicKey, RefuseWhy, Responder, SecretKey, Session, Up};

use watch::channels::Roles;

use crate::ears::EarsDesk;
use crate::parity::{ParityDesk, ToParity};
use crate::scribe::{ScribeDesk, ToScribe};
use crate::to_watch::{ToWatch, WatchDesk};

/// How long a handshake may take.
const PATIENCE: Duration = Duration::from_secs(2);
/// Strangers that may be in a handshake at once.
const STRANGERS: usize = 16;

/// A second connection looks for its session this often.
const TRY_AGAIN: Duration = Duration::from_millis(20);
/// A bulk lane that says nothing for so long has ended.
const QUIET: Duration = Duration::from_secs(30);

/// A machine as the lanes know it.
#[derive(Clone)]
pub struct Known {
    /// Its place in the rig.
    pub machine: Machine,
    /// Its lasting id.
    pub id: MachineId,
    /// Its agent's key.
    pub key: PublicKey,
}

/// What the lanes need.
pub struct Lanes {
    /// Our key.
    pub me: SecretKey,
    /// The rig.
    pub rig: RigId,
    /// Who may connect.
    pub known: Vec<Known>,
    /// The time between two beats that agents are told.
    pub beat_interval: Span,
    /// The way to the watch.
    pub watch: WatchDesk,
    /// The way to the record and the page.
    pub scribe: ScribeDesk,
    /// Names of the channels that go to in-ear monitors.
    pub in_ears: Vec<String>,
    /// Where excerpts are compared.
    pub ears: EarsDesk,
    /// Where session folders are compared.
    pub parity: ParityDesk,
    /// Where patches are followed.
    pub patches: crate::patches::PatchDesk,
    /// The machines' urgent lanes, for whoever has to say something to them.
    pub speakers: Speakers,
}

/// The way to the agents: what the newest session of each machine is told.
#[derive(Clone, Default)]
pub struct Speakers(Arc<Mutex<std::collections::BTreeMap<u8, Speaker>>>);

struct Speaker {
    session: u32,
    stream: TcpStream,
    sealed: Arc<Mutex<Session>>,
}

impl Speakers {
    /// Tells one machine. False: it is not connected, or could not be told.
    pub fn say(&self, m: Machine, down: &Down) -> bool {
        // Whoever writes waits at most for the write's own patience, and the map is not held meanwhile.
        let to = self.0.lock().ok().and_then(|s| {
            let s = s.get(&m.into())?;
            Some((s.stream.try_clone().ok()?, s.sealed.clone()))
        });
        to.is_some_and(|(mut stream, sealed)| seal_and_send(&mut stream, &sealed, down))
    }
    /// Tells all.
    pub fn all(&self, down: &Down) {
        let who: Vec<u8> = self.0.lock().map(|s| s.keys().copied().collect()).unwrap_or_default();
        for m in who.into_iter().filter_map(|m| Machine::new(usize::from(m))) {
            self.say(m, down);
        }
    }
    fn add(&self, m: Machine, speaker: Speaker) {
        if let Ok(mut s) = self.0.lock() {
            s.insert(m.into(), speaker);
        }
    }
    fn remove(&self, m: Machine, session: u32) {
        if let Ok(mut s) = self.0.lock()
            && s.get(&m.into()).is_some_and(|s| s.session == session)
        {
            s.remove(&m.into());
        }
    }
}

fn seal_and_send(stream: &mut TcpStream, session: &Mutex<Session>, down: &Down) -> bool {
    let Ok(plain) = wire::encode_down(down) else { return false };
    let mut sealed = vec![0u8; plain.len() + wire::session::OVERHEAD];
    // Sealed and sent in one order: the other end refuses a counter that went back.
    let Ok(mut session) = session.lock() else { return false };
    let Ok(len) = session.seal(Lane::Urgent, &plain, &mut sealed) else { return false };
    let mut out = Vec::new();
    write_frame(&sealed[..len], &mut out);
    stream.write_all(&out).is_ok()
}

/// The newest connection of each machine: an older one that ends later says nothing about the machine.
type Newest = Arc<Mutex<std::collections::BTreeMap<u8, u32>>>;
/// The bulk lanes of the sessions that stand, until a second connection proves to be of one.
type Bulk = Arc<Mutex<std::collections::BTreeMap<u32, (Machine, Session)>>>;

/// Listens for ever.
///
/// # Errors
/// An address that cannot be bound.
pub fn start(address: SocketAddr, lanes: Lanes) -> std::io::Result<SocketAddr> {
    let listener = TcpListener::bind(address)
        .map_err(|e| std::io::Error::new(e.kind(), format!("listen.lanes {address}: {e}")))?;
    let bound = listener.local_addr()?;
    let lanes = Arc::new(lanes);
    let next_session = Arc::new(AtomicU32::new(first_session()));
    let strangers = Arc::new(AtomicUsize::new(0));
    let newest: Newest = Arc::default();
    let bulk: Bulk = Arc::default();
    ports::os::vital("lanes", move || {
        for stream in listener.incoming() {
            let Ok(stream) = stream else {
                std::thread::sleep(Duration::from_millis(50));
                continue;
            };
            if strangers.load(Ordering::Relaxed) >= STRANGERS {
                continue;
            }
            strangers.fetch_add(1, Ordering::Relaxed);
            let (lanes, next, strangers, newest, bulk) =
                (lanes.clone(), next_session.clone(), strangers.clone(), newest.clone(), bulk.clone());
            let made = std::thread::Builder::new().name("lane".into()).spawn(move || {
                let peer = stream.peer_addr().map_or_else(|_| "somebody".into(), |a| a.to_string());
                let shaken = shake_hands(&lanes, &stream, &next, &bulk);
                strangers.fetch_sub(1, Ordering::Relaxed);
                match shaken {
                    Ok(Shaken::Urgent(talk)) => talk.run(&lanes, &newest, &bulk),
                    Ok(Shaken::Bulk(carried)) => carried.run(&lanes, &bulk),
                    Err(why) => {
                        tracing::warn!("{peer}: {why}");
                        lanes.scribe.tell(ToScribe::Stranger { from: peer, why });
                    }
                }
            });
            if made.is_err() {
                tracing::error!("no thread could be made for a connection");
            }
        }
    })?;
    Ok(bound)
}

/// Session numbers begin anywhere, so that a restarted supervisor does not take an old session for a new one.
fn first_session() -> u32 {
    let id = ports::os::random_id();
    u32::from_le_bytes([id[0], id[1], id[2], id[3]]) | 1
}

/// A connection that has shown whose it is.
enum Shaken {
    Urgent(Talk),
    Bulk(Box<Carried>),
}

/// A machine's second connection.
struct Carried {
    stream: TcpStream,
    frames: FrameReader,
    session: Session,
    machine: Machine,
}

/// A machine's connection after the handshake.
struct Talk {
    stream: TcpStream,
    frames: FrameReader,
    session: Arc<Mutex<Session>>,
    known: Known,
}

fn shake_hands(lanes: &Lanes, stream: &TcpStream, next: &AtomicU32, bulk: &Bulk) -> Result<Shaken, String> {
    let mut stream = stream.try_clone().map_err(|e| e.to_string())?;
    let text = |e: std::io::Error| e.to_string();
    stream.set_nodelay(true).map_err(text)?;
    stream.set_read_timeout(Some(PATIENCE)).map_err(text)?;
    stream.set_write_timeout(Some(PATIENCE)).map_err(text)?;
    let mut frames = FrameReader::sealed();
    let knock = read_frame(&mut stream, &mut frames)?.ok_or("hung up before the handshake")?;
    if let Ok(header) = wire::peek(&knock)
        && header.place.is_some_and(|(lane, _)| lane == Lane::Bulk)
    {
        return attach(stream, frames, header.session, &knock, bulk).map(|c| Shaken::Bulk(Box::new(c)));
    }
    let responder = match Responder::read(&lanes.me, lanes.rig, &knock) {
        Ok(r) => r,
        Err(e @ HandshakeError::Version { .. }) => {
            let mut out = Vec::new();
            write_frame(&wire::handshake::other_version(), &mut out);
            let _ = stream.write_all(&out);
            return Err(e.to_string());
        }
        Err(e) => return Err(e.to_string()),
    };
    let peer = responder.peer();
    let known = lanes.known.iter().find(|k| k.key == peer).cloned().ok_or_else(|| {
        format!("the key {peer} belongs to no machine of this rig; mend: put it into rig.toml, or take that agent away")
    })?;
    let number = next.fetch_add(1, Ordering::Relaxed).max(1);
    let (session, answer) = responder.accept(number).map_err(|e| e.to_string())?;
    let mut out = Vec::new();
    write_frame(&answer, &mut out);
    stream.write_all(&out).map_err(text)?;
    Ok(Shaken::Urgent(Talk { stream, frames, session: Arc::new(Mutex::new(session)), known }))
}

/// A second connection of a session that stands: its first frame proves it.
fn attach(stream: TcpStream, frames: FrameReader, id: u32, frame: &[u8], bulk: &Bulk) -> Result<Carried, String> {
    // It may be a little faster than the urgent lane's first message.
    for _ in 0..PATIENCE.as_millis() / TRY_AGAIN.as_millis() {
        let mut waiting = bulk.lock().map_err(|e| e.to_string())?;
        if let Some((machine, mut session)) = waiting.remove(&id) {
            if let Err(e) = session.open_attach(frame) {
                waiting.insert(id, (machine, session));
                return Err(e.to_string());
            }
            return Ok(Carried { stream, frames, session, machine });
        }
        drop(waiting);
        std::thread::sleep(TRY_AGAIN);
    }
    Err("a bulk lane of a session that does not stand".into())
}

impl Carried {
    /// Reads to the end, and leaves the lane for the next connection.
    fn run(mut self, lanes: &Lanes, bulk: &Bulk) {
        // A host that vanished says nothing more; one that lives begins again.
        let _ = self.stream.set_read_timeout(Some(QUIET));
        let mut plain = vec![0u8; wire::session::MAX_FRAME];
        while let Ok(Some(frame)) = read_frame(&mut self.stream, &mut self.frames) {
            let Ok(len) = self.session.open(Lane::Bulk, &frame, &mut plain) else { continue };
            match wire::decode_up(&plain[..len]) {
                Ok(Up::Excerpt(e)) => lanes.ears.tell(self.machine, e),
                Ok(Up::Manifest(f)) => _ = lanes.parity.tell(ToParity::Manifest(self.machine, f)),
                Ok(up @ Up::Meters(_)) => lanes.scribe.tell(ToScribe::Up(self.machine, up)),
                Ok(Up::Listing(l)) => _ = lanes.parity.tell(ToParity::Listing(self.machine, l)),
                Ok(_) => tracing::warn!("machine {}: a message that is not for the bulk lane", self.machine),
                Err(e) => tracing::warn!("machine {}: {e}", self.machine),
            }
        }
        if let Ok(mut waiting) = bulk.lock() {
            waiting.insert(self.session.id(), (self.machine, self.session));
        }
    }
}

fn read_frame(stream: &mut TcpStream, frames: &mut FrameReader) -> Result<Option<Vec<u8>>, String> {
    let mut buffer = [0u8; 8192];
    loop {
        if let Some(f) = frames.next_frame().map_err(|e| e.to_string())? {
            return Ok(Some(f.to_vec()));
        }
        match stream.read(&mut buffer) {
            Ok(0) => return Ok(None),
            Ok(n) => frames.on_bytes(&buffer[..n]),
            Err(e) if e.kind() == std::io::ErrorKind::Interrupted => {}
            Err(e) => return Err(e.to_string()),
        }
    }
}

impl Talk {
    /// Reads to the end. The first message proves that the handshake was no replay; only then the session takes the old one's place.
    fn run(mut self, lanes: &Lanes, newest: &Newest, bulk: &Bulk) {
        let m = self.known.machine;
        let Ok(number) = self.session.lock().map(|s| s.id()) else { return };
        let mut plain = vec![0u8; wire::session::MAX_FRAME];
        let mut welcomed = false;
        let why = loop {
            let frame = match read_frame(&mut self.stream, &mut self.frames) {
                Ok(Some(f)) => f,
                Ok(None) => break "closed by the other end".to_string(),
                Err(e) => break e,
            };
            let opened = self.session.lock().ok().and_then(|mut s| s.open(Lane::Urgent, &frame, &mut plain).ok());
            let Some(len) = opened else { continue };
            let up = match wire::decode_up(&plain[..len]) {
                Ok(up) => up,
                Err(e) => {
                    tracing::warn!("machine {m}: {e}");
                    continue;
                }
            };
            if !welcomed {
                let Up::Hello(hello) = &up else { break "its first message was no hello".into() };
                if hello.machine != self.known.id {
                    let text = "this key belongs to another machine id".to_string();
                    self.say(&Down::Refuse { why: RefuseWhy::WrongMachine, text: text.clone() });
                    break text;
                }
                welcomed = true;
                if let Ok(mut n) = newest.lock() {
                    n.insert(m.into(), number);
                }
                let Ok((beats, heavy)) = self
                    .session
                    .lock()
                    .map(|mut s| (s.split_off(&[Lane::Path1, Lane::Path2]), s.split_off(&[Lane::Bulk])))
                else {
                    break "its session failed".into();
                };
                lanes.watch.tell(ToWatch::Session(m, Box::new(beats)));
                if let Ok(mut waiting) = bulk.lock() {
                    waiting.retain(|_, (of, _)| *of != m);
                    waiting.insert(number, (m, heavy));
                }
                self.say(&Down::Welcome { machine: m, beat_interval: lanes.beat_interval, term: 0 });
                let _ = self.stream.set_read_timeout(None);
                if let Ok(stream) = self.stream.try_clone() {
                    lanes.speakers.add(m, Speaker { session: number, stream, sealed: self.session.clone() });
                }
            }
            hand_on(m, up, lanes);
        };
        lanes.speakers.remove(m, number);
        let is_newest = newest.lock().is_ok_and(|n| n.get(&m.into()) == Some(&number));
        if welcomed && is_newest {
            lanes.watch.tell(ToWatch::LaneClosed(m, mono_now()));
        }
        tracing::warn!("machine {m}: the urgent lane ended: {why}");
    }

    fn say(&mut self, down: &Down) {
        seal_and_send(&mut self.stream, &self.session, down);
    }
}

/// What channels are for, by their names.
fn roles(channels: &[String], in_ears: &[String]) -> Roles {
    let mut roles =
        Roles { programme: [false; wire::channels::MAX_CHANNELS], in_ears: [false; wire::channels::MAX_CHANNELS] };
    for (i, name) in channels.iter().enumerate().take(wire::channels::MAX_CHANNELS) {
        roles.in_ears[i] = in_ears.contains(name);
        roles.programme[i] = !matches!(name.as_str(), "" | "timecode" | "pilot" | "click") && !roles.in_ears[i];
    }
    roles
}

/// What concerns the judgement goes to the watch, everything to the record.
fn hand_on(m: Machine, up: Up, lanes: &Lanes) {
    if let Up::Patches(stream) = up {
        return lanes.patches.tell(crate::patches::PatchNews::Stream(m, stream));
    }
    if let Up::Exclusive(e) = up {
        return lanes.patches.tell(crate::patches::PatchNews::Exclusive(m, e));
    }
    match &up {
        Up::LetGo { .. } => lanes.patches.tell(crate::patches::PatchNews::LetGo(m)),
        Up::Goodbye { .. } => {
            lanes.watch.tell(ToWatch::Goodbye(m));
        }
        Up::Trigger { at, what, .. } => {
            lanes.watch.tell(ToWatch::Trigger(m, *what, *at));
        }
        Up::Inventory(i) if !i.channels.is_empty() => {
            lanes.watch.tell(ToWatch::Channels(m, roles(&i.channels, &lanes.in_ears)));
        }
        _ => {}
    }
    lanes.scribe.tell(ToScribe::Up(m, up));
}
