//! What the supervisor's other threads tell the watch thread. One ring, emptied without a lock; whoever fills it takes turns at a
//! lock of their own.

use std::sync::{Arc, Mutex};

use base::{Machine, MonoTime, RemoteTime};
use ports::os::Waker;
use rig::Act;
use watch::TapReport;
use wire::Session;

/// One thing told.
pub enum ToWatch {
    /// A session was agreed with a machine's agent: its beat lanes.
    Session(Machine, Box<Session>),
    /// What a machine's channels are for.
    Channels(Machine, watch::channels::Roles),
    /// A machine's urgent lane was closed from its end.
    LaneClosed(Machine, MonoTime),
    /// A machine's agent said goodbye.
    Goodbye(Machine),
    /// A trigger was heard at a machine.
    Trigger(Machine, wire::message::TriggerKind, RemoteTime),
    /// What the tap sounds like.
    Tap(TapReport),
    /// How a machine's sound compares with the reference machine's.
    Likeness(Machine, watch::LikenessReport),
    /// How a machine's session folders stand.
    Folders(Machine, rig::SessionTrouble),
    /// How a device that takes patches stands, by its place in the show file.
    Device(u8, rig::DeviceEvidence),
    /// What the switch said, over another way than the watch thread's own sockets.
    Switch(base::SwitchView, MonoTime),
    /// Our own network links ceased to carry (true), or carry again.
    OwnLink(bool),
    /// A command that an output had taken did not go out, or was refused: its number.
    OutputFailed(u32),
    /// A person's act, and where its answer goes.
    Act(Act, u64),
    /// End the watch (nothing on air changes).
    End,
}

/// The way to the watch thread.
#[derive(Clone)]
pub struct WatchDesk {
    ring: Arc<Mutex<rtrb::Producer<ToWatch>>>,
    waker: Waker,
}

impl WatchDesk {
    /// A desk and the end that the watch thread empties.
    pub fn new(waker: Waker) -> (WatchDesk, rtrb::Consumer<ToWatch>) {
        let (to, from) = rtrb::RingBuffer::new(1024);
        (WatchDesk { ring: Arc::new(Mutex::new(to)), waker }, from)
    }

    /// Tells it and wakes the watch. False when the ring is full: the watch is held up, and the news is lost.
    pub fn tell(&self, news: ToWatch) -> bool {
        let told = self.ring.lock().is_ok_and(|mut r| r.push(news).is_ok());
        self.waker.wake();
        if !told {
            tracing::error!("the watch thread is held up: news was lost");
        }
        told
    }
}
