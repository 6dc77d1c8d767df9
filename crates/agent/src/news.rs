//! What the agent's threads tell the beat thread.

use std::sync::atomic::{AtomicU32, Ordering};
use std::sync::mpsc::Sender;
use std::sync::{Arc, Mutex};

use base::{MonoTime, PlayerState, RemoteTime};
use wire::message::SourceState;
use wire::{HostFlags, Kit, Session, SourceFlags, Up};

use crate::core::{OscNews, SoundFormat};

/// One thing that happened.
pub enum News {
    /// MIDI bytes came in.
    Midi {
        /// By which input, from 0 in the order of the settings.
        input: usize,
        /// When.
        at: MonoTime,
        /// The bytes.
        bytes: Vec<u8>,
    },
    /// A MIDI input opened, or is not open.
    MidiInput {
        /// Which.
        input: usize,
        /// Whether it is open.
        open: bool,
    },
    /// Audio of this format follows.
    Format(SoundFormat),
    /// A block of audio.
    Pcm {
        /// The instant of the first sample.
        at: MonoTime,
        /// Interleaved samples.
        samples: Vec<f32>,
    },
    /// An OSC message.
    Osc {
        /// When it came.
        at: MonoTime,
        /// What it says.
        news: OscNews,
    },
    /// The player process came or went.
    Player {
        /// When that was noticed.
        at: MonoTime,
        /// What it is now.
        state: PlayerState,
    },
    /// A source came or went.
    Source {
        /// Which.
        flag: SourceFlags,
        /// Whether it is there.
        on: bool,
    },
    /// The host's health.
    Host(HostFlags),
    /// A session was agreed with the supervisor: its beat lanes.
    Session(Box<Session>),
}

/// The way to the beat thread: news, and a wake.
#[derive(Clone)]
pub struct NewsDesk {
    to: std::sync::mpsc::Sender<News>,
    waker: ports::os::Waker,
    introduction: Introduction,
    player: Arc<AtomicU32>,
}

/// What an agent says of itself first in each session, and what of it has changed since.
#[derive(Clone)]
pub struct Introduction {
    /// The messages.
    pub first: Arc<Mutex<Vec<Up>>>,
    /// Where changes go.
    pub urgent: Sender<Up>,
}

impl Introduction {
    /// Changes what is told of the host and the player, and tells it if it is new.
    fn on_kit(&self, change: impl Fn(&mut Kit)) {
        let Ok(mut first) = self.first.lock() else { return };
        for up in first.iter_mut() {
            let Up::Kit(kit) = up else { continue };
            let was = kit.clone();
            change(kit);
            if *kit != was {
                let _ = self.urgent.send(Up::Kit(kit.clone()));
            }
        }
    }

    /// A source's state; the first opening is no change worth an event.
    fn on_source(&self, name: &str, state: SourceState, why: &str) {
        let Ok(mut first) = self.first.lock() else { return };
        for up in first.iter_mut() {
            let Up::Inventory(i) = up else { continue };
            let Some(s) = i.sources.iter_mut().find(|s| s.name == name && s.state != state) else { continue };
            let was = std::mem::replace(&mut s.state, state);
            let _ = self.urgent.send(Up::Inventory(i.clone()));
            if was != SourceState::Opening {
                let at = RemoteTime::of_sender(ports::os::mono_now());
                let _ = self.urgent.send(Up::Source { at, name: name.into(), state, why: why.into() });
            }
        }
    }

    /// The channels that are heard, at this rate.
    fn on_format(&self, format: &SoundFormat) {
        let Ok(mut first) = self.first.lock() else { return };
        for up in first.iter_mut() {
            let Up::Inventory(i) = up else { continue };
            if i.channels != format.channels || f64::from(i.sample_rate) != format.rate.0 {
                i.channels.clone_from(&format.channels);
                i.sample_rate = format.rate.0 as u32;
                let _ = self.urgent.send(Up::Inventory(i.clone()));
            }
        }
    }
}

impl NewsDesk {
    /// A desk whose news go to `to`.
    pub fn new(to: std::sync::mpsc::Sender<News>, waker: ports::os::Waker, introduction: Introduction) -> NewsDesk {
        NewsDesk { to, waker, introduction, player: Arc::default() }
    }
    /// A source says what its sound is.
    pub fn tell_format(&self, format: SoundFormat) {
        self.introduction.on_format(&format);
        self.tell(News::Format(format));
    }
    /// What is told of the host and the player changes.
    pub fn tell_kit(&self, change: impl Fn(&mut Kit)) {
        self.introduction.on_kit(change);
    }
    /// The audio device has this full name.
    pub fn tell_device(&self, name: &str) {
        self.introduction.on_kit(|k| k.device = Some(name.into()));
    }
    /// A source opened, or is gone.
    pub fn tell_source(&self, name: &str, state: SourceState, why: &str) {
        self.introduction.on_source(name, state, why);
    }
    /// The player's process, or that it is gone.
    pub fn tell_player(&self, pid: Option<u32>) {
        self.player.store(pid.unwrap_or(0), Ordering::Relaxed);
    }
    /// The player's process.
    pub fn player(&self) -> Option<u32> {
        Some(self.player.load(Ordering::Relaxed)).filter(|pid| *pid != 0)
    }
    /// Hands it in; taken in at the next beat.
    pub fn tell(&self, news: News) {
        // The beat thread ends only with the process.
        let _ = self.to.send(news);
    }
    /// Hands it in and wakes the beat thread.
    pub fn tell_now(&self, news: News) {
        self.tell(news);
        self.waker.wake();
    }
}
