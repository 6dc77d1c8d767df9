//! The writer's thread: drains both queues, and makes one transaction of what it found.

use std::collections::VecDeque;
use std::sync::atomic::Ordering;
use std::sync::mpsc::{Receiver, SyncSender, TryRecvError};
use std::sync::{Arc, PoisonError};
use std::time::{Duration, Instant};

use base::{MonoTime, WallTime};
use rusqlite::ErrorCode;

use super::RecorderConfig;
use super::lanes::{FullLane, SlowLane};
use super::sender::{MOST_WAITING, Message, Shared};
use crate::sound::Sound;
use crate::store::{self, Store};
use crate::words::{Event, EventKind, Sample};

pub(super) struct Writer {
    store: Store,
    config: RecorderConfig,
    messages: Receiver<Message>,
    samples: Receiver<Sample>,
    shared: Arc<Shared>,
    events: VecDeque<(u64, Event)>,
    incidents: Vec<(MonoTime, u64)>,
    sounds: Vec<Sound>,
    /// Room for sound that is left, in bytes.
    sound_budget: u64,
    sound_refused: bool,
    slow: SlowLane,
    full: FullLane,
    flushes: Vec<SyncSender<bool>>,
    /// The newest instant seen, on both clocks.
    now: (MonoTime, WallTime),
    last_samples: Instant,
    /// After a failure nothing is tried before this.
    retry: Option<Instant>,
    reported_dropped: u64,
    /// The disk is full and the room set aside is in use; when to see whether there is room again.
    on_reserve: Option<Instant>,
}

/// How long the writer sleeps when nobody wakes it.
const NAP: Duration = Duration::from_millis(50);
/// How long it waits before it tries a failed disk again.
const PAUSE: Duration = Duration::from_secs(1);
/// How long it lives on the room set aside before it sees whether there is room again.
const LONG_PAUSE: Duration = Duration::from_secs(5);

impl Writer {
    pub(super) fn new(
        store: Store,
        config: RecorderConfig,
        messages: Receiver<Message>,
        samples: Receiver<Sample>,
        shared: Arc<Shared>,
    ) -> Writer {
        let sound_budget = config.sound_budget.saturating_sub(store.sound_bytes());
        let budget = config.full_rate_budget.saturating_sub(store.full_rate_bytes());
        Writer {
            store,
            config,
            messages,
            samples,
            shared,
            events: VecDeque::new(),
            incidents: Vec::new(),
            sounds: Vec::new(),
            sound_budget,
            sound_refused: false,
            slow: SlowLane::new(config.slow_interval),
            full: FullLane::new(config.around_incident, budget),
            flushes: Vec::new(),
            now: (MonoTime::ZERO, WallTime::default()),
            last_samples: Instant::now(),
            retry: None,
            reported_dropped: 0,
            on_reserve: None,
        }
    }

    pub(super) fn run(mut self) {
        loop {
            // Messages first: a flush speaks of samples that are in their queue by then.
            let stop = self.take_messages();
            self.take_samples();
            let flushing = stop || !self.flushes.is_empty();
            if self.something_due(flushing) {
                let done = self.commit();
                for answer in self.flushes.drain(..) {
                    let _ = answer.try_send(done);
                }
            } else {
                // Nothing was waiting, or the disk is being left alone for a moment.
                let done = self.retry.is_none();
                for answer in self.flushes.drain(..) {
                    let _ = answer.try_send(done);
                }
            }
            if stop {
                break;
            }
            std::thread::park_timeout(NAP);
        }
        self.store.close(self.now.0);
    }

    /// True when it is time to stop.
    fn take_messages(&mut self) -> bool {
        loop {
            match self.messages.try_recv() {
                Ok(Message::Event(sequence, event)) => {
                    self.now = (self.now.0.max(event.at), event.wall);
                    self.events.push_back((sequence, event));
                }
                Ok(Message::Mark(at, event)) => {
                    self.full.mark(at);
                    self.incidents.push((at, event));
                }
                Ok(Message::Sound(sound)) => self.take_sound(sound),
                Ok(Message::Flush(answer)) => self.flushes.push(answer),
                Ok(Message::Stop) | Err(TryRecvError::Disconnected) => return true,
                Err(TryRecvError::Empty) => return false,
            }
        }
    }

    fn take_sound(&mut self, sound: Sound) {
        let bytes = sound.samples.len() as u64 * 2;
        // While nothing can be written, sound is the first thing to do without.
        if self.retry.is_none() && bytes <= self.sound_budget {
            self.sound_budget -= bytes;
            self.sounds.push(sound);
        } else if !self.sound_refused && self.retry.is_none() {
            self.sound_refused = true;
            self.say(
                "sound-budget",
                "The room for sound is used up: later changeovers are kept without it.".to_owned(),
            );
        }
    }

    fn take_samples(&mut self) {
        while let Ok(sample) = self.samples.try_recv() {
            self.now.0 = self.now.0.max(sample.at);
            self.slow.on_sample(&sample);
            self.full.on_sample(sample);
        }
    }

    fn something_due(&self, flushing: bool) -> bool {
        if self.retry.is_some_and(|at| Instant::now() < at) && !flushing {
            return false;
        }
        let samples = self.slow.has_news() || self.full.has_news();
        let every = Duration::from_nanos(self.config.commit_interval.nanos().max(0) as u64);
        !self.events.is_empty()
            || !self.incidents.is_empty()
            || !self.sounds.is_empty()
            || samples && (flushing || self.last_samples.elapsed() >= every)
    }

    /// One transaction with all that is new. True when it is on the disk.
    fn commit(&mut self) -> bool {
        let mut result = self.write();
        if result.as_ref().is_err_and(is_full) && self.store.release_reserve() {
            tracing::error!(path = %self.store.path.display(), "disk full: using the room set aside");
            self.on_reserve = Some(Instant::now() + LONG_PAUSE);
            self.set_failing(Some(("the disk is full: the room set aside is in use".to_owned(), true)));
            result = self.write();
        }
        match result {
            Ok(tail) => {
                self.committed(tail);
                true
            }
            Err(error) => {
                self.failed(&error);
                false
            }
        }
    }

    fn write(&mut self) -> rusqlite::Result<Option<i64>> {
        let epoch = self.store.epoch;
        // On a full disk what room there is belongs to the events.
        let events_only = self.retry.is_some() && !self.events.is_empty();
        let (events, incidents, sounds) = (&self.events, &self.incidents, &self.sounds);
        let (slow, full) = (&self.slow, &self.full);
        self.store
            .commit(|tx| {
                for (sequence, event) in events {
                    store::put_event(tx, epoch, *sequence, event)?;
                }
                for (at, event) in incidents {
                    store::put_incident(tx, epoch, *at, *event)?;
                }
                if events_only {
                    return Ok(None);
                }
                for sound in sounds {
                    store::put_sound(tx, epoch, sound)?;
                }
                full.write(tx, epoch)?;
                slow.write(tx, epoch)
            })
            .inspect(|_| {
                if events_only {
                    // The samples still wait: their turn is the next round.
                    self.retry = Some(Instant::now());
                }
            })
    }

    fn committed(&mut self, tail: Option<i64>) {
        let events_only = self.retry.is_some() && !self.events.is_empty();
        if let Some((newest, _)) = self.events.back() {
            self.shared.committed.fetch_max(*newest, Ordering::Relaxed);
        }
        self.shared.waiting.fetch_sub(self.events.len() as u64, Ordering::Relaxed);
        self.events.clear();
        self.incidents.clear();
        if events_only {
            return;
        }
        self.sounds.clear();
        self.slow.committed(tail);
        if self.full.committed() {
            self.say(
                "full-rate-budget",
                "The room for full-rate capture is used up: later incidents are kept at 10 Hz only.".to_owned(),
            );
        }
        self.last_samples = Instant::now();
        let failed_before = self.retry.take().is_some();
        let look_again = self.on_reserve.is_none_or(|at| Instant::now() >= at);
        if (failed_before || self.on_reserve.is_some()) && look_again {
            if self.store.renew_reserve(self.config.reserve) {
                self.on_reserve = None;
                self.set_failing(None);
                self.say("writing-again", "The record is being written again.".to_owned());
            } else {
                self.on_reserve = Some(Instant::now() + LONG_PAUSE);
            }
        }
        let dropped = self.shared.samples_dropped.load(Ordering::Relaxed);
        if dropped > self.reported_dropped {
            let text = format!("{} samples could not be recorded.", dropped - self.reported_dropped);
            self.reported_dropped = dropped;
            self.say("samples-dropped", text);
        }
    }

    fn failed(&mut self, error: &rusqlite::Error) {
        if self.retry.is_none() {
            tracing::error!(path = %self.store.path.display(), %error, "the record cannot be written");
        }
        self.retry = Some(Instant::now() + PAUSE);
        let why = if is_full(error) { "the disk is full".to_owned() } else { error.to_string() };
        self.set_failing(Some((why, is_full(error))));
        // The newest events are kept, the oldest go first.
        while self.events.len() as u64 > MOST_WAITING / 2 {
            self.events.pop_front();
            self.shared.waiting.fetch_sub(1, Ordering::Relaxed);
            self.shared.events_dropped.fetch_add(1, Ordering::Relaxed);
        }
        self.sounds.clear();
        let dropped = self.slow.bounded();
        self.shared.samples_dropped.fetch_add(dropped, Ordering::Relaxed);
        self.full.bounded();
    }

    fn set_failing(&self, why: Option<(String, bool)>) {
        *self.shared.failing.lock().unwrap_or_else(PoisonError::into_inner) = why;
    }

    /// The record speaks of itself.
    fn say(&mut self, code: &str, text: String) {
        let event = Event::new(self.now.0, self.now.1, EventKind::Record, code, text);
        self.shared.waiting.fetch_add(1, Ordering::Relaxed);
        self.events.push_back((self.shared.number(), event));
    }
}

fn is_full(error: &rusqlite::Error) -> bool {
    matches!(error.sqlite_error_code(), Some(ErrorCode::DiskFull))
}
