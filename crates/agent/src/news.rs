//! What the agent's threads tell the beat thread.

use base::{MonoTime, PlayerState};
use wire::{HostFlags, Session, SourceFlags};

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
}

impl NewsDesk {
    /// A desk whose news go to `to`.
    pub fn new(to: std::sync::mpsc::Sender<News>, waker: ports::os::Waker) -> NewsDesk {
        NewsDesk { to, waker }
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
