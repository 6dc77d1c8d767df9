//! What an agent's beats say of the sound it hears: lost blocks, silence and sound to the beat, a pilot tone, callbacks that cease.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::f64::consts::TAU;

use base::{AudioState, Dbfs, Hertz, MonoTime, Samples, Span};
use twinkeel_agent::core::{AgentCore, SoundFormat};
use wire::{Beat, Pilot};

const RATE: Hertz = Hertz(48_000.0);
const BLOCK: usize = 128;

/// A machine with two channels of tracks and a pilot of 19 kHz at -40 dBFS.
struct Rig {
    core: AgentCore,
    n: usize,
    beat_due: MonoTime,
    /// Amplitude of mains hum and its noise on every channel.
    hum: f64,
}

fn start() -> MonoTime {
    MonoTime::from_nanos(10_000_000_000)
}

impl Rig {
    fn new() -> Rig {
        Rig::at_an_input(None)
    }

    /// Heard by an input with this noise floor.
    fn at_an_input(floor: Option<Dbfs>) -> Rig {
        let mut core = AgentCore::new(Vec::new());
        core.on_format(SoundFormat {
            rate: RATE,
            channels: ["tracks L", "tracks R", "pilot"].map(String::from).to_vec(),
            timecode: None,
            ltc_rate: None,
            pilot: Some(Hertz(19_000.0)),
            floor,
            outside: false,
            exact_stamps: true,
        });
        Rig { core, n: 0, beat_due: start(), hum: 0.0 }
    }

    fn now(&self) -> MonoTime {
        start() + Samples(self.n as f64).at(RATE)
    }

    /// Plays one block, with gains for tracks and pilot, and gives the beats that fell due.
    fn block(&mut self, tracks: f64, pilot: f64, heard: bool) -> Vec<(MonoTime, Beat)> {
        let wave = |hertz: f64, n: usize| (TAU * hertz * n as f64 / RATE.0).sin();
        let at = self.now();
        let samples: Vec<f32> = (self.n..self.n + BLOCK)
            .flat_map(|n| {
                let (l, r) = (0.3 * wave(220.0, n) + 0.1 * wave(331.0, n), 0.2 * wave(277.0, n));
                let hum = self.hum * (0.7 * wave(50.0, n) + 0.3 * wave(7_919.0, n * n % 65_521));
                [tracks * l, tracks * r, pilot * 0.01 * wave(19_000.0, n)].map(|s| (s + hum) as f32)
            })
            .collect();
        self.n += BLOCK;
        if heard {
            self.core.on_pcm(at, samples.into_iter());
        }
        let mut beats = Vec::new();
        while self.beat_due <= self.now() {
            beats.push((self.beat_due, self.core.beat(self.beat_due, Span::ZERO)));
            self.beat_due += Span::from_millis(5);
        }
        beats
    }

    fn play(&mut self, seconds: f64) -> Beat {
        let blocks = (seconds * RATE.0 / BLOCK as f64) as usize;
        (0..blocks).flat_map(|_| self.block(1.0, 1.0, true)).last().expect("beats").1
    }
}

#[test]
fn a_lost_block_is_counted_once_and_soon() {
    let mut rig = Rig::new();
    assert_eq!(rig.play(2.0).dropouts, 0);
    // Zeros in both channels at once.
    rig.block(0.0, 1.0, true);
    let end = rig.now();
    let told = (0..8).flat_map(|_| rig.block(1.0, 1.0, true)).find(|(_, b)| b.dropouts > 0).expect("told").0;
    assert!(told - end <= Span::from_millis(10), "{:?}", told - end);
    assert_eq!(rig.play(1.0).dropouts, 1);
    // A block whose callback never came.
    rig.block(1.0, 1.0, false);
    assert_eq!(rig.play(1.0).dropouts, 2);
}

#[test]
fn silence_and_sound_are_known_to_the_beat() {
    let mut rig = Rig::new();
    assert_eq!(rig.play(1.0).audio, AudioState::Sounding);
    let end = rig.now();
    let (when, beat) = (0..12)
        .flat_map(|_| rig.block(0.0, 1.0, true))
        .find(|(_, b)| b.audio != AudioState::Sounding)
        .expect("silence is noticed");
    assert_eq!(beat.audio, AudioState::Silent);
    assert!(when - end <= Span::from_millis(15), "{:?}", when - end);
    let last = beat.last_sound.expect("sounded").nanos();
    assert!(last <= end.nanos() && end.nanos() - last < 1_000_000, "to the sample");
    let begin = rig.now();
    let (when, _) = (0..12)
        .flat_map(|_| rig.block(1.0, 1.0, true))
        .find(|(_, b)| b.audio == AudioState::Sounding)
        .expect("sound is noticed");
    assert!(when - begin <= Span::from_millis(15), "{:?}", when - begin);
}

#[test]
fn a_vanished_pilot_is_in_a_beat_within_15_ms() {
    let mut rig = Rig::new();
    assert_eq!(rig.play(2.0).levels[2].pilot, Pilot::Present);
    let end = rig.now();
    let (when, _) = (0..12)
        .flat_map(|_| rig.block(1.0, 0.0, true))
        .find(|(_, b)| b.levels[2].pilot == Pilot::Absent)
        .expect("noticed");
    assert!(when - end <= Span::from_millis(15), "{:?}", when - end);
}

#[test]
fn steady_callbacks_that_cease_are_missed_soon() {
    let mut rig = Rig::new();
    assert_eq!(rig.play(15.0).audio, AudioState::Sounding);
    let end = rig.now();
    let (when, _) =
        (0..20).flat_map(|_| rig.block(1.0, 1.0, false)).find(|(_, b)| b.audio == AudioState::Ceased).expect("noticed");
    assert!(when - end <= Span::from_millis(18), "{:?}", when - end);
}

/// An analogue input is never silent: hum 6 dB below the floor is taken for silence, and the last sound is known to the block.
/// Without a floor the same hum would be sound that goes on.
#[test]
fn hum_below_the_floor_of_an_analogue_input_is_silence() {
    for (floor, silent) in [(Some(Dbfs(-64.0)), true), (None, false)] {
        let mut rig = Rig::at_an_input(floor);
        rig.hum = Dbfs(-70.0).amplitude();
        assert_eq!(rig.play(2.0).audio, AudioState::Sounding);
        let end = rig.now();
        let beat = (0..40).flat_map(|_| rig.block(0.0, 0.0, true)).last().expect("beats").1;
        let last = MonoTime::from_nanos(beat.last_sound.expect("sounded").nanos());
        assert_eq!(last - end < Span::from_millis(1), silent, "{floor:?}: {:?}", last - end);
        assert_eq!(beat.audio, AudioState::Silent, "{floor:?}: by its level it is silent either way");
        assert_eq!(beat.levels[2].pilot, Pilot::Absent, "hum is no pilot");
        assert_eq!(rig.play(1.0).audio, AudioState::Sounding);
    }
}

#[test]
fn an_agent_that_hears_hum_alone_tells_no_dropouts() {
    let mut rig = Rig::at_an_input(Some(Dbfs(-64.0)));
    rig.hum = Dbfs(-70.0).amplitude();
    rig.play(2.0);
    for _ in 0..400 {
        rig.block(0.0, 0.0, true);
    }
    assert_eq!(rig.play(2.0).dropouts, 0, "a second of rest is none");
}
