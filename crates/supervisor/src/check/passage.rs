//! A passage that rolls: waiting for its start, and what is heard while it lasts.

use std::collections::BTreeMap;
use std::time::{Duration, Instant};

use base::{Machine, MonoTime, Ppm, SourceKind, Span, TransportState};
use watch::{MachineFigures, WatchView};

use super::CheckDesk;
use super::look;

/// For the players to be stopped, and for somebody to press start.
const PATIENCE: Duration = Duration::from_secs(180);
/// What is listened to: each channel has several turns, and the drift of two crystals shows.
const LISTEN: Duration = Duration::from_secs(24);
/// How often it is looked.
pub const LOOK: Duration = Duration::from_millis(100);

/// What was heard.
#[derive(Default)]
pub struct Passage {
    /// It rolled.
    pub rolled: bool,
    /// When it began to.
    pub began: Option<MonoTime>,
    /// Each machine's codes, and whether each rolled.
    pub codes: BTreeMap<Machine, BTreeMap<SourceKind, bool>>,
    /// Each machine against the first.
    pub pairs: BTreeMap<Machine, Pair>,
    /// Dropout counts when it began.
    dropouts: BTreeMap<Machine, u16>,
}

/// One machine against the first.
#[derive(Clone, Copy, Default)]
pub struct Pair {
    /// Offset in the first second.
    pub start_skew: Option<Span>,
    /// Offset and bound at the end.
    pub offset: Option<(Span, Span)>,
    /// Drift and its uncertainty.
    pub drift: Option<(Ppm, Ppm)>,
}

impl Passage {
    /// Dropouts since it began; the counter of a beat wraps.
    pub fn dropouts(&self, m: Machine, f: &MachineFigures) -> Option<u32> {
        let before = self.dropouts.get(&m)?;
        f.beat.as_ref().map(|b| u32::from(b.dropouts.wrapping_sub(*before)))
    }

    fn begin(&mut self, view: &WatchView) {
        (self.rolled, self.began) = (true, Some(view.now));
        for (m, f) in each(view) {
            self.dropouts.extend(f.beat.as_ref().map(|b| (m, b.dropouts)));
        }
    }

    fn on_view(&mut self, view: &WatchView) {
        for (m, f) in each(view) {
            let codes = self.codes.entry(m).or_default();
            for (source, rolled) in look::codes(f) {
                *codes.entry(source).or_default() |= rolled;
            }
            if m == Machine::A {
                continue;
            }
            let pair = self.pairs.entry(m).or_default();
            if let Some(fit) = &f.offset_fit {
                pair.start_skew = fit.start_skew.or(pair.start_skew);
                pair.drift = fit.drift.or(pair.drift);
            }
            if let Some((offset, bound, at)) = f.offset
                && view.now - at < Span::from_secs(1)
            {
                pair.offset = Some((f.offset_fit.map_or(offset, |fit| fit.offset), bound));
            }
        }
    }
}

fn each(view: &WatchView) -> impl Iterator<Item = (Machine, &MachineFigures)> {
    Machine::first(view.machines.len()).zip(&view.machines)
}

fn rolls(f: &MachineFigures, now: MonoTime) -> bool {
    f.evidence.transport.and_then(|t| t.fresh(now)) == Some(TransportState::Rolling)
}

/// How many of the machines roll.
pub fn rolling(view: &WatchView) -> usize {
    view.machines.iter().filter(|f| rolls(f, view.now)).count()
}

impl CheckDesk {
    /// Asks for a start, waits for it, and listens. What did not come is not in it.
    pub(super) async fn passage(&self) -> Passage {
        let mut passage = Passage::default();
        let until = Instant::now() + PATIENCE;
        let stop = "Stop the players: the start is to be heard.";
        while self.looked().is_some_and(|v| rolling(&v) > 0) {
            self.stage(0.2, "Waiting until nothing rolls", Some(stop));
            if self.pause(until).await {
                return passage;
            }
        }
        if let Ok(mut n) = self.notebook.lock() {
            n.begin_passage();
        }
        let start = "Load a song of the show, and press start once. Every machine must start by that.";
        while self.looked().is_none_or(|v| rolling(&v) == 0) {
            self.stage(0.25, "Waiting for the start", Some(start));
            if self.pause(until).await {
                return passage;
            }
        }
        if let Some(view) = self.looked() {
            passage.begin(&view);
        }
        let began = Instant::now();
        while began.elapsed() < LISTEN && !self.is_stopped() {
            let Some(view) = self.looked() else { break };
            // A machine that starts late belongs to it; one that ends early ends it.
            if began.elapsed() > Duration::from_secs(2) && rolling(&view) == 0 {
                break;
            }
            passage.on_view(&view);
            let done = began.elapsed().as_secs_f64() / LISTEN.as_secs_f64();
            self.stage(0.3 + 0.4 * done, "Listening: code, offset, drift and the sound of every channel", None);
            tokio::time::sleep(LOOK).await;
        }
        passage
    }

    /// The newest figures.
    pub(super) fn looked(&self) -> Option<WatchView> {
        self.notebook.lock().ok().and_then(|n| n.view.clone())
    }

    /// Waits for a moment. True: no longer, since time is over or somebody stopped it.
    async fn pause(&self, until: Instant) -> bool {
        tokio::time::sleep(LOOK).await;
        self.is_stopped() || Instant::now() >= until
    }
}
