//! Where buttons are heard: a MIDI port or a UDP socket, each on a thread of its own that opens it again for ever.
//!
//! OSC comes from anybody who can reach the socket. A datagram from a sender that is not named, without the secret of a paired button,
//! or that is no OSC message is refused and counted, and the count is told now and then.

use std::net::{IpAddr, SocketAddr, UdpSocket};
use std::sync::Arc;
use std::time::Duration;

use base::{MonoTime, Span};
use ports::midi::MidiPortName;
use ports::os::mono_now;
use ports::{Arrival, SourceState};
use rosc::{OscPacket, OscType};
use settings::buttons::ButtonMessage;
use timecode::midi::{MidiEvent, MidiReader, MidiReaderConfig};

use super::press::{Edge, Press};

/// Says something for the record: its code, and words.
pub type Say = Arc<dyn Fn(&'static str, String) + Send + Sync>;

/// Threads look at the time at least this often.
const LOOK: Duration = Duration::from_millis(50);
/// Between two tries to open a socket.
const AGAIN: Duration = Duration::from_secs(2);
/// Refusals are told at most this often.
const TELL_EVERY: Span = Span::from_secs(10);

/// A button, how it is heard, and what its acting does.
pub struct Heard<T> {
    /// How it is told from others.
    pub by: T,
    /// Its state.
    pub press: Press,
    /// It was pressed, let go or tapped.
    pub seen: Box<dyn Fn(MonoTime) + Send>,
    /// It acts.
    pub act: Box<dyn Fn() + Send>,
}

/// How an OSC button is told from others.
pub struct OscButton {
    /// Who may send; none: this computer.
    pub from: Vec<IpAddr>,
    /// Its address.
    pub address: String,
    /// Its secret.
    pub paired: Option<String>,
}

impl<T> Heard<T> {
    pub(super) fn on_edge(&mut self, edge: Edge, at: MonoTime) {
        (self.seen)(at);
        if self.press.on_edge(edge, at) {
            (self.act)();
        }
    }
    fn on_time(&mut self, now: MonoTime) {
        if self.press.on_time(now) {
            (self.act)();
        }
    }
}

/// How long a thread may sleep before one of its buttons wants to know the time.
fn sleep<T>(buttons: &[Heard<T>]) -> Duration {
    let now = mono_now();
    let due = buttons.iter().filter_map(|b| b.press.next_deadline()).min();
    let left = due.map_or(LOOK, |d| Duration::from_nanos((d - now).nanos().max(0).unsigned_abs()));
    // A socket takes no wait of zero.
    left.clamp(Duration::from_millis(1), LOOK)
}

/// Hears the buttons of one MIDI port.
///
/// # Errors
/// No thread could be started.
pub fn midi(host: String, port: String, mut buttons: Vec<Heard<ButtonMessage>>, say: Say) -> std::io::Result<()> {
    let hear = move || {
        let me = std::thread::current();
        let name = MidiPortName { host, port: port.clone() };
        let mut arrivals = match ports::midi::open_in(name, Some(Arc::new(move || me.unpark()))) {
            Ok(a) => a,
            Err(e) => return say("button-gone", format!("No button is heard from {port}: no thread: {e}.")),
        };
        let mut reader = MidiReader::new(MidiReaderConfig::default());
        loop {
            while let Some(arrival) = arrivals.pop() {
                match arrival {
                    Arrival::Midi { at, bytes } => reader.on_bytes(&bytes, at, &mut |e| {
                        for b in &mut buttons {
                            if let Some(edge) = midi_edge(b.by, &e) {
                                b.on_edge(edge, at);
                            }
                        }
                    }),
                    Arrival::State { state: SourceState::Open(f), .. } => {
                        say("button-here", format!("Buttons are heard from {}.", f.name));
                    }
                    Arrival::State { state: SourceState::Gone { why }, .. } => {
                        buttons.iter_mut().for_each(|b| b.press.on_lost());
                        say("button-gone", format!("No button is heard from {port}: {why}. It is tried on."));
                    }
                    Arrival::State { .. } | Arrival::Pcm { .. } => {}
                }
            }
            let now = mono_now();
            buttons.iter_mut().for_each(|b| b.on_time(now));
            std::thread::park_timeout(sleep(&buttons));
        }
    };
    std::thread::Builder::new().name("button-midi".into()).spawn(hear).map(drop)
}

/// What a MIDI event is to a button. MIDI 1.0: switch controllers are on from 64; a note-on of velocity 0 is an off.
fn midi_edge(button: ButtonMessage, e: &MidiEvent) -> Option<Edge> {
    let edge = |down| if down { Edge::Down } else { Edge::Up };
    match (button, e) {
        (ButtonMessage::Note(c, k), MidiEvent::Note { channel, key, on, .. }) => {
            (c == *channel && k == *key).then(|| edge(*on))
        }
        (ButtonMessage::Controller(c, n), MidiEvent::Control { channel, controller, value, .. }) => {
            (c == *channel && n == *controller).then(|| edge(*value >= 64))
        }
        (ButtonMessage::Program(c, p), MidiEvent::Patch { channel, program, .. }) => {
            (c == *channel && p == *program).then_some(Edge::Tap)
        }
        _ => None,
    }
}

/// Hears the buttons of one UDP socket.
///
/// # Errors
/// No thread could be started.
pub fn osc(at: SocketAddr, mut buttons: Vec<Heard<OscButton>>, say: Say) -> std::io::Result<()> {
    let hear = move || {
        let mut said = String::new();
        let mut refused = Refused::default();
        loop {
            let why = match UdpSocket::bind(at) {
                Ok(socket) => {
                    said.clear();
                    say("button-here", format!("Buttons are heard at {at}."));
                    hear_osc(&socket, &mut buttons, &mut refused, &say)
                }
                Err(e) => e,
            };
            buttons.iter_mut().for_each(|b| b.press.on_lost());
            let words = format!("No button is heard at {at}: {why}. It is tried on.");
            if words != said {
                say("button-gone", words.clone());
                said = words;
            }
            std::thread::sleep(AGAIN);
        }
    };
    std::thread::Builder::new().name("button-osc".into()).spawn(hear).map(drop)
}

fn hear_osc(socket: &UdpSocket, buttons: &mut [Heard<OscButton>], refused: &mut Refused, say: &Say) -> std::io::Error {
    use std::io::ErrorKind::{ConnectionRefused, ConnectionReset, Interrupted, TimedOut, WouldBlock};
    let mut buffer = [0u8; 1536];
    loop {
        if let Err(e) = socket.set_read_timeout(Some(sleep(buttons))) {
            return e;
        }
        let got = socket.recv_from(&mut buffer);
        let now = mono_now();
        match got {
            Ok((n, from)) => on_datagram(buttons, refused, &buffer[..n], from, now),
            Err(e) if matches!(e.kind(), WouldBlock | TimedOut | Interrupted | ConnectionReset | ConnectionRefused) => {
            }
            Err(e) => return e,
        }
        buttons.iter_mut().for_each(|b| b.on_time(now));
        if let Some(text) = refused.due(now) {
            say("button-refused", text);
        }
    }
}

/// Datagrams that pressed nothing, and why.
#[derive(Default, Debug, PartialEq, Eq)]
struct Refused {
    /// From senders that may not.
    strangers: u64,
    /// Without the button's secret.
    unpaired: u64,
    /// No OSC message, or of no button.
    nonsense: u64,
    newest: Option<SocketAddr>,
    told: Option<(MonoTime, u64)>,
}

impl Refused {
    fn due(&mut self, now: MonoTime) -> Option<String> {
        let all = self.strangers + self.unpaired + self.nonsense;
        let from = self.newest?;
        let due = self.told.is_none_or(|(at, n)| n != all && now - at >= TELL_EVERY);
        due.then(|| {
            self.told = Some((now, all));
            let (s, u, n) = (self.strangers, self.unpaired, self.nonsense);
            format!(
                "OSC that may press no button was refused, last from {from}: {s} of senders not named, {u} without the secret, {n} meaningless."
            )
        })
    }
}

fn on_datagram(buttons: &mut [Heard<OscButton>], refused: &mut Refused, bytes: &[u8], from: SocketAddr, now: MonoTime) {
    let ip = from.ip().to_canonical();
    let may = |b: &OscButton| if b.from.is_empty() { ip.is_loopback() } else { b.from.contains(&ip) };
    let mut refuse = |count: fn(&mut Refused) -> &mut u64| {
        *count(refused) += 1;
        refused.newest = Some(from);
    };
    // Before anything of it is read.
    if !buttons.iter().any(|b| may(&b.by)) {
        return refuse(|r| &mut r.strangers);
    }
    let Ok((_, OscPacket::Message(m))) = rosc::decoder::decode_udp(bytes) else {
        return refuse(|r| &mut r.nonsense);
    };
    let mut known = false;
    for b in buttons.iter_mut().filter(|b| b.by.address == m.addr) {
        known = true;
        if !may(&b.by) {
            refuse(|r| &mut r.strangers);
        } else if b.by.paired.as_ref().is_some_and(|secret| !holds(&m.args, secret)) {
            refuse(|r| &mut r.unpaired);
        } else {
            b.on_edge(osc_edge(&m.args), now);
        }
    }
    if !known {
        refuse(|r| &mut r.nonsense);
    }
}

/// Whether one of the arguments is the secret. The time it takes tells nothing of where they differ.
fn holds(args: &[OscType], secret: &str) -> bool {
    args.iter().any(|a| match a {
        OscType::String(s) if s.len() == secret.len() => {
            s.bytes().zip(secret.bytes()).fold(0, |d, (x, y)| d | (x ^ y)) == 0
        }
        _ => false,
    })
}

fn osc_edge(args: &[OscType]) -> Edge {
    let level = args.iter().find_map(|a| match a {
        OscType::Int(i) => Some(f64::from(*i)),
        OscType::Float(f) => Some(f64::from(*f)),
        OscType::Double(d) => Some(*d),
        OscType::Bool(b) => Some(f64::from(u8::from(*b))),
        _ => None,
    });
    match level {
        None => Edge::Tap,
        Some(l) if l >= 0.5 => Edge::Down,
        Some(_) => Edge::Up,
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::super::press::Demand;
    use super::*;
    use std::sync::mpsc::{Receiver, channel};

    const SECRET: &str = "00112233445566778899aabbccddeeff";

    fn button(from: &[&str], paired: bool, demand: Demand) -> (Heard<OscButton>, Receiver<()>) {
        let (to, acted) = channel();
        let from = from.iter().map(|f| f.parse().unwrap()).collect();
        let by = OscButton { from, address: "/foot".into(), paired: paired.then(|| SECRET.into()) };
        let seen = Box::new(|_| {});
        (Heard { by, press: Press::new(demand), seen, act: Box::new(move || to.send(()).unwrap()) }, acted)
    }

    fn message(address: &str, args: Vec<OscType>) -> Vec<u8> {
        rosc::encoder::encode(&OscPacket::Message(rosc::OscMessage { addr: address.into(), args })).unwrap()
    }

    #[test]
    fn nobody_unknown_presses_anything() {
        let (b, acted) = button(&["10.0.0.60"], true, Demand::Once);
        let mut buttons = [b];
        let mut refused = Refused::default();
        let now = MonoTime::from_nanos(5_000_000_000);
        let mut send = |bytes: &[u8], from: &str| {
            on_datagram(&mut buttons, &mut refused, bytes, from.parse().unwrap(), now);
            acted.try_recv().is_ok()
        };
        let secret = || OscType::String(SECRET.into());
        let right = message("/foot", vec![OscType::Int(1), secret()]);
        assert!(!send(&right, "10.0.0.61:9"), "another sender");
        assert!(!send(&right, "127.0.0.1:9"), "this computer is not among those named");
        assert!(!send(&message("/foot", vec![OscType::Int(1)]), "10.0.0.60:9"), "no secret");
        let wrong = OscType::String(SECRET.replace('f', "e"));
        assert!(!send(&message("/foot", vec![OscType::Int(1), wrong]), "10.0.0.60:9"), "a wrong secret");
        assert!(!send(&message("/hand", vec![secret()]), "10.0.0.60:9"), "no button of ours");
        for n in 0..right.len() - 4 {
            assert!(!send(&right[..n], "10.0.0.60:9"), "cut after {n}");
        }
        assert!(send(&right, "10.0.0.60:40000"), "the right one, from any port");
        let counts = (refused.strangers, refused.unpaired);
        assert_eq!(counts, (2, 2));
        assert!(refused.nonsense >= 1);
        let text = refused.due(now).unwrap();
        assert!(text.contains("10.0.0.60") && text.contains("2 of senders not named"), "{text}");
        assert_eq!(refused.due(now + Span::from_secs(60)), None, "nothing new");
    }

    #[test]
    fn a_button_is_heard_over_a_real_socket() {
        let (hold, held) = button(&[], false, Demand::Deliberate(Span::from_millis(100)));
        let free = UdpSocket::bind("127.0.0.1:0").unwrap().local_addr().unwrap();
        let (to, said) = channel();
        osc(free, vec![hold], Arc::new(move |code, _| _ = to.send(code))).unwrap();
        let long = Duration::from_secs(30);
        assert_eq!(said.recv_timeout(long), Ok("button-here"));
        let me = UdpSocket::bind("127.0.0.1:0").unwrap();
        me.send_to(b"#no osc", free).unwrap();
        assert_eq!(said.recv_timeout(long), Ok("button-refused"));
        assert_eq!(held.try_recv().ok(), None);
        // Held: it acts by itself when its time is up.
        me.send_to(&message("/foot", vec![OscType::Float(1.0)]), free).unwrap();
        held.recv_timeout(long).unwrap();
    }

    #[test]
    fn midi_messages_are_edges() {
        let mut reader = MidiReader::new(MidiReaderConfig::default());
        let mut edges = |button: ButtonMessage, bytes: &[u8]| {
            let mut all = Vec::new();
            let at = MonoTime::from_nanos(1);
            reader.on_bytes(bytes, at, &mut |e| all.extend(midi_edge(button, &e)));
            all
        };
        let note = ButtonMessage::Note(1, 60);
        assert_eq!(
            edges(note, &[0x90, 60, 100, 0x90, 60, 0, 0x90, 60, 1, 0x80, 60, 64]),
            [Edge::Down, Edge::Up, Edge::Down, Edge::Up]
        );
        assert_eq!(edges(note, &[0x91, 60, 100, 0x90, 61, 100]), []);
        let pedal = ButtonMessage::Controller(16, 64);
        assert_eq!(edges(pedal, &[0xBF, 64, 127, 64, 63, 64, 64]), [Edge::Down, Edge::Up, Edge::Down]);
        assert_eq!(edges(ButtonMessage::Program(1, 5), &[0xC0, 5, 0xC0, 6, 0xC1, 5]), [Edge::Tap]);
    }
}
