//! 64 channels, of which only the last sounds: what its beats and slower meters say of them.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::f64::consts::TAU;

use base::{AudioState, Dbfs, Hertz, MonoTime, Samples, Span};
use twinkeel_agent::core::{AgentCore, SoundFormat};
use wire::{Beat, MAX_BEAT, Pilot, Up};

const RATE: Hertz = Hertz(48_000.0);
const BLOCK: usize = 128;
const CHANNELS: usize = 64;
/// The channel that carries the pilot.
const TONE: usize = 40;

struct Rig {
    core: AgentCore,
    n: usize,
    beat_due: MonoTime,
    /// Amplitudes of the music on the last channel and of the pilot.
    music: f64,
    pilot: f64,
    /// Cycles of the music in a sample. At a quarter, and an eighth of a period off, no sample meets the crest.
    tune: f64,
    /// What is added to the last channel.
    dc: f64,
    lost: Vec<u64>,
}

fn start() -> MonoTime {
    MonoTime::from_nanos(10_000_000_000)
}

impl Rig {
    fn new() -> Rig {
        let name = |c| if c == TONE { "pilot".into() } else { format!("stem {c}") };
        let mut core = AgentCore::new(Vec::new());
        core.on_format(SoundFormat {
            rate: RATE,
            channels: (0..CHANNELS).map(name).collect(),
            timecode: None,
            ltc_rate: None,
            pilot: Some(Hertz(1_000.0)),
            floor: None,
            outside: false,
            exact_stamps: true,
        });
        Rig { core, n: 0, beat_due: start(), music: 0.3, pilot: 0.01, tune: 0.25, dc: 0.0, lost: Vec::new() }
    }

    fn now(&self) -> MonoTime {
        start() + Samples(self.n as f64).at(RATE)
    }

    fn block(&mut self) -> Vec<(MonoTime, Beat)> {
        let at = self.now();
        let wave = |hertz: f64, n: usize| (TAU * hertz * n as f64 / RATE.0).sin();
        let (music, pilot, dc, tune) = (self.music, self.pilot, self.dc, self.tune);
        let sample = |n: usize, c: usize| match c {
            TONE => pilot * wave(1_000.0, n),
            63 => (dc + music * (TAU * (tune * n as f64 + 0.125)).sin()).clamp(-1.0, 1.0),
            _ => 0.0,
        };
        let block = (self.n..self.n + BLOCK).flat_map(|n| (0..CHANNELS).map(move |c| sample(n, c) as f32));
        self.core.on_pcm(at, block);
        self.n += BLOCK;
        let mut beats = Vec::new();
        while self.beat_due <= self.now() {
            beats.push((self.beat_due, self.core.beat(self.beat_due, Span::ZERO)));
            self.beat_due += Span::from_millis(5);
        }
        for up in self.core.take_news() {
            if let Up::Dropout { channels, .. } = up {
                self.lost.push(channels);
            }
        }
        beats
    }

    fn play(&mut self, seconds: f64) -> Vec<(MonoTime, Beat)> {
        (0..(seconds * RATE.0 / BLOCK as f64) as usize).flat_map(|_| self.block()).collect()
    }

    /// When a beat first said so, counted from now.
    fn told_after(&mut self, what: impl Fn(&Beat) -> bool) -> Span {
        let from = self.now();
        (0..40).flat_map(|_| self.block()).find(|(_, b)| what(b)).expect("told").0 - from
    }
}

#[test]
fn silence_on_the_last_channel_and_a_lost_pilot_are_known_to_the_beat() {
    let mut rig = Rig::new();
    let (_, beat) = rig.play(2.0).pop().unwrap();
    assert_eq!((beat.audio, beat.more.pilot, beat.more.heard), (AudioState::Sounding, Pilot::Present, 64));
    rig.music = 0.0;
    let after = rig.told_after(|b| b.audio == AudioState::Silent);
    assert!(after <= Span::from_millis(15), "{after:?}");
    rig.pilot = 0.0;
    let after = rig.told_after(|b| b.more.pilot == Pilot::Absent);
    assert!(after <= Span::from_millis(15), "{after:?}");
}

#[test]
fn each_channel_has_its_level_in_one_of_four_beats_and_a_beat_stays_small() {
    let mut rig = Rig::new();
    let beats = rig.play(1.0);
    let mut out = [0; MAX_BEAT];
    for four in beats[100..].chunks_exact(4) {
        let of_last = four.iter().filter(|(_, b)| usize::from(b.more.first) + b.more.levels.len() == CHANNELS);
        let levels: Vec<_> = of_last.map(|(_, b)| Dbfs::from(b.more.levels.last().unwrap().rms).0).collect();
        let expected = 20.0 * (0.3 / 2f64.sqrt()).log10();
        assert!(levels.len() == 1 && (levels[0] - expected).abs() < 0.1, "{levels:?}");
        for (_, b) in four {
            let n = wire::codec::encode_beat(b, &mut out).unwrap();
            assert!(n < 200, "{n} bytes before they are sealed");
        }
    }
}

#[test]
fn a_dropout_on_the_last_channel_is_told_of_that_one() {
    let mut rig = Rig::new();
    rig.tune = 220.0 / RATE.0;
    rig.play(3.0);
    rig.music = 0.0;
    rig.block();
    rig.music = 0.3;
    rig.play(1.0);
    assert_eq!(rig.lost, [1 << 63]);
}

#[test]
fn true_peak_clips_and_dc_are_read_each_second_and_held() {
    let mut rig = Rig::new();
    rig.play(1.5);
    let read = rig.core.take_meters().expect("a second is over");
    let last = read.channels[63];
    // The samples reach 0.3 / sqrt 2, the curve through them 0.3.
    let expected = 20.0 * 0.3f64.log10();
    assert!((Dbfs::from(last.true_peak).0 - expected).abs() < 0.1, "{last:?}");
    assert_eq!((read.channels.len(), last.clipped, last.last_clip, last.dc), (64, 0, None, 0));
    assert_eq!(read.channels[0].true_peak, wire::CentiDbfs::SILENCE);
    // Four samples are clipped: 1.5 / sqrt 2 is over full scale, at every sample of a block of 128.
    rig.music = 1.5;
    rig.block();
    let clip = rig.now();
    (rig.music, rig.dc) = (0.3, 0.05);
    rig.play(1.5);
    rig.play(1.5);
    let read = rig.core.take_meters().expect("another second is over");
    let last = read.channels[63];
    assert_eq!(last.clipped, BLOCK as u32);
    let when = MonoTime::from_nanos(last.last_clip.expect("clipped").nanos());
    assert!((when - clip).abs() <= Span::from_millis(25), "{:?}", when - clip);
    assert!(Dbfs::from(last.highest).0 > 0.0 && Dbfs::from(last.true_peak).0 < -9.0, "{last:?}");
    assert!((last.dc - 50_000).abs() < 500, "{last:?}");
    assert!(rig.core.take_meters().is_none(), "each reading is handed out once");
}
