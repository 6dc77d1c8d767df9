//! The sound of the invented songs, sample by sample.
//!
//! A sample of the tracks depends on the song and its index alone. Beneath the music lies a bed of noise at about
//! -40 dBFS that never pauses: a stretch below -60 dBFS that lasts a millisecond is then not music but a hole (48 samples
//! even in -0.02..0.02 all stay within 0.001 with a chance of 0.05^48), and no two places of a song look alike.

use std::f64::consts::TAU;
use std::sync::OnceLock;

use base::Hertz;
use timecode::Timecode;
use timecode::ltc::LtcEncoder;

use crate::seed;
use crate::show::{CHANNELS, FRAME_RATE, PILOT, SAMPLE_RATE, SAMPLES_PER_FRAME, SAMPLES_PER_SECOND, Song, TIMECODE};

/// One instant of all channels.
pub type Frame = [f32; CHANNELS.len()];

const BED: f32 = 0.02;
const PILOT_LEVEL: f32 = 0.1;
/// Streams of randomness within a song.
const NOISE: u32 = 1;
const MELODY: u32 = 2;

/// The two tracks at sample `n` of the song (negative before its first).
pub fn tracks(song: &Song, n: i64) -> [f32; 2] {
    let noise = seed::at(song.seed, NOISE, n);
    let left = (noise >> 40) as f32 / 8_388_608.0 - 1.0;
    let right = ((noise >> 8) & 0xff_ffff) as f32 / 8_388_608.0 - 1.0;
    let mut out = [left * BED, right * BED];
    if n < 0 {
        return out;
    }
    let t = n as f64 / SAMPLE_RATE.0;
    let beat = n as f64 / song.samples_per_beat();
    let in_beat = (beat.fract() * song.samples_per_beat() / SAMPLE_RATE.0) as f32;
    let pad = pad(song, t, beat);
    let middle = bass(song, t, beat) + melody(song, beat) + drums(beat, in_beat, left);
    out[0] += 0.12 * pad[0] + middle;
    out[1] += 0.12 * pad[1] + middle;
    out
}

/// The click: a short beep on every beat, higher on the first of a bar.
pub fn click(song: &Song, n: i64) -> f32 {
    if n < 0 {
        return 0.0;
    }
    let beat = n as f64 / song.samples_per_beat();
    let t = beat.fract() * song.samples_per_beat() / SAMPLE_RATE.0;
    let tone = if (beat as i64) % 4 == 0 { 1_600.0 } else { 1_000.0 };
    if t < 0.03 { 0.5 * sine(tone * t) * (1.0 - t as f32 / 0.03) } else { 0.0 }
}

/// The cue: in the bar before each part, one beep per beat, its pitch telling which part comes.
pub fn cue(song: &Song, n: i64) -> f32 {
    if n < 0 {
        return 0.0;
    }
    let beat = n as f64 / song.samples_per_beat();
    let t = beat.fract() * song.samples_per_beat() / SAMPLE_RATE.0;
    let next_bar = (beat / 4.0) as u32 + 1;
    match song.sections.iter().position(|s| s.bar == next_bar) {
        Some(part) if t < 0.08 => {
            0.4 * sine(660.0 * semitones(part as i32 * 2) * t) * ((0.08 - t) / 0.08).min(0.1) as f32 * 10.0
        }
        _ => 0.0,
    }
}

/// A pilot of `tone` at sample `n` of the audio engine's own count.
pub fn pilot(tone: Hertz, n: i64) -> f32 {
    PILOT_LEVEL * sine((n % SAMPLES_PER_SECOND) as f64 * tone.0 / SAMPLE_RATE.0)
}

/// Plays one song: whole frames of channels, with the timecode that belongs to them.
pub struct Voice {
    song: Song,
    next: i64,
    code: LtcEncoder,
    /// Samples of code to be thrown away, so that code starts at a frame's edge and still lies right.
    code_lead: i64,
}

impl Voice {
    /// Ready to play from sample `n` of the song.
    pub fn new(song: &Song, n: i64) -> Voice {
        let first = song.start().frames() as i64 + n.div_euclid(SAMPLES_PER_FRAME);
        let code = LtcEncoder::new(SAMPLE_RATE, Timecode::from_frames(FRAME_RATE, first));
        Voice { song: song.clone(), next: n, code, code_lead: n.rem_euclid(SAMPLES_PER_FRAME) }
    }

    /// The next sample's index in the song.
    pub fn position(&self) -> i64 {
        self.next
    }

    /// The song it plays.
    pub fn song(&self) -> &Song {
        &self.song
    }

    /// Fills all channels but the pilot.
    pub fn fill(&mut self, out: &mut [Frame]) {
        let mut code = [0f32; 64];
        while self.code_lead > 0 {
            let n = self.code_lead.min(code.len() as i64) as usize;
            self.code.fill(&mut code[..n], 1.0);
            self.code_lead -= n as i64;
        }
        for part in out.chunks_mut(code.len()) {
            let code = &mut code[..part.len()];
            self.code.fill(code, 1.0);
            for (frame, code) in part.iter_mut().zip(code) {
                let [left, right] = tracks(&self.song, self.next);
                frame[0] = left;
                frame[1] = right;
                frame[2] = click(&self.song, self.next);
                frame[3] = cue(&self.song, self.next);
                frame[TIMECODE] = *code;
                self.next += 1;
            }
        }
    }
}

/// The pilot alone, as an engine plays it between songs: `n` counts the engine's samples.
pub fn add_pilot(out: &mut [Frame], tone: Hertz, n: i64) {
    for (i, frame) in out.iter_mut().enumerate() {
        frame[PILOT] = pilot(tone, n + i as i64);
    }
}

/// A chord held for a bar, fading over from the last one in 30 ms; both sides a little apart in pitch.
fn pad(song: &Song, t: f64, beat: f64) -> [f32; 2] {
    let bar = (beat / 4.0) as i64;
    let into = (beat / 4.0).fract() * 4.0 * song.samples_per_beat() / SAMPLE_RATE.0;
    let mix = (into / 0.03).min(1.0) as f32;
    let now = chord(song, bar, t);
    if mix >= 1.0 || bar == 0 {
        return now;
    }
    let before = chord(song, bar - 1, t);
    [before[0] + (now[0] - before[0]) * mix, before[1] + (now[1] - before[1]) * mix]
}

fn chord(song: &Song, bar: i64, t: f64) -> [f32; 2] {
    let (root, minor) = song.chords[bar.rem_euclid(4) as usize];
    let mut out = [0f32; 2];
    for step in [0, if minor { 3 } else { 4 }, 7] {
        let Hertz(f) = song.root;
        let f = 2.0 * f * semitones(root + step);
        out[0] += sine(f * 0.9985 * t);
        out[1] += sine(f * 1.0015 * t);
    }
    out
}

/// The chord's root, two octaves down, struck on each eighth.
fn bass(song: &Song, t: f64, beat: f64) -> f32 {
    let (root, _) = song.chords[((beat / 4.0) as i64).rem_euclid(4) as usize];
    let into = (beat * 2.0).fract() as f32;
    let strike = (into * 20.0).min(1.0) * (1.0 - into).powi(2);
    0.22 * strike * sine(song.root.0 / 2.0 * semitones(root) * t)
}

/// A tune on eighths, drawn from the seed, with rests.
fn melody(song: &Song, beat: f64) -> f32 {
    const SCALE: [i32; 8] = [0, 2, 4, 7, 9, 12, 14, 16];
    let eighth = (beat * 2.0) as i64;
    let draw = seed::at(song.seed, MELODY, eighth);
    if draw % 5 < 2 {
        return 0.0;
    }
    let into = (beat * 2.0).fract();
    let t = into * song.samples_per_beat() / 2.0 / SAMPLE_RATE.0;
    let strike = ((into * 30.0).min(1.0) * (1.0 - into)) as f32;
    let f = 4.0 * song.root.0 * semitones(SCALE[(draw >> 8) as usize % SCALE.len()]);
    0.1 * strike * (sine(f * t) + 0.3 * sine(2.0 * f * t))
}

/// Drum on one and three, snare on two and four, a hiss of metal on eighths.
fn drums(beat: f64, in_beat: f32, noise: f32) -> f32 {
    let t = in_beat;
    let on_the_floor = (beat as i64) % 2 == 0;
    let skin = if on_the_floor && t < 0.25 {
        // The pitch falls from 150 Hz towards 50 Hz: its phase is the integral of 50 + 100 exp(-40 t).
        let turns = f64::from(50.0 * t + 2.5 * (1.0 - (-40.0 * t).exp()));
        0.3 * sine(turns) * (1.0 - t / 0.25)
    } else if !on_the_floor && t < 0.15 {
        0.15 * noise * (1.0 - t / 0.15).powi(2)
    } else {
        0.0
    };
    let into_eighth = (beat * 2.0).fract() as f32;
    let metal = if into_eighth < 0.1 { 0.06 * noise * (1.0 - into_eighth * 10.0) } else { 0.0 };
    skin + metal
}

fn semitones(n: i32) -> f64 {
    const STEP: [f64; 12] = [
        1.0,
        1.059463094359295,
        1.122462048309373,
        1.189207115002721,
        1.259921049894873,
        1.334839854170034,
        std::f64::consts::SQRT_2,
        1.498307076876681,
        1.587401051968199,
        1.681792830507429,
        1.781797436280678,
        1.887748625363387,
    ];
    STEP[n.rem_euclid(12) as usize] * 2f64.powi(n.div_euclid(12))
}

/// A sine by its angle in turns, from a table: right to 1e-6, and cheap enough for two players on a small computer.
fn sine(turns: f64) -> f32 {
    const SIZE: usize = 4096;
    static TABLE: OnceLock<Vec<f32>> = OnceLock::new();
    let table = TABLE.get_or_init(|| (0..=SIZE).map(|i| (TAU * i as f64 / SIZE as f64).sin() as f32).collect());
    let x = (turns - turns.floor()) * SIZE as f64;
    let i = (x as usize).min(SIZE - 1);
    table[i] + (table[i + 1] - table[i]) * (x - i as f64) as f32
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::show::Show;

    fn play(song: &Song, from: i64, n: usize) -> Vec<Frame> {
        let mut out = vec![[0f32; 6]; n];
        Voice::new(song, from).fill(&mut out);
        out
    }

    #[test]
    fn material_depends_on_the_place_alone() {
        let show = Show::new(11);
        let song = show.song(2).unwrap();
        let whole = play(song, 0, 48_000);
        for from in [1usize, 1_600, 12_345, 40_000] {
            let part = play(song, from as i64, 4_000);
            for c in [0, 1, 2, 3] {
                assert!(part.iter().zip(&whole[from..]).all(|(a, b)| a[c] == b[c]), "channel {c} from {from}");
            }
            // Biphase code may start at either level; what it says is the same.
            let same = |s: f32| {
                part.iter().zip(&whole[from..]).skip(64).map(|(a, b)| (a[4] - s * b[4]).abs()).fold(0f32, f32::max)
            };
            assert!(same(1.0) < 0.2 || same(-1.0) < 0.2, "code from {from}");
        }
        assert_ne!(play(song, 0, 100), play(Show::new(12).song(2).unwrap(), 0, 100));
    }

    #[test]
    fn tracks_never_pause_and_never_clip() {
        for song in &Show::new(3).songs {
            let (mut quiet, mut longest, mut peak) = (0u32, 0u32, 0f32);
            for n in 0..song.bar_at(song.bars) {
                let [l, r] = tracks(song, n);
                peak = peak.max(l.abs()).max(r.abs());
                quiet = if l.abs() < 0.001 && r.abs() < 0.001 { quiet + 1 } else { 0 };
                longest = longest.max(quiet);
            }
            assert!(longest < 12, "{}: {longest} samples below -60 dBFS", song.title);
            assert!((0.3..1.0).contains(&peak), "{}: peak {peak}", song.title);
        }
    }

    #[test]
    fn sine_is_a_sine() {
        let worst = (0..10_000)
            .map(|i| f64::from(i) * 0.000_37)
            .map(|x| (f64::from(sine(x)) - (TAU * x).sin()).abs())
            .fold(0f64, f64::max);
        assert!(worst < 2e-6, "{worst}");
    }

    #[test]
    fn the_timecode_of_a_voice_says_where_it_is() {
        let show = Show::new(11);
        let song = show.song(3).unwrap();
        let from = 48_000 * 7 + 480;
        let code: Vec<f32> = play(song, from, 48_000).iter().map(|f| f[TIMECODE]).collect();
        let mut heard = Vec::new();
        let mut dec = timecode::ltc::LtcDecoder::new(SAMPLE_RATE, Some(FRAME_RATE));
        dec.on_samples(&code, &mut |e| {
            if let timecode::ltc::LtcEvent::Frame(f) = e {
                heard.push(f);
            }
        });
        assert!(heard.len() > 25, "{}", heard.len());
        for f in heard {
            let at = song.start().frames() as i64 * SAMPLES_PER_FRAME + from + f.start_sample.round() as i64;
            assert!(
                (i64::from(f.timecode.frames()) * SAMPLES_PER_FRAME - at).abs() <= 1,
                "{} at {}",
                f.timecode,
                f.start_sample
            );
        }
    }
}
