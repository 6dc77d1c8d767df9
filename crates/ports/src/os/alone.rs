//! Whether the system leaves a show alone: does it fall asleep, update itself, show notifications? As far as it tells.
//!
//! Files are read below a given root and other programs' words are parsed by functions of their own, so that each answer is tested
//! without the system that gives it. What is not told stays `None`.

use std::path::Path;
use std::process::{Command, Stdio};

use crate::keeper::limited;

/// See the module.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct LeftAlone {
    /// It cannot fall asleep by itself.
    pub sleep_off: Option<bool>,
    /// It does not update itself.
    pub updates_off: Option<bool>,
    /// It shows no notifications.
    pub notifications_off: Option<bool>,
}

/// Asks the system. May take a second.
pub fn left_alone() -> LeftAlone {
    if cfg!(target_os = "linux") {
        let root = Path::new("/");
        LeftAlone {
            sleep_off: linux_sleep_off(root).or_else(|| desktop_sleep_off(&ask("gsettings", &DESKTOP_SLEEP)?)),
            updates_off: apt_updates_off(root),
            notifications_off: ask("gsettings", &DESKTOP_BANNERS).and_then(|t| is_false(&t)),
        }
    } else if cfg!(target_os = "macos") {
        let updates = ["read", "/Library/Preferences/com.apple.SoftwareUpdate", "AutomaticallyInstallMacOSUpdates"];
        LeftAlone {
            sleep_off: ask("pmset", &["-g"]).and_then(|t| pmset_sleep_off(&t)),
            updates_off: ask("defaults", &updates).and_then(|t| is_false(&t)),
            notifications_off: None,
        }
    } else if cfg!(target_os = "windows") {
        let sleep = ["/query", "SCHEME_CURRENT", "SUB_SLEEP", "STANDBYIDLE"];
        LeftAlone { sleep_off: ask("powercfg", &sleep).and_then(|t| powercfg_sleep_off(&t)), ..LeftAlone::default() }
    } else {
        LeftAlone::default()
    }
}

const DESKTOP_SLEEP: [&str; 3] = ["get", "org.gnome.settings-daemon.plugins.power", "sleep-inactive-ac-type"];
const DESKTOP_BANNERS: [&str; 3] = ["get", "org.gnome.desktop.notifications", "show-banners"];

/// What a program of the system says; none when there is no such program, or it fails or hangs.
fn ask(program: &'static str, arguments: &[&'static str]) -> Option<String> {
    let arguments = arguments.to_vec();
    let said = limited(program, move || {
        let out = Command::new(program).args(arguments).stdin(Stdio::null()).stderr(Stdio::null()).output();
        Ok(out.ok().filter(|o| o.status.success()).map(|o| String::from_utf8_lossy(&o.stdout).into_owned()))
    });
    said.ok().flatten()
}

/// systemd: a masked sleep or suspend target cannot be reached (systemctl(1), "mask"); `IdleAction` other than `ignore` sleeps by
/// itself (logind.conf(5)); a system without a graphical session has nobody else who would (common practice, no source).
fn linux_sleep_off(root: &Path) -> Option<bool> {
    let unit = |name: &str| std::fs::read_link(root.join("etc/systemd/system").join(name)).ok();
    let masked = |name: &str| unit(name).is_some_and(|to| to == Path::new("/dev/null"));
    if masked("sleep.target") || masked("suspend.target") {
        return Some(true);
    }
    let own = root.join("etc/systemd/logind.conf");
    let mut files = vec![own.clone()];
    files.extend(listed(&root.join("etc/systemd/logind.conf.d")));
    let action =
        files.iter().filter_map(|f| std::fs::read_to_string(f).ok()).filter_map(|t| idle_action(&t)).next_back();
    if let Some(action) = action {
        return Some(action == "ignore");
    }
    let default = unit("default.target").or_else(|| {
        std::fs::read_link(root.join("lib/systemd/system/default.target"))
            .or_else(|_| std::fs::read_link(root.join("usr/lib/systemd/system/default.target")))
            .ok()
    });
    let plain = default.is_some_and(|d| d.file_name().is_some_and(|n| n == "multi-user.target"));
    plain.then_some(true)
}

/// The last `IdleAction` of a logind.conf(5) that is no comment.
fn idle_action(text: &str) -> Option<String> {
    let lines = text.lines().map(str::trim).filter(|l| !l.starts_with(['#', ';']));
    lines.filter_map(|l| l.strip_prefix("IdleAction=")).next_back().map(|v| v.trim().to_owned())
}

fn listed(dir: &Path) -> Vec<std::path::PathBuf> {
    let mut all: Vec<_> = std::fs::read_dir(dir).into_iter().flatten().flatten().map(|e| e.path()).collect();
    all.sort();
    all
}

/// apt.conf(5) and the `APT::Periodic::Unattended-Upgrade` of apt's own daily run: off where nobody turned it on.
fn apt_updates_off(root: &Path) -> Option<bool> {
    let dir = root.join("etc/apt/apt.conf.d");
    if !dir.is_dir() {
        return None;
    }
    let mut on = false;
    for text in listed(&dir).iter().filter_map(|f| std::fs::read_to_string(f).ok()) {
        for line in text.lines().map(str::trim).filter(|l| !l.starts_with("//") && !l.starts_with('#')) {
            if let Some(value) = line.strip_prefix("APT::Periodic::Unattended-Upgrade") {
                on = !matches!(value.trim().trim_matches([';', '"', ' ']), "0" | "never" | "false");
            }
        }
    }
    Some(!on)
}

/// `'nothing'` or `'suspend'`.
fn desktop_sleep_off(text: &str) -> Option<bool> {
    match text.trim().trim_matches('\'') {
        "nothing" | "blank" => Some(true),
        "suspend" | "hibernate" | "shutdown" | "interactive" | "logout" => Some(false),
        _ => None,
    }
}

fn is_false(text: &str) -> Option<bool> {
    match text.trim() {
        "false" | "0" => Some(true),
        "true" | "1" => Some(false),
        _ => None,
    }
}

/// ` sleep                0 (sleep prevented by ...)`: minutes until it sleeps, 0 for never (from memory, pmset(1)).
fn pmset_sleep_off(text: &str) -> Option<bool> {
    let minutes = text.lines().find_map(|l| {
        let mut words = l.split_whitespace();
        (words.next() == Some("sleep")).then(|| words.next()).flatten()
    })?;
    Some(minutes == "0")
}

/// The index of the setting on mains, in seconds: `Current AC Power Setting Index: 0x00000000` (from memory).
fn powercfg_sleep_off(text: &str) -> Option<bool> {
    let line = text.lines().find(|l| l.contains("AC") && l.contains("0x"))?;
    let digits = line.rsplit("0x").next()?.trim();
    u32::from_str_radix(digits, 16).ok().map(|seconds| seconds == 0)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn root(files: &[(&str, &str)]) -> tempfile::TempDir {
        let dir = tempfile::tempdir().unwrap();
        for (path, text) in files {
            let path = dir.path().join(path);
            std::fs::create_dir_all(path.parent().unwrap()).unwrap();
            std::fs::write(path, text).unwrap();
        }
        dir
    }

    #[cfg(unix)]
    #[test]
    fn a_masked_target_or_a_plain_system_does_not_sleep() {
        let dir = root(&[("etc/systemd/logind.conf", "[Login]\n#IdleAction=suspend\n")]);
        assert_eq!(linux_sleep_off(dir.path()), None);
        let units = dir.path().join("etc/systemd/system");
        std::fs::create_dir_all(&units).unwrap();
        std::os::unix::fs::symlink("/lib/systemd/system/multi-user.target", units.join("default.target")).unwrap();
        assert_eq!(linux_sleep_off(dir.path()), Some(true));
        let conf = dir.path().join("etc/systemd/logind.conf.d/idle.conf");
        std::fs::create_dir_all(conf.parent().unwrap()).unwrap();
        std::fs::write(&conf, "[Login]\nIdleAction=suspend\n").unwrap();
        assert_eq!(linux_sleep_off(dir.path()), Some(false));
        std::os::unix::fs::symlink("/dev/null", units.join("suspend.target")).unwrap();
        assert_eq!(linux_sleep_off(dir.path()), Some(true));
    }

    #[test]
    fn updates_are_off_where_nobody_turned_them_on() {
        assert_eq!(apt_updates_off(root(&[]).path()), None);
        let file = "etc/apt/apt.conf.d/20auto";
        let with = |text: &str| apt_updates_off(root(&[(file, text)]).path());
        assert_eq!(with("APT::Periodic::Update-Package-Lists \"1\";\n"), Some(true));
        assert_eq!(with("APT::Periodic::Unattended-Upgrade \"1\";\n"), Some(false));
        assert_eq!(with("// APT::Periodic::Unattended-Upgrade \"1\";\n"), Some(true));
        assert_eq!(with("APT::Periodic::Unattended-Upgrade \"0\";\n"), Some(true));
    }

    #[test]
    fn other_programs_words_are_read() {
        assert_eq!(desktop_sleep_off("'suspend'\n"), Some(false));
        assert_eq!(desktop_sleep_off("'nothing'\n"), Some(true));
        assert_eq!(is_false("false\n"), Some(true));
        assert_eq!(pmset_sleep_off("Currently in use:\n standby 1\n sleep                10\n"), Some(false));
        assert_eq!(pmset_sleep_off(" displaysleep 5\n sleep 0 (sleep prevented by coreaudiod)\n"), Some(true));
        assert_eq!(pmset_sleep_off("nothing of the kind"), None);
        let setting = |n: &str| {
            format!("    Current AC Power Setting Index: 0x{n}\n    Current DC Power Setting Index: 0x00000384\n")
        };
        assert_eq!(powercfg_sleep_off(&setting("00000000")), Some(true));
        assert_eq!(powercfg_sleep_off(&setting("00000708")), Some(false));
    }

    #[test]
    fn asking_this_system_ends() {
        // Whatever it says: it must say it, or say nothing.
        let _ = left_alone();
        assert_eq!(ask("twinkeel-no-such-program", &[]), None);
    }
}
