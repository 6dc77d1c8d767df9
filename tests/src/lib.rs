//! Helpers of the whole-rig tests.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

pub mod any_words;
#[cfg(target_os = "linux")]
pub mod burners;
#[cfg(target_os = "linux")]
pub mod chrony;
#[cfg(target_os = "linux")]
pub mod hosts;
#[cfg(target_os = "linux")]
pub mod link_emulator;
#[cfg(target_os = "linux")]
pub mod namespaces;
#[cfg(target_os = "linux")]
pub mod plain_beats;
#[cfg(target_os = "linux")]
pub mod stalls;
#[cfg(target_os = "linux")]
pub mod stand;
#[cfg(target_os = "linux")]
pub mod switch_front;

use std::net::{TcpListener, UdpSocket};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// The program under test: `TWINKEEL_BIN`, or the one that was built beside this test.
///
/// # Panics
/// When there is none.
pub fn twinkeel_bin() -> PathBuf {
    if let Some(path) = std::env::var_os("TWINKEEL_BIN") {
        return path.into();
    }
    let test = std::env::current_exe().expect("a test knows where it is");
    let dir = test.parent().and_then(Path::parent).expect("a test lies below the target folder");
    let bin = dir.join(format!("twinkeel{}", std::env::consts::EXE_SUFFIX));
    assert!(bin.exists(), "{} is missing: run `cargo build -p twinkeel` first", bin.display());
    bin
}

/// A rig as `twinkeel init` makes it in this new folder, with so many beat paths, on ports of its own. Gives the page's port.
///
/// # Panics
/// When it is not made.
pub fn made_rig(rig: &Path, paths: usize) -> u16 {
    let made = Command::new(twinkeel_bin()).args(["init", "--no-questions", "--dir"]).arg(rig).output().unwrap();
    assert!(made.status.success(), "{made:?}");
    // All held at once, so that no two are the same.
    let tcp = [0; 2].map(|_| TcpListener::bind("127.0.0.1:0").unwrap());
    let udp: Vec<UdpSocket> = (0..paths).map(|_| UdpSocket::bind("127.0.0.1:0").unwrap()).collect();
    let [lanes, page] = tcp.each_ref().map(|s| s.local_addr().unwrap().port());
    let beats: Vec<String> = udp.iter().map(|s| format!("\"{}\"", s.local_addr().unwrap())).collect();
    for file in ["supervisor/rig.toml", "A/agent.toml", "B/agent.toml"] {
        let path = rig.join(file);
        let text = std::fs::read_to_string(&path).unwrap().replace("\"127.0.0.1:7740\"", &beats.join(", "));
        std::fs::write(&path, text.replace("7742", &lanes.to_string()).replace("7777", &page.to_string())).unwrap();
    }
    page
}

/// A process that ends with the test.
pub struct Running(pub Child);

impl Running {
    /// Starts a process; what it says goes to `log`.
    ///
    /// # Panics
    /// When it cannot be started.
    pub fn start(program: &Path, arguments: &[&str], environment: &[(&str, &str)], log: &Path) -> Running {
        let file = std::fs::File::create(log).unwrap();
        let mut command = Command::new(program);
        command.args(arguments).envs(environment.iter().copied()).stdin(Stdio::null());
        command.stdout(file.try_clone().unwrap()).stderr(file);
        Running(command.spawn().unwrap_or_else(|e| panic!("{}: {e}", program.display())))
    }
}

impl Running {
    /// Asks it to end, and waits for up to two seconds: a JACK server that is killed leaves its place in the system's list of eight.
    fn ask_to_end(&mut self) {
        #[cfg(unix)]
        if let Ok(pid) = i32::try_from(self.0.id()) {
            let _ = nix::sys::signal::kill(nix::unistd::Pid::from_raw(pid), nix::sys::signal::Signal::SIGTERM);
        }
        for _ in 0..40 {
            if !matches!(self.0.try_wait(), Ok(None)) {
                return;
            }
            std::thread::sleep(Duration::from_millis(50));
        }
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        self.ask_to_end();
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// Asks until it is so, or gives up and says what was last seen.
///
/// # Panics
/// When it is not so within `patience`.
pub fn wait_until<T: std::fmt::Debug>(what: &str, patience: Duration, mut look: impl FnMut() -> (bool, T)) -> T {
    let until = Instant::now() + patience;
    loop {
        let (so, seen) = look();
        if so {
            return seen;
        }
        assert!(Instant::now() < until, "{what} did not come within {patience:?}; last seen: {seen:#?}");
        std::thread::sleep(Duration::from_millis(50));
    }
}

/// How a scenario that was played must have ended.
pub struct Ended<'a> {
    /// Changeovers; none of them may be a false one.
    pub changeovers: u64,
    /// The machine on air at the end.
    pub on_air: &'a str,
    /// Whether it is latched at the end.
    pub latched: bool,
    /// An alarm that must have been raised.
    pub alarm: Option<&'a str>,
}

impl Ended<'_> {
    /// Holds a scenario's summary against it, and prints what was measured.
    ///
    /// # Panics
    /// Where the summary says otherwise.
    pub fn check(&self, scenario: &str, s: &serde_json::Value) {
        assert_eq!(s["changeovers"], self.changeovers, "{scenario}: {s:#}");
        assert_eq!(s["false_changeovers"], 0, "{scenario}: {s:#}");
        assert_eq!(s["on_air_at_end"], self.on_air, "{scenario}: {s:#}");
        assert_eq!(s["latched_at_end"], self.latched, "{scenario}: {s:#}");
        if let Some(code) = self.alarm {
            assert!(raised(s, code), "{scenario}: no alarm {code}: {s:#}");
        }
        if self.changeovers == 1 {
            assert!(
                s["house_gap_ms"].is_number() && s["command_after_ms"].is_number(),
                "{scenario}: not measured: {s:#}"
            );
        }
        println!("{scenario}: command after {} ms, house missed {} ms", s["command_after_ms"], s["house_gap_ms"]);
    }
}

/// Whether a summary has this alarm.
///
/// # Panics
/// When it has no list of alarms.
pub fn raised(s: &serde_json::Value, code: &str) -> bool {
    s["alarms"].as_array().expect("a list of alarms").iter().any(|a| a["code"] == code)
}

/// Says that something was not tested.
pub fn say_skipped(what: &str, why: &str) {
    say(&format!("\nSKIPPED: {what}: {why}"));
}

/// Says something past the test harness, which keeps what a test prints to itself.
pub fn say(what: &str) {
    use std::io::Write;
    let _ = writeln!(std::io::stderr(), "{what}");
}

/// A client of a JACK server. A server that is busy with another client may turn one away: tries for ten seconds.
///
/// # Panics
/// When there is no server.
#[cfg(feature = "jack")]
pub fn jack_client(connect: impl Fn() -> Result<(jack::Client, jack::ClientStatus), jack::Error>) -> jack::Client {
    for _ in 0..40 {
        match connect() {
            Ok((client, _)) => return client,
            Err(e) => println!("no JACK server yet: {e}"),
        }
        std::thread::sleep(Duration::from_millis(250));
    }
    panic!("no JACK server");
}
