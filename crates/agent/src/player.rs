//! Watches for the player's process by its executable's name, where no feed names it.

use std::ffi::OsStr;
use std::path::Path;
use std::time::Duration;

use base::PlayerState;
use sysinfo::{Pid, Process, ProcessRefreshKind, ProcessStatus, ProcessesToUpdate, System, UpdateKind};

use crate::news::{News, NewsDesk};

/// When a process was started, in nanoseconds since 1970, never earlier than it was: where the system tells whole seconds only, two are
/// added, one for the computer's start and one for the process's since then.
pub fn started(process: u32) -> Option<i64> {
    if let Some(exactly) = ports::os::process_started(process) {
        return Some(exactly.0);
    }
    let mut system = System::new().ok()?;
    let pid = Pid::from_u32(process);
    system.refresh_processes_specifics(
        ProcessesToUpdate::Some(&[pid]),
        true,
        ProcessRefreshKind::nothing().without_tasks(),
    );
    let secs = i64::try_from(system.process(pid)?.start_time()).ok()?;
    secs.checked_add(2)?.checked_mul(1_000_000_000)
}

/// How often it is looked for.
const EVERY: Duration = Duration::from_millis(250);
/// Linux keeps this many bytes of a process's name (proc(5), `/proc/pid/comm`: TASK_COMM_LEN is 16 with its null).
const SHORT_NAME: usize = 15;

/// Starts watching.
pub fn start(name: String, desk: NewsDesk) -> std::io::Result<()> {
    std::thread::Builder::new().name("player-watch".into()).spawn(move || {
        let mut watch = Watch { name, pid: None };
        let mut last = PlayerState::Unknown;
        loop {
            let Some(there) = watch.look() else {
                return tracing::error!("the system does not list its processes: the player cannot be watched");
            };
            let state = after(last, there);
            desk.tell_player(watch.pid.map(Pid::as_u32));
            if state != last {
                match state {
                    PlayerState::Gone => tracing::warn!("the player {} is gone", watch.name),
                    _ => tracing::info!("the player {} is there", watch.name),
                }
                desk.tell_now(News::Player { at: ports::os::mono_now(), state });
                last = state;
            }
            std::thread::sleep(EVERY);
        }
    })?;
    Ok(())
}

/// One that never came is not gone: perhaps it is named wrongly.
fn after(last: PlayerState, there: bool) -> PlayerState {
    match (there, last) {
        (true, _) => PlayerState::Running,
        (false, PlayerState::Unknown) => PlayerState::Unknown,
        (false, _) => PlayerState::Gone,
    }
}

/// Looks at the process that was found last, and through all of them only when that is gone, which costs far more. Each look starts
/// afresh, since a process may become another program while it keeps its number.
struct Watch {
    name: String,
    pid: Option<Pid>,
}

impl Watch {
    /// Whether the player is there; none: the system does not say.
    fn look(&mut self) -> Option<bool> {
        if let Some(pid) = self.pid {
            self.pid = self.find(ProcessesToUpdate::Some(&[pid]))?;
        }
        if self.pid.is_none() {
            self.pid = self.find(ProcessesToUpdate::All)?;
        }
        Some(self.pid.is_some())
    }

    fn find(&self, among: ProcessesToUpdate<'_>) -> Option<Option<Pid>> {
        let mut system = System::new().ok()?;
        let kind = ProcessRefreshKind::nothing().without_tasks().with_exe(UpdateKind::Always);
        system.refresh_processes_specifics(among, true, kind);
        Some(system.processes().iter().find(|(_, p)| is_it(p, &self.name)).map(|(pid, _)| *pid))
    }
}

fn is_it(p: &Process, name: &str) -> bool {
    // A process that has ended stays in the list until its parent has asked how.
    !matches!(p.status(), ProcessStatus::Zombie | ProcessStatus::Dead) && is_called(p.exe(), p.name(), name)
}

/// By its executable, or by its own name: a script's executable is its interpreter, and another user's executable cannot be read.
fn is_called(executable: Option<&Path>, own: &OsStr, wanted: &str) -> bool {
    let wanted = plain(wanted);
    let own = own.to_string_lossy();
    let file = executable.and_then(Path::file_name).map(OsStr::to_string_lossy);
    if plain(&own) == wanted || file.as_deref().is_some_and(|f| plain(f) == wanted) {
        return true;
    }
    file.is_none() && own.len() == SHORT_NAME && wanted.starts_with(&*own)
}

/// Without the ending of programs, and without what Linux adds when the file was replaced while its program runs.
fn plain(name: &str) -> &str {
    let name = name.strip_suffix(" (deleted)").unwrap_or(name);
    name.strip_suffix(std::env::consts::EXE_SUFFIX).unwrap_or(name)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn a_player_is_known_by_its_executable_or_its_own_name() {
        let called =
            |exe: Option<&str>, own: &str, wanted: &str| is_called(exe.map(Path::new), OsStr::new(own), wanted);
        assert!(called(Some("/opt/show/player"), "main-window", "player"));
        assert!(called(Some("/opt/show/player (deleted)"), "main-window", "player"), "replaced while it runs");
        assert!(called(Some("/bin/sh"), "player", "player"), "a script");
        assert!(!called(Some("/opt/show/player"), "player", "play"), "a part of a name is another name");
        assert!(!called(Some("/opt/show/player-of-songs"), "player-of-songs", "player-of-songs-two"));
        assert!(!called(None, "", "player"));
    }

    #[test]
    fn a_long_name_is_known_by_its_beginning_where_the_executable_cannot_be_read() {
        let called = |own: &str, wanted: &str| is_called(None, OsStr::new(own), wanted);
        assert!(called("player-of-songs", "player-of-songs-two"));
        assert!(!called("player-of-song", "player-of-songs-two"), "a short name is whole");
    }

    #[test]
    fn one_that_never_came_is_not_gone() {
        assert_eq!(after(PlayerState::Unknown, false), PlayerState::Unknown);
        assert_eq!(after(PlayerState::Unknown, true), PlayerState::Running);
        assert_eq!(after(PlayerState::Running, false), PlayerState::Gone);
        assert_eq!(after(PlayerState::Gone, true), PlayerState::Running);
    }

    /// A session that was saved in the same second, before the player was started, is the one that it opened. Ten starts, spread over a
    /// second: the system cuts its figures to ticks, and some tools to seconds.
    #[test]
    fn a_process_is_never_told_to_have_started_before_it_did() {
        for _ in 0..10 {
            let before = ports::os::wall_now().0;
            let mut child = play(&std::env::current_exe().unwrap());
            let after = ports::os::wall_now().0;
            let told = started(child.id());
            let finely = ports::os::process_started(child.id()).is_some();
            child.kill().unwrap();
            child.wait().unwrap();
            let told = told.unwrap();
            let late = if finely { 20_000_000 } else { 2_000_000_000 };
            assert!(told >= before && told <= after + late, "{} ns after", told - before);
            std::thread::sleep(Duration::from_millis(107));
        }
    }

    /// Set in the process that plays the player in these tests.
    const ROLE: &str = "TWINKEEL_TEST_PLAYER";

    /// A copy of this test's program as the player.
    fn play(program: &Path) -> std::process::Child {
        std::process::Command::new(program)
            .args(["--exact", "player::tests::role"])
            .env(ROLE, "1")
            .stdin(std::process::Stdio::piped())
            .stdout(std::process::Stdio::null())
            .spawn()
            .unwrap()
    }

    /// What this test's copy does as the player; a plain test run passes through.
    #[test]
    fn role() {
        if std::env::var_os(ROLE).is_some() {
            let _ = std::io::stdin().read_line(&mut String::new());
        }
    }

    /// A process that was killed and not yet asked after by its parent is gone all the same.
    #[test]
    fn a_real_process_comes_goes_and_is_not_mistaken_for_its_remains() {
        let wait = |watch: &mut Watch, there: bool| {
            (0..250).any(|_| {
                std::thread::sleep(Duration::from_millis(20));
                watch.look() == Some(there)
            })
        };
        // A copy of ourselves, so that no other process has its name; longer than what Linux keeps of it.
        let name = format!("player-of-this-test-{}", std::process::id());
        let file = std::env::temp_dir().join(format!("{name}{}", std::env::consts::EXE_SUFFIX));
        std::fs::copy(std::env::current_exe().unwrap(), &file).unwrap();
        let mut watch = Watch { name, pid: None };
        assert_eq!(watch.look(), Some(false));
        let mut child = play(&file);
        let came = wait(&mut watch, true);
        let pid = watch.pid;
        child.kill().unwrap();
        let went = wait(&mut watch, false);
        child.wait().unwrap();
        std::fs::remove_file(&file).unwrap();
        assert!(came && went, "came: {came}, went: {went}");
        assert_eq!(pid, Some(Pid::from_u32(child.id())));
    }
}
