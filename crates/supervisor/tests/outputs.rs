//! Each kind of output against a real far end on this computer: the exact bytes of "go to B", what happens when the far end goes,
//! comes back, refuses or is slow. Nothing here is judged by the time it took.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, missing_docs)]

use std::io::{Read, Write};
use std::net::{SocketAddr, TcpListener, TcpStream, UdpSocket};
use std::sync::mpsc::{Receiver, channel};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use base::{Machine, SwitchView};
use ports::os::Gate;
use settings::outputs::Encoding;
use settings::rig::Output;
use twinkeel_supervisor::outputs::{OutputNews, Outputs};

const LONG: Duration = Duration::from_secs(60);

struct Rig {
    gate: Gate,
    outputs: Outputs,
    news: Receiver<OutputNews>,
}

impl Rig {
    fn open(outputs: &[Output]) -> Rig {
        let ours: Vec<SocketAddr> = (0..Outputs::sockets(outputs)).map(|_| "127.0.0.1:0".parse().unwrap()).collect();
        let gate = Gate::bind(&ours).unwrap();
        let (to, news) = channel();
        let to = Mutex::new(to);
        let tell: Arc<dyn Fn(OutputNews) + Send + Sync> = Arc::new(move |n| drop(to.lock().unwrap().send(n)));
        Rig { outputs: Outputs::open(outputs, 2, 0, &tell).unwrap(), gate, news }
    }
    /// Waits for news of a kind.
    fn until<T>(&self, what: impl Fn(&OutputNews) -> Option<T>) -> T {
        loop {
            let news = self.news.recv_timeout(LONG).expect("news in a minute");
            if let Some(found) = what(&news) {
                return found;
            }
        }
    }
    fn opened(&self, n: usize) {
        self.until(|x| matches!(x, OutputNews::Opened { output, .. } if *output == n).then_some(()));
    }
    fn gone(&self) -> String {
        self.until(|x| if let OutputNews::Gone { why, .. } = x { Some(why.clone()) } else { None })
    }
    fn failed(&self) -> (u32, String) {
        self.until(|x| if let OutputNews::Failed { number, why, .. } = x { Some((*number, why.clone())) } else { None })
    }
    fn heard(&self, m: Machine) {
        self.until(|x| matches!(x, OutputNews::Heard(SwitchView::On(on), _) if *on == m).then_some(()));
    }
    fn go(&mut self, to: Machine) -> bool {
        self.outputs.select(to, &self.gate)
    }
}

fn text(words: [&str; 2]) -> Vec<String> {
    words.map(String::from).to_vec()
}

fn tcp(to: SocketAddr) -> Output {
    Output::Tcp {
        to,
        encoding: Encoding::Text,
        select: text(["GO A\r\n", "GO B\r\n"]),
        ask: Some("?\r\n".into()),
        answer: text(["ON A", "ON B"]),
    }
}

/// A switch that speaks lines: passes on what comes and says what it carries when asked.
fn line_switch(listener: &TcpListener) -> (TcpStream, Receiver<String>) {
    let (stream, _) = listener.accept().unwrap();
    let mut ears = stream.try_clone().unwrap();
    let (to, lines) = channel();
    std::thread::spawn(move || {
        let (mut line, mut byte, mut on) = (String::new(), [0u8], 'A');
        while let Ok(1) = ears.read(&mut byte) {
            line.push(byte[0] as char);
            if !line.ends_with("\r\n") {
                continue;
            }
            match line.as_str() {
                "?\r\n" => ears.write_all(format!("ON {on}\r\n").as_bytes()).unwrap_or(()),
                other => on = other.chars().nth(3).unwrap_or('?'),
            }
            if line != "?\r\n" && to.send(line.clone()).is_err() {
                return;
            }
            line.clear();
        }
    });
    (stream, lines)
}

#[test]
fn udp_sends_exactly_its_bytes_and_believes_only_the_switch() {
    let switch = UdpSocket::bind("127.0.0.1:0").unwrap();
    switch.set_read_timeout(Some(LONG)).unwrap();
    let mut rig = Rig::open(&[Output::Udp {
        to: switch.local_addr().unwrap(),
        encoding: Encoding::Hex,
        select: text(["01 ff 00", "01 ff 01"]),
        ask: Some("02".into()),
        answer: text(["82 00", "82 01"]),
    }]);
    rig.opened(0);
    assert!(rig.go(Machine::B));
    rig.outputs.ask(&rig.gate);
    let mut got = [0; 16];
    let (n, from) = switch.recv_from(&mut got).unwrap();
    assert_eq!(got[..n], [0x01, 0xFF, 0x01]);
    let n = switch.recv(&mut got).unwrap();
    assert_eq!(got[..n], [0x02]);
    UdpSocket::bind("127.0.0.1:0").unwrap().send_to(&[0x82, 0x00], from).unwrap();
    switch.send_to(&[0x82, 0x01], from).unwrap();
    let mut heard = None;
    while heard.is_none() {
        rig.gate.wait(Some(ports::os::mono_now() + base::Span::from_secs(1)));
        heard = rig.outputs.hear(&rig.gate, &mut [0; 64]);
    }
    assert_eq!(heard.map(|h| h.0), Some(SwitchView::On(Machine::B)));
    let h = rig.outputs.health()[0].view();
    assert_eq!((h.open, h.sent, h.failed), (true, 1, 0));
}

#[test]
fn tcp_is_connected_beforehand_confirms_and_comes_back() {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let mut rig = Rig::open(&[tcp(listener.local_addr().unwrap())]);
    let (stream, lines) = line_switch(&listener);
    rig.opened(0);
    rig.heard(Machine::A);
    assert!(rig.go(Machine::B));
    assert_eq!(lines.recv_timeout(LONG).unwrap(), "GO B\r\n");
    rig.heard(Machine::B);
    // The switch is switched off and on: noticed without sending, and nothing is sent late.
    stream.shutdown(std::net::Shutdown::Both).unwrap();
    drop(stream);
    assert!(!rig.gone().is_empty());
    let (_stream, lines) = line_switch(&listener);
    rig.opened(0);
    let h = rig.outputs.health()[0].view();
    assert!(h.open && h.gone.is_none() && h.last_error.is_some(), "{h:?}");
    assert!(rig.go(Machine::A));
    assert_eq!(lines.recv_timeout(LONG).unwrap(), "GO A\r\n");
}

#[test]
fn a_dead_first_output_falls_to_the_second() {
    let nobody = TcpListener::bind("127.0.0.1:0").unwrap();
    let at = nobody.local_addr().unwrap();
    drop(nobody);
    let switch = UdpSocket::bind("127.0.0.1:0").unwrap();
    switch.set_read_timeout(Some(LONG)).unwrap();
    let (select, to) = (text(["GO A", "GO B"]), switch.local_addr().unwrap());
    let second = Output::Udp { to, encoding: Encoding::Text, select, ask: None, answer: Vec::new() };
    let mut rig = Rig::open(&[tcp(at), second]);
    assert!(rig.gone().to_lowercase().contains("refused"));
    assert!(!rig.go(Machine::B), "known at once, without waiting");
    rig.outputs.next();
    assert_eq!(rig.outputs.in_use(), 1);
    assert!(rig.go(Machine::B));
    let mut got = [0; 16];
    let n = switch.recv(&mut got).unwrap();
    assert_eq!(&got[..n], b"GO B");
    // After the last comes the first, which may be back.
    let listener = TcpListener::bind(at).unwrap();
    let (_stream, lines) = line_switch(&listener);
    rig.opened(0);
    rig.outputs.next();
    assert!(rig.go(Machine::A));
    assert_eq!(lines.recv_timeout(LONG).unwrap(), "GO A\r\n");
}

#[cfg(unix)]
#[test]
fn serial_sends_exactly_its_bytes_is_asked_and_notices_a_pulled_plug() {
    let (mut far, port) = ports::serial::made_up().unwrap();
    let mut rig = Rig::open(&[Output::Serial {
        port,
        baud: 115_200,
        encoding: Encoding::Hex,
        select: text(["13 11 0a 00", "13 11 0a 01"]),
        ask: Some("3f".into()),
        answer: text(["21 00", "21 01"]),
    }]);
    rig.opened(0);
    assert!(rig.go(Machine::B));
    let (mut got, mut buffer, mut questions) = (Vec::<u8>::new(), [0; 32], 0);
    while got.len() < 4 || questions == 0 {
        if let Ok(Some(n)) = far.hear(&mut buffer) {
            questions += buffer[..n].iter().filter(|b| **b == 0x3F).count();
            got.extend(buffer[..n].iter().filter(|b| **b != 0x3F));
        }
    }
    assert_eq!(got, [0x13, 0x11, 0x0A, 0x01]);
    far.send(&[0x00, 0x21, 0x01]).unwrap();
    rig.heard(Machine::B);
    drop(far);
    assert!(!rig.gone().is_empty());
    assert!(!rig.go(Machine::A));
}

/// What an HTTP switch was asked: method, path, body.
type Asked = (String, String, String);

/// The smallest HTTP/1.1 server (RFC 9112) that keeps its connections; `answer` makes status and body of what was asked.
fn http_switch(answer: impl Fn(&Asked) -> (u16, String) + Send + Sync + 'static) -> (SocketAddr, Receiver<Asked>) {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let at = listener.local_addr().unwrap();
    let (to, asked) = channel();
    let answer = Arc::new(answer);
    std::thread::spawn(move || {
        for stream in listener.incoming().flatten() {
            let (to, answer) = (to.clone(), answer.clone());
            std::thread::spawn(move || while let Some(()) = serve_one(&stream, &to, answer.as_ref()) {});
        }
    });
    (at, asked)
}

fn serve_one(
    mut s: &TcpStream,
    to: &std::sync::mpsc::Sender<Asked>,
    answer: &(dyn Fn(&Asked) -> (u16, String) + Send + Sync),
) -> Option<()> {
    let (mut head, mut byte) = (String::new(), [0u8]);
    while !head.ends_with("\r\n\r\n") {
        s.read_exact(&mut byte).ok()?;
        head.push(byte[0] as char);
    }
    let length = head.lines().find_map(|l| l.to_lowercase().strip_prefix("content-length:")?.trim().parse().ok());
    let mut body = vec![0u8; length.unwrap_or(0)];
    s.read_exact(&mut body).ok()?;
    let mut first = head.split(' ');
    let (method, path) = (first.next()?.to_string(), first.next()?.to_string());
    let asked = (method, path, String::from_utf8(body).ok()?);
    let (status, body) = answer(&asked);
    let sent = if asked.0 == "HEAD" { "" } else { body.as_str() };
    let reply = format!("HTTP/1.1 {status} x\r\nContent-Length: {}\r\n\r\n{sent}", body.len());
    s.write_all(reply.as_bytes()).ok()?;
    to.send(asked).ok()
}

fn http(at: SocketAddr, ask: bool) -> Output {
    Output::Http {
        method: "PUT".into(),
        select: vec![format!("http://{at}/air")],
        body: text(["A", "B"]),
        media: "text/plain".into(),
        ask: ask.then(|| format!("http://{at}/air")),
        answer: if ask { text(["A", "B"]) } else { Vec::new() },
    }
}

#[test]
fn http_sends_its_request_on_a_kept_connection_and_is_confirmed_by_asking() {
    let on = Arc::new(Mutex::new(String::from("A")));
    let state = on.clone();
    let (at, asked) = http_switch(move |(method, _, body)| {
        if method == "PUT" {
            state.lock().unwrap().clone_from(body);
            return (204, String::new());
        }
        (200, format!("{}\n", state.lock().unwrap()))
    });
    let mut rig = Rig::open(&[http(at, true)]);
    rig.opened(0);
    rig.heard(Machine::A);
    assert!(rig.go(Machine::B));
    rig.heard(Machine::B);
    let all: Vec<Asked> = asked.try_iter().collect();
    let puts: Vec<_> = all.iter().filter(|a| a.0 == "PUT").collect();
    assert_eq!(puts, [&("PUT".to_string(), "/air".to_string(), "B".to_string())]);
    // What keeps the connection is safe by RFC 9110, 9.2.1.
    assert!(all.iter().all(|a| matches!(a.0.as_str(), "PUT" | "HEAD" | "GET")), "{all:?}");
}

#[test]
fn an_http_status_that_is_no_success_is_a_failure_of_that_command() {
    let (at, _asked) = http_switch(|(method, ..)| (if method == "PUT" { 500 } else { 200 }, "no".into()));
    let mut rig = Rig::open(&[http(at, false)]);
    rig.opened(0);
    assert!(rig.go(Machine::B));
    let (number, why) = rig.failed();
    assert_eq!(number, rig.outputs.newest());
    assert!(why.contains("status 500"), "{why}");
    let h = rig.outputs.health()[0].view();
    assert!(h.open && h.failed == 1 && h.sent == 0, "the connection stands: {h:?}");
}

#[cfg(unix)]
fn shell(a: &str, b: &str, limit: i64) -> Output {
    let select = [a, b].map(|script| vec!["-c".to_string(), script.to_string()]).to_vec();
    Output::Command { program: "/bin/sh".into(), select, limit: settings::duration::Duration::millis(limit) }
}

#[cfg(unix)]
#[test]
fn a_program_gets_its_arguments_and_its_exit_code_counts() {
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("air");
    let mut rig = Rig::open(&[shell("exit 3", &format!("printf B > {}", file.display()), 30_000)]);
    rig.opened(0);
    assert!(rig.go(Machine::B));
    while rig.outputs.health()[0].view().sent == 0 {
        std::thread::yield_now();
    }
    assert_eq!(std::fs::read(&file).unwrap(), b"B");
    // Held up for a moment longer, perhaps: the count comes before the place in the ring is free for all.
    while !rig.go(Machine::A) {
        std::thread::yield_now();
    }
    assert!(rig.failed().1.contains("exit status: 3"));
}

#[cfg(unix)]
#[test]
fn a_slow_program_holds_up_nobody_and_is_stopped() {
    let mut rig = Rig::open(&[shell("exit 0", "sleep 600", 300)]);
    rig.opened(0);
    assert!(rig.go(Machine::B));
    // Were the watch thread to wait for it, this would come after its end, and be taken.
    assert!(!rig.go(Machine::A), "an output that is held up says so at once");
    let (number, why) = rig.failed();
    assert_eq!(number, 1);
    assert!(why.contains("was stopped"), "{why}");
}

#[cfg(unix)]
#[test]
fn a_program_that_others_could_change_is_not_started() {
    use std::os::unix::fs::PermissionsExt;
    let dir = tempfile::tempdir().unwrap();
    let program = dir.path().join("go");
    std::fs::write(&program, "#!/bin/sh\n").unwrap();
    std::fs::set_permissions(&program, std::fs::Permissions::from_mode(0o757)).unwrap();
    let select = vec![vec!["a".to_string()], vec!["b".to_string()]];
    let mut rig = Rig::open(&[Output::Command { program, select, limit: settings::duration::Duration::secs(1) }]);
    assert!(rig.gone().contains("others may change this file"));
    assert!(!rig.go(Machine::B));
}
