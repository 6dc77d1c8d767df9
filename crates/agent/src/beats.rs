//! The beat thread: an absolute deadline each few milliseconds, no tokio timer, no lock, no disk.

use std::net::SocketAddr;
use std::sync::mpsc::{Receiver, Sender, SyncSender};

use base::{MonoTime, RemoteTime, Span};
use ports::os::{Departure, Gate, Urgency, make_urgent, mono_now, slept};
use wire::{Beat, Lane, MAX_BEAT, Session, Up};

use crate::core::{AgentCore, MAX_PATHS};
use crate::news::News;

/// Real-time priority of the beat thread: below a driver's interrupt thread (50 on common Linux systems, from memory), above all
/// ordinary work.
const PRIORITY: u8 = 40;

/// What the beat thread needs.
pub struct Beats {
    /// Its mind.
    pub core: AgentCore,
    /// Sockets, one a path.
    pub gate: Gate,
    /// Where each path's beats go.
    pub to: Vec<SocketAddr>,
    /// Time between two beats.
    pub interval: Span,
    /// News from the other threads.
    pub news: Receiver<News>,
    /// What goes out over the urgent lane.
    pub urgent: Sender<Up>,
    /// What goes out over the bulk lane, as far as there is room.
    pub bulk: SyncSender<Up>,
    /// When a reply was last heard, for the lane thread.
    pub last_reply: std::sync::Arc<std::sync::atomic::AtomicU64>,
    /// Whether anything rolls, for those who must not disturb it.
    pub rolling: std::sync::Arc<std::sync::atomic::AtomicBool>,
    /// The exact departures, one a path.
    pub departures: Departures,
}

/// The beats whose departure matters, one a path.
#[derive(Default)]
pub struct Departures([Echoing; MAX_PATHS]);

/// When the beat left that was the first to echo the newest reply: the clock exchange wants to know it exactly. It is told in all
/// beats until another reply was echoed, so that a lost beat costs nothing.
#[derive(Clone, Copy, Default)]
struct Echoing {
    /// The newest reply that was echoed.
    reply: Option<u32>,
    /// The datagram that was the first to do so, and the number of its beat.
    datagram: Option<(u32, u32)>,
    /// The newest of these beats whose departure is known.
    left: Option<(u32, RemoteTime)>,
}

impl Echoing {
    fn on_sent(&mut self, beat: &Beat, datagram: Option<u32>) {
        let reply = beat.echo.map(|e| e.reply);
        if reply != self.reply {
            self.reply = reply;
            self.datagram = datagram.map(|d| (d, beat.seq));
        }
    }
    fn on_departure(&mut self, departure: Departure) {
        if let Some((_, seq)) = self.datagram.filter(|(number, _)| *number == departure.number) {
            self.left = Some((seq, RemoteTime::of_sender(departure.at)));
        }
    }
}

impl Beats {
    /// Beats for ever.
    pub fn run(mut self, say: impl FnOnce(&Urgency)) -> ! {
        say(&make_urgent(PRIORITY));
        (0..self.to.len()).for_each(|path| _ = self.gate.stamp_sends(path));
        let mut session: Option<Session> = None;
        let mut due = mono_now() + self.interval;
        let mut buffer = [0u8; 2048];
        loop {
            self.gate.wait(Some(due));
            self.hear_replies(&mut session, &mut buffer);
            self.take_news(&mut session);
            let now = mono_now();
            if now < due {
                continue;
            }
            self.beat(&mut session, now, now - due);
            due += self.interval;
            if due <= now {
                // We were held up: beats that are too late say nothing, and a burst would say it wrongly.
                due = now + self.interval;
            }
        }
    }

    fn hear_replies(&mut self, session: &mut Option<Session>, buffer: &mut [u8]) {
        for path in 0..self.to.len() {
            while let Some(got) = self.gate.receive(path, buffer) {
                let Some(s) = session else { continue };
                if let Ok(reply) = s.open_reply(lane(path), &buffer[..got.len]) {
                    self.core.on_reply(path, &reply, got.at);
                    self.last_reply.store(got.at.nanos(), std::sync::atomic::Ordering::Relaxed);
                }
            }
        }
    }

    fn take_news(&mut self, session: &mut Option<Session>) {
        while let Ok(news) = self.news.try_recv() {
            match news {
                News::Midi { input, at, bytes } => self.core.on_midi(input, &bytes, at),
                News::MidiInput { input, open } => self.core.on_midi_input(input, open, mono_now()),
                News::Format(format) => self.core.on_format(format),
                News::Pcm { at, samples } => self.core.on_pcm(at, samples.iter().copied()),
                News::Osc { at, news } => self.core.on_osc(news, at),
                News::Player { at, state } => self.core.on_player(state, at),
                News::Source { flag, on } => self.core.on_source(flag, on, mono_now()),
                News::Host(flags) => self.core.on_host(flags),
                News::Session(s) => {
                    self.core.on_session();
                    self.departures = Departures::default();
                    *session = Some(*s);
                }
            }
        }
        for up in self.core.take_news() {
            let _ = self.urgent.send(up);
        }
        for up in self.core.take_patches() {
            let _ = self.urgent.send(up);
        }
        for excerpt in self.core.take_excerpts() {
            // A lane that is held up loses excerpts, and nothing else waits for it.
            let _ = self.bulk.try_send(Up::Excerpt(excerpt));
        }
        if let Some(meters) = self.core.take_meters() {
            // The next one says it again.
            let _ = self.bulk.try_send(Up::Meters(meters));
        }
    }

    fn beat(&mut self, session: &mut Option<Session>, now: MonoTime, lateness: Span) {
        if let Some(so_far) = slept() {
            self.core.on_slept(so_far, now);
        }
        let mut beat = self.core.beat(now, lateness);
        let rolls = beat.positions.iter().any(|p| p.state == base::TransportState::Rolling);
        self.rolling.store(rolls, std::sync::atomic::Ordering::Relaxed);
        let Some(s) = session else { return };
        let mut out = [0u8; MAX_BEAT];
        for ((path, to), echoing) in self.to.iter().enumerate().zip(&mut self.departures.0) {
            while let Some(left) = self.gate.departure(path) {
                echoing.on_departure(left);
            }
            beat.echo = self.core.echo(path);
            beat.prev_sent = echoing.left;
            beat.sent = RemoteTime::of_sender(mono_now());
            if let Ok(len) = s.seal_beat(lane(path), &beat, &mut out) {
                let datagram = self.gate.send_stamped(path, &out[..len], *to);
                echoing.on_sent(&beat, datagram);
            }
        }
    }
}

fn lane(path: usize) -> Lane {
    if path == 0 { Lane::Path1 } else { Lane::Path2 }
}
