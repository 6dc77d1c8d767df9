//! A simulated playback computer without its operating system: a crystal, a transport, a voice and its MIDI, driven from outside
//! by `now`. The player process runs it in real time, the virtual rig in virtual time.
//!
//! The engine counts samples of its own crystal; sample `n` falls on the instant `t0 + n * period`. PCM leaves in blocks of 128
//! once the last sample of the block has been played, so that a killed player really goes silent; MIDI leaves at its sample
//! plus a drawn jitter, or at the end of the buffer it fell into where the player works in clumps.

use std::collections::VecDeque;

use base::{Db, MonoTime, Ppm, Span};

use crate::score::Score;
use crate::seed::{self, Sequence};
use crate::show::{CHANNELS, FRAME_RATE, PILOT, SAMPLE_RATE, SAMPLES_PER_SECOND, Show, Song, TIMECODE, pad};
use crate::synth::{Frame, Voice, add_pilot};

mod order;

pub use order::{AudioFault, Command, EngineConfig, Out};

/// Samples in a block.
pub const BLOCK: usize = 128;
/// A start takes this long from pad to sound on every machine, besides its own skew: the start message stands before the
/// first clock (common practice, no source).
const START_LATENCY: Span = Span::from_millis(5);
/// An engine that wakes later than this was frozen: it goes on where it stopped, as a sound card's clock would make it.
const FROZEN: Span = Span::from_millis(200);

/// The machine's idea of time.
#[derive(Clone, Copy, Debug)]
struct Crystal {
    at: MonoTime,
    sample: i64,
    period: f64,
}

impl Crystal {
    fn new(at: MonoTime, sample: i64, error: Ppm) -> Crystal {
        // A crystal that is fast by e ppm plays 48000 (1 + e / 1e6) samples in a second.
        Crystal { at, sample, period: 1e9 / (SAMPLE_RATE.0 * (1.0 + error.0.max(-900_000.0) / 1e6)) }
    }
    fn time_of(&self, n: i64) -> MonoTime {
        self.at + Span::from_nanos(((n - self.sample) as f64 * self.period).round() as i64)
    }
    fn sample_at(&self, t: MonoTime) -> i64 {
        self.sample + ((t - self.at).nanos() as f64 / self.period).ceil() as i64
    }
}

/// A stretch of rolling: song sample 0 lies on the engine's sample `origin`.
struct Run {
    origin: i64,
    from: i64,
    until: i64,
    voice: Voice,
    score: Score,
    /// Whether `until` is a stop (and not a jump into the next run).
    stops: bool,
}

/// See the module.
pub struct Engine {
    show: Show,
    config: EngineConfig,
    crystal: Crystal,
    /// First sample of the block that is being played.
    block: i64,
    runs: VecDeque<Run>,
    /// Where it stands when it is stopped: song number and sample.
    place: (u16, i64),
    /// Pads and transport messages that have been decided, in order of time.
    soon: Vec<(MonoTime, Vec<u8>)>,
    /// MIDI on its way out, in order.
    outbox: VecDeque<(MonoTime, Vec<u8>)>,
    luck: Sequence,
    midi_on: bool,
    audio: AudioFault,
    gain: f32,
}

impl Engine {
    /// A machine switched on at `now`, stopped at the beginning of the first song.
    pub fn new(config: EngineConfig, now: MonoTime) -> Engine {
        Engine {
            show: Show::new(config.show),
            config,
            crystal: Crystal::new(now, 0, config.crystal),
            block: 0,
            runs: VecDeque::new(),
            place: (1, 0),
            soon: Vec::new(),
            outbox: VecDeque::new(),
            luck: Sequence::new(config.own),
            midi_on: true,
            audio: AudioFault::None,
            gain: gain_of(config.level),
        }
    }

    /// Whether its transport rolls at `now`.
    pub fn rolling(&self, now: MonoTime) -> bool {
        let n = self.crystal.sample_at(now);
        self.runs.iter().any(|r| r.from <= n && n < r.until)
    }

    /// Where it is at `now`: song and time into it.
    pub fn place(&self, now: MonoTime) -> (u16, Span) {
        let n = self.crystal.sample_at(now);
        let (song, sample) = match self.runs.iter().find(|r| r.from <= n && n < r.until) {
            Some(r) => (r.voice.song().number, n - r.origin),
            None => self.place,
        };
        (song, base::Samples(sample as f64).at(SAMPLE_RATE))
    }

    /// Obeys.
    pub fn on_command(&mut self, command: Command, now: MonoTime) {
        match command {
            Command::Load { song } => {
                self.hit(now, pad::LOAD, true);
                self.end_run(self.crystal.sample_at(now), true);
                self.load(song, 0, now);
            }
            Command::Play { at, heard } => self.play(at.unwrap_or(now).max(now), heard),
            Command::Stop { at, heard } => {
                let at = at.unwrap_or(now).max(now);
                self.hit(at, pad::STOP, heard);
                self.end_run(self.crystal.sample_at(at), true);
            }
            Command::Jump { song, to } => self.jump(song, to, now),
            Command::Skip { by } => {
                let (song, at) = self.place(now);
                self.jump(song, Some(at + by), now);
            }
            Command::Midi { on } => self.midi_on = on,
            Command::CodeAhead { by } => {
                let frames = FRAME_RATE.frames_in(by).round() as i64;
                self.runs.iter_mut().for_each(|r| r.score.read_ahead(frames));
            }
            Command::Audio { fault } => self.audio = fault,
            Command::Drift { ppm } => {
                let n = self.crystal.sample_at(now);
                self.crystal = Crystal::new(self.crystal.time_of(n), n, ppm);
                self.config.crystal = ppm;
            }
            Command::Level { gain } => self.gain = gain_of(gain),
        }
    }

    /// When it wants to be called next.
    pub fn next_deadline(&self) -> MonoTime {
        let mut due = self.crystal.time_of(self.block + BLOCK as i64);
        if let Some((t, _)) = self.outbox.front() {
            due = due.min(*t);
        }
        if let Some((t, _)) = self.soon.first() {
            due = due.min(*t);
        }
        if let Some(n) = self.next_note() {
            due = due.min(self.crystal.time_of(n));
        }
        due
    }

    /// Gives out all that is due.
    pub fn on_time(&mut self, now: MonoTime, sink: &mut impl FnMut(Out<'_>)) {
        if now - self.crystal.time_of(self.block + BLOCK as i64) > FROZEN {
            self.crystal = Crystal::new(now, self.block + BLOCK as i64, self.config.crystal);
        }
        self.write_midi(now);
        while self.outbox.front().is_some_and(|(due, _)| *due <= now) {
            if let Some((_, bytes)) = self.outbox.pop_front()
                && self.midi_on
            {
                sink(Out::Midi { at: now, bytes: &bytes });
            }
        }
        while self.crystal.time_of(self.block + BLOCK as i64) <= now {
            self.play_block(sink);
        }
    }

    fn song(&self, number: u16) -> Option<Song> {
        self.show.song(number).cloned()
    }

    /// A pad is hit: every machine hears its note.
    fn hit(&mut self, at: MonoTime, note: u8, heard: bool) {
        if heard {
            let channel = pad::CHANNEL - 1;
            self.say(at, vec![0x90 | channel, note, 100, 0x80 | channel, note, 0]);
        }
    }

    fn say(&mut self, at: MonoTime, bytes: Vec<u8>) {
        let i = self.soon.partition_point(|(t, _)| *t <= at);
        self.soon.insert(i, (at, bytes));
    }

    fn play(&mut self, at: MonoTime, heard: bool) {
        self.hit(at, pad::START, heard);
        if self.runs.back().is_some_and(|r| r.until == i64::MAX) {
            return; // It rolls already.
        }
        let from = self.crystal.sample_at(at + START_LATENCY + self.config.start_skew);
        let (song, sample) = self.place;
        self.say(at, Score::start(sample));
        self.run_from(song, sample, from);
    }

    fn run_from(&mut self, song: u16, sample: i64, from: i64) {
        let Some(song) = self.song(song) else {
            return;
        };
        let (voice, score) = (Voice::new(&song, sample), Score::new(&song, sample));
        self.runs.push_back(Run { origin: from - sample, from, until: i64::MAX, voice, score, stops: false });
    }

    /// Ends the run that has no end yet at this sample of the engine.
    fn end_run(&mut self, at: i64, stops: bool) {
        if let Some(run) = self.runs.back_mut().filter(|r| r.until == i64::MAX) {
            run.until = at.max(run.from);
            run.stops = stops;
            self.place = (run.voice.song().number, run.until - run.origin);
            let until = run.until;
            if stops {
                self.say(self.crystal.time_of(until), Score::stop());
            }
        }
    }

    fn load(&mut self, song: u16, sample: i64, now: MonoTime) {
        if let Some(s) = self.song(song) {
            self.place = (song, sample);
            self.say(now, Score::locate(&s, sample));
        }
    }

    fn jump(&mut self, song: u16, to: Option<Span>, now: MonoTime) {
        let n = self.crystal.sample_at(now);
        let rolls = self.runs.back().is_some_and(|r| r.until == i64::MAX);
        self.end_run(n, false);
        let sample = to.map_or(self.place.1, |t| base::Samples::of(t, SAMPLE_RATE).0.round() as i64);
        self.load(song, sample, now);
        if rolls {
            self.run_from(song, sample, n);
        }
    }

    /// The engine's sample of the next MIDI message that belongs to the music.
    fn next_note(&self) -> Option<i64> {
        self.runs.iter().map(|r| (r.origin + r.score.next_at(), r.until)).find(|(n, until)| n < until).map(|(n, _)| n)
    }

    /// Moves what has become due from the score and from `soon` into the outbox, late as this machine is late.
    fn write_midi(&mut self, now: MonoTime) {
        loop {
            let note = self.next_note().map(|n| (self.crystal.time_of(n), n));
            let said = self.soon.first().map(|(t, _)| *t);
            let said_first = match (said, note) {
                (Some(s), Some((t, _))) => s <= t,
                (Some(_), None) => true,
                _ => false,
            };
            let (at, bytes) = if said_first {
                if said.is_none_or(|s| s > now) {
                    return;
                }
                self.soon.remove(0)
            } else {
                let Some((at, n)) = note.filter(|(t, _)| *t <= now) else {
                    return;
                };
                let Some(run) = self.runs.iter_mut().find(|r| r.origin + r.score.next_at() == n) else {
                    return;
                };
                let mut bytes = Vec::with_capacity(8);
                run.score.write(&mut bytes);
                (at, bytes)
            };
            let mut due = at;
            if self.config.midi_clump > 0 {
                let clump = i64::from(self.config.midi_clump);
                let n = self.crystal.sample_at(at);
                due = self.crystal.time_of(n.div_euclid(clump) * clump + clump);
            }
            due += self.config.midi_jitter.scaled(self.luck.unit());
            // One cable: nothing overtakes.
            let due = self.outbox.back().map_or(due, |(last, _)| due.max(*last));
            self.outbox.push_back((due, bytes));
        }
    }

    fn play_block(&mut self, sink: &mut impl FnMut(Out<'_>)) {
        let first = self.block;
        let mut frames = [[0f32; CHANNELS.len()]; BLOCK];
        for run in &mut self.runs {
            let from = (run.from.max(first) - first).clamp(0, BLOCK as i64) as usize;
            let until = (run.until.min(first + BLOCK as i64) - first).clamp(0, BLOCK as i64) as usize;
            if from < until {
                run.voice.fill(&mut frames[from..until]);
            }
        }
        add_pilot(&mut frames, self.config.pilot, first);
        if (self.gain - 1.0).abs() > f32::EPSILON {
            let audible = (0..CHANNELS.len()).filter(|c| *c != TIMECODE && *c != PILOT);
            for c in audible {
                frames.iter_mut().for_each(|f| f[c] *= self.gain);
            }
        }
        let heard = self.spoil(&mut frames);
        let at = self.crystal.time_of(first);
        self.block += BLOCK as i64;
        let block = self.block;
        self.runs.retain(|r| r.until > block || r.until == i64::MAX);
        if heard {
            sink(Out::Pcm { at, frames: &frames });
        }
    }

    /// Applies the fault; false: the block is never sent.
    fn spoil(&mut self, frames: &mut [Frame; BLOCK]) -> bool {
        let own = self.config.own;
        let n = self.block;
        match self.audio {
            AudioFault::None => {}
            AudioFault::Ceased => return false,
            AudioFault::Glitches => return !seed::at(own, 0x611, n).is_multiple_of(100),
            AudioFault::Silent => *frames = [[0.0; CHANNELS.len()]; BLOCK],
            AudioFault::StemSilent => frames.iter_mut().for_each(|f| f[0] = 0.0),
            AudioFault::Noise => {
                for (i, f) in frames.iter_mut().enumerate() {
                    *f = std::array::from_fn(|c| seed::bipolar(own, 0x2000 + c as u32, n + i as i64).signum());
                }
            }
            AudioFault::Dc => *frames = [[1.0; CHANNELS.len()]; BLOCK],
            AudioFault::NotANumber => *frames = [[f32::NAN; CHANNELS.len()]; BLOCK],
            AudioFault::Shifted => frames.iter_mut().for_each(|f| f.rotate_right(1)),
        }
        true
    }
}

fn gain_of(level: Db) -> f32 {
    10f64.powf(level.0.min(20.0) / 20.0) as f32
}

/// How many samples of its own an engine plays in a second of true time, for those who reckon what must come out.
pub fn samples_in(span: Span, crystal: Ppm) -> f64 {
    span.secs_f64() * SAMPLES_PER_SECOND as f64 * (1.0 + crystal.0 / 1e6)
}

#[cfg(test)]
mod tests;
