//! One device's sender: a thread that is started before anything needs it, keeps the port open, and sends what waits, paced for the link.

use std::collections::VecDeque;
use std::sync::mpsc::Sender;
use std::sync::{Arc, Condvar, Mutex};
use std::time::{Duration, Instant};

use base::{MonoTime, Span};
use ports::os::mono_now;
use settings::devices::{Device, Link};
use watch::patches::{Item, PatchEvent, wire_time};

use super::PatchNews;
use super::port::Port;

/// Between two tries to open a port.
const PAUSE: Duration = Duration::from_millis(500);
/// What could not be sent for this long is not sent any more: the show has gone on.
const TOO_OLD: Span = Span::from_secs(10);

/// What waits to be sent.
pub enum Wanted {
    /// A part of a chase.
    Item(Item),
    /// Bytes for a follower of the code, with the reason.
    Raw(Vec<u8>, &'static str),
}

/// A message that went out.
pub struct SentLine {
    /// When it had been handed over.
    pub at: MonoTime,
    /// The bytes.
    pub bytes: Vec<u8>,
    /// Why.
    pub reason: &'static str,
}

#[derive(Default)]
struct Queue {
    waiting: VecDeque<Wanted>,
    since: Option<MonoTime>,
}

/// The way to a sender.
pub struct SenderDesk {
    queue: Arc<(Mutex<Queue>, Condvar)>,
}

impl SenderDesk {
    /// Starts the thread for the device with this number.
    ///
    /// # Errors
    /// There can be no thread.
    pub fn start(number: usize, device: Device, tell: Sender<PatchNews>) -> std::io::Result<SenderDesk> {
        let queue: Arc<(Mutex<Queue>, Condvar)> = Arc::default();
        let theirs = queue.clone();
        std::thread::Builder::new()
            .name("patches-out".into())
            .spawn(move || send_for_ever(number, &device, &theirs, &tell))?;
        Ok(SenderDesk { queue })
    }

    /// Sends this in place of what still waits.
    pub fn send(&self, all: VecDeque<Wanted>, at: MonoTime) {
        if let Ok(mut q) = self.queue.0.lock() {
            *q = Queue { waiting: all, since: Some(at) };
        }
        self.queue.1.notify_one();
    }

    /// The machine on air has sent this itself: what sets the same is not sent any more.
    pub fn yield_to(&self, e: PatchEvent) {
        if let Ok(mut q) = self.queue.0.lock() {
            q.waiting.retain(|w| !matches!(w, Wanted::Item(i) if i.yields_to(e)));
        }
    }
}

fn send_for_ever(number: usize, device: &Device, queue: &(Mutex<Queue>, Condvar), tell: &Sender<PatchNews>) {
    let mut port: Option<Port> = None;
    let mut told: Option<String> = None;
    let mut lines = Vec::new();
    loop {
        if port.is_none() {
            match Port::open(device) {
                Ok(p) => {
                    port = Some(p);
                    told = None;
                    let _ = tell.send(PatchNews::Port(number, None));
                }
                Err(why) => {
                    if told.as_ref() != Some(&why) {
                        let _ = tell.send(PatchNews::Port(number, Some(why.clone())));
                        told = Some(why);
                    }
                    std::thread::sleep(PAUSE);
                    continue;
                }
            }
        }
        let Some(next) = next(queue, &mut lines, number, tell) else { continue };
        let (messages, reason): (Vec<Vec<u8>>, _) = match &next {
            Wanted::Item(i) => (i.events.iter().map(|e| trimmed(*e)).collect(), i.reason.word()),
            Wanted::Raw(bytes, reason) => (vec![bytes.clone()], *reason),
        };
        let mut failed = None;
        for m in &messages {
            let began = Instant::now();
            match port.as_mut().map_or(Err("closed".into()), |p| p.send(m)) {
                Ok(()) => lines.push(SentLine { at: mono_now(), bytes: m.clone(), reason }),
                Err(why) => {
                    failed = Some(why);
                    break;
                }
            }
            if device.link == Link::Din {
                let takes = Duration::from_nanos(wire_time(m.len()).nanos().unsigned_abs());
                std::thread::sleep(takes.saturating_sub(began.elapsed()));
            }
        }
        if let Some(why) = failed {
            port = None;
            told = Some(why.clone());
            let _ = tell.send(PatchNews::Port(number, Some(why)));
            if let Ok(mut q) = queue.0.lock() {
                q.waiting.push_front(next);
            }
            continue;
        }
        if let Wanted::Item(i) = next {
            let _ = tell.send(PatchNews::Took(number, i, mono_now()));
        }
    }
}

/// The next that waits. Before it waits itself, it tells what has been sent.
fn next(
    queue: &(Mutex<Queue>, Condvar),
    lines: &mut Vec<SentLine>,
    number: usize,
    tell: &Sender<PatchNews>,
) -> Option<Wanted> {
    let mut q = queue.0.lock().ok()?;
    if q.since.is_some_and(|t| mono_now() - t > TOO_OLD) {
        q.waiting.clear();
    }
    if let Some(w) = q.waiting.pop_front() {
        return Some(w);
    }
    if !lines.is_empty() {
        let _ = tell.send(PatchNews::Done(number, std::mem::take(lines)));
    }
    let (mut q, _) = queue.1.wait_timeout(q, Duration::from_secs(1)).ok()?;
    q.waiting.pop_front()
}

/// A program change has two bytes.
fn trimmed(e: PatchEvent) -> Vec<u8> {
    e.message().to_vec()
}
