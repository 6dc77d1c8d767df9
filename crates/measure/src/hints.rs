//! What a drift, a step or an offset probably comes from, each with the evidence it rests on.
//!
//! The limits are common practice of people who run playback rigs; no source. A hint is a place to look first, never a
//! finding: it is given only when the evidence is beyond its own uncertainty.

use base::{Hertz, Ppm, Span};

/// What is known when hints are asked for.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Evidence<'a> {
    /// Drift over the show and one standard deviation of it.
    pub drift: Option<(Ppm, Ppm)>,
    /// Drift of each song on its own, with one standard deviation, in order.
    pub songs: &'a [(Ppm, Ppm)],
    /// The steps, with one standard deviation of each.
    pub steps: &'a [(Span, Span)],
    /// The offset and one standard deviation of it, changes from song to song included.
    pub offset: Option<(Span, Span)>,
    /// The sample rate of the machines' audio.
    pub sample_rate: Hertz,
}

/// A probable cause.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Hint {
    /// Steady drift of a crystal's size: the two audio interfaces run on their own crystals. Lock them to one word
    /// clock.
    OwnCrystals {
        /// The drift ...
        drift: Ppm,
        /// ... and twice its standard deviation.
        uncertainty: Ppm,
    },
    /// Steps of whole buffers: audio dropouts on one machine.
    Dropouts {
        /// The buffer that all steps are multiples of, in samples.
        buffer: u32,
        /// How many steps.
        steps: u16,
    },
    /// An offset that stays: the trigger reaches the machines at different times, or their buffers differ.
    TriggerOrBuffer {
        /// The offset.
        offset: Span,
    },
    /// One song drifts and the others do not: its tempo map or warp differs between the machines.
    TempoMap {
        /// Which of the songs, from 0.
        song: u16,
        /// Its drift against the others'.
        apart: Ppm,
    },
}

/// Crystals of audio interfaces are this far apart at least, or it would not be worth a hint, and at most (ppm).
const CRYSTALS: core::ops::RangeInclusive<f64> = 3.0..=200.0;
/// Buffers that players use, in samples, the largest first: steps of 512 are also steps of 64.
const BUFFERS: [u32; 7] = [2048, 1024, 512, 480, 256, 128, 64];
/// An offset below this is not worth a hint.
const SMALL_OFFSET: Span = Span::from_millis(1);
/// A tempo map that differs makes more than this (ppm).
const WARP: f64 = 20.0;

/// Calls `each` with every hint that the evidence bears.
pub fn hints(evidence: &Evidence<'_>, mut each: impl FnMut(Hint)) {
    let odd = odd_song(evidence.songs);
    if let Some((song, apart)) = odd {
        each(Hint::TempoMap { song, apart });
    }
    if let (Some((drift, sigma)), None) = (evidence.drift, odd)
        && CRYSTALS.contains(&drift.0.abs())
        && drift.0.abs() > 3.0 * sigma.0.abs()
    {
        each(Hint::OwnCrystals { drift, uncertainty: Ppm(2.0 * sigma.0.abs()) });
    }
    if let Some(buffer) = common_buffer(evidence.steps, evidence.sample_rate) {
        let steps = u16::try_from(evidence.steps.len()).unwrap_or(u16::MAX);
        each(Hint::Dropouts { buffer, steps });
    }
    if let Some((offset, sigma)) = evidence.offset {
        let drifts = evidence.drift.is_some_and(|(d, s)| d.0.abs() > CRYSTALS.start().max(3.0 * s.0.abs()));
        if offset.abs() >= SMALL_OFFSET && offset.abs() > sigma.abs().times(3) && !drifts && evidence.steps.is_empty() {
            each(Hint::TriggerOrBuffer { offset });
        }
    }
}

/// The one song whose drift is unlike all others', which agree.
fn odd_song(songs: &[(Ppm, Ppm)]) -> Option<(u16, Ppm)> {
    if songs.len() < 3 {
        return None;
    }
    let agree = |a: &(Ppm, Ppm), b: &(Ppm, Ppm)| {
        (a.0 - b.0).0.abs() <= 3.0 * a.1.0.hypot(b.1.0) || (a.0 - b.0).0.abs() < WARP / 2.0
    };
    let mut found = None;
    for (i, song) in songs.iter().enumerate() {
        let mut others = songs.iter().enumerate().filter(|(k, _)| *k != i).map(|(_, s)| s);
        let Some(first) = others.next() else { continue };
        if others.all(|o| agree(o, first) && !agree(song, o)) && !agree(song, first) {
            let apart = song.0 - first.0;
            if apart.0.abs() >= WARP {
                found = Some((u16::try_from(i).ok()?, apart));
            }
        }
    }
    found
}

/// The largest buffer of which every step is a whole multiple, if chance is no likely reason.
fn common_buffer(steps: &[(Span, Span)], rate: Hertz) -> Option<u32> {
    if steps.is_empty() || !rate.0.is_finite() || rate.0 <= 0.0 {
        return None;
    }
    BUFFERS.into_iter().find(|buffer| {
        let length = f64::from(*buffer) / rate.0;
        // The chance that steps of any size would lie as near to multiples by themselves.
        let chance: f64 = steps.iter().map(|(_, sigma)| (4.0 * sigma.abs().secs_f64() / length).min(1.0)).product();
        let all = steps.iter().all(|(size, sigma)| {
            let times = size.abs().secs_f64() / length;
            let off = (times - times.round()).abs() * length;
            times.round() >= 1.0 && off <= 2.0 * sigma.abs().secs_f64().max(0.01 * length)
        });
        all && chance < 0.2
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn found(evidence: &Evidence<'_>) -> Vec<Hint> {
        let mut all = Vec::new();
        hints(evidence, |h| all.push(h));
        all
    }

    const NOTHING: Evidence<'static> =
        Evidence { drift: None, songs: &[], steps: &[], offset: None, sample_rate: Hertz(48_000.0) };

    #[test]
    fn nothing_known_is_no_hint() {
        assert_eq!(found(&NOTHING), []);
        let vague = Evidence { drift: Some((Ppm(40.0), Ppm(20.0))), ..NOTHING };
        assert_eq!(found(&vague), []);
    }

    #[test]
    fn steady_drift_of_tens_of_ppm_means_two_crystals() {
        let e = Evidence {
            drift: Some((Ppm(-35.0), Ppm(0.3))),
            offset: Some((Span::from_millis(8), Span::ZERO)),
            ..NOTHING
        };
        assert_eq!(found(&e), [Hint::OwnCrystals { drift: Ppm(-35.0), uncertainty: Ppm(0.6) }]);
        let far = Evidence { drift: Some((Ppm(900.0), Ppm(0.3))), ..NOTHING };
        assert_eq!(found(&far), []);
    }

    #[test]
    fn steps_of_whole_buffers_mean_dropouts() {
        let us = Span::from_micros;
        // 512 samples at 48 kHz are 10,667 us.
        let e = Evidence { steps: &[(us(10_660), us(40)), (us(-21_340), us(40))], ..NOTHING };
        assert_eq!(found(&e), [Hint::Dropouts { buffer: 512, steps: 2 }]);
        let other = Evidence { steps: &[(us(7_900), us(40)), (us(3_400), us(40))], ..NOTHING };
        assert_eq!(found(&other), []);
        let vague = Evidence { steps: &[(us(10_660), us(3_000))], ..NOTHING };
        assert_eq!(found(&vague), []);
    }

    #[test]
    fn an_offset_that_stays_means_trigger_or_buffer() {
        let offset = Span::from_millis(7);
        let e =
            Evidence { offset: Some((offset, Span::from_micros(100))), drift: Some((Ppm(0.1), Ppm(0.2))), ..NOTHING };
        assert_eq!(found(&e), [Hint::TriggerOrBuffer { offset }]);
    }

    #[test]
    fn drift_in_one_song_only_means_its_tempo_map() {
        let s = Ppm(1.0);
        let songs = [(Ppm(1.0), s), (Ppm(-1.0), s), (Ppm(120.0), s), (Ppm(0.5), s)];
        let e = Evidence { songs: &songs, drift: Some((Ppm(30.0), s)), ..NOTHING };
        assert_eq!(found(&e), [Hint::TempoMap { song: 2, apart: Ppm(119.0) }]);
    }
}
