//! What a source gives, and the way from a real-time callback to its reader.
//!
//! The callback allocates nothing, locks nothing and logs nothing: it copies into a ring of fixed size. When the reader is
//! too slow the newest is dropped and counted. Each time a source is opened it gets a new ring, since the callback owns the
//! writing end and takes it along when the device dies; the keeper's own words (state, new ring) come by a second ring.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};

use arrayvec::ArrayVec;
use base::{Hertz, MonoTime, Samples};

use crate::os::mono_now;

/// The most MIDI bytes in one arrival; longer messages come in several.
pub const MIDI_BYTES: usize = 64;
/// The most samples, all channels together, in one arrival; longer blocks come in several.
pub const BLOCK_SAMPLES: usize = 512;
/// The most channels of a source.
pub const MAX_CHANNELS: usize = 64;
/// Arrivals that fit between a callback and its reader: at 48 kHz and 8 channels 0.7 s.
const RING: usize = 512;
const CONTROL: usize = 64;

/// MIDI bytes as they came.
pub type MidiBytes = ArrayVec<u8, MIDI_BYTES>;

/// Wakes the reader. Called from real-time callbacks: it must neither block nor allocate.
pub type Wake = Arc<dyn Fn() + Send + Sync>;

/// One thing that came from a source.
// A boxed block would have to be allocated in the callback.
#[allow(clippy::large_enum_variant)]
#[derive(Clone, PartialEq, Debug)]
pub enum Arrival {
    /// MIDI bytes.
    Midi {
        /// When they came in.
        at: MonoTime,
        /// As they came.
        bytes: MidiBytes,
    },
    /// A block of audio.
    Pcm {
        /// The instant of the first sample.
        at: MonoTime,
        /// The samples.
        block: PcmBlock,
    },
    /// The source's state changed.
    State {
        /// When.
        at: MonoTime,
        /// What it is now.
        state: SourceState,
    },
}

/// A few interleaved samples of the channels asked for.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct PcmBlock {
    /// How many channels are interleaved.
    pub channels: usize,
    /// Whole sample frames.
    pub samples: ArrayVec<f32, BLOCK_SAMPLES>,
}

/// The state of a source.
#[derive(Clone, PartialEq, Debug, Default)]
pub enum SourceState {
    /// Being opened.
    #[default]
    Opening,
    /// Open, in this format.
    Open(Format),
    /// Open, but its callbacks have ceased. It may come back by itself.
    Stalled,
    /// Gone, or never found; it is looked for again for ever.
    Gone {
        /// In words.
        why: String,
    },
}

/// What was opened.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Format {
    /// The full name of the port or device.
    pub name: String,
    /// The sample rate, of audio.
    pub sample_rate: Option<Hertz>,
    /// How many channels each block has, of audio.
    pub channels: usize,
}

/// The reader's end of a source. Dropping it closes the source.
pub struct Arrivals {
    control: rtrb::Consumer<Control>,
    data: Option<rtrb::Consumer<Arrival>>,
    shared: Arc<Shared>,
}

impl Arrivals {
    /// The next thing that came, in order; `None` when there is nothing yet.
    pub fn pop(&mut self) -> Option<Arrival> {
        loop {
            if let Some(arrival) = self.data.as_mut().and_then(|d| d.pop().ok()) {
                return Some(arrival);
            }
            match self.control.pop().ok()? {
                Control::Ring(ring) => self.data = Some(ring),
                Control::State { at, state } => return Some(Arrival::State { at, state }),
            }
        }
    }
    /// How many arrivals were dropped because the reader was too slow.
    pub fn dropped(&self) -> u64 {
        self.shared.dropped.load(Ordering::Relaxed)
    }
}

impl Drop for Arrivals {
    fn drop(&mut self) {
        self.shared.closed.store(true, Ordering::Release);
    }
}

pub(crate) enum Control {
    Ring(rtrb::Consumer<Arrival>),
    State { at: MonoTime, state: SourceState },
}

/// What the keeper, the callback and the reader all see.
#[derive(Default)]
pub(crate) struct Shared {
    dropped: AtomicU64,
    closed: AtomicBool,
    /// Our clock at the newest callback, in nanoseconds; 0: none since opening.
    pulse: AtomicU64,
}

impl Shared {
    pub(crate) fn is_closed(&self) -> bool {
        self.closed.load(Ordering::Acquire)
    }
    pub(crate) fn pulse(&self) -> Option<MonoTime> {
        match self.pulse.load(Ordering::Relaxed) {
            0 => None,
            ns => Some(MonoTime::from_nanos(ns)),
        }
    }
}

/// The keeper's end.
pub(crate) struct Teller {
    control: rtrb::Producer<Control>,
    shared: Arc<Shared>,
    wake: Option<Wake>,
}

pub(crate) fn source(wake: Option<Wake>) -> (Teller, Arrivals) {
    let (to, from) = rtrb::RingBuffer::new(CONTROL);
    let shared = Arc::new(Shared::default());
    let arrivals = Arrivals { control: from, data: None, shared: Arc::clone(&shared) };
    (Teller { control: to, shared, wake }, arrivals)
}

impl Teller {
    pub(crate) fn shared(&self) -> &Shared {
        &self.shared
    }
    pub(crate) fn say(&mut self, state: SourceState) {
        self.push(Control::State { at: mono_now(), state });
    }
    /// A new ring for a source that is about to be opened.
    pub(crate) fn sink(&mut self) -> Sink {
        let (to, from) = rtrb::RingBuffer::new(RING);
        self.shared.pulse.store(0, Ordering::Relaxed);
        self.push(Control::Ring(from));
        Sink { ring: to, shared: Arc::clone(&self.shared), wake: self.wake.clone() }
    }
    /// Waits for a slow reader: the keeper may, and a state must not be lost.
    fn push(&mut self, mut word: Control) {
        while !self.shared.is_closed() {
            match self.control.push(word) {
                Ok(()) => break,
                Err(rtrb::PushError::Full(back)) => word = back,
            }
            std::thread::sleep(std::time::Duration::from_millis(20));
        }
        if let Some(wake) = &self.wake {
            wake();
        }
    }
}

/// A callback's end. Nothing here allocates, locks or logs.
pub(crate) struct Sink {
    ring: rtrb::Producer<Arrival>,
    shared: Arc<Shared>,
    wake: Option<Wake>,
}

impl Sink {
    /// The callback was called.
    pub(crate) fn pulse(&self, now: MonoTime) {
        self.shared.pulse.store(now.nanos().max(1), Ordering::Relaxed);
    }

    pub(crate) fn midi(&mut self, at: MonoTime, bytes: &[u8]) {
        for piece in bytes.chunks(MIDI_BYTES) {
            let bytes = piece.iter().copied().collect();
            self.push(Arrival::Midi { at, bytes });
        }
    }

    /// A block of which `frames` sample frames are read by `sample(frame, place in the block)`.
    pub(crate) fn pcm(
        &mut self,
        at: MonoTime,
        rate: Hertz,
        channels: usize,
        frames: usize,
        sample: impl Fn(usize, usize) -> f32,
    ) {
        if channels == 0 || channels > MAX_CHANNELS {
            return;
        }
        let most = BLOCK_SAMPLES / channels;
        let mut done = 0;
        while done < frames {
            let take = most.min(frames - done);
            let mut block = PcmBlock { channels, samples: ArrayVec::new() };
            for frame in done..done + take {
                (0..channels).for_each(|c| block.samples.push(sample(frame, c)));
            }
            self.push(Arrival::Pcm { at: at + Samples(done as f64).at(rate), block });
            done += take;
        }
    }

    /// After all of a callback's arrivals.
    pub(crate) fn done(&self) {
        if let Some(wake) = &self.wake {
            wake();
        }
    }

    fn push(&mut self, arrival: Arrival) {
        if self.ring.push(arrival).is_err() {
            self.shared.dropped.fetch_add(1, Ordering::Relaxed);
        }
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used, clippy::panic)]
mod tests {
    use super::*;
    use assert_no_alloc::{AllocDisabler, assert_no_alloc};
    use base::Span;

    #[global_allocator]
    static WATCHED: AllocDisabler = AllocDisabler;

    #[test]
    fn what_a_callback_does_allocates_nothing_and_arrives_in_order() {
        let (mut teller, mut arrivals) = source(Some(Arc::new(|| {})));
        teller.say(SourceState::Opening);
        let mut sink = teller.sink();
        let t = MonoTime::from_nanos(1_000_000_000);
        assert_no_alloc(|| {
            sink.pulse(t);
            sink.midi(t, &[0xF0; 70]);
            sink.pcm(t, Hertz(48_000.0), 64, 12, |frame, channel| (frame * 64 + channel) as f32);
            sink.done();
        });
        teller.say(SourceState::Gone { why: "pulled".into() });
        assert!(matches!(arrivals.pop(), Some(Arrival::State { state: SourceState::Opening, .. })));
        let lengths: Vec<usize> = (0..2)
            .map(|_| match arrivals.pop() {
                Some(Arrival::Midi { at, bytes }) if at == t => bytes.len(),
                other => panic!("{other:?}"),
            })
            .collect();
        assert_eq!(lengths, [64, 6]);
        let Some(Arrival::Pcm { at, block }) = arrivals.pop() else { panic!() };
        assert_eq!((at, block.samples.len(), block.samples[511]), (t, 512, 511.0));
        let Some(Arrival::Pcm { at, block }) = arrivals.pop() else { panic!() };
        assert_eq!(at, t + Samples(8.0).at(Hertz(48_000.0)));
        assert_eq!((block.channels, block.samples.len(), block.samples[0]), (64, 256, 512.0));
        assert!(matches!(arrivals.pop(), Some(Arrival::State { state: SourceState::Gone { .. }, .. })));
        assert_eq!(arrivals.pop(), None);
    }

    #[test]
    fn a_slow_reader_loses_the_newest_and_is_told() {
        let (mut teller, mut arrivals) = source(None);
        let mut sink = teller.sink();
        (0..RING + 3).for_each(|i| sink.midi(MonoTime::ZERO + Span::from_nanos(i as i64), &[0xF8]));
        assert_eq!(arrivals.dropped(), 3);
        let got = std::iter::from_fn(|| arrivals.pop()).count();
        assert_eq!(got, RING);
    }
}
