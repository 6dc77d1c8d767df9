//! The ears: a thread that lays the machines' excerpts side by side. What it finds goes to the record and the page in words, and to the
//! watch as what is so.

use std::collections::BTreeMap;
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::sync::{Arc, Mutex};

use base::{Db, Machine, MonoTime, Span};
use watch::likeness::{Heard, Likeness, LikenessBook, Side};
use watch::{LikenessReport, WatchView};
use wire::Excerpt;

use crate::scribe::{ScribeDesk, ToScribe};
use crate::to_watch::{ToWatch, WatchDesk};

/// Excerpts that may wait; more come only when a processor is held up, and are then lost.
const WAITING: usize = 32;
/// Machines farther apart than this play other places.
const TOGETHER: Span = Span::from_millis(250);

/// Where the machines are, as the watch last told: enough to put excerpts on one timebase.
#[derive(Clone, Copy, Default)]
pub struct Lie {
    /// The machine's clock minus ours.
    pub clock: Option<Span>,
    /// The reference's position minus this machine's, when both roll.
    pub offset: Option<Span>,
}

/// What the scribe writes down for the ears with each view.
pub type Lies = Arc<Mutex<[Lie; base::ids::MAX_MACHINES]>>;

/// Takes a view's clocks and offsets.
pub fn lies_of(view: &WatchView) -> [Lie; base::ids::MAX_MACHINES] {
    let mut lies = [Lie::default(); base::ids::MAX_MACHINES];
    for (i, (lie, m)) in lies.iter_mut().zip(&view.machines).enumerate() {
        let known = matches!(m.clock.state, base::ClockState::Tracking | base::ClockState::Holdover);
        lie.clock = known.then_some(m.clock.offset);
        let fresh = m.offset.filter(|(.., at)| view.now - *at < Span::from_millis(500)).map(|o| o.0);
        lie.offset = if i == 0 { Some(Span::ZERO) } else { fresh };
    }
    lies
}

/// The way to the ears.
#[derive(Clone)]
pub struct EarsDesk {
    to: SyncSender<(Machine, Excerpt)>,
}

impl EarsDesk {
    /// Hands an excerpt in.
    pub fn tell(&self, m: Machine, excerpt: Excerpt) {
        let _ = self.to.try_send((m, excerpt));
    }
}

/// Starts the thread.
///
/// # Errors
/// When there can be no thread.
pub fn start(lies: Lies, watch: WatchDesk, scribe: ScribeDesk) -> std::io::Result<EarsDesk> {
    let (to, from) = sync_channel(WAITING);
    std::thread::Builder::new().name("ears".into()).spawn(move || listen(&from, &lies, &watch, &scribe))?;
    Ok(EarsDesk { to })
}

fn listen(from: &Receiver<(Machine, Excerpt)>, lies: &Lies, watch: &WatchDesk, scribe: &ScribeDesk) {
    let mut book = LikenessBook::default();
    let mut alike: BTreeMap<usize, MonoTime> = BTreeMap::new();
    while let Ok((m, excerpt)) = from.recv() {
        let Ok(lies) = lies.lock().map(|l| *l) else { return };
        let Some(clock) = lies[m.index()].clock else { continue };
        let rate = excerpt.rate();
        let heard = Heard { at: excerpt.at.to_local(clock), rate, samples: excerpt.decoded().collect() };
        let in_step = |m: Machine| lies[m.index()].offset.is_some_and(|o| o.abs() <= TOGETHER);
        let side = side_by_side;
        let mut told = Vec::new();
        book.on_excerpt(m, &excerpt.channel, heard, in_step, side, |c| told.push(c));
        for c in told {
            tracing::debug!("compared: {c:?}");
            let i = c.machine.index();
            if matches!(c.found, Some(Likeness::Same | Likeness::Level(_))) {
                alike.insert(i, c.at);
            }
            let report = LikenessReport {
                alike: alike.get(&i).copied(),
                differs: book.standing(c.machine).any(|(_, l)| l.is_trouble()),
                never_alike: book.standing(c.machine).any(|(_, l)| l == Likeness::NeverAlike),
            };
            watch.tell(ToWatch::Likeness(c.machine, report));
            scribe.tell(ToScribe::Compared(c));
        }
    }
}

/// The place of the greatest normalised correlation within 20 ms, to a sample.
fn side_by_side(a: &[f32], b: &[f32]) -> Option<Side> {
    const REACH: usize = 160;
    let n = a.len().min(b.len()).checked_sub(2 * REACH)?;
    let middle = &a[REACH..REACH + n];
    let power = |x: &[f32]| x.iter().map(|s| f64::from(*s).powi(2)).sum::<f64>();
    let pa = power(middle);
    let mut best = (0.0f64, 0usize, 0.0f64);
    for lag in 0..=2 * REACH {
        let other = &b[lag..lag + n];
        let dot: f64 = middle.iter().zip(other).map(|(x, y)| f64::from(*x) * f64::from(*y)).sum();
        let pb = power(other);
        let c = dot / (pa * pb).sqrt().max(1e-12);
        if c.abs() > best.0.abs() {
            best = (c, lag, pb);
        }
    }
    Some(Side {
        behind: best.1 as f64 - REACH as f64,
        gain: Db(10.0 * (best.2 / pa.max(1e-12)).log10()),
        inverted: best.0 < 0.0,
        confidence: best.0.abs(),
        repeats: false,
    })
}
