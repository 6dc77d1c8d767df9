//! An output by a program, started without a shell. A program that anybody but its owner could change is not started.

use std::path::PathBuf;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use base::{Machine, MonoTime, Span};
use ports::os::mono_now;

use super::worker::{Bell, Failure, Way};

/// The program is looked at this often.
const LOOK_EVERY: Span = Span::from_secs(1);
/// Its end is looked for this often.
const STEP: Duration = Duration::from_millis(2);

/// See the module.
pub struct CommandWay {
    /// Absolute.
    pub program: PathBuf,
    /// Arguments for each machine.
    pub arguments: Vec<Vec<String>>,
    /// It is ended when it takes longer.
    pub limit: Span,
}

impl CommandWay {
    fn look(&self) -> Result<(), String> {
        let found = std::fs::metadata(&self.program).map_err(|e| e.to_string())?;
        match ports::local::writable_by_others(&self.program) {
            _ if !found.is_file() => Err("this is no program".into()),
            Some(why) => Err(why),
            None => Ok(()),
        }
    }
}

impl Way for CommandWay {
    /// When to look at the program again.
    type Link = MonoTime;

    fn open(&mut self, _: Bell) -> Result<MonoTime, String> {
        self.look().map(|()| mono_now() + LOOK_EVERY)
    }

    fn send(&mut self, _: &mut MonoTime, to: Machine) -> Result<(), Failure> {
        self.look().map_err(Failure::Broken)?;
        let Some(arguments) = self.arguments.get(to.index()) else { return Ok(()) };
        let mut command = Command::new(&self.program);
        command.args(arguments).stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null());
        let mut child = command.spawn().map_err(|e| Failure::Refused(e.to_string()))?;
        let until = Instant::now() + Duration::from_nanos(self.limit.nanos().unsigned_abs());
        loop {
            match child.try_wait() {
                Ok(Some(status)) if status.success() => return Ok(()),
                Ok(Some(status)) => return Err(Failure::Refused(format!("it ended with {status}"))),
                Ok(None) if Instant::now() < until => std::thread::sleep(STEP),
                Ok(None) => {
                    let _ = child.kill();
                    let _ = child.wait();
                    let limit = self.limit.millis_f64();
                    return Err(Failure::Refused(format!("it had not ended after {limit:.0} ms and was stopped")));
                }
                Err(e) => return Err(Failure::Refused(e.to_string())),
            }
        }
    }

    fn idle(&mut self, look_at: &mut MonoTime, now: MonoTime) -> Result<(), String> {
        if now < *look_at {
            return Ok(());
        }
        *look_at = now + LOOK_EVERY;
        self.look()
    }
}
