//! Hosts on one computer: network namespaces, each with its own interfaces, addresses, routes and filters, all with one kernel clock.
//!
//! Needs root, iproute2 and nftables. Names begin with `tk-<our process id>-`, so that what a killed run left behind is known as such
//! and removed by the next one.

use std::io::Write;
use std::path::Path;
use std::process::{Command, Stdio};
use std::sync::atomic::{AtomicU32, Ordering};

/// Whether the tests that need hosts can run. Where they cannot, they fail and say why, unless a person said that this is known.
///
/// # Panics
/// When namespaces are impossible and `TWINKEEL_WITHOUT_NAMESPACES` is not 1.
pub fn possible_or_excused(what: &str) -> bool {
    let Err(why) = possible() else { return true };
    if std::env::var("TWINKEEL_WITHOUT_NAMESPACES").is_ok_and(|v| v == "1") {
        crate::say_skipped(what, &why);
        return false;
    }
    panic!(
        "{what} needs network namespaces: {why}.\n  mend: run the tests as root with iproute2 and nftables installed, or set \
         TWINKEEL_WITHOUT_NAMESPACES=1 to go without them"
    );
}

fn possible() -> Result<(), String> {
    if !nix::unistd::geteuid().is_root() {
        return Err("this is not root".into());
    }
    for (tool, package) in [("ip", "iproute2"), ("nft", "nftables")] {
        let found = Command::new(tool).arg("-V").stdout(Stdio::null()).stderr(Stdio::null()).status();
        found.map_err(|e| format!("`{tool}` of {package} does not start: {e}"))?;
    }
    static COUNT: AtomicU32 = AtomicU32::new(0);
    let trial = format!("tk-{}-trial{}", std::process::id(), COUNT.fetch_add(1, Ordering::Relaxed));
    run("ip", &["netns", "add", &trial], "")?;
    run("ip", &["netns", "del", &trial], "").map(drop)
}

/// A host.
pub struct Namespace {
    name: String,
}

impl Namespace {
    /// A host with nothing but loopback. `what` ends its name.
    ///
    /// # Panics
    /// When the system refuses.
    pub fn new(what: &str) -> Namespace {
        static COUNT: AtomicU32 = AtomicU32::new(0);
        static SWEPT: std::sync::Once = std::sync::Once::new();
        SWEPT.call_once(sweep);
        let number = COUNT.fetch_add(1, Ordering::Relaxed);
        let name = format!("tk-{}-{number}-{what}", std::process::id());
        run("ip", &["netns", "add", &name], "").unwrap();
        let host = Namespace { name };
        // Addresses of IPv6 are still being tried out when a test begins; nothing here needs them.
        let _ = host.inside(|| std::fs::write("/proc/sys/net/ipv6/conf/all/disable_ipv6", "1"));
        host.ip("link set lo up");
        host
    }

    /// Its name.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Words before a command that run it here. The process keeps the id of the command.
    pub fn words(&self) -> Vec<String> {
        ["ip", "netns", "exec", &self.name].map(str::to_owned).to_vec()
    }

    /// Runs something on a thread that is here; sockets it makes stay here.
    ///
    /// # Panics
    /// When it panics.
    pub fn inside<T: Send>(&self, f: impl FnOnce() -> T + Send) -> T {
        std::thread::scope(|s| {
            let ran = s.spawn(|| {
                self.enter();
                f()
            });
            ran.join().unwrap_or_else(|e| std::panic::resume_unwind(e))
        })
    }

    /// Moves the calling thread here for good, and with it every process that it starts.
    ///
    /// # Panics
    /// When the system refuses.
    pub fn enter(&self) {
        let place = Path::new("/run/netns").join(&self.name);
        let file = std::fs::File::open(&place).unwrap_or_else(|e| panic!("{}: {e}", place.display()));
        nix::sched::setns(file, nix::sched::CloneFlags::CLONE_NEWNET).unwrap();
    }

    /// `ip` on this host, its words separated by blanks.
    ///
    /// # Panics
    /// When it says no.
    pub fn ip(&self, words: &str) {
        let all: Vec<&str> = ["-n", &self.name].into_iter().chain(words.split_whitespace()).collect();
        run("ip", &all, "").unwrap();
    }

    /// Several such lines by one `ip`.
    ///
    /// # Panics
    /// When it says no.
    pub fn ip_lines(&self, lines: &str) {
        run("ip", &["-n", &self.name, "-batch", "-"], lines).unwrap();
    }

    /// A script for `nft` on this host.
    ///
    /// # Panics
    /// When it says no.
    pub fn nft(&self, script: &str) {
        run("ip", &["netns", "exec", &self.name, "nft", "-f", "-"], script).unwrap();
    }

    /// A cable from here to another host, by the names of its two ends.
    ///
    /// # Panics
    /// When the system refuses.
    pub fn cable(&self, here: &str, other: &Namespace, there: &str) {
        self.ip(&format!("link add name {here} type veth peer name {there} netns {}", other.name));
    }

    /// Gives an interface its address and puts it up.
    ///
    /// # Panics
    /// When the system refuses.
    pub fn address(&self, interface: &str, address: &str) {
        self.ip(&format!("addr add {address} dev {interface}"));
        self.ip(&format!("link set dev {interface} up"));
    }
}

impl Drop for Namespace {
    fn drop(&mut self) {
        let _ = run("ip", &["netns", "del", &self.name], "");
    }
}

/// Removes hosts of runs that are no more. The first [`Namespace::new`] does it, too.
pub fn sweep() {
    let Ok(list) = run("ip", &["netns", "list"], "") else { return };
    for name in list.lines().filter_map(|l| l.split_whitespace().next()) {
        let owner =
            name.strip_prefix("tk-").and_then(|rest| rest.split('-').next()).filter(|p| p.parse::<u32>().is_ok());
        if owner.is_some_and(|pid| !Path::new("/proc").join(pid).exists()) {
            let _ = run("ip", &["netns", "del", name], "");
        }
    }
}

/// Runs a command with a text on its standard input; what it printed, or what it complained of.
fn run(program: &str, words: &[&str], input: &str) -> Result<String, String> {
    let say = |e: &dyn std::fmt::Display| format!("{program} {}: {e}", words.join(" "));
    let mut child = Command::new(program)
        .args(words)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .map_err(|e| say(&e))?;
    if let Some(mut stdin) = child.stdin.take() {
        stdin.write_all(input.as_bytes()).map_err(|e| say(&e))?;
    }
    let out = child.wait_with_output().map_err(|e| say(&e))?;
    if out.status.success() {
        return Ok(String::from_utf8_lossy(&out.stdout).into_owned());
    }
    Err(say(&String::from_utf8_lossy(&out.stderr).trim()))
}
