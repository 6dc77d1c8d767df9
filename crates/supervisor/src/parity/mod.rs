//! Whether all machines have the same session: a thread that lays the machines' folders side by side as their agents tell them.
//!
//! Each agent tells a digest of each folder. Where two digests differ, the thread asks both agents for the entries of those subfolders
//! that differ, and of no others ([`wire::manifest::Comparison`]). The first machine is what the others are compared with. What is found
//! goes to the scribe, and as an alarm's condition to the watch; nothing here moves anything.

mod book;
mod picture;

use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, sync_channel};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use base::{Machine, MonoTime, WallTime};
use ports::os::{mono_now, wall_now};
use wire::manifest::{Listing, Manifest};

pub use book::{Book, Compared};
pub use picture::{FolderPair, FolderSide, Loading, Parity, ParityLine, ParityVerdict};

use rig::SessionTrouble;

use crate::lanes::Speakers;
use crate::scribe::{ScribeDesk, ToScribe};
use crate::to_watch::{ToWatch, WatchDesk};

/// News that may wait.
const WAITING: usize = 64;
/// An answer that has not come by then is asked for again.
const TURN: Duration = Duration::from_millis(500);

/// What the thread is told.
pub enum ToParity {
    /// A machine's folder.
    Manifest(Machine, Box<Manifest>),
    /// A part of one.
    Listing(Machine, Listing),
    /// A person says that a machine's player has the session as it lies on its disk.
    Loaded(Machine),
    /// Look at all folders again; everything: read every file.
    Again(bool),
}

/// The way to the thread, and what it found.
#[derive(Clone)]
pub struct ParityDesk {
    to: SyncSender<ToParity>,
    found: Arc<Mutex<Parity>>,
}

impl ParityDesk {
    /// Hands something in. False: it was lost, since the thread is held up.
    pub fn tell(&self, news: ToParity) -> bool {
        self.to.try_send(news).is_ok()
    }
    /// All that is known, with the trees of differences.
    pub fn found(&self) -> Parity {
        self.found.lock().map(|f| f.clone()).unwrap_or_default()
    }
}

/// Starts the thread for so many machines.
///
/// # Errors
/// When there can be no thread.
pub fn start(machines: usize, speakers: Speakers, watch: WatchDesk, scribe: ScribeDesk) -> std::io::Result<ParityDesk> {
    let (to, from) = sync_channel(WAITING);
    let found: Arc<Mutex<Parity>> = Arc::default();
    let desk = ParityDesk { to, found: found.clone() };
    let told = vec![SessionTrouble::None; machines];
    let thread = Thread { book: Book::new(machines), speakers, watch, scribe, found, said: Vec::new(), told };
    std::thread::Builder::new().name("parity".into()).spawn(move || thread.run(&from))?;
    Ok(desk)
}

struct Thread {
    book: Book,
    speakers: Speakers,
    scribe: ScribeDesk,
    found: Arc<Mutex<Parity>>,
    /// What was last said of each folder, so that it is said once.
    said: Vec<(String, String)>,
    watch: WatchDesk,
    /// What the watch knows of each machine.
    told: Vec<SessionTrouble>,
}

impl Thread {
    fn run(mut self, from: &Receiver<ToParity>) {
        loop {
            let now = mono_now();
            match from.recv_timeout(TURN) {
                Ok(ToParity::Manifest(m, manifest)) => self.book.on_manifest(m, *manifest, now),
                Ok(ToParity::Listing(m, listing)) => self.book.on_listing(m, listing),
                Ok(ToParity::Loaded(m)) => self.book.on_loaded(m),
                Ok(ToParity::Again(everything)) => self.speakers.all(&wire::Down::LookAgain { everything }),
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => return,
            }
            self.turn(mono_now(), wall_now());
        }
    }

    fn turn(&mut self, now: MonoTime, wall: WallTime) {
        while let Some((m, want)) = self.book.wants(now) {
            self.speakers.say(m, &wire::Down::WantListing(want));
        }
        let picture = self.book.picture(wall, now);
        let lines = picture.lines();
        for l in &lines {
            // What is on its way is not worth a line of the record, and comes to a word of its own.
            if matches!(l.verdict, ParityVerdict::Unknown | ParityVerdict::Looking) {
                continue;
            }
            let key = format!("{} {}", l.folder, l.machine);
            match self.said.iter_mut().find(|(k, _)| *k == key) {
                Some((_, text)) if *text == l.text => continue,
                Some((_, text)) => text.clone_from(&l.text),
                None => self.said.push((key, l.text.clone())),
            }
            self.scribe.tell(ToScribe::Said { code: l.verdict.code(), text: l.text.clone() });
        }
        for (m, told) in Machine::first(self.told.len()).zip(&mut self.told) {
            let trouble = picture.trouble(m);
            if trouble != *told && self.watch.tell(ToWatch::Folders(m, trouble)) {
                *told = trouble;
            }
        }
        let sessions = picture.sessions();
        let changed = self.found.lock().is_ok_and(|mut f| {
            let changed = *f != picture;
            *f = picture;
            changed
        });
        if changed {
            self.scribe.tell(ToScribe::Parity(lines, sessions));
        }
    }
}
