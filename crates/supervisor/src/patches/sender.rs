//! One device's sender: a thread that is started before anything needs it, keeps the port open, and sends what waits, paced for the link.

use std::collections::VecDeque;
use std::sync::mpsc::Sender;
use std::sync::{Arc, Condvar, Mutex};
use std::time::{Duration, Instant};

use base::{MonoTime, Span};
use ports::os::mono_now;
use settings::devices::{Device, Link};
use timecode::midi::encode::{CONTINUE, STOP, song_position};
use timecode::tempo_map::TempoMap;
use watch::patches::{Exclusive, Item, PatchEvent, wire_time};

use super::PatchNews;
use super::port::Port;

/// Between two tries to open a port.
const PAUSE: Duration = Duration::from_millis(500);
/// What could not be sent for this long is not sent any more: the show has gone on.
const TOO_OLD: Span = Span::from_secs(10);

/// A message of more bytes holds up those behind it.
const LONG: usize = 64;

/// What waits to be sent.
pub enum Wanted {
    /// A part of a chase.
    Item(Item),
    /// Bytes for a follower of the code, with the reason.
    Raw(Vec<u8>, &'static str),
    /// For a follower of MIDI clock: where the song is.
    Place(SongClock),
}

/// A song that runs, for followers of its MIDI clock.
pub struct SongClock {
    /// When it began, on our clock.
    pub began: MonoTime,
    /// Its tempi.
    pub tempo: TempoMap,
}

impl SongClock {
    /// The song position to send now, in sixteenths (MIDI 1.0: six clocks each), and when to go on: in the middle of the clock before
    /// it, so that the next clock is that sixteenth's. A follower takes a position while it stands, and a clock's time for that. None:
    /// the position has no number.
    fn next(&self, now: MonoTime) -> Option<(u16, MonoTime)> {
        let sixteenth = ((self.tempo.clock_at(now - self.began)? + 1.0) / 6.0).ceil().max(1.0);
        let at = self.tempo.time_of_clock(6.0 * sixteenth - 0.5)?;
        (sixteenth <= 16_383.0).then_some((sixteenth as u16, self.began + at))
    }
}

/// What the machine on air plays and we play on, where we feed the device: when it came, and the message.
type Live = (MonoTime, Vec<u8>);
/// Played-on messages that may wait; those beyond are lost and told.
const LIVE: usize = 4_096;
/// What could not be played on for this long would come at a wrong place of the music.
const LIVE_TOO_OLD: Span = Span::from_millis(500);

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
    live: VecDeque<Live>,
    waiting: VecDeque<Wanted>,
    since: Option<MonoTime>,
    lost: u64,
}

/// What goes out next.
enum Next {
    Live(Vec<u8>),
    Chased(Wanted),
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
            q.waiting = all;
            q.since = Some(at);
        }
        self.queue.1.notify_one();
    }

    /// Plays a message on, before all that is sent again.
    pub fn play_on(&self, message: Vec<u8>) {
        if let Ok(mut q) = self.queue.0.lock() {
            if q.live.len() < LIVE {
                q.live.push_back((mono_now(), message));
            } else {
                q.lost += 1;
            }
        }
        self.queue.1.notify_one();
    }

    /// The machine on air has sent this itself: what sets the same is not sent any more.
    pub fn yield_to(&self, e: PatchEvent) {
        if let Ok(mut q) = self.queue.0.lock() {
            q.waiting.retain(|w| !matches!(w, Wanted::Item(i) if i.yields_to(e)));
        }
    }

    /// The same for a system exclusive message.
    pub fn yield_to_exclusive(&self, message: &Exclusive) {
        if let Ok(mut q) = self.queue.0.lock() {
            q.waiting.retain(|w| !matches!(w, Wanted::Item(i) if i.yields_to_exclusive(message)));
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
        let mut go_on_at = None;
        let (messages, reason): (Vec<Vec<u8>>, _) = match &next {
            Next::Live(bytes) => (vec![bytes.clone()], None),
            Next::Chased(Wanted::Item(i)) => (i.messages(), Some(i.reason.word())),
            Next::Chased(Wanted::Raw(bytes, reason)) => (vec![bytes.clone()], Some(*reason)),
            Next::Chased(Wanted::Place(song)) => match song.next(mono_now()) {
                Some((sixteenth, at)) => {
                    go_on_at = Some(at);
                    let place = vec![vec![STOP], song_position(sixteenth).to_vec(), vec![CONTINUE]];
                    (place, Some("song position: where the machine now on air is"))
                }
                None => continue,
            },
        };
        let mut failed = None;
        for m in &messages {
            if let Some(at) = go_on_at.filter(|_| m[..] == [CONTINUE]) {
                std::thread::sleep(Duration::from_nanos((at - mono_now()).nanos().max(0).unsigned_abs()));
            }
            let began = Instant::now();
            match port.as_mut().map_or(Err("closed".into()), |p| p.send(m)) {
                Ok(()) => lines.extend(reason.map(|reason| SentLine { at: mono_now(), bytes: m.clone(), reason })),
                Err(why) => {
                    failed = Some(why);
                    break;
                }
            }
            if device.link == Link::Din {
                let takes = Duration::from_nanos(wire_time(m.len()).nanos().unsigned_abs());
                std::thread::sleep(takes.saturating_sub(began.elapsed()));
                if m.len() > LONG
                    && let Ok(mut q) = queue.0.lock()
                {
                    q.forgive(wire_time(m.len()));
                }
            }
        }
        if let Some(why) = failed {
            port = None;
            told = Some(why.clone());
            let _ = tell.send(PatchNews::Port(number, Some(why)));
            if let (Ok(mut q), Next::Chased(w)) = (queue.0.lock(), next) {
                q.waiting.push_front(w);
            }
            continue;
        }
        if let Next::Chased(Wanted::Item(i)) = next {
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
) -> Option<Next> {
    let mut q = queue.0.lock().ok()?;
    let now = mono_now();
    while q.live.front().is_some_and(|(at, _)| now - *at > LIVE_TOO_OLD) {
        q.live.pop_front();
        q.lost += 1;
    }
    let lost = std::mem::take(&mut q.lost);
    if lost > 0 {
        let _ = tell.send(PatchNews::Dropped(number, lost));
    }
    if q.since.is_some_and(|t| now - t > TOO_OLD) && !q.waiting.is_empty() {
        let _ = tell.send(PatchNews::Dropped(number, q.waiting.len() as u64));
        q.waiting.clear();
    }
    if let Some(next) = q.take() {
        return Some(next);
    }
    if !lines.is_empty() {
        let _ = tell.send(PatchNews::Done(number, std::mem::take(lines)));
    }
    let (mut q, _) = queue.1.wait_timeout(q, Duration::from_secs(1)).ok()?;
    q.take()
}

impl Queue {
    /// The link was taken for so long: what waits is not older by that.
    fn forgive(&mut self, taken: Span) {
        self.live.iter_mut().for_each(|(at, _)| *at += taken);
        self.since = self.since.map(|at| at + taken);
    }

    fn take(&mut self) -> Option<Next> {
        let live = self.live.pop_front().map(|(_, m)| Next::Live(m));
        live.or_else(|| self.waiting.pop_front().map(Next::Chased))
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    /// 120 quarter notes a minute: a sixteenth is 125 ms, a clock 20.8 ms.
    #[test]
    fn a_follower_of_the_clock_goes_on_just_before_the_sixteenth_that_it_was_told() {
        let began = MonoTime::from_nanos(5_000_000_000);
        let song = SongClock { began, tempo: TempoMap::steady(base::Bpm(120.0)) };
        let at = |ms: i64| song.next(began + Span::from_millis(ms)).unwrap();
        for (now, sixteenth) in [(0, 1), (1_000, 9), (1_050, 9), (1_110, 10), (60_010, 481)] {
            let (n, go_on) = at(now);
            assert_eq!(n, sixteenth, "{now} ms");
            let wait = (go_on - began).millis_f64() - now as f64;
            let before = 125.0 * f64::from(n) - (go_on - began).millis_f64();
            assert!(wait > 0.0 && (before - 125.0 / 12.0).abs() < 0.01, "{now} ms: {wait} {before}");
        }
        assert_eq!(song.next(began + Span::from_secs(3 * 3_600)), None, "beyond 16,383 sixteenths");
    }
}
