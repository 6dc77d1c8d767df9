//! The two lanes of samples: 10 Hz for the whole show, and the full rate round incidents.

use std::collections::VecDeque;

use base::{MonoTime, Span};
use rusqlite::Transaction;

use crate::codec;
use crate::store::{self, Lane};
use crate::words::Sample;

/// A lane that thins to its interval, commits small tails and folds them into blocks of a minute.
pub(super) struct SlowLane {
    interval: Span,
    due: Option<MonoTime>,
    /// All samples since the last whole block, and how many of them are already in tails.
    open: Vec<Sample>,
    in_tails: usize,
    tails: Vec<i64>,
}

/// Samples in a whole block: a minute at 10 Hz.
const BLOCK: usize = 600;
/// Samples kept while the disk cannot take them: four minutes at 10 Hz.
const MOST_OPEN: usize = 4 * BLOCK;

impl SlowLane {
    pub(super) fn new(interval: Span) -> SlowLane {
        SlowLane { interval, due: None, open: Vec::with_capacity(BLOCK), in_tails: 0, tails: Vec::new() }
    }

    /// Takes the sample if one is due on the lane's own raster (a fiftieth of the interval is allowed for jitter). After
    /// a gap, or a clock that went back, the raster begins anew.
    pub(super) fn on_sample(&mut self, sample: &Sample) {
        let late = self.due.map(|due| sample.at.since(due));
        let near = self.interval.divided(50);
        match late {
            Some(late) if late < -near && late > -self.interval.times(2) => return,
            Some(late) if late < self.interval && late >= -near => self.due = self.due.map(|d| d + self.interval),
            _ => self.due = Some(sample.at + self.interval),
        }
        self.open.push(sample.clone());
    }

    /// The disk takes nothing: drops the oldest samples that have nowhere to go; how many. Tails that are on the disk
    /// stay there as they are.
    pub(super) fn bounded(&mut self) -> u64 {
        self.open.drain(..self.in_tails);
        self.in_tails = 0;
        self.tails.clear();
        let over = self.open.len().saturating_sub(MOST_OPEN);
        self.open.drain(..over);
        over as u64
    }

    pub(super) fn has_news(&self) -> bool {
        self.open.len() > self.in_tails
    }

    /// Writes what is new; changes nothing here until [`SlowLane::committed`] says that it is on the disk.
    pub(super) fn write(&self, tx: &Transaction, epoch: u32) -> rusqlite::Result<Option<i64>> {
        if self.open.len() >= BLOCK {
            for id in &self.tails {
                store::drop_block(tx, *id)?;
            }
            put(tx, Lane::Slow, epoch, &self.open)?;
            Ok(None)
        } else {
            put(tx, Lane::Slow, epoch, &self.open[self.in_tails..])
        }
    }

    pub(super) fn committed(&mut self, tail: Option<i64>) {
        if self.open.len() >= BLOCK {
            self.open.clear();
            self.tails.clear();
        } else {
            self.tails.extend(tail);
        }
        self.in_tails = self.open.len();
    }
}

/// The full rate: the last half minute as encoded chunks in memory, written out when an incident asks for them.
pub(super) struct FullLane {
    around: Span,
    budget: u64,
    open: Vec<Sample>,
    ring: VecDeque<Chunk>,
    /// Chunks that touch this stretch are to be written.
    wanted: Option<(MonoTime, MonoTime)>,
}

struct Chunk {
    first: MonoTime,
    last: MonoTime,
    count: usize,
    data: Vec<u8>,
    written: bool,
}

/// Samples in a chunk: half a second at 200 Hz.
const CHUNK: usize = 100;

impl FullLane {
    pub(super) fn new(around: Span, budget: u64) -> FullLane {
        FullLane { around, budget, open: Vec::with_capacity(CHUNK), ring: VecDeque::new(), wanted: None }
    }

    pub(super) fn on_sample(&mut self, sample: Sample) {
        let now = sample.at;
        self.open.push(sample);
        if self.open.len() >= CHUNK {
            self.close_chunk();
        }
        while self.ring.front().is_some_and(|c| now.since(c.last) > self.around && (c.written || !self.wants(c))) {
            self.ring.pop_front();
        }
        // A writer that lags has not yet put down what was wanted.
        if self.wanted.is_some_and(|(_, to)| now.since(to) > self.around) && !self.has_news() {
            self.wanted = None;
        }
    }

    /// An incident: what is kept from now on reaches from `around` before it to `around` after it.
    pub(super) fn mark(&mut self, at: MonoTime) {
        let (from, to) = (at - self.around, at + self.around);
        self.wanted = match self.wanted {
            Some((f, t)) if from <= t => Some((f.min(from), t.max(to))),
            _ => Some((from, to)),
        };
        self.close_chunk();
    }

    fn close_chunk(&mut self) {
        if let (Some(first), Some(last)) = (self.open.first(), self.open.last()) {
            let (first, last, count) = (first.at, last.at, self.open.len());
            let data = codec::encode(&self.open);
            self.ring.push_back(Chunk { first, last, count, data, written: false });
            self.open.clear();
        }
    }

    fn wants(&self, c: &Chunk) -> bool {
        self.budget > 0 && self.wanted.is_some_and(|(from, to)| c.last >= from && c.first <= to)
    }

    pub(super) fn has_news(&self) -> bool {
        self.ring.iter().any(|c| !c.written && self.wants(c))
    }

    pub(super) fn write(&self, tx: &Transaction, epoch: u32) -> rusqlite::Result<()> {
        let mut left = self.budget;
        for c in self.ring.iter().filter(|c| !c.written && self.wants(c)) {
            if left < c.data.len() as u64 {
                break;
            }
            left -= c.data.len() as u64;
            store::put_block(tx, Lane::Full, epoch, c.first, c.last, c.count, &c.data)?;
        }
        Ok(())
    }

    /// What was wanted is on the disk. True when the budget has just run out.
    pub(super) fn committed(&mut self) -> bool {
        let had = self.budget > 0;
        for i in 0..self.ring.len() {
            if !self.ring[i].written && self.wants(&self.ring[i]) {
                let size = self.ring[i].data.len() as u64;
                if size > self.budget {
                    self.budget = 0;
                    return had;
                }
                self.budget -= size;
                self.ring[i].written = true;
            }
        }
        false
    }

    /// The disk takes nothing: forget what cannot wait.
    pub(super) fn bounded(&mut self) {
        let most = 400;
        while self.ring.len() > most {
            self.ring.pop_front();
        }
    }
}

fn put(tx: &Transaction, lane: Lane, epoch: u32, samples: &[Sample]) -> rusqlite::Result<Option<i64>> {
    let (Some(first), Some(last)) = (samples.first(), samples.last()) else { return Ok(None) };
    store::put_block(tx, lane, epoch, first.at, last.at, samples.len(), &codec::encode(samples)).map(Some)
}
