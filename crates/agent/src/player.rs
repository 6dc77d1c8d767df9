//! Watches for the player's process by its executable's name, where no feed names it.

use std::time::Duration;

use base::PlayerState;
use sysinfo::{ProcessRefreshKind, ProcessesToUpdate, System, UpdateKind};

use crate::news::{News, NewsDesk};

/// How often the processes are looked through.
const EVERY: Duration = Duration::from_millis(250);

/// Starts watching.
pub fn start(name: String, desk: NewsDesk) -> std::io::Result<()> {
    std::thread::Builder::new().name("player-watch".into()).spawn(move || {
        let Ok(mut system) = System::new() else {
            return tracing::error!("the system does not list its processes: the player cannot be watched");
        };
        let mut last = PlayerState::Unknown;
        loop {
            let kind = ProcessRefreshKind::nothing().with_exe(UpdateKind::OnlyIfNotSet);
            system.refresh_processes_specifics(ProcessesToUpdate::All, true, kind);
            let there = system.processes().values().any(|p| p.name().to_string_lossy() == name.as_str());
            // One that never came is not gone: perhaps it is named wrongly.
            let state = match (there, last) {
                (true, _) => PlayerState::Running,
                (false, PlayerState::Unknown) => PlayerState::Unknown,
                (false, _) => PlayerState::Gone,
            };
            if state != last {
                tracing::info!("the player {name} is {state:?}");
                desk.tell_now(News::Player { at: ports::os::mono_now(), state });
                last = state;
            }
            std::thread::sleep(EVERY);
        }
    })?;
    Ok(())
}
