//! MIDI clock, start, continue, stop and song position pointer (MIDI 1.0, "System Real Time" and "System Common").
//!
//! The song position is the count of clocks since the song's start. Start sets it so that the *next* clock is number 0,
//! a song position pointer of `n` sixteenths so that the next one played is number `6 n`, in whichever order pointer and
//! continue come. Clocks that run while the song stands tell the tempo and move nothing.

use base::{MonoTime, Span};

use super::cadence::Cadence;
use super::event::{ClockPosition, MidiEvent, Place, TransportEvent};
use super::tempo::Tempo;

/// Clocks to a sixteenth note, the unit of the song position pointer.
const PER_SIXTEENTH: u32 = 6;
/// The shortest and the longest clock that is believed, ns: 1000 and 5 beats a minute.
const LIMITS: (f64, f64) = (2.5e6, 500.0e6);
/// Points in the line that foretells the next clock: one beat.
const MEMORY: u32 = 24;
/// A first guess where nothing was heard: 20 beats a minute, ns a clock.
const SLOW: f64 = 125.0e6;
/// A lost clock leaves a gap of a whole number of clocks, give or take this much.
const WHOLE: f64 = 0.25;

/// The state of the clock side of a stream.
#[derive(Clone, Debug)]
pub(crate) struct ClockReader {
    stall_after: f64,
    playing: bool,
    /// The number of the next clock that is played.
    next: u32,
    /// The number of the last clock that was played.
    last: u32,
    /// No clock came since start, continue or pointer.
    fresh: bool,
    stalled: bool,
    since: MonoTime,
    cadence: Option<Cadence>,
    tempo: Tempo,
    /// The last gap was taken for lost clocks: how many, and how long it was (ns).
    made_up: Option<(u32, f64)>,
}

impl ClockReader {
    pub(crate) const fn new(stall_after: f64) -> ClockReader {
        ClockReader {
            stall_after,
            playing: false,
            next: 0,
            last: 0,
            fresh: true,
            stalled: false,
            since: MonoTime::ZERO,
            cadence: None,
            tempo: Tempo::new(),
            made_up: None,
        }
    }

    /// When the silence, if it lasts, is a stall.
    pub(crate) fn next_deadline(&self) -> Option<MonoTime> {
        if !self.playing || self.stalled {
            return None;
        }
        Some(match &self.cadence {
            None => self.since + Span::from_nanos((self.stall_after * SLOW) as i64),
            // Counted from the last clock, or from the start if that came after it.
            Some(c) => self.since.max(c.last()) + (c.silent_after(self.stall_after) - c.last()),
        })
    }

    pub(crate) fn on_time(&mut self, now: MonoTime, sink: &mut impl FnMut(MidiEvent)) {
        let Some(due) = self.next_deadline().filter(|&due| now >= due) else {
            return;
        };
        self.stalled = true;
        sink(self.told(due, TransportEvent::Stall, self.last));
    }

    pub(crate) fn on_start(&mut self, at: MonoTime, sink: &mut impl FnMut(MidiEvent)) {
        self.go_to(0, at);
        self.last = 0;
        self.play();
        sink(self.told(at, TransportEvent::Start, 0));
    }

    pub(crate) fn on_continue(&mut self, at: MonoTime, sink: &mut impl FnMut(MidiEvent)) {
        self.go_to(self.next, at);
        self.play();
        sink(self.told(at, TransportEvent::Continue, self.next));
    }

    pub(crate) fn on_stop(&mut self, at: MonoTime, sink: &mut impl FnMut(MidiEvent)) {
        self.playing = false;
        self.stalled = false;
        sink(self.told(at, TransportEvent::Stop, self.last));
    }

    pub(crate) fn on_song_position(&mut self, sixteenths: u16, at: MonoTime, sink: &mut impl FnMut(MidiEvent)) {
        let clocks = PER_SIXTEENTH * u32::from(sixteenths);
        self.go_to(clocks, at);
        self.last = clocks;
        sink(self.told(at, TransportEvent::Locate, clocks));
    }

    /// System reset: "song position to 0, stop playback" (MIDI 1.0).
    pub(crate) fn on_reset(&mut self, at: MonoTime, sink: &mut impl FnMut(MidiEvent)) {
        if self.playing {
            self.on_stop(at, sink);
        }
        self.go_to(0, at);
        self.last = 0;
    }

    #[inline]
    pub(crate) fn on_clock(&mut self, at: MonoTime, sink: &mut impl FnMut(MidiEvent)) {
        let missed = self.keep_time(at);
        if !self.playing {
            return;
        }
        self.next = self.next.saturating_add_signed(missed);
        self.last = self.next;
        self.next = self.next.saturating_add(1);
        self.fresh = false;
        self.stalled = false;
        sink(MidiEvent::Clock(ClockPosition { at, clocks: self.last, tempo: self.tempo.bpm() }));
    }

    /// Tells the time's trackers of a clock; how many clocks the song moved on beyond this one (negative: moved on too far before).
    #[inline]
    fn keep_time(&mut self, at: MonoTime) -> i32 {
        let Some(cadence) = &mut self.cadence else {
            self.cadence = Some(Cadence::new(at, SLOW, LIMITS, 0, MEMORY));
            self.tempo.begin(at);
            return 0;
        };
        let elapsed = cadence.elapsed(at);
        let interval = (at - cadence.last()).nanos() as f64;
        let standing = self.stalled || interval > LIMITS.1;
        let afresh = self.fresh && self.playing && (elapsed - 1.0).abs() > WHOLE;
        if standing || afresh {
            cadence.rephase(at);
            self.tempo.rephase(at);
            self.made_up = None;
            return 0;
        }
        let (steps, correction) = match self.made_up.take() {
            // Twice the same gap: nothing was lost, the tempo fell.
            Some((lost, gap)) if (interval - gap).abs() < 0.15 * gap => {
                *cadence = Cadence::new(at, interval, LIMITS, 2, MEMORY);
                self.tempo.restart(at, interval);
                return -(lost as i32);
            }
            _ => lost_clocks(elapsed, cadence),
        };
        if correction > 0 {
            self.made_up = Some((correction as u32, interval));
        }
        if cadence.on_tick(at, steps) {
            self.tempo.restart(at, cadence.period());
        } else {
            self.tempo.on_clock(at, steps);
        }
        correction
    }

    fn go_to(&mut self, clocks: u32, at: MonoTime) {
        self.next = clocks;
        self.fresh = true;
        self.since = at;
        self.made_up = None;
    }

    fn play(&mut self) {
        self.playing = true;
        self.stalled = false;
    }

    fn told(&self, at: MonoTime, event: TransportEvent, clocks: u32) -> MidiEvent {
        MidiEvent::Transport { at, event, place: Some(Place::Clocks(clocks)) }
    }
}

/// How many clocks this one stands for, and how many of them were lost: only where the stream is steady and the gap is a whole
/// number of clocks.
#[inline]
fn lost_clocks(elapsed: f64, cadence: &Cadence) -> (u32, i32) {
    if elapsed < 2.0 - WHOLE || !cadence.settled() || cadence.clump() > 1.5 {
        return (1, 0);
    }
    let whole = elapsed.round();
    if (elapsed - whole).abs() > WHOLE {
        return (1, 0);
    }
    (whole as u32, whole as i32 - 1)
}

#[cfg(test)]
#[path = "clock_tests.rs"]
mod tests;
