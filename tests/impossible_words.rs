//! Who is whom he claims and says whatever the protocol can say. Agents to a real supervisor: messages and beats of random content on both
//! lanes and both machines. A supervisor to a real agent, and its player as well. Whoever is spoken to lives on, answers, and nothing of it
//! fails.
#![cfg(unix)]
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::io::Write;
use std::net::{TcpListener, TcpStream, UdpSocket};
use std::os::unix::net::UnixStream;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Duration;

use base::{Hertz, RemoteTime};
use ports::os::mono_now;
use serde_json::Value;
use settings::agent::AgentFile;
use twinkeel_tests::any_words::Luck;
use twinkeel_tests::{Running, made_rig, twinkeel_bin, wait_until};
use wire::feed::{FeedHello, encode_hello, encode_midi, encode_pcm};
use wire::framing::{FrameReader, write_frame};
use wire::message::Hello;
use wire::{Beat, Echo, HostFlags, Initiator, Lane, MAX_BEAT, Responder, Session, Up};

/// So many messages a session, on each lane of each machine.
const MESSAGES: usize = 1_200;
const SESSIONS: u32 = 3;

/// Files of a rig as `twinkeel init` makes them, on ports of its own.
struct Files {
    dir: tempfile::TempDir,
    page: String,
}

impl Files {
    fn make() -> Files {
        let dir = tempfile::tempdir().unwrap();
        let page = made_rig(&dir.path().join("rig"), 2);
        Files { dir, page: format!("http://127.0.0.1:{page}") }
    }
    fn folder(&self, of: &str) -> PathBuf {
        self.dir.path().join("rig").join(of)
    }
    fn add(&self, file: &str, more: &str) {
        let path = self.folder(file);
        let text = std::fs::read_to_string(&path).unwrap();
        std::fs::write(&path, text + more).unwrap();
    }
    fn start(&self, part: &str, config: &str) -> Running {
        let config = self.folder(config);
        let arguments = [part, "--config", config.to_str().unwrap()];
        Running::start(&twinkeel_bin(), &arguments, &[], &self.dir.path().join("log"))
    }
    fn log(&self) -> String {
        std::fs::read_to_string(self.dir.path().join("log")).unwrap_or_default()
    }
    /// It runs, under its own number, and nothing of it failed.
    fn lives(&self, process: &mut Running) {
        let log = self.log();
        assert!(process.0.try_wait().unwrap().is_none(), "it ended: {log}");
        assert!(!log.contains("panicked") && !log.contains("begins anew"), "{log}");
    }
    fn snapshot(&self) -> Option<Value> {
        let answer = ureq::get(&format!("{}/api/v1/snapshot", self.page)).call().ok()?;
        serde_json::from_str(&answer.into_body().read_to_string().ok()?).ok()
    }
}

/// An agent's side of a session.
struct Agent {
    session: Session,
    urgent: TcpStream,
    bulk: TcpStream,
    beats: UdpSocket,
    /// The newest reply on each path.
    echo: [Option<Echo>; 2],
    file: AgentFile,
}

impl Agent {
    fn connect(folder: &Path) -> Agent {
        let text = std::fs::read_to_string(folder.join("agent.toml")).unwrap();
        let file = AgentFile::parse("agent.toml", &text).unwrap();
        let secret = std::fs::read_to_string(folder.join("agent.key")).unwrap().trim().parse().unwrap();
        let boss = file.supervisor.key.parse().unwrap();
        let (initiator, knock) = Initiator::start(&secret, &boss, file.supervisor.rig).unwrap();
        let mut urgent = TcpStream::connect(file.supervisor.lanes).unwrap();
        urgent.set_read_timeout(Some(Duration::from_secs(5))).unwrap();
        assert!(put(&mut urgent, &knock));
        let answer = frame(&mut urgent);
        let mut session = initiator.finish(&answer).unwrap();
        let hello = Up::Hello(Hello {
            machine: file.machine_id,
            name: file.name.clone(),
            software: "0.1.0".into(),
            system: "any".into(),
            boot: [3; 16],
            epoch: 1,
            paths: 2,
        });
        let bulk = TcpStream::connect(file.supervisor.lanes).unwrap();
        assert!(say(&mut session, &mut urgent, Lane::Urgent, &wire::encode_up(&hello).unwrap()));
        let mut agent =
            Agent { session, urgent, bulk, beats: UdpSocket::bind("127.0.0.1:0").unwrap(), echo: [None; 2], file };
        agent.beats.set_nonblocking(true).unwrap();
        let mut sealed = vec![0u8; wire::session::MAX_FRAME];
        let n = agent.session.seal_attach(&mut sealed).unwrap();
        assert!(put(&mut agent.bulk, &sealed[..n]));
        agent
    }

    /// Sends it on both paths. `right`: with a true clock exchange, so that what else it says is believed.
    fn beat(&mut self, mut beat: Beat, right: bool) {
        let paths = [Lane::Path1, Lane::Path2].into_iter().zip(self.file.supervisor.paths.clone()).enumerate();
        let mut buffer = [0u8; 2_048];
        while let Ok((n, from)) = self.beats.recv_from(&mut buffer) {
            let received = RemoteTime::of_sender(mono_now());
            for (i, (lane, to)) in paths.clone().filter(|(_, (_, to))| *to == from) {
                let Ok(reply) = self.session.open_reply(lane, &buffer[..n]) else { panic!("{to}: no reply of ours") };
                self.echo[i] = Some(Echo { reply: reply.seq, received });
            }
        }
        for (i, (lane, to)) in paths {
            if right {
                beat.sent = RemoteTime::of_sender(mono_now());
                (beat.echo, beat.prev_sent, beat.host) = (self.echo[i], None, HostFlags::NONE);
            }
            let mut out = [0u8; MAX_BEAT];
            if let Ok(n) = self.session.seal_beat(lane, &beat, &mut out) {
                let _ = self.beats.send_to(&out[..n], to);
            }
        }
    }
}

/// The first frame that comes.
fn frame(stream: &mut TcpStream) -> Vec<u8> {
    let mut frames = FrameReader::sealed();
    loop {
        let mut buffer = [0u8; 4_096];
        let n = std::io::Read::read(stream, &mut buffer).unwrap();
        frames.on_bytes(&buffer[..n]);
        if let Some(frame) = frames.next_frame().unwrap() {
            return frame.to_vec();
        }
        assert!(n > 0, "the other end hung up");
    }
}

/// Whether it could be said.
fn put(stream: &mut TcpStream, frame: &[u8]) -> bool {
    let mut out = Vec::new();
    write_frame(frame, &mut out);
    stream.write_all(&out).is_ok()
}

fn say(session: &mut Session, stream: &mut TcpStream, lane: Lane, plain: &[u8]) -> bool {
    let mut sealed = vec![0u8; plain.len() + wire::session::OVERHEAD];
    let n = session.seal(lane, plain, &mut sealed).unwrap();
    put(stream, &sealed[..n])
}

/// Both clocks are known: what was said was taken for what it is.
fn believes(s: &Value) -> bool {
    let machines = s["machines"].as_array().unwrap();
    machines.len() == 2 && machines.iter().all(|m| m["clock"]["state"] == "tracking")
}

#[test]
fn whatever_an_agent_says_the_supervisor_lives_on() {
    let rig = Files::make();
    // A device, so that patches are followed.
    rig.add(
        "supervisor/show.toml",
        "\n[[device]]\nname = \"pad rack\"\nchannels = [1, 2, 16]\ninput = 1\nsysex = true\n",
    );
    let mut supervisor = rig.start("supervisor", "supervisor/rig.toml");
    wait_until("the page", Duration::from_secs(20), || (rig.snapshot().is_some(), rig.log()));
    let mut luck = Luck::new(20_261_126);
    for number in 0..SESSIONS {
        let mut agents = ["A", "B"].map(|m| Agent::connect(&rig.folder(m)));
        for i in 0..MESSAGES {
            for agent in &mut agents {
                let (light, heavy) = (luck.urgent(agent.file.machine_id), luck.heavy());
                let [light, heavy] = [light, heavy].map(|up| wire::encode_up(&up).unwrap());
                let said = say(&mut agent.session, &mut agent.urgent, Lane::Urgent, &light)
                    && say(&mut agent.session, &mut agent.bulk, Lane::Bulk, &heavy);
                assert!(said, "the supervisor takes no more: {}", rig.log());
                let beat = luck.beat(i as u32 + 1);
                let right = beat.seq == i as u32 + 1;
                agent.beat(beat, right);
            }
            std::thread::sleep(Duration::from_millis(2));
        }
        // It has taken all of it in, and is not busy with it for ever.
        wait_until("a fresh picture", Duration::from_secs(20), || {
            for agent in &mut agents {
                agent.beat(Beat { seq: MESSAGES as u32 * 2, ..Beat::default() }, true);
            }
            let seen = rig.snapshot();
            (seen.as_ref().is_some_and(believes), seen)
        });
        println!("session {number}: {MESSAGES} messages on each lane of both machines");
    }
    rig.lives(&mut supervisor);
    drop(supervisor);
    // What it wrote down of all that is whole, and a report can be made of it.
    let shows = rig.folder("supervisor/shows");
    let report = Command::new(twinkeel_bin()).args(["report", "--json", "--shows"]).arg(&shows).output().unwrap();
    let said: Value = serde_json::from_slice(&report.stdout).unwrap_or_default();
    assert!(said["damage"].as_array().is_some_and(Vec::is_empty), "{report:?}");
}

/// A supervisor's side of a session with an agent that connects.
struct Boss {
    session: Session,
    lane: TcpStream,
}

impl Boss {
    fn accept(listener: &TcpListener, rig: &Files, number: u32) -> Boss {
        let text = std::fs::read_to_string(rig.folder("A/agent.toml")).unwrap();
        let file = AgentFile::parse("agent.toml", &text).unwrap();
        let secret = std::fs::read_to_string(rig.folder("supervisor/supervisor.key")).unwrap().trim().parse().unwrap();
        loop {
            let (mut lane, _) = listener.accept().unwrap();
            lane.set_read_timeout(Some(Duration::from_secs(5))).unwrap();
            let knock = frame(&mut lane);
            // Its bulk lane comes of itself, and is let wait.
            let Ok(responder) = Responder::read(&secret, file.supervisor.rig, &knock) else { continue };
            let (session, answer) = responder.accept(number).unwrap();
            assert!(put(&mut lane, &answer));
            return Boss { session, lane };
        }
    }
}

#[test]
fn whatever_a_supervisor_or_a_player_says_the_agent_lives_on() {
    let rig = Files::make();
    std::fs::create_dir(rig.folder("A/session")).unwrap();
    std::fs::write(rig.folder("A/session/song.take"), vec![7u8; 10_000]).unwrap();
    rig.add("A/agent.toml", "\n[[folder]]\nname = \"session\"\npath = \"session\"\n[hashing]\nevery = \"1s\"\n");
    let text = std::fs::read_to_string(rig.folder("A/agent.toml")).unwrap();
    let file = AgentFile::parse("agent.toml", &text).unwrap();
    let listener = TcpListener::bind(file.supervisor.lanes).unwrap();
    let paths: Vec<UdpSocket> = file.supervisor.paths.iter().map(|p| UdpSocket::bind(p).unwrap()).collect();
    paths.iter().for_each(|p| p.set_read_timeout(Some(Duration::from_secs(5))).unwrap());
    let mut agent = rig.start("agent", "A/agent.toml");
    let mut luck = Luck::new(20_261_127);
    let feed = rig.folder("A/feed");
    for number in 1..=SESSIONS {
        let mut boss = Boss::accept(&listener, &rig, number);
        let connect = || {
            wait_until("the feed", Duration::from_secs(10), || {
                let stream = UnixStream::connect(&feed).ok();
                (stream.is_some(), stream)
            })
            .unwrap()
        };
        let (mut player, mut said, mut heard) = (connect(), Vec::new(), 0);
        let names = ["tracks L", "timecode"].map(str::to_owned).to_vec();
        let hello =
            FeedHello { at: mono_now(), pid: std::process::id(), sample_rate: Some(Hertz(48_000.0)), channels: names };
        encode_hello(&hello, &mut said);
        for i in 0..MESSAGES {
            let down = wire::encode_down(&luck.down()).unwrap();
            assert!(
                say(&mut boss.session, &mut boss.lane, Lane::Urgent, &down),
                "the agent takes no more: {}",
                rig.log()
            );
            for (path, lane) in paths.iter().zip([Lane::Path1, Lane::Path2]) {
                let mut buffer = [0u8; 2_048];
                let (n, from) = path.recv_from(&mut buffer).unwrap_or_else(|e| panic!("no beats: {e}: {}", rig.log()));
                // One of the session before may still be under way.
                let beat = boss.session.open_beat(lane, &buffer[..n]);
                heard += usize::from(beat.as_ref().is_ok_and(|b| b.levels.len() == 2));
                let mut out = [0u8; MAX_BEAT];
                let mut reply = luck.reply();
                if let (Ok(beat), true) = (beat, i % 3 > 0) {
                    (reply.seq, reply.of_beat) = (i as u32, beat.seq);
                }
                let n = boss.session.seal_reply(lane, &reply, &mut out).unwrap();
                path.send_to(&out[..n], from).unwrap();
            }
            // Blocks of 5 ms, and sometimes one whose instant cannot be.
            let at = if i % 50 == 49 { base::MonoTime::from_nanos(u64::MAX - i as u64) } else { mono_now() };
            encode_midi(at, &luck.midi(), &mut said);
            assert!(encode_pcm(at, &luck.sound(480), &mut said));
            let taken = player.write_all(&said).is_ok();
            said.clear();
            if !taken {
                // Nonsense was hung up on.
                player = connect();
                encode_hello(&hello, &mut said);
            }
        }
        rig.lives(&mut agent);
        assert!(heard > MESSAGES, "the sound was taken for sound in {heard} of {} beats", 2 * MESSAGES);
        println!(
            "session {number}: {MESSAGES} messages of a supervisor, {MESSAGES} blocks of a player, {heard} beats with sound"
        );
    }
}
