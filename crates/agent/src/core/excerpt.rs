//! Excerpts: short stretches of a machine's channels, cut so that the supervisor can lay those of two machines side by side.
//!
//! *When.* Both machines must cut the same moments without asking each other: replies to beats carry the supervisor's clock, and its
//! seconds are the slots. It is known there to within the network's delay, which is far less than an excerpt lasts; the
//! excerpt's own stamp is this machine's clock, and exact. In slot `k` channels `2k` and `2k+1` (counted round) are cut.
//!
//! *What.* The sound is made narrower before it is sent: a windowed-sinc low-pass (Oppenheim and Schafer, Discrete-Time Signal
//! Processing, 3rd edition, section 7.5; Blackman's window) at 0.4 of the rate it is thinned out to, which is the source's rate divided by the
//! whole number that brings it nearest above 8 kHz. Only the samples that are kept are computed.
//!
//! *How much.* Two channels of 8 to 8.82 kHz and 16 bits, 0.96 s of each second: at most 271 kbit/s with all headers.

use arrayvec::ArrayVec;
use base::{Hertz, MonoTime, RemoteTime, Samples, Span};
use wire::Excerpt;

/// The least rate an excerpt has.
const RATE: f64 = 8_000.0;
/// Channels cut at a time.
const AT_A_TIME: usize = 2;
/// One slot.
const SLOT: Span = Span::from_secs(1);
/// So much of a slot is cut.
const LENGTH: Span = Span::from_millis(960);
/// The filter's length in samples of the thinner rate; odd times, so that its middle is a sample.
const SPREAD: usize = 16;
/// A reply older than this no longer tells the time.
const REPLY_IS_WORTH: Span = Span::from_secs(10);

/// Cuts excerpts.
pub(super) struct Excerpts {
    rate: Hertz,
    /// Of so many samples one is kept.
    thin: usize,
    filter: Vec<f32>,
    /// Channels worth comparing, by their place in a block.
    channels: Vec<(usize, String)>,
    /// The supervisor's clock, and ours at that instant.
    clock: Option<(u64, MonoTime)>,
    slot: u64,
    cuts: ArrayVec<Cut, AT_A_TIME>,
    done: ArrayVec<Excerpt, AT_A_TIME>,
}

/// A channel being cut.
struct Cut {
    /// In `channels`.
    channel: usize,
    /// When the first kept sample was heard.
    at: MonoTime,
    /// The newest samples, as many as the filter is long, as a ring.
    ring: Vec<f32>,
    seen: usize,
    kept: Vec<f32>,
}

impl Excerpts {
    /// For a source's rate and its channels (place in a block, name).
    pub(super) fn new(rate: Hertz, channels: Vec<(usize, String)>) -> Excerpts {
        let thin = ((rate.0 / RATE) as usize).max(1);
        Excerpts {
            rate,
            thin,
            filter: low_pass(thin),
            channels,
            clock: None,
            slot: 0,
            cuts: ArrayVec::new(),
            done: ArrayVec::new(),
        }
    }

    /// A reply told the supervisor's clock.
    pub(super) fn on_clock(&mut self, supervisor: RemoteTime, at: MonoTime) {
        self.clock = Some((supervisor.nanos(), at));
    }

    /// A block of interleaved samples, `channels` of them a frame.
    pub(super) fn on_block(&mut self, samples: &[f32], channels: usize, at: MonoTime) {
        if self.channels.is_empty() || channels == 0 {
            return;
        }
        self.begin_slot(at);
        let frames = samples.len() / channels;
        let wanted = (Samples::of(LENGTH, self.rate).0 as usize) / self.thin;
        for cut in &mut self.cuts {
            let place = self.channels[cut.channel].0;
            for i in 0..frames {
                let x = samples.get(i * channels + place).copied().unwrap_or(0.0);
                cut.on_sample(x, self.thin, &self.filter, wanted, || at + Samples(i as f64).at(self.rate), self.rate);
            }
        }
        let rate = Hertz(self.rate.0 / self.thin as f64);
        let (names, done) = (&self.channels, &mut self.done);
        self.cuts.retain(|cut| {
            if cut.kept.len() < wanted {
                return true;
            }
            let name = names[cut.channel].1.clone();
            let _ = done.try_push(Excerpt::new(name, RemoteTime::of_sender(cut.at), rate, &cut.kept));
            false
        });
    }

    /// A hole in the sound: what was begun is worth nothing.
    pub(super) fn on_gap(&mut self) {
        self.cuts.clear();
    }

    /// What was cut since the last call.
    pub(super) fn take(&mut self) -> ArrayVec<Excerpt, AT_A_TIME> {
        core::mem::take(&mut self.done)
    }

    fn begin_slot(&mut self, at: MonoTime) {
        let Some((supervisor, ours)) = self.clock.filter(|(_, t)| at - *t < REPLY_IS_WORTH) else { return };
        let there = (supervisor as i64).saturating_add((at - ours).nanos()).max(0) as u64;
        let slot = there / SLOT.nanos() as u64;
        // A slot that is half over when sound begins is left out, so that excerpts of one slot overlap.
        let late = there % SLOT.nanos() as u64 > (SLOT - LENGTH).nanos() as u64;
        if slot == self.slot || late {
            return;
        }
        self.slot = slot;
        self.cuts.clear();
        let n = self.channels.len();
        for i in 0..AT_A_TIME.min(n) {
            let channel = ((slot as usize).wrapping_mul(AT_A_TIME) + i) % n;
            let length = self.filter.len();
            let kept = Vec::with_capacity(SPREAD + (Samples::of(LENGTH, self.rate).0 as usize) / self.thin);
            self.cuts.push(Cut { channel, at, ring: vec![0.0; length], seen: 0, kept });
        }
    }
}

impl Cut {
    fn on_sample(
        &mut self,
        x: f32,
        thin: usize,
        filter: &[f32],
        wanted: usize,
        when: impl Fn() -> MonoTime,
        rate: Hertz,
    ) {
        let length = filter.len();
        self.ring[self.seen % length] = if x.is_finite() { x } else { 0.0 };
        self.seen += 1;
        // The filter must be full, and of `thin` sums one is wanted.
        if self.seen < length || !(self.seen - length).is_multiple_of(thin) || self.kept.len() >= wanted {
            return;
        }
        let oldest = self.seen % length;
        let (newer, older) = self.ring.split_at(oldest);
        let sum: f32 = older.iter().chain(newer).zip(filter).map(|(s, f)| s * f).sum();
        if self.kept.is_empty() {
            // The sum stands for the filter's middle.
            self.at = when() - Samples((length / 2) as f64).at(rate);
        }
        self.kept.push(sum);
    }
}

/// The low-pass for thinning out by `thin`, with unit gain at rest. One alone lets everything through.
fn low_pass(thin: usize) -> Vec<f32> {
    if thin == 1 {
        return vec![1.0];
    }
    let half = (SPREAD * thin / 2) as i64;
    let cutoff = 0.4 / thin as f64;
    let taps: Vec<f64> = (-half..=half)
        .map(|i| {
            let x = std::f64::consts::TAU * cutoff * i as f64;
            let sinc = if i == 0 { 1.0 } else { x.sin() / x };
            let w = std::f64::consts::PI * i as f64 / half as f64;
            sinc * (0.42 + 0.5 * w.cos() + 0.08 * (2.0 * w).cos())
        })
        .collect();
    let sum: f64 = taps.iter().sum();
    taps.iter().map(|t| (t / sum) as f32).collect()
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    /// A block of two channels: a sine on the first, zeros on the second.
    fn sound(tone: f64, from: usize, frames: usize) -> Vec<f32> {
        (from..from + frames)
            .flat_map(|i| [(std::f64::consts::TAU * tone * i as f64 / 48_000.0).sin() as f32 * 0.5, 0.0])
            .collect()
    }

    fn run(tone: f64, begin: u64, seconds: usize) -> Vec<Excerpt> {
        let mut e = Excerpts::new(Hertz(48_000.0), vec![(0, "keys".into()), (1, "click".into())]);
        let start = MonoTime::from_nanos(7_000_000_000);
        e.on_clock(RemoteTime::from_nanos(begin), start);
        let mut all = Vec::new();
        for block in 0..seconds * 750 {
            let at = start + Samples((block * 64) as f64).at(Hertz(48_000.0));
            e.on_clock(RemoteTime::from_nanos(begin + (at - start).nanos() as u64), at);
            e.on_block(&sound(tone, block * 64, 64), 2, at);
            all.extend(e.take());
        }
        all
    }

    #[test]
    fn both_channels_are_cut_in_each_second_of_the_supervisor() {
        let cut = run(440.0, 3_300_000_000, 4);
        let names: Vec<_> = cut.iter().map(|e| e.channel.as_str()).collect();
        assert_eq!(names, ["keys", "click", "keys", "click", "keys", "click"]);
        assert_eq!(cut[0].rate(), Hertz(8_000.0));
        assert_eq!(cut[0].samples.len(), 2 * 7_680);
        // The first slot begins at second 4 of the supervisor: 0.7 s on, and half a filter.
        let first = cut[0].at.nanos() - 7_000_000_000;
        assert!((first as i64 - 700_000_000).abs() < 4_000_000, "{first}");
        let bits = cut.iter().map(|e| e.samples.len() * 8).sum::<usize>() as f64 / 3.0;
        assert!(bits < 271e3, "{bits} bits a second");
    }

    #[test]
    fn an_excerpt_is_the_sound_at_its_stamp() {
        let cut = run(440.0, 0, 3);
        let e = cut.iter().find(|e| e.channel == "keys").unwrap();
        let begin = (e.at.nanos() - 7_000_000_000) as f64 * 1e-9;
        for (i, s) in e.decoded().enumerate() {
            let meant = 0.5 * (std::f64::consts::TAU * 440.0 * (begin + i as f64 / 8_000.0)).sin();
            assert!((f64::from(s) - meant).abs() < 2e-3, "sample {i}: {s} instead of {meant}");
        }
    }

    #[test]
    fn what_lies_above_the_thinner_rate_does_not_fold_down() {
        // 7 kHz would fold to 1 kHz. Blackman's window leaves -74 dB (Oppenheim and Schafer, table 7.2).
        let e = &run(7_000.0, 0, 3)[0];
        let peak = e.decoded().fold(0f32, |p, s| p.max(s.abs()));
        assert!(peak < 0.5 * 3e-4, "{peak}");
    }

    #[test]
    fn without_a_clock_or_across_a_hole_nothing_is_cut() {
        let mut e = Excerpts::new(Hertz(44_100.0), vec![(0, "keys".into())]);
        let at = MonoTime::from_nanos(1);
        e.on_block(&[0.1; 512], 1, at);
        assert!(e.take().is_empty() && e.cuts.is_empty());
        e.on_clock(RemoteTime::from_nanos(5_000_000_000), at);
        e.on_block(&[0.1; 512], 1, at);
        assert_eq!(e.cuts.len(), 1);
        e.on_gap();
        assert!(e.cuts.is_empty());
    }
}
