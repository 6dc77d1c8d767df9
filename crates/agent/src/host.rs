//! The host's health, looked at every two seconds by a thread of its own.

use std::sync::mpsc::Sender;
use std::time::Duration;

use sysinfo::{Components, Disks, System};
use wire::{Health, HostFlags, Up};

use crate::news::{News, NewsDesk};

/// Less free space than this is low.
const DISK_LOW: u64 = 2 << 30;
/// Less free memory than this is low.
const MEMORY_LOW: u64 = 256 << 20;
/// Near the point where processors slow down (common practice, no source).
const HOT_TENTHS: i16 = 900;
/// Nearly saturated.
const CPU_HIGH_PERMILLE: u16 = 900;

/// Watches for ever.
pub fn start(real_time: bool, urgent: Sender<Up>, desk: NewsDesk) -> std::io::Result<()> {
    std::thread::Builder::new().name("host".into()).spawn(move || {
        let mut system = System::new().ok();
        let mut kit = crate::kit::KitWatch::default();
        loop {
            let health = look(system.as_mut());
            let flag = |f, on: Option<bool>| HostFlags::NONE.with(f, on.unwrap_or(false));
            let flags = [
                flag(HostFlags::DISK_LOW, health.disk_free.map(|b| b < DISK_LOW)),
                flag(HostFlags::MEMORY_LOW, health.memory_free.map(|b| b < MEMORY_LOW)),
                flag(HostFlags::HOT, health.temperature_tenths.map(|t| t >= HOT_TENTHS)),
                flag(HostFlags::CPU_HIGH, health.cpu_permille.map(|c| c >= CPU_HIGH_PERMILLE)),
                flag(HostFlags::ON_BATTERY, health.on_battery),
                flag(HostFlags::NO_PRIORITY, Some(!real_time)),
            ];
            desk.tell(News::Host(HostFlags(flags.iter().fold(0, |a, f| a | f.0))));
            if urgent.send(Up::Health(health)).is_err() {
                return;
            }
            kit.look(&desk);
            std::thread::sleep(Duration::from_secs(2));
        }
    })?;
    Ok(())
}

fn look(system: Option<&mut System>) -> Health {
    let mut health = Health { on_battery: on_battery(), ..Health::default() };
    if let Some(s) = system {
        s.refresh_cpu_usage();
        s.refresh_memory();
        health.cpu_permille = Some((s.global_cpu_usage() * 10.0) as u16);
        health.memory_free = Some(s.available_memory());
    }
    if let Ok(parts) = Components::new_with_refreshed_list() {
        let hottest = parts.iter().filter_map(sysinfo::Component::temperature).reduce(f32::max);
        health.temperature_tenths = hottest.map(|t| (t * 10.0) as i16);
    }
    if let Ok(disks) = Disks::new_with_refreshed_list() {
        health.disk_free = disks.iter().map(|d| d.available_space()).filter(|b| *b > 0).min();
    }
    health
}

/// Linux says whether a mains supply is plugged in; elsewhere it is not known.
fn on_battery() -> Option<bool> {
    let supplies = std::fs::read_dir("/sys/class/power_supply").ok()?;
    let mut mains = None;
    for s in supplies.flatten() {
        if let Ok(online) = std::fs::read_to_string(s.path().join("online")) {
            mains = Some(mains.unwrap_or(false) || online.trim() == "1");
        }
    }
    mains.map(|on| !on)
}
