//! Ticks, seconds, bars and beats of a song, by its tempo map.
//!
//! A Standard MIDI File counts ticks, `division` to the quarter note, and says how many microseconds a quarter note lasts
//! from which tick on. The time of a tick is then a sum of whole numbers over one denominator,
//!
//! ```text
//! t = sum (ticks_i x microseconds_i) / division    microseconds
//! ```
//!
//! and is kept as that, so that an hour of tempo changes adds up no rounding. Where the division is in SMPTE frames (SMF 1.0,
//! "Header Chunks"), a tick has a fixed length and tempo means nothing.

use base::{Bpm, FrameRate, Span};

/// Microseconds a quarter note where a file says nothing: 120 beats a minute (SMF 1.0).
const DEFAULT_TEMPO: u32 = 500_000;

/// How ticks divide time.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Division {
    /// Ticks to the quarter note.
    Beat(u16),
    /// Ticks to the frame; SMF's "29" is 30000/1001 frames a second, drop-frame.
    Frame(FrameRate, u8),
}

/// A place in the music.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct BarBeat {
    /// The bar, from 1.
    pub bar: u32,
    /// The beat of the bar, from 1, in units of the meter's denominator.
    pub beat: u32,
    /// How much of the beat has gone, 0 up to 1.
    pub fraction: f64,
}

/// The tempo map of one song.
#[derive(Clone, PartialEq, Debug)]
pub struct TempoMap {
    division: Division,
    tempi: Vec<Tempo>,
    meters: Vec<Meter>,
}

/// A stretch of one tempo.
#[derive(Clone, Copy, PartialEq, Debug)]
struct Tempo {
    tick: u64,
    /// Microseconds times the division, from the song's start to `tick`.
    before: u128,
    micros: u32,
}

/// A stretch of one meter.
#[derive(Clone, Copy, PartialEq, Debug)]
struct Meter {
    tick: u64,
    /// Whole bars before it; a bar that was cut short counts.
    bars: u64,
    numerator: u8,
    /// The denominator as a power of two.
    power: u8,
}

impl TempoMap {
    /// A map at 120 beats a minute in 4/4. A division of 0 ticks counts as 1.
    pub fn new(division: Division) -> TempoMap {
        TempoMap {
            division: match division {
                Division::Beat(n) => Division::Beat(n.max(1)),
                Division::Frame(rate, n) => Division::Frame(rate, n.max(1)),
            },
            tempi: vec![Tempo { tick: 0, before: 0, micros: DEFAULT_TEMPO }],
            meters: vec![Meter { tick: 0, bars: 0, numerator: 4, power: 2 }],
        }
    }

    /// The map of a song at one tempo in 4/4, as a show file without a MIDI file gives it.
    pub fn steady(tempo: Bpm) -> TempoMap {
        let mut map = TempoMap::new(Division::Beat(960));
        map.add_tempo(0, (60.0e6 / tempo.0.max(0.001)).round().min(f64::from(u32::MAX)) as u32);
        map
    }

    /// From this tick on a quarter note lasts this many microseconds. Ticks must not go back; the last one at a tick holds.
    pub fn add_tempo(&mut self, tick: u64, micros: u32) {
        let last = self.last_tempo();
        let tick = tick.max(last.tick);
        let next = Tempo { tick, before: last.before + u128::from(tick - last.tick) * u128::from(last.micros), micros };
        if last.tick == tick {
            self.tempi.pop();
        }
        self.tempi.push(next);
    }

    /// From this tick on this meter holds; `power` is the denominator as a power of two. It starts a bar. Ticks must not go back.
    pub fn add_meter(&mut self, tick: u64, numerator: u8, power: u8) {
        let Some(&last) = self.meters.last() else { return };
        let tick = tick.max(last.tick);
        let bar = self.ticks_per_bar(&last);
        let begun = f64::ceil((tick - last.tick) as f64 / bar - 1e-9).max(0.0);
        let bars = last.bars.saturating_add(begun as u64);
        if last.tick == tick {
            self.meters.pop();
        }
        self.meters.push(Meter { tick, bars, numerator: numerator.max(1), power });
    }

    /// How ticks divide time.
    pub const fn division(&self) -> Division {
        self.division
    }

    /// When this tick is, from the song's start, to the nearest nanosecond.
    pub fn time_of(&self, tick: u64) -> Span {
        let (ns, per) = match self.division {
            Division::Beat(n) => {
                let t = self.tempo_at_tick(tick);
                let micros = t.before + u128::from(tick - t.tick) * u128::from(t.micros);
                (micros.saturating_mul(1_000), u128::from(n))
            }
            Division::Frame(rate, n) => {
                let (num, den) = rate.fraction();
                let ns = u128::from(tick) * u128::from(den) * 1_000_000_000;
                (ns, u128::from(num) * u128::from(n))
            }
        };
        let nearest = (ns.saturating_add(per / 2)) / per;
        Span::from_nanos(i64::try_from(nearest).unwrap_or(i64::MAX))
    }

    /// Which tick runs then, fraction included; before the start it is 0.
    pub fn tick_at(&self, at: Span) -> f64 {
        let seconds = at.secs_f64().max(0.0);
        match self.division {
            Division::Beat(n) => {
                let scaled = seconds * 1e6 * f64::from(n);
                let i = self.tempi.partition_point(|t| t.before as f64 <= scaled).max(1) - 1;
                let t = self.tempi[i];
                // A tempo of 0 microseconds takes no time: its ticks are all at once.
                let into = if t.micros == 0 { 0.0 } else { (scaled - t.before as f64) / f64::from(t.micros) };
                let tick = t.tick as f64 + into;
                self.tempi.get(i + 1).map_or(tick, |next| tick.min(next.tick as f64))
            }
            Division::Frame(rate, n) => seconds * rate.per_second() * f64::from(n),
        }
    }

    /// The tempo then; none where ticks are frames, or where no time passes.
    pub fn tempo_at(&self, at: Span) -> Option<Bpm> {
        let Division::Beat(_) = self.division else { return None };
        let t = self.tempo_at_tick(self.tick_at(at) as u64);
        (t.micros > 0).then(|| Bpm(60.0e6 / f64::from(t.micros)))
    }

    /// The bar and beat then; none where ticks are frames.
    pub fn bar_beat_at(&self, at: Span) -> Option<BarBeat> {
        let Division::Beat(n) = self.division else { return None };
        let tick = self.tick_at(at);
        let i = self.meters.partition_point(|m| m.tick as f64 <= tick).max(1) - 1;
        let m = self.meters[i];
        let beats = (tick - m.tick as f64) / ticks_per_beat(n, m.power);
        let bars = (beats / f64::from(m.numerator)).floor();
        let beat = beats - bars * f64::from(m.numerator);
        Some(BarBeat {
            bar: ((m.bars as f64 + bars) as u32).saturating_add(1),
            beat: (beat.floor() as u32).min(u32::from(m.numerator) - 1) + 1,
            fraction: beat - beat.floor(),
        })
    }

    /// When this MIDI clock is (24 to the quarter note), from the song's start; none where ticks are frames.
    pub fn time_of_clock(&self, clocks: f64) -> Option<Span> {
        let Division::Beat(n) = self.division else { return None };
        let tick = clocks.max(0.0) * f64::from(n) / 24.0;
        let (whole, part) = (tick.floor() as u64, tick - tick.floor());
        let (a, b) = (self.time_of(whole), self.time_of(whole.saturating_add(1)));
        Some(a + (b - a).scaled(part))
    }

    /// Which MIDI clock runs then, fraction included; none where ticks are frames.
    pub fn clock_at(&self, at: Span) -> Option<f64> {
        let Division::Beat(n) = self.division else { return None };
        Some(self.tick_at(at) * 24.0 / f64::from(n))
    }

    fn last_tempo(&self) -> Tempo {
        self.tempi.last().copied().unwrap_or(Tempo { tick: 0, before: 0, micros: DEFAULT_TEMPO })
    }
    fn tempo_at_tick(&self, tick: u64) -> Tempo {
        self.tempi[self.tempi.partition_point(|t| t.tick <= tick).max(1) - 1]
    }
    fn ticks_per_bar(&self, m: &Meter) -> f64 {
        match self.division {
            Division::Beat(n) => ticks_per_beat(n, m.power) * f64::from(m.numerator),
            // Bars are never asked for then.
            Division::Frame(..) => f64::INFINITY,
        }
    }
}

/// Ticks to a beat of `1 / 2^power` of a whole note.
fn ticks_per_beat(division: u16, power: u8) -> f64 {
    4.0 * f64::from(division) / f64::from(power).exp2()
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn tempo_changes_add_up_without_rounding() {
        // 1000 changes of a tempo that no nanosecond divides: one seventh of a microsecond is lost nowhere.
        let mut map = TempoMap::new(Division::Beat(7));
        for i in 0..1000u64 {
            map.add_tempo(i, 333_333 + (i % 2) as u32);
        }
        // 500 ticks of each: 500 (333 333 + 333 334) / 7 us.
        let exact: f64 = 500.0 * 666_667.0 / 7.0 * 1e3;
        assert_eq!(map.time_of(1000).nanos(), exact.round() as i64);
    }

    #[test]
    fn bars_and_beats_through_meters() {
        let mut map = TempoMap::new(Division::Beat(480));
        map.add_tempo(0, 500_000);
        map.add_meter(4 * 480 * 2, 3, 2); // two bars of 4/4, then 3/4
        map.add_meter(4 * 480 * 2 + 3 * 480, 7, 3); // one bar of 3/4, then 7/8
        let place = |s: f64| {
            let b = map.bar_beat_at(Span::from_secs_f64(s)).unwrap();
            (b.bar, b.beat, (b.fraction * 1e6).round() / 1e6)
        };
        assert_eq!(place(0.0), (1, 1, 0.0));
        assert_eq!(place(1.75), (1, 4, 0.5));
        assert_eq!(place(4.0), (3, 1, 0.0));
        assert_eq!(place(5.0), (3, 3, 0.0));
        assert_eq!(place(5.5), (4, 1, 0.0));
        assert_eq!(place(7.0), (4, 7, 0.0));
        assert_eq!(place(7.25), (5, 1, 0.0));
        // A bar that a new meter cuts short counts as one.
        let mut map = TempoMap::new(Division::Beat(480));
        map.add_meter(480, 4, 2);
        assert_eq!(map.bar_beat_at(Span::from_millis(500)).unwrap().bar, 2);
    }

    #[test]
    fn absurd_meters_and_times_saturate() {
        let mut map = TempoMap::new(Division::Beat(1));
        for tick in [0, 1 << 40, 1 << 41] {
            map.add_meter(tick, 1, 255);
        }
        let last = map.bar_beat_at(Span::MAX).unwrap();
        assert_eq!((last.bar, last.beat), (u32::MAX, 1));
        assert_eq!(map.bar_beat_at(Span::MIN).unwrap().bar, 1);
        assert_eq!(map.time_of(u64::MAX), Span::MAX);
    }

    #[test]
    fn frames_as_division() {
        let map = TempoMap::new(Division::Frame(FrameRate::F25, 40));
        assert_eq!(map.time_of(1000), Span::from_secs(1));
        assert_eq!(map.bar_beat_at(Span::ZERO), None);
        let map = TempoMap::new(Division::Frame(FrameRate::F29_97Df, 100));
        assert_eq!(map.time_of(3_000_000), Span::from_secs(1_001));
    }

    proptest! {
        #[test]
        fn ticks_and_times_are_inverse(
            division in 1u16..2000,
            changes in proptest::collection::vec((0u64..5_000, 10_000u32..2_000_000), 0..20),
            tick in 0u64..100_000,
        ) {
            let mut map = TempoMap::new(Division::Beat(division));
            let mut at = 0;
            for (d, micros) in changes {
                at += d;
                map.add_tempo(at, micros);
            }
            let back = map.tick_at(map.time_of(tick));
            prop_assert!((back - tick as f64).abs() < 1e-2, "{} {}", back, tick);
            let clock = map.clock_at(map.time_of(tick)).unwrap();
            prop_assert!((map.time_of_clock(clock).unwrap() - map.time_of(tick)).abs() < Span::from_micros(1));
        }
    }
}
