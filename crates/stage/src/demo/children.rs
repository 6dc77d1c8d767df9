//! The demo's processes. Each ends with us, however we end.

use std::fs::File;
use std::io::Write;
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;
use serde::Serialize;

use super::DemoError;
use crate::os::PARENT_VARIABLE;

/// One process: what it is, how it is started, and whether it runs.
pub struct Process {
    /// "player A", "supervisor".
    pub name: String,
    program: PathBuf,
    arguments: Vec<String>,
    log: PathBuf,
    child: Option<Child>,
}

impl Process {
    /// A process that has not been started. What it says goes to a log file in `dir`.
    pub fn new(name: &str, program: &Path, arguments: &[&str], dir: &Path) -> Process {
        Process {
            name: name.into(),
            program: program.to_owned(),
            arguments: arguments.iter().map(|a| (*a).to_owned()).collect(),
            log: dir.join(format!("{}.log", name.replace(' ', "-"))),
            child: None,
        }
    }

    /// The same on another host: these words come before its command.
    #[must_use]
    pub fn behind(mut self, words: &[String]) -> Process {
        if let Some((first, rest)) = words.split_first() {
            let program = std::mem::replace(&mut self.program, first.into());
            let before = rest.iter().cloned().chain([program.display().to_string()]);
            self.arguments = before.chain(std::mem::take(&mut self.arguments)).collect();
        }
        self
    }

    /// Starts it, or starts it again.
    ///
    /// # Errors
    /// What the system says.
    pub fn start(&mut self) -> Result<(), DemoError> {
        self.kill();
        let log =
            File::options().create(true).append(true).open(&self.log).map_err(DemoError::of(self.log.display()))?;
        let twin = log.try_clone().map_err(DemoError::of(self.log.display()))?;
        let child = Command::new(&self.program)
            .args(&self.arguments)
            .env(PARENT_VARIABLE, std::process::id().to_string())
            .env("NO_COLOR", "1")
            .stdin(Stdio::piped())
            .stdout(log)
            .stderr(twin)
            // Ctrl-C on our terminal is for us: we end the others in order.
            .process_group(0)
            .spawn()
            .map_err(DemoError::of(format!("{} ({})", self.name, self.program.display())))?;
        self.child = Some(child);
        Ok(())
    }

    /// Says a line of JSON to its standard input.
    pub fn say(&mut self, line: &impl Serialize) {
        let Some(stdin) = self.child.as_mut().and_then(|c| c.stdin.as_mut()) else { return };
        if let Ok(text) = serde_json::to_string(line) {
            // A process that is gone hears nothing.
            let _ = writeln!(stdin, "{text}").and_then(|()| stdin.flush());
        }
    }

    /// Whether it runs.
    pub fn runs(&mut self) -> bool {
        self.child.as_mut().is_some_and(|c| matches!(c.try_wait(), Ok(None)))
    }

    /// Stops it where it stands (SIGSTOP), or lets it go on.
    pub fn freeze(&self, frozen: bool) {
        self.signal(if frozen { Signal::SIGSTOP } else { Signal::SIGCONT });
    }

    /// Kills it (SIGKILL) and collects what is left.
    pub fn kill(&mut self) {
        self.strike();
        if let Some(mut c) = self.child.take() {
            let _ = c.wait();
        }
    }

    /// Kills it without waiting: for several at one instant.
    pub fn strike(&self) {
        self.signal(Signal::SIGKILL);
    }

    /// Asks it to end (SIGTERM) and waits for it, at most `patience`; then kills it.
    pub fn end(&mut self, patience: Duration) {
        self.signal(Signal::SIGTERM);
        let until = Instant::now() + patience;
        while self.runs() && Instant::now() < until {
            std::thread::sleep(Duration::from_millis(5));
        }
        self.kill();
    }

    fn signal(&self, s: Signal) {
        // Only what we started and have not collected: its number cannot have gone to another process.
        if let Some(pid) = self.child.as_ref().and_then(|c| i32::try_from(c.id()).ok()) {
            let _ = kill(Pid::from_raw(pid), s);
        }
    }
}

impl Drop for Process {
    fn drop(&mut self) {
        self.kill();
    }
}
