//! Seeded models of clocks, networks and position code: what tests and benches feed the estimators, with the truth.

#![allow(dead_code)]

use base::{MonoTime, RemoteTime, Span};
use twinkeel_measure::Exchange;

/// SplitMix64 (Steele, Lea, Flood 2014): small, seeded, good enough for noise.
#[derive(Clone, Debug)]
pub struct Noise(u64);

impl Noise {
    pub fn new(seed: u64) -> Noise {
        Noise(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ 0x5851_f42d_4c95_7f2d)
    }
    pub fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }
    /// Even over 0..1.
    pub fn even(&mut self) -> f64 {
        ((self.bits() >> 11) as f64 + 0.5) / (1u64 << 53) as f64
    }
    /// Exponential with mean 1.
    pub fn exponential(&mut self) -> f64 {
        -self.even().ln()
    }
    /// Normal with variance 1 (Box and Muller 1958).
    pub fn normal(&mut self) -> f64 {
        (-2.0 * self.even().ln()).sqrt() * (core::f64::consts::TAU * self.even()).cos()
    }
    pub fn chance(&mut self, p: f64) -> bool {
        self.even() < p
    }
}

/// One network and pair of clocks.
#[derive(Clone, Copy, Debug)]
pub struct Network {
    pub name: &'static str,
    /// Exchanges a second.
    pub rate: f64,
    pub seconds: f64,
    pub skew_ppm: f64,
    /// The floor of each way and the mean of its exponential jitter, in seconds.
    pub floor: f64,
    pub jitter: f64,
    /// A packet is stuck for a long time with this chance, with this mean.
    pub tail: (f64, f64),
    pub loss: f64,
    /// In this part of the time the request's way takes so much longer.
    pub burst: (f64, f64),
    /// Steps: (when, seconds, whether it is our clock that steps).
    pub steps: &'static [(f64, f64, bool)],
    /// Slow change of the skew: amplitude in ppm over a period of 10 minutes.
    pub wander_ppm: f64,
    /// How long the other holds a request before it answers, at most.
    pub hold: f64,
    /// A transmit stamp is taken before the datagram leaves with this chance, by this mean: user space stands in for the driver.
    pub early: (f64, f64),
}

pub const LAN: Network = Network {
    name: "LAN",
    rate: 20.0,
    seconds: 120.0,
    skew_ppm: 0.0,
    floor: 100e-6,
    jitter: 30e-6,
    tail: (0.0, 0.0),
    loss: 0.0,
    burst: (0.0, 0.0),
    steps: &[],
    wander_ppm: 0.0,
    hold: 0.0,
    early: (0.0, 0.0),
};

pub const NETWORKS: [Network; 10] = [
    LAN,
    Network { name: "LAN, 60 ppm", skew_ppm: 60.0, ..LAN },
    Network { name: "LAN, 60 ppm, 200/s", skew_ppm: 60.0, rate: 200.0, hold: 5e-3, ..LAN },
    Network { name: "Wi-Fi tail", skew_ppm: -25.0, floor: 1e-3, jitter: 1.5e-3, tail: (0.1, 20e-3), ..LAN },
    Network { name: "loss 30 %, wander", skew_ppm: 40.0, loss: 0.3, wander_ppm: 0.5, ..LAN },
    Network { name: "asymmetry bursts", skew_ppm: 15.0, burst: (0.3, 3e-3), ..LAN },
    Network { name: "1 ms of jitter", skew_ppm: 30.0, jitter: 1e-3, ..LAN },
    Network { name: "driver stamps", skew_ppm: 20.0, floor: 8e-6, jitter: 2e-6, tail: (0.01, 200e-6), ..LAN },
    Network {
        name: "user stamps between",
        skew_ppm: 20.0,
        floor: 8e-6,
        jitter: 2e-6,
        tail: (0.01, 200e-6),
        early: (0.3, 30e-6),
        ..LAN
    },
    Network {
        name: "steps",
        skew_ppm: 60.0,
        steps: &[(30.0, 0.5, false), (50.0, -0.03, true), (70.0, 0.03, false), (90.0, -0.5, true)],
        ..LAN
    },
];

/// One exchange with the true offset at its reception.
#[derive(Clone, Copy, Debug)]
pub struct Truth {
    pub exchange: Exchange,
    /// The other clock minus ours at t4, in seconds.
    pub offset: f64,
    /// Time on a clock that nobody steps, at reception.
    pub at: f64,
    pub delay: f64,
}

impl Network {
    pub fn run(&self, seed: u64) -> Vec<Truth> {
        let mut noise = Noise::new(seed);
        let mut out = Vec::new();
        let n = (self.rate * self.seconds) as u64;
        // Bursts last 2 s and are dealt out by the seed.
        let bursts: Vec<bool> = (0..=(self.seconds / 2.0) as usize).map(|_| noise.chance(self.burst.0)).collect();
        for seq in 0..n {
            let sent = seq as f64 / self.rate + 0.1 / self.rate * noise.even();
            let mut way = || {
                let stuck = if noise.chance(self.tail.0) { self.tail.1 * noise.exponential() } else { 0.0 };
                self.floor + self.jitter * noise.exponential() + stuck
            };
            let (mut go, back) = (way(), way());
            if bursts[(sent / 2.0) as usize] {
                go += self.burst.1;
            }
            let hold = self.hold * noise.even();
            let (received, answered) = (sent + go, sent + go + hold);
            let arrived = answered + back;
            if noise.chance(self.loss) {
                continue;
            }
            let mut early = || if noise.chance(self.early.0) { self.early.1 * noise.exponential() } else { 0.0 };
            let (t1, t3) = (sent - early(), (answered - early()).max(received));
            let exchange = Exchange {
                seq,
                t1: MonoTime::from_nanos(nanos(self.ours(t1))),
                t2: RemoteTime::from_nanos(nanos(self.others(received))),
                t3: RemoteTime::from_nanos(nanos(self.others(t3))),
                t4: MonoTime::from_nanos(nanos(self.ours(arrived))),
            };
            out.push(Truth {
                exchange,
                offset: self.others(arrived) - self.ours(arrived),
                at: arrived,
                delay: exchange.delay().secs_f64(),
            });
        }
        out
    }

    fn stepped(&self, t: f64, ours: bool) -> f64 {
        self.steps.iter().filter(|s| s.2 == ours && t >= s.0).map(|s| s.1).sum()
    }
    fn ours(&self, t: f64) -> f64 {
        100.0 + t + self.stepped(t, true)
    }
    fn others(&self, t: f64) -> f64 {
        let w = core::f64::consts::TAU / 600.0;
        let wandered = self.wander_ppm * 1e-6 * (1.0 - (w * t).cos()) / w;
        5_000.0 + t * (1.0 + self.skew_ppm * 1e-6) + wandered + self.stepped(t, false)
    }
}

pub fn nanos(s: f64) -> u64 {
    (s * 1e9).round() as u64
}
pub fn mono(s: f64) -> MonoTime {
    MonoTime::from_nanos(nanos(s))
}
pub fn span(s: f64) -> Span {
    Span::from_secs_f64(s)
}

/// How a player's code comes in.
#[derive(Clone, Copy, Debug)]
pub struct Code {
    pub name: &'static str,
    /// Spacing of ticks in the code.
    pub tick: f64,
    /// The player's speed against our clock.
    pub speed: f64,
    /// Ticks are held back to the end of a buffer of this length (0: none), whose phase is `phase`.
    pub clump: f64,
    pub phase: f64,
    pub jitter: Jitter,
    /// Ticks lost.
    pub loss: f64,
}

#[derive(Clone, Copy, Debug)]
pub enum Jitter {
    None,
    /// The size of a normal deviate with this sigma.
    Normal(f64),
    /// Even between 0 and this.
    Even(f64),
    /// Exponential with this mean.
    Exponential(f64),
}

pub const QUARTER: f64 = 1.0 / 120.0;
pub const PLAIN: Code = Code {
    name: "normal jitter 1 ms",
    tick: QUARTER,
    speed: 1.0,
    clump: 0.0,
    phase: 0.0,
    jitter: Jitter::Normal(1e-3),
    loss: 0.0,
};

pub const CODES: [Code; 10] = [
    PLAIN,
    Code { name: "even jitter 1 ms", jitter: Jitter::Even(1e-3), ..PLAIN },
    Code { name: "exponential, 1 ms", jitter: Jitter::Exponential(1e-3), ..PLAIN },
    Code { name: "LTC frames, 0.2 ms", tick: 1.0 / 30.0, jitter: Jitter::Normal(0.2e-3), ..PLAIN },
    Code { name: "24 fps quarters, loss", tick: 1.0 / 96.0, loss: 0.05, ..PLAIN },
    Code { name: "clumps 42.7 ms", clump: 2048.0 / 48_000.0, jitter: Jitter::None, ..PLAIN },
    Code { name: "clumps, jitter 1 ms", clump: 2048.0 / 48_000.0, ..PLAIN },
    Code { name: "clumps 42.7 ms, 25 fps", clump: 2048.0 / 48_000.0, tick: 0.01, ..PLAIN },
    Code { name: "clumps 21.3 ms", clump: 1024.0 / 48_000.0, jitter: Jitter::Even(0.3e-3), ..PLAIN },
    Code { name: "clumps 10.7 ms", clump: 512.0 / 48_000.0, jitter: Jitter::Even(0.3e-3), ..PLAIN },
];

impl Code {
    /// Arrivals between `from` and `to`, in order, as (arrival, position); the position at time t is `at + speed (t - from)`.
    pub fn run(&self, from: f64, to: f64, at: f64, noise: &mut Noise) -> Vec<(f64, f64)> {
        let first = (at / self.tick).ceil() as i64;
        let mut out: Vec<(f64, f64)> = Vec::new();
        for k in first.. {
            let p = k as f64 * self.tick;
            let due = from + (p - at) / self.speed;
            if due > to {
                break;
            }
            let held =
                if self.clump > 0.0 { ((due - self.phase) / self.clump).ceil() * self.clump + self.phase } else { due };
            let late = match self.jitter {
                Jitter::None => 0.0,
                Jitter::Normal(s) => (s * noise.normal()).abs(),
                Jitter::Even(s) => s * noise.even(),
                Jitter::Exponential(s) => s * noise.exponential(),
            };
            if noise.chance(self.loss) {
                continue;
            }
            // Bytes of one port keep their order, and a byte takes a third of a millisecond on a MIDI cable.
            let after = out.last().map_or(0.0, |l| l.0 + 0.2e-3);
            out.push(((held + late).max(after), p));
        }
        out
    }
}
