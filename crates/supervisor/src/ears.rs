//! The ears: a thread that lays the machines' excerpts side by side. What it finds goes to the record and the page in words, and to the
//! watch as what is so.

use std::collections::BTreeMap;
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use base::{Machine, MonoTime, Span};
use measure::pair::{Comparator, Polarity};
use watch::likeness::{Heard, Likeness, LikenessBook, Side};
use watch::{LikenessReport, WatchView};
use wire::Excerpt;

use crate::scribe::{ScribeDesk, ToScribe};
use crate::to_watch::{ToWatch, WatchDesk};

/// Excerpts that may wait; more come only when a processor is held up, and are then lost.
const WAITING: usize = 32;
/// The longest excerpt that is compared, in samples: a second at 16 kHz.
const LONGEST: usize = 16_000;
/// Excerpts of one moment come from all machines within this.
const TOGETHER_COME: Duration = Duration::from_millis(200);
/// Machines farther apart than this play other places.
const TOGETHER: Span = Span::from_millis(250);

/// Where the machines are, as the watch last told: enough to put excerpts on one timebase.
#[derive(Clone, Copy, Default)]
pub struct Lie {
    /// The machine's clock minus ours.
    pub clock: Option<Span>,
    /// The reference's position minus this machine's, and from when until when both rolled with no jump between.
    pub together: Option<(Span, MonoTime, MonoTime)>,
}

impl Lie {
    /// How far this machine's sound may lie from the reference's between these instants; none: they did not play the same place all
    /// the while, or that is not known.
    fn apart(&self, from: MonoTime, to: MonoTime) -> Option<Span> {
        let (offset, since, until) = self.together?;
        (since <= from && to <= until && offset.abs() <= TOGETHER).then_some(offset.abs())
    }
}

/// What the scribe writes down for the ears with each view.
pub type Lies = Arc<Mutex<[Lie; base::ids::MAX_MACHINES]>>;

/// Takes a view's clocks and offsets.
pub fn lies_of(view: &WatchView) -> [Lie; base::ids::MAX_MACHINES] {
    let mut lies = [Lie::default(); base::ids::MAX_MACHINES];
    for (i, (lie, m)) in lies.iter_mut().zip(&view.machines).enumerate() {
        let known = matches!(m.clock.state, base::ClockState::Tracking | base::ClockState::Holdover);
        lie.clock = known.then_some(m.clock.offset);
        let fresh = m.offset.filter(|(.., at)| view.now - *at < Span::from_millis(500));
        lie.together = match (i, fresh, m.together_since) {
            (0, ..) => Some((Span::ZERO, MonoTime::ZERO, view.now)),
            (_, Some((offset, _, at)), Some(since)) => Some((offset, since, at)),
            _ => None,
        };
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
    let mut laid = Comparator::new(2 * LONGEST);
    let mut alike: BTreeMap<usize, MonoTime> = BTreeMap::new();
    while let Ok(first) = from.recv() {
        // The other channels and machines of that moment are on their way.
        std::thread::sleep(TOGETHER_COME);
        let Ok(lies) = lies.lock().map(|l| *l) else { return };
        for (m, excerpt) in std::iter::once(first).chain(from.try_iter()) {
            let Some(clock) = lies[m.index()].clock else { continue };
            let (at, rate) = (excerpt.at.to_local(clock), excerpt.rate());
            scribe.tell(ToScribe::Sound(showlog::Sound {
                at,
                heard_at: showlog::HeardAt::Machine(m),
                channel: excerpt.channel.clone(),
                rate_millihertz: excerpt.rate_millihertz,
                samples: excerpt.whole().collect(),
            }));
            book.on_excerpt(m, &excerpt.channel, Heard { at, rate, samples: excerpt.decoded().collect() });
        }
        let apart = |m: Machine, from, to| lies[m.index()].apart(from, to);
        let side = |a: &[f32], b: &[f32]| side_by_side(&mut laid, a, b);
        let mut told = Vec::new();
        book.compare(apart, side, |c| told.push(c));
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

fn side_by_side(laid: &mut Comparator, a: &[f32], b: &[f32]) -> Option<Side> {
    let found = laid.compare(a, b)?;
    Some(Side {
        behind: found.lag.0,
        gain: found.gain,
        inverted: found.polarity == Polarity::Inverted,
        confidence: found.confidence,
        shared: found.shared,
        repeats: found.period.is_some(),
    })
}
