//! Patches follow the changeover: what each device was sent, whether the machines send the same, and what is sent again after a
//! changeover. A thread of its own; the watch thread knows nothing of it.

mod ear;
mod one;
mod port;
mod sender;
#[cfg(test)]
mod tests;
mod thread;
mod words;

use std::collections::BTreeMap;
use std::sync::mpsc::{Receiver, Sender, channel};
use std::sync::{Arc, Mutex};

use base::{Machine, MonoTime, ShowPosition, Span, SwitchView, TransportState};
use rig::AlarmCode;
use watch::WatchView;
use watch::patches::{Item, PatchEvent};
use wire::{Exclusive, PatchStream};

use crate::scribe::{Facts, ScribeDesk};
use crate::snapshot::DeviceView;
use crate::to_watch::WatchDesk;

use sender::SentLine;

/// What the thread is told.
pub enum PatchNews {
    /// A machine's messages.
    Stream(Machine, PatchStream),
    /// A machine's system exclusive message.
    Exclusive(Machine, Exclusive),
    /// A machine let go of some of its messages.
    LetGo(Machine),
    /// Where the machines are.
    View(Box<Where>),
    /// The switch was sent to this machine, or has gone there; whether the machine that left had failed.
    Moved(Machine, MonoTime, bool),
    /// Send a device (none: all) what should be in force, now.
    Chase(Option<String>),
    /// A device's port opened, or failed and why.
    Port(usize, Option<String>),
    /// A device was sent this.
    Took(usize, Item, MonoTime),
    /// So many messages for a device were too old to be sent, or too many.
    Dropped(usize, u64),
    /// A device's own input carried this.
    Reached(usize, PatchEvent, MonoTime),
    /// A device's own input is heard, or not and why.
    Tap(usize, Option<String>),
    /// All that waited for a device was sent.
    Done(usize, Vec<SentLine>),
}

/// Where each machine is at one instant.
pub struct Where {
    now: MonoTime,
    on_air: Option<Machine>,
    machines: Vec<MachineIs>,
}

/// One machine.
#[derive(Clone, Copy, Default)]
pub struct MachineIs {
    /// Its clock minus ours.
    clock: Option<Span>,
    alive: bool,
    rolls: bool,
    /// Show time.
    place: Option<Span>,
    song: u16,
    in_song: Span,
    jumps: u16,
}

impl Where {
    /// From the watch's figures.
    pub fn of(view: &WatchView) -> Where {
        let on_air = if let SwitchView::On(m) = view.rig.on_air { Some(m) } else { None };
        let lies = crate::ears::lies_of(view);
        let machine = |(m, lie): (&watch::MachineFigures, &crate::ears::Lie)| {
            let place = m.position.and_then(|(p, _)| match p {
                ShowPosition::Timecode { at, .. } => Some(at),
                _ => None,
            });
            let in_song = m.place.and_then(|p| p.fresh(view.now));
            MachineIs {
                clock: lie.clock,
                alive: matches!(m.heard, base::Heard::Well | base::Heard::OnePath),
                rolls: m.position.is_some_and(|(_, r)| r.state == TransportState::Rolling),
                place,
                song: in_song.map_or(0, |p| p.song),
                in_song: in_song.map_or(Span::ZERO, |p| p.at),
                jumps: m.position.map_or(0, |(_, r)| r.jumps),
            }
        };
        Where { now: view.now, on_air, machines: view.machines.iter().zip(&lies).map(machine).collect() }
    }
}

/// What the page shows of the devices, as the thread last said.
pub type Shown = Arc<Mutex<ShownDevices>>;

/// See [`Shown`].
#[derive(Default)]
pub struct ShownDevices {
    /// In the order of the show file, without their alarms.
    views: Vec<DeviceView>,
    /// What stands behind an alarm of a device, in words.
    words: BTreeMap<(AlarmCode, u8), String>,
}

/// The way to the thread.
#[derive(Clone)]
pub struct PatchDesk {
    to: Option<Sender<PatchNews>>,
    shown: Shown,
}

impl PatchDesk {
    /// A desk, and what its thread reads. A show without devices has neither.
    pub fn new(facts: &Facts) -> (PatchDesk, Option<Receiver<PatchNews>>) {
        let devices = facts.show.as_ref().is_some_and(|s| !s.devices.is_empty());
        let (to, from) = channel();
        (PatchDesk { to: devices.then_some(to), shown: Shown::default() }, devices.then_some(from))
    }
    /// Tells it.
    pub fn tell(&self, news: PatchNews) {
        if let Some(to) = &self.to {
            let _ = to.send(news);
        }
    }
    /// Whether there is any device.
    pub fn serves(&self) -> bool {
        self.to.is_some()
    }
    /// The devices now.
    pub fn shown(&self) -> Vec<DeviceView> {
        self.shown.lock().map(|s| s.views.clone()).unwrap_or_default()
    }
    /// What stands behind an alarm of a device.
    pub fn words(&self, code: AlarmCode, device: u8) -> Option<String> {
        self.shown.lock().ok()?.words.get(&(code, device)).cloned()
    }
    /// Starts the threads.
    ///
    /// # Errors
    /// There can be no thread.
    pub fn start(
        &self,
        from: Option<Receiver<PatchNews>>,
        facts: Arc<Facts>,
        scribe: ScribeDesk,
        watch: WatchDesk,
    ) -> std::io::Result<()> {
        let (Some(from), Some(to)) = (from, self.to.clone()) else { return Ok(()) };
        thread::start(from, to, thread::Desks { facts, scribe, watch, shown: self.shown.clone() })
    }
}
