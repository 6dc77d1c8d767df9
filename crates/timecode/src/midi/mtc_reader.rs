//! Quarter frames and full frames to positions.
//!
//! Three things make a sequence of pieces believable, and losing any of them drops the lock:
//!
//! - *order*: the next piece is the next number up (or down);
//! - *time*: the pieces that went missing are those that time went by for. Eight lost in a row leave the order intact, and
//!   only the gap tells;
//! - *content*: each piece is the digit that the position foretells.
//!
//! Locked, every quarter frame is a position. Not locked, eight pieces in a row are collected, from whichever piece one
//! joins at, and make a lock when they fit one label or two that follow each other.

use base::{Direction, FrameRate, MonoTime, Span};

use super::cadence::Cadence;
use super::event::{MidiEvent, MtcFrom, MtcPosition, Place, RefusedWhy, TransportEvent};
use super::mtc::{MASKS, label, nibble, straddling, whole};
use super::run::Run;
use crate::smpte::Timecode;

/// How far, in quarter frames, time and order may differ about how many pieces went missing.
const TOLERANCE: f64 = 0.7;
/// The state of the MTC side of a stream.
#[derive(Clone, Debug)]
pub(crate) struct MtcReader {
    /// After this many quarter frames of silence, beyond the learnt clump, code has stalled.
    stall_after: f64,
    run: Run,
    lock: Option<Lock>,
    /// Where the code was when it was last known, to tell a jump from going on.
    known: Option<Known>,
}

#[derive(Clone, Copy, Debug)]
struct Lock {
    rate: FrameRate,
    /// Position of the last piece, in quarter frames since midnight, less than a day.
    quarters: i64,
    /// The label that the last piece belongs to.
    label: Timecode,
    step: i8,
    cadence: Cadence,
    stalled: bool,
    /// A full frame came since the last quarter frame: code may stop here without stalling.
    cued: bool,
}

#[derive(Clone, Copy, Debug)]
struct Known {
    rate: FrameRate,
    quarters: i64,
    at: MonoTime,
    /// Quarter frames a nanosecond, signed; 0 for a full frame.
    speed: f64,
}

impl MtcReader {
    pub(crate) const fn new(stall_after: f64) -> MtcReader {
        MtcReader { stall_after, run: Run::new(), lock: None, known: None }
    }

    /// When the silence, if it lasts, is a stall.
    pub(crate) fn next_deadline(&self) -> Option<MonoTime> {
        let lock = self.lock.as_ref().filter(|l| !l.stalled && !l.cued)?;
        Some(lock.cadence.silent_after(self.stall_after))
    }

    pub(crate) fn on_time(&mut self, now: MonoTime, sink: &mut impl FnMut(MidiEvent)) {
        let Some(due) = self.next_deadline().filter(|&due| now >= due) else {
            return;
        };
        if let Some(lock) = &mut self.lock {
            lock.stalled = true;
            let place = Some(Place::Timecode(frame_of(lock.rate, lock.quarters)));
            sink(MidiEvent::Transport { at: due, event: TransportEvent::Stall, place });
        }
    }

    /// Code is known to have stopped: silence is no stall.
    pub(crate) fn on_stopped(&mut self) -> bool {
        self.run.length = 0;
        self.lock.take().is_some_and(|l| !l.stalled)
    }

    #[inline]
    pub(crate) fn on_quarter_frame(&mut self, data: u8, at: MonoTime, sink: &mut impl FnMut(MidiEvent)) {
        let (piece, bits) = (data >> 4 & 7, data & 0xF);
        if self.lock.is_some() {
            self.follow(piece, bits, at, sink);
        } else {
            self.collect(piece, bits, at, sink);
        }
    }

    /// The message's four bytes: rate and hours, minutes, seconds, frames.
    pub(crate) fn on_full_frame(&mut self, bytes: [u8; 4], at: MonoTime, sink: &mut impl FnMut(MidiEvent)) {
        let [hours, minutes, seconds, frame] = bytes;
        let Ok(timecode) = label(hours, minutes, seconds, frame) else {
            sink(MidiEvent::Refused { at, why: RefusedWhy::Impossible });
            return;
        };
        let rate = timecode.rate();
        let quarters = 4 * i64::from(timecode.frames());
        // Some generators send full frames while code runs, to help those who join. Such a one moves nothing.
        let running = self
            .lock
            .as_ref()
            .is_some_and(|l| l.rate == rate && short_way(rate, quarters - l.quarters).abs() <= 8 && !l.stalled);
        let before = match (&self.lock, self.known) {
            (Some(l), _) => Some((l.rate, l.quarters)),
            (None, known) => known.map(|k| (k.rate, k.quarters)),
        };
        let there = before.is_some_and(|(r, q)| r == rate && q.div_euclid(4) == quarters.div_euclid(4));
        let moved = !running && !there;
        if moved {
            let place = Some(Place::Timecode(timecode));
            sink(MidiEvent::Transport { at, event: TransportEvent::Locate, place });
        }
        sink(MidiEvent::Mtc(MtcPosition {
            at,
            from: MtcFrom::FullFrame,
            timecode,
            position: timecode.since_midnight(),
            frames: f64::from(timecode.frames()),
            direction: Direction::None,
        }));
        if let (true, Some(lock)) = (running, &mut self.lock) {
            // "Running" only from the next quarter frame on (RP-004): silence now is a stop.
            lock.cued = true;
        } else {
            // Winding: quarter frames stop, which is no stall, and what comes after is another place.
            self.lock = None;
            self.run.length = 0;
            self.known = Some(Known { rate, quarters, at, speed: 0.0 });
        }
    }

    /// Locked: is this piece where it should be?
    #[inline]
    fn follow(&mut self, piece: u8, bits: u8, at: MonoTime, sink: &mut impl FnMut(MidiEvent)) {
        let Some(lock) = &mut self.lock else { return };
        let forward = lock.step > 0;
        let d = if forward { piece.wrapping_sub(self.run.last) } else { self.run.last.wrapping_sub(piece) } & 7;
        let gap = lock.cadence.gap(at);
        let clump = lock.cadence.clump();
        let in_time = |d: u8| (lock.cadence.elapsed(at) - f64::from(d)).abs() <= TOLERANCE + clump;
        let steps = match d {
            // Late as it is, it is nearer to the next piece than to the one eight further on: slower code, or a short pause.
            1 if !lock.stalled || lock.cadence.elapsed(at) < 5.0 => 1,
            2..=6 if in_time(d) => d,
            // The same piece again: sent twice, unless the time of seven lost ones went by.
            0 if gap < 4.0 + clump => return,
            0 if in_time(8) => 8,
            // The piece before: the code turned round, unless time says that six were lost.
            7 if gap < self.stall_after + clump => {
                let (last, last_bits, last_at) =
                    (self.run.last, self.run.pieces[usize::from(self.run.last)], self.run.last_at);
                self.unlock();
                self.run.begin(last, last_bits, last_at);
                self.run.add(piece, bits, at);
                return;
            }
            7 if in_time(7) => 7,
            _ => {
                self.unlock();
                self.run.begin(piece, bits, at);
                return;
            }
        };
        lock.advance(self.run.last, steps);
        let foretold = nibble(lock.label, piece);
        if steps == 1 {
            self.run.add(piece, bits, at);
        } else {
            self.run.begin(piece, bits, at);
            self.run.step = lock.step;
        }
        if foretold != bits & MASKS[usize::from(piece)] {
            // Another label: it began with this sequence's first piece, if that came in order before this one.
            self.unlock();
            let since_first = if forward { piece + 1 } else { 8 - piece };
            self.run.length = self.run.length.min(since_first);
            self.try_lock(at, sink);
            return;
        }
        if lock.stalled && steps == 1 {
            lock.cadence.slowed(at);
        } else {
            lock.cadence.on_tick(at, u32::from(steps));
        }
        lock.stalled = false;
        lock.cued = false;
        let position = lock.position(at);
        sink(MidiEvent::Mtc(position));
    }

    fn unlock(&mut self) {
        if let Some(lock) = self.lock.take() {
            self.known = Some(Known {
                rate: lock.rate,
                quarters: lock.quarters,
                at: lock.cadence.last(),
                speed: if lock.stalled { 0.0 } else { f64::from(lock.step) / lock.cadence.period() },
            });
        }
    }

    /// Not locked: eight in a row are wanted.
    #[inline]
    fn collect(&mut self, piece: u8, bits: u8, at: MonoTime, sink: &mut impl FnMut(MidiEvent)) {
        let run = &mut self.run;
        let d = piece.wrapping_sub(run.last) & 7;
        match (run.length, d) {
            (0, _) => run.begin(piece, bits, at),
            // Sent twice.
            (_, 0) => return,
            (_, 1) if run.step >= 0 => run.add(piece, bits, at),
            (_, 7) if run.step <= 0 => run.add(piece, bits, at),
            (_, 1 | 7) => {
                let last = usize::from(run.last);
                run.begin(run.last, run.pieces[last], run.last_at);
                run.add(piece, bits, at);
            }
            _ => run.begin(piece, bits, at),
        }
        self.try_lock(at, sink);
    }

    #[inline]
    fn try_lock(&mut self, at: MonoTime, sink: &mut impl FnMut(MidiEvent)) {
        if self.run.length < 8 {
            return;
        }
        self.run.forget_before_a_gap();
        if self.run.length < 8 {
            return;
        }
        let forward = self.run.step > 0;
        let last = self.run.last;
        let ends_a_label = last == if forward { 7 } else { 0 };
        let found = if ends_a_label {
            let whole = whole(&self.run.pieces).ok();
            if whole.is_none() {
                sink(MidiEvent::Refused { at, why: RefusedWhy::Impossible });
            }
            whole
        } else {
            // Pieces below `low` are of the later label: forwards they came last, backwards first.
            let low = if forward { last + 1 } else { last };
            straddling(&self.run.pieces, low).map(|m| if forward { m } else { m.plus(-2) })
        };
        let Some(label) = found else {
            return;
        };
        let rate = label.rate();
        let quarters = 4 * i64::from(label.frames()) + i64::from(last);
        let lock = Lock {
            rate,
            quarters,
            label,
            step: self.run.step,
            cadence: self.run.cadence(rate),
            stalled: false,
            cued: false,
        };
        if self.known.is_some_and(|k| k.jumped(&lock, at)) {
            let place = Some(Place::Timecode(frame_of(rate, quarters)));
            sink(MidiEvent::Transport { at, event: TransportEvent::Locate, place });
        }
        sink(MidiEvent::Mtc(lock.position(at)));
        self.lock = Some(lock);
    }
}

impl Lock {
    #[inline]
    fn advance(&mut self, last_piece: u8, steps: u8) {
        let moved = i64::from(self.step) * i64::from(steps);
        self.quarters = (self.quarters + moved).rem_euclid(day(self.rate));
        // Piece 0 and its seven followers are of one label; the next eight are of the label two frames on.
        let turns = (i64::from(last_piece) + moved).div_euclid(8);
        if turns != 0 {
            self.label = self.label.plus(2 * turns);
        }
    }

    #[inline]
    fn position(&self, at: MonoTime) -> MtcPosition {
        MtcPosition {
            at,
            from: MtcFrom::QuarterFrame,
            timecode: frame_of(self.rate, self.quarters),
            position: time_of(self.rate, self.quarters),
            frames: self.quarters as f64 / 4.0,
            direction: if self.step > 0 { Direction::Forward } else { Direction::Reverse },
        }
    }
}

impl Known {
    /// Whether the lock found at `at` is neither where the code stood nor where it would have got to.
    fn jumped(&self, lock: &Lock, at: MonoTime) -> bool {
        if self.rate != lock.rate {
            return true;
        }
        let off = |quarters: i64| short_way(self.rate, lock.quarters - quarters).abs();
        let elapsed = (at - self.at).nanos() as f64;
        let gone_on = (elapsed * self.speed).round() as i64;
        // It may have stood for a while, run on for the eight pieces that the lock took, or turned round in between.
        let while_locking = 8 + 4;
        let stood = off(self.quarters) <= while_locking;
        let ran = off(self.quarters + gone_on) <= while_locking.min(4 + gone_on.abs());
        !(stood || ran)
    }
}

/// Quarter frames in a day.
const fn day(rate: FrameRate) -> i64 {
    4 * Timecode::frames_per_day(rate) as i64
}

/// A difference of quarter frames the short way round midnight.
const fn short_way(rate: FrameRate, quarters: i64) -> i64 {
    let day = day(rate);
    let d = quarters.rem_euclid(day);
    if d > day / 2 { d - day } else { d }
}

/// The frame that runs at this position.
#[inline]
fn frame_of(rate: FrameRate, quarters: i64) -> Timecode {
    Timecode::from_frames(rate, quarters.div_euclid(4))
}

/// Real time since midnight at this position, to the nearest nanosecond.
#[inline]
fn time_of(rate: FrameRate, quarters: i64) -> Span {
    let (n, d) = rate.fraction();
    // A day has at most 10.4 million quarter frames: the product stays below 2^64.
    let ns = (quarters.max(0) as u64 * u64::from(d) * 1_000_000_000 + u64::from(2 * n)) / u64::from(4 * n);
    Span::from_nanos(ns as i64)
}
