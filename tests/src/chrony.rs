//! Debian's chrony between two hosts, as a measure for our own clocks: it watches and does not touch the clock (`-x`), at the shortest
//! poll it has and with interleaved stamps.

use std::net::Ipv4Addr;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};

use base::Span;

use crate::namespaces::Namespace;

/// A server on one host and a client on another.
pub struct Chrony {
    daemons: Vec<Child>,
    log: PathBuf,
}

/// The daemon's program: `TWINKEEL_CHRONYD`, or where Debian puts it.
fn program() -> Option<PathBuf> {
    let path = std::env::var_os("TWINKEEL_CHRONYD").map_or_else(|| "/usr/sbin/chronyd".into(), PathBuf::from);
    path.exists().then_some(path)
}

impl Chrony {
    /// Starts both, with their files below `dir`; none when chrony is not installed.
    ///
    /// # Panics
    /// When the system refuses.
    pub fn start(server: &Namespace, address: Ipv4Addr, client: &Namespace, dir: &Path) -> Option<Chrony> {
        let program = program()?;
        let dir = dir.join("chrony");
        let log = dir.join("log");
        std::fs::create_dir_all(&log).unwrap();
        // It refuses a folder that others may write to.
        std::fs::set_permissions(&dir, std::os::unix::fs::PermissionsExt::from_mode(0o700)).unwrap();
        let plain = |name: &str| {
            let d = dir.display();
            format!("user root\npidfile {d}/{name}.pid\nbindcmdaddress {d}/{name}.sock\ncmdport 0\nhwtimestamp *\n")
        };
        let server_file = format!("local stratum 8\nallow 10.77.0.0/16\n{}", plain("server"));
        let source = format!("server {address} minpoll -6 maxpoll -6 xleave\nport 0\nlog tracking\n");
        let client_file = format!("{source}logdir {}\n{}", log.display(), plain("client"));
        let start = |host: &Namespace, name: &str, text: String| {
            let file = dir.join(format!("{name}.conf"));
            std::fs::write(&file, text).unwrap();
            let words = host.words();
            let mut command = Command::new(&words[0]);
            command.args(&words[1..]).args(["setpriv", "--pdeathsig", "KILL"]).arg(&program);
            command.args(["-x", "-d", "-f"]).arg(&file);
            command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap()
        };
        let daemons = vec![start(server, "server", server_file), start(client, "client", client_file)];
        Some(Chrony { daemons, log: log.join("tracking.log") })
    }

    /// Its estimate of the client's clock against the server's after each update so far. A clock that is not touched keeps the whole
    /// correction as the remaining one; what an update found comes on top of it.
    pub fn estimates(&self) -> Vec<Span> {
        let text = std::fs::read_to_string(&self.log).unwrap_or_default();
        let estimate = |line: &str| {
            let words: Vec<&str> = line.split_whitespace().collect();
            let number = |i: usize| words.get(i)?.parse::<f64>().ok();
            (words.get(2)? != &"0.0.0.0").then_some(())?;
            Some(Span::from_secs_f64(number(6)? - number(10)?))
        };
        text.lines().filter_map(estimate).collect()
    }
}

impl Drop for Chrony {
    fn drop(&mut self) {
        for child in &mut self.daemons {
            let _ = child.kill();
            let _ = child.wait();
        }
    }
}
