//! Detection time and mistakes of our detector beside three others on the same seeded traces.
//!
//! The others are written from their papers: a fixed timeout since the newest arrival; NFD-E with a fixed alpha (Chen,
//! Toueg and Aguilera, IEEE TC 51(5), 2002, section 6.3, 32 arrivals); phi accrual (Hayashibara, Defago, Yared and
//! Katayama, SRDS 2004: 1,000 inter-arrival times, normal tail, threshold 8).
//!
//! `cargo bench -p twinkeel-measure --bench detector`. It prints and asserts nothing.
#![allow(clippy::print_stdout)]

use std::collections::VecDeque;

use base::{MonoTime, Span};
use twinkeel_measure::detector::{BeatDetector, DetectorConfig};

fn main() {
    println!(
        "Times from crash to verdict in ms over {CRASHES} crashes; mistakes while a sender lives, in the hours named.\n"
    );
    for interval in [5, 10, 20].map(Span::from_millis) {
        for net in NETS {
            println!("beats every {} ms, {}, {} h", interval.millis_f64(), net.name, net.hours);
            let life = trace(net, interval, (net.hours * 3.6e12 / interval.nanos() as f64) as u64, 1);
            let deaths: Vec<Trace> = (0..CRASHES).map(|i| trace(net, interval, 3_000, 100 + i)).collect();
            println!("  {:<26} {:>8} {:>8} {:>8} {:>10}", "", "median", "p99", "max", "mistakes");
            row("ours, sender's clock known", &life, &deaths, || Ours::new(interval, true));
            row("ours, arrivals alone", &life, &deaths, || Ours::new(interval, false));
            row("fixed timeout, 3 intervals", &life, &deaths, || Fixed { timeout: interval.times(3), newest: None });
            row("NFD-E, alpha 2 intervals", &life, &deaths, || NfdE::new(interval));
            row("phi accrual, threshold 8", &life, &deaths, || Phi::new(interval));
            println!();
        }
    }
}

const CRASHES: u64 = 300;

#[derive(Clone, Copy)]
struct Net {
    name: &'static str,
    jitter: Span,
    loss: f64,
    /// Chance that a lost beat is followed by another lost one; 0: losses are independent.
    again: f64,
    /// Chance a beat that the sender is held up, and for how long at most.
    held_up: (f64, Span),
    paths: usize,
    /// The first path is dead for 50 ms of every ten seconds.
    bursts: bool,
    hours: f64,
}

const CLEAN: Net = Net {
    name: "clean LAN",
    jitter: Span::from_micros(60),
    loss: 0.0,
    again: 0.0,
    held_up: (0.0, Span::ZERO),
    paths: 1,
    bursts: false,
    hours: 1.0,
};
const NETS: [Net; 7] = [
    CLEAN,
    Net { name: "loaded hosts: 1 beat in 500 held up by up to 8 ms", held_up: (0.002, Span::from_millis(8)), ..CLEAN },
    Net { name: "1 % loss", loss: 0.01, ..CLEAN },
    Net { name: "5 % loss, 1 ms jitter", loss: 0.05, jitter: Span::from_millis(1), ..CLEAN },
    Net { name: "1 % loss in bursts (0.3 that another follows)", loss: 0.01, again: 0.3, ..CLEAN },
    Net { name: "two paths with 5 % loss each", loss: 0.05, paths: 2, ..CLEAN },
    Net {
        name: "the same, one of them dead for 50 ms each 10 s",
        loss: 0.05,
        paths: 2,
        bursts: true,
        hours: 24.0,
        ..CLEAN
    },
];

struct Trace {
    /// Path, sequence, sent, arrived; by arrival.
    arrivals: Vec<(usize, u64, MonoTime, MonoTime)>,
    crash: MonoTime,
}

fn trace(net: Net, interval: Span, beats: u64, seed: u64) -> Trace {
    let mut random = Random(seed);
    let mut burst = [false; 2];
    let start = MonoTime::from_nanos(1_000_000_000);
    let mut arrivals = Vec::new();
    for seq in 0..beats {
        let held_up = if random.next() < net.held_up.0 { net.held_up.1.scaled(random.next()) } else { Span::ZERO };
        let sent = start + interval.times(seq as i64) + held_up;
        for (path, burst) in burst.iter_mut().take(net.paths).enumerate() {
            let lost = random.next() < if *burst { net.again } else { net.loss };
            *burst = lost && net.again > 0.0;
            let delay = Span::from_micros(40) + net.jitter.scaled(-(1.0 - random.next()).ln());
            let dead = net.bursts && path == 0 && (sent - start).millis_f64() % 10_000.0 > 9_950.0;
            if !lost && !dead {
                arrivals.push((path, seq, sent, sent + delay));
            }
        }
    }
    arrivals.sort_by_key(|a| a.3);
    Trace { arrivals, crash: start + interval.times(beats as i64 - 1) + interval.scaled(random.next()) }
}

trait Detector {
    fn beat(&mut self, path: usize, seq: u64, sent: MonoTime, arrived: MonoTime);
    /// When it suspects, if nothing more comes.
    fn deadline(&mut self) -> Option<MonoTime>;
    fn suspect(&mut self, _at: MonoTime) {}
}

fn row<D: Detector>(name: &str, life: &Trace, deaths: &[Trace], new: impl Fn() -> D) {
    let (mistakes, _) = live(&mut new(), life);
    let mut after: Vec<f64> = deaths
        .iter()
        .map(|death| {
            let mut detector = new();
            let (_, last) = live(&mut detector, death);
            let verdict = detector.deadline().unwrap_or(last);
            (verdict.max(last) - death.crash).millis_f64()
        })
        .collect();
    after.sort_by(f64::total_cmp);
    let at = |share: f64| after[((after.len() - 1) as f64 * share) as usize];
    println!("  {name:<26} {:>8.1} {:>8.1} {:>8.1} {mistakes:>10}", at(0.5), at(0.99), at(1.0));
}

/// Plays a trace; returns how often the detector suspected a sender that lived, and the last instant.
fn live(detector: &mut impl Detector, trace: &Trace) -> (u64, MonoTime) {
    let mut mistakes = 0;
    let mut last = MonoTime::ZERO;
    for (i, (path, seq, sent, arrived)) in trace.arrivals.iter().enumerate() {
        // One suspicion a silence: the deadline does not change until the next beat comes.
        if let Some(deadline) = detector.deadline().filter(|d| i > 0 && d < arrived) {
            mistakes += 1;
            detector.suspect(deadline);
        }
        detector.beat(*path, *seq, *sent, *arrived);
        last = *arrived;
    }
    (mistakes, last)
}

struct Ours {
    detector: BeatDetector,
    clock_known: bool,
}
impl Ours {
    fn new(interval: Span, clock_known: bool) -> Ours {
        Ours { detector: BeatDetector::new(DetectorConfig::every(interval)), clock_known }
    }
}
impl Detector for Ours {
    fn beat(&mut self, path: usize, seq: u64, sent: MonoTime, arrived: MonoTime) {
        self.detector.on_beat(path, seq, self.clock_known.then_some(sent), arrived);
    }
    fn deadline(&mut self) -> Option<MonoTime> {
        self.detector.next_deadline()
    }
    fn suspect(&mut self, at: MonoTime) {
        self.detector.on_time(at, Span::ZERO);
    }
}

struct Fixed {
    timeout: Span,
    newest: Option<(u64, MonoTime)>,
}
impl Detector for Fixed {
    fn beat(&mut self, _: usize, seq: u64, _: MonoTime, arrived: MonoTime) {
        if self.newest.is_none_or(|(n, _)| seq > n) {
            self.newest = Some((seq, arrived));
        }
    }
    fn deadline(&mut self) -> Option<MonoTime> {
        self.newest.map(|(_, at)| at + self.timeout)
    }
}

struct NfdE {
    interval: Span,
    window: VecDeque<(u64, MonoTime)>,
}
impl NfdE {
    fn new(interval: Span) -> NfdE {
        NfdE { interval, window: VecDeque::new() }
    }
}
impl Detector for NfdE {
    fn beat(&mut self, _: usize, seq: u64, _: MonoTime, arrived: MonoTime) {
        if self.window.back().is_none_or(|(n, _)| seq > *n) {
            self.window.push_back((seq, arrived));
            if self.window.len() > 32 {
                self.window.pop_front();
            }
        }
    }
    fn deadline(&mut self) -> Option<MonoTime> {
        let (newest, _) = *self.window.back()?;
        let (first_seq, first_at) = *self.window.front()?;
        let sum: Span =
            self.window.iter().map(|(s, a)| (*a - first_at) - self.interval.times((s - first_seq) as i64)).sum();
        let mean = sum.divided(self.window.len() as i64);
        Some(first_at + mean + self.interval.times((newest + 1 - first_seq) as i64) + self.interval.times(2))
    }
}

struct Phi {
    interval: Span,
    newest: Option<(u64, MonoTime)>,
    gaps: VecDeque<f64>,
    sum: f64,
    squares: f64,
}
impl Phi {
    fn new(interval: Span) -> Phi {
        Phi { interval, newest: None, gaps: VecDeque::new(), sum: 0.0, squares: 0.0 }
    }
}
impl Detector for Phi {
    fn beat(&mut self, _: usize, seq: u64, _: MonoTime, arrived: MonoTime) {
        if self.newest.is_some_and(|(n, _)| seq <= n) {
            return;
        }
        if let Some((_, before)) = self.newest {
            let gap = (arrived - before).millis_f64();
            self.gaps.push_back(gap);
            self.sum += gap;
            self.squares += gap * gap;
            if self.gaps.len() > 1_000 {
                let old = self.gaps.pop_front().unwrap_or(0.0);
                self.sum -= old;
                self.squares -= old * old;
            }
        }
        self.newest = Some((seq, arrived));
    }
    /// phi(t) = -log10(P(gap > t)) reaches 8 where the standard normal's upper tail is 1e-8: 5.612 deviations above the
    /// mean. A deviation below a tenth of the interval is taken as that, else one lost beat would be infinitely unlikely.
    fn deadline(&mut self) -> Option<MonoTime> {
        let (_, at) = self.newest?;
        let n = self.gaps.len() as f64;
        if n < 10.0 {
            return Some(at + self.interval.times(10));
        }
        let mean = self.sum / n;
        let deviation = (self.squares / n - mean * mean).max(0.0).sqrt().max(self.interval.millis_f64() / 10.0);
        Some(at + Span::from_secs_f64((mean + 5.612 * deviation) / 1e3))
    }
}

/// SplitMix64.
struct Random(u64);
impl Random {
    fn next(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let z = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    }
}
