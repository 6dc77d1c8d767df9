//! What the host and the player are made of, for the check before the show: looked at by the host's thread, told when it changes.

use std::io::Read;
use std::path::Path;
use std::time::{Duration, Instant};

use sysinfo::{Pid, ProcessRefreshKind, ProcessesToUpdate, System, UpdateKind};

use crate::news::NewsDesk;

/// Whether the system leaves the show alone is asked this often: it starts programs for it.
const ASK_EVERY: Duration = Duration::from_secs(60);
/// Digits of a fingerprint: enough to tell two programs apart, short enough to read aloud.
const DIGITS: usize = 12;
/// A program file is read in pieces of this size, with a rest after each: the player comes first.
const PIECE: usize = 1 << 20;
const REST: Duration = Duration::from_millis(2);

/// See the module.
#[derive(Default)]
pub struct KitWatch {
    asked: Option<Instant>,
    player: Option<u32>,
}

impl KitWatch {
    /// Looks again at what may have changed.
    pub fn look(&mut self, desk: &NewsDesk) {
        if self.asked.is_none_or(|t| t.elapsed() >= ASK_EVERY) {
            self.asked = Some(Instant::now());
            let alone = ports::os::left_alone();
            desk.tell_kit(|k| {
                k.sleep_off = alone.sleep_off;
                k.updates_off = alone.updates_off;
                k.notifications_off = alone.notifications_off;
            });
        }
        let player = desk.player();
        if player != self.player {
            self.player = player;
            // What a player was made of is told until another comes: it is gone by other words.
            if let Some((print, started)) = player.and_then(program) {
                desk.tell_kit(|k| {
                    k.player.clone_from(&print);
                    k.player_started = started;
                });
            }
        }
    }
}

/// A process's fingerprint and its start in nanoseconds since 1970.
fn program(pid: u32) -> Option<(Option<String>, Option<i64>)> {
    let mut system = System::new().ok()?;
    let pid = Pid::from_u32(pid);
    let kind = ProcessRefreshKind::nothing().without_tasks().with_exe(UpdateKind::Always);
    system.refresh_processes_specifics(ProcessesToUpdate::Some(&[pid]), true, kind);
    let process = system.process(pid)?;
    let print = process.exe().and_then(|p| fingerprint(p).ok());
    Some((print, crate::player::started(pid.as_u32())))
}

/// The beginning of a file's BLAKE3 hash.
fn fingerprint(path: &Path) -> std::io::Result<String> {
    let mut file = std::fs::File::open(path)?;
    let mut hasher = blake3::Hasher::new();
    let mut piece = vec![0u8; PIECE];
    loop {
        match file.read(&mut piece) {
            Ok(0) => break,
            Ok(n) => _ = hasher.update(&piece[..n]),
            Err(e) if e.kind() == std::io::ErrorKind::Interrupted => {}
            Err(e) => return Err(e),
        }
        std::thread::sleep(REST);
    }
    let mut digits = hasher.finalize().to_hex().to_string();
    digits.truncate(DIGITS);
    Ok(digits)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    /// BLAKE3's own test vectors (test_vectors.json of its reference repository): the empty input.
    #[test]
    fn a_file_has_the_fingerprint_of_its_content() {
        let file = std::env::temp_dir().join(format!("twinkeel-print-{}", std::process::id()));
        std::fs::write(&file, "").unwrap();
        assert_eq!(fingerprint(&file).unwrap(), "af1349b9f5f9");
        std::fs::write(&file, vec![7u8; 3 * PIECE / 2]).unwrap();
        assert_ne!(fingerprint(&file).unwrap(), "af1349b9f5f9");
        std::fs::remove_file(&file).unwrap();
        assert!(fingerprint(&file).is_err());
    }

    #[test]
    fn our_own_process_is_known() {
        let (print, started) = program(std::process::id()).unwrap();
        assert_eq!(print.map(|p| p.len()), Some(DIGITS));
        let now = ports::os::wall_now().0;
        let age = now - started.unwrap();
        assert!((-2_000_000_000..3_600_000_000_000).contains(&age), "{age} ns");
    }
}
