//! From the verdict to the first byte at the far end, for each kind of output on this computer: `cargo run --release -p
//! twinkeel-supervisor --example first_byte`. Budget: p99 of 1 ms. MIDI needs a port, so its figure comes from the whole rig.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, missing_docs)]

use std::io::{Read, Write};
use std::net::{SocketAddr, TcpListener, UdpSocket};
use std::sync::Arc;
use std::sync::mpsc::{Receiver, Sender, channel};
use std::time::{Duration, Instant};

use base::Machine;
use ports::os::Gate;
use settings::outputs::Encoding;
use settings::rig::Output;
use twinkeel_supervisor::outputs::Outputs;

fn main() {
    let args: Vec<String> = std::env::args().collect();
    // Started as the program of the last kind: its first byte.
    if let [_, to] = args.as_slice() {
        UdpSocket::bind("127.0.0.1:0").unwrap().send_to(b"B", to).unwrap();
        return;
    }
    println!("{:>8}  {:>9}  {:>9}  {:>9}   verdict to first byte, budget p99 1 ms", "output", "p50", "p99", "max");
    let select = vec!["GO A".to_string(), "GO B".to_string()];
    let encoding = Encoding::Text;

    let (to, got) = udp();
    let out = Output::Udp { to, encoding, select: select.clone(), ask: None, answer: Vec::new() };
    measure("udp", &out, &got, 2_000);
    let (to, got) = udp();
    measure("osc", &Output::Osc { to, select: "/go".into(), ask: None, answer: None }, &got, 2_000);

    let (tell, got) = channel();
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let to = listener.local_addr().unwrap();
    std::thread::spawn(move || {
        let (mut s, _) = listener.accept().unwrap();
        let mut buffer = [0; 64];
        while s.read(&mut buffer).is_ok_and(|n| n > 0) {
            tell.send(Instant::now()).unwrap();
        }
    });
    measure("tcp", &Output::Tcp { to, encoding, select: select.clone(), ask: None, answer: Vec::new() }, &got, 2_000);

    let (to, got) = http();
    let out = Output::Http {
        method: "POST".into(),
        select: vec![format!("http://{to}/a"), format!("http://{to}/b")],
        body: Vec::new(),
        media: "text/plain".into(),
        ask: None,
        answer: Vec::new(),
    };
    measure("http", &out, &got, 2_000);

    #[cfg(unix)]
    {
        let (tell, got) = channel();
        let (mut far, port) = ports::serial::made_up().unwrap();
        std::thread::spawn(move || {
            let mut buffer = [0; 64];
            loop {
                if let Ok(Some(_)) = far.hear(&mut buffer) {
                    tell.send(Instant::now()).unwrap();
                }
            }
        });
        let out = Output::Serial { port, baud: 115_200, encoding, select, ask: None, answer: Vec::new() };
        measure("serial", &out, &got, 2_000);
    }

    let (to, got) = udp();
    let program = std::env::current_exe().unwrap();
    let select = vec![vec!["none".to_string()], vec![to.to_string()]];
    let out = Output::Command { program, select, limit: settings::duration::Duration::secs(5) };
    measure("command", &out, &got, 300);
}

fn udp() -> (SocketAddr, Receiver<Instant>) {
    let (tell, got) = channel();
    let far = UdpSocket::bind("127.0.0.1:0").unwrap();
    let to = far.local_addr().unwrap();
    std::thread::spawn(move || {
        let mut buffer = [0; 64];
        while far.recv(&mut buffer).is_ok() && tell.send(Instant::now()).is_ok() {}
    });
    (to, got)
}

fn http() -> (SocketAddr, Receiver<Instant>) {
    let (tell, got) = channel::<Instant>();
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let to = listener.local_addr().unwrap();
    let serve = |mut s: std::net::TcpStream, tell: Sender<Instant>| {
        let mut buffer = [0; 2048];
        while let Ok(n @ 1..) = s.read(&mut buffer) {
            if buffer[..n].starts_with(b"POST") && tell.send(Instant::now()).is_err() {
                return;
            }
            if s.write_all(b"HTTP/1.1 200 OK\r\nContent-Length: 0\r\n\r\n").is_err() {
                return;
            }
        }
    };
    std::thread::spawn(move || {
        for s in listener.incoming().flatten() {
            s.set_nodelay(true).unwrap();
            let tell = tell.clone();
            std::thread::spawn(move || serve(s, tell));
        }
    });
    (to, got)
}

fn measure(name: &str, out: &Output, got: &Receiver<Instant>, n: usize) {
    let one = std::slice::from_ref(out);
    let ours: Vec<SocketAddr> = (0..Outputs::sockets(one)).map(|_| "127.0.0.1:0".parse().unwrap()).collect();
    let gate = Gate::bind(&ours).unwrap();
    let mut outputs = Outputs::open(one, 2, 0, &(Arc::new(|_| {}) as twinkeel_supervisor::outputs::Tell)).unwrap();
    let mut took = Vec::new();
    while took.len() < n {
        // Verdicts come out of a pause: threads are parked and caches cold.
        std::thread::sleep(Duration::from_millis(3));
        let verdict = Instant::now();
        if outputs.select(Machine::B, &gate) {
            match got.recv_timeout(Duration::from_secs(5)) {
                Ok(at) => took.push(at.duration_since(verdict)),
                Err(_) => return println!("{name:>8}  nothing came: {:?}", outputs.health()[0].view()),
            }
        }
    }
    took.sort_unstable();
    let ms = |d: Duration| format!("{:.3} ms", d.as_secs_f64() * 1e3);
    println!("{name:>8}  {:>9}  {:>9}  {:>9}", ms(took[n / 2]), ms(took[n * 99 / 100]), ms(took[n - 1]));
}
