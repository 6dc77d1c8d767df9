//! What a machine sounds like: meters, dropouts, LTC on one channel, and whether the sound is there, wrong, silent or has ceased.

use arrayvec::ArrayVec;
use base::{
    AudioState, Dbfs, FrameRate, Hertz, MonoTime, RemoteTime, Samples, ShowPosition, SourceKind, Span, TransportState,
};
use measure::dropout::{DropoutDetector, DropoutKind};
use measure::levels::{ChannelMeter, ChannelReading};
use measure::line::{LineConfig, PositionLine};
use timecode::ltc::{LtcDecoder, LtcEvent};
use wire::beat::MAX_LEVELS;
use wire::message::Lost;
use wire::{Beat, CentiDbfs, ChannelLevel, Pilot};

use super::code::report;
use super::excerpt::Excerpts;
use ceased::Callbacks;
use lost::{Dropouts, LostSound};

mod ceased;
mod lost;

/// Below this a channel counts as silent (common practice, no source).
const SILENT: Dbfs = Dbfs(-60.0);
/// The pilot's frequency where the settings say none.
const PILOT: Hertz = Hertz(1_000.0);
/// Levels are read over at least this long: shorter than a bass period says little.
const METER: Span = Span::from_millis(20);
/// A channel that had signal this recently counts as having had one.
const RECENT: Span = Span::from_secs(2);
/// A channel is silent when it was below that for so long: a beat.
const SOUNDS: Span = Span::from_millis(5);
/// Three quarter frames at 30 frames a second.
const CODE_MISSED: Span = Span::from_millis(25);
/// A full-scale noise has an RMS of -4.77 dBFS when its samples are evenly spread over the whole range (the mean square of an
/// even distribution over -1..1 is 1/3); mastered programme stays below this (common practice, no source).
const TOO_LOUD: Dbfs = Dbfs(-5.5);
/// A mean this far from zero is DC.
const DC: f64 = 0.3;
/// The largest block taken in one piece; larger ones are cut.
const CHUNK: usize = 512;
/// A stop and the end of the code in the sound lie within this of each other: a buffer of each.
const STOP_TAIL: Span = Span::from_millis(100);
/// Blocks further apart than this many samples have lost some.
const GAP: Samples = Samples(2.0);

/// The format of a machine's audio as its source delivers it.
#[derive(Clone, PartialEq, Debug)]
pub struct SoundFormat {
    /// Samples a second.
    pub rate: Hertz,
    /// Channel names in order.
    pub channels: Vec<String>,
    /// Which channel carries LTC.
    pub timecode: Option<usize>,
    /// Its rate, if that is known.
    pub ltc_rate: Option<FrameRate>,
    /// The frequency of the steady tone on the channel named `pilot`.
    pub pilot: Option<Hertz>,
    /// The noise floor of an analogue input: samples up to it are silence. None: only zeros are.
    pub floor: Option<Dbfs>,
    /// Whether it is heard from outside: its source goes on when the player does not, so that an input where neither sound nor code
    /// comes any more is all there is to tell its end by.
    pub outside: bool,
    /// Whether the stamps are a block's true instants (a simulated player's) or a driver's, which may jitter.
    pub exact_stamps: bool,
}

impl SoundFormat {
    /// Whether another format means the same samples.
    pub fn same_sound(&self, other: &SoundFormat) -> bool {
        self == other
    }
    /// Whether a channel is programme: heard by people, unlike timecode and pilot.
    pub fn is_programme(&self, channel: usize) -> bool {
        Some(channel) != self.timecode
            && self.channels.get(channel).is_some_and(|n| !matches!(n.as_str(), "" | "pilot" | "timecode"))
    }
}

impl SoundFormat {
    /// Named channels that people hear: their place in a block, and their name.
    fn worth_comparing(&self) -> Vec<(usize, String)> {
        self.channels.iter().cloned().enumerate().filter(|(c, _)| self.is_programme(*c)).collect()
    }
}

/// One machine's ears.
pub struct Sound {
    format: SoundFormat,
    channels: Vec<Channel>,
    ltc: Option<Ltc>,
    /// End of the newest block: the instant at which the next sample is due.
    next_due: Option<MonoTime>,
    block: Span,
    callbacks: Callbacks,
    last_sound: Option<MonoTime>,
    lost: bool,
    dropouts: Dropouts,
    clipped: u16,
    wrong_since: Option<MonoTime>,
    wrong: bool,
    metered_since: Option<MonoTime>,
    scratch: Vec<f32>,
    excerpts: Excerpts,
}

struct Channel {
    programme: bool,
    pilot: Option<measure::levels::Pilot>,
    meter: ChannelMeter,
    /// None on a channel that is no programme: code and pilot have watchers of their own.
    dropouts: Option<DropoutDetector>,
    level: ChannelLevel,
    /// The newest sample that was not silent.
    last_signal: Option<MonoTime>,
}

impl Channel {
    /// Whether it was silent of late, when all up to `heard_to` was heard.
    fn is_silent(&self, heard_to: Option<MonoTime>) -> bool {
        self.last_signal.is_none_or(|t| heard_to.is_none_or(|h| h - t >= SOUNDS))
    }
}

struct Ltc {
    channel: usize,
    decoder: LtcDecoder,
    line: PositionLine,
    rate: Option<FrameRate>,
    /// Index of the first sample of the present block in the decoder's count.
    first: u64,
    /// When a stop was last heard: code from before it is no new start.
    stopped_at: Option<MonoTime>,
}

impl Sound {
    /// Ears that have heard nothing yet.
    pub fn new(format: SoundFormat) -> Sound {
        let channels = (0..format.channels.len())
            .map(|c| Channel {
                programme: format.is_programme(c),
                pilot: (format.channels[c] == "pilot")
                    .then(|| measure::levels::Pilot::new(format.pilot.unwrap_or(PILOT), format.rate)),
                meter: ChannelMeter::new(),
                dropouts: format.is_programme(c).then(|| DropoutDetector::new(format.rate)),
                level: ChannelLevel::default(),
                last_signal: None,
            })
            .collect();
        let ltc = format.timecode.map(|channel| Ltc {
            channel,
            decoder: LtcDecoder::new(format.rate, format.ltc_rate),
            line: PositionLine::new(LineConfig { expected_tick: FrameRate::F30.frames(1) }),
            rate: format.ltc_rate,
            first: 0,
            stopped_at: None,
        });
        Sound {
            channels,
            ltc,
            next_due: None,
            block: Span::ZERO,
            callbacks: Callbacks::default(),
            last_sound: None,
            lost: false,
            dropouts: Dropouts::default(),
            clipped: 0,
            wrong_since: None,
            wrong: false,
            metered_since: None,
            scratch: Vec::with_capacity(CHUNK * format.channels.len()),
            excerpts: Excerpts::new(format.rate, format.worth_comparing()),
            format,
        }
    }

    /// Its format.
    pub fn format(&self) -> &SoundFormat {
        &self.format
    }

    /// A block of interleaved samples whose first was heard at `at`.
    pub fn on_block(&mut self, at: MonoTime, mut samples: impl Iterator<Item = f32>) {
        let n = self.channels.len();
        if n == 0 {
            return;
        }
        self.lost = false;
        self.callbacks.on_block();
        self.look_for_gap(at);
        let mut first = at;
        loop {
            self.scratch.clear();
            self.scratch.extend(samples.by_ref().take(CHUNK * n));
            let frames = self.scratch.len() / n;
            if frames == 0 {
                break;
            }
            self.chunk(first, frames);
            let lasted = Samples(frames as f64).at(self.format.rate);
            first += lasted;
        }
        self.block = first - at;
        self.next_due = Some(first);
    }

    /// Blocks follow each other to the sample; a hole between two is a dropout of the source.
    fn look_for_gap(&mut self, at: MonoTime) {
        let Some(due) = self.next_due else { return };
        let slack = if self.format.exact_stamps { GAP.at(self.format.rate) } else { self.block.times(2) };
        if at - due > slack {
            let lost = LostSound { at: due, length: at - due, what: Lost::Gap, channels: 0 };
            self.dropouts.on_lost(at, lost);
            self.channels.iter_mut().filter_map(|c| c.dropouts.as_mut()).for_each(DropoutDetector::on_gap);
            self.excerpts.on_gap();
            if let Some(ltc) = &mut self.ltc {
                // What is missing is missing in the code too: the decoder must not join the ends.
                let missing = Samples::of(at - due, self.format.rate).0.min(self.format.rate.0);
                let zeros = [0f32; 64];
                let mut left = missing as usize;
                let mut sink = |_| {};
                while left > 0 {
                    let k = left.min(zeros.len());
                    ltc.decoder.on_samples(&zeros[..k], &mut sink);
                    ltc.first += k as u64;
                    left -= k;
                }
            }
        }
    }

    /// The oldest dropout that is wholly known.
    pub fn lost_sound(&mut self, now: MonoTime) -> Option<LostSound> {
        self.dropouts.settled(now)
    }

    fn chunk(&mut self, first: MonoTime, frames: usize) {
        let n = self.channels.len();
        let rate = self.format.rate;
        let floor = self.format.floor.map_or(0.0, |f| f.amplitude() as f32);
        let silent = (SILENT.amplitude() as f32).max(floor);
        let mut lost: ArrayVec<(MonoTime, MonoTime, measure::dropout::Dropout, u64), 4> = ArrayVec::new();
        for (c, channel) in self.channels.iter_mut().enumerate() {
            let (mut last_loud, mut last_signal) = (None, None);
            for (i, s) in self.scratch.iter().skip(c).step_by(n).enumerate() {
                channel.meter.on_sample(*s);
                if let Some(p) = &mut channel.pilot {
                    p.on_sample(*s);
                }
                if let Some(d) = &mut channel.dropouts {
                    // The sample of that number was heard this long before the present one.
                    let (told, number) = (first + Samples(i as f64).at(rate), d.heard());
                    let before = |n: u64| Samples(number as f64 - n as f64).at(rate);
                    let bit = u32::try_from(c).ok().and_then(|c| 1u64.checked_shl(c)).unwrap_or(0);
                    d.on_sample(*s, &mut |x| _ = lost.try_push((told, told - before(x.from), x, bit)));
                }
                if s.abs() > floor && s.is_finite() {
                    last_loud = Some(i);
                }
                if s.abs() >= silent {
                    last_signal = Some(i);
                }
            }
            if let Some(i) = last_signal {
                channel.last_signal = Some(first + Samples(i as f64).at(rate));
            }
            if let Some(i) = last_loud {
                let when = first + Samples(i as f64).at(rate);
                if channel.programme {
                    self.last_sound = Some(self.last_sound.map_or(when, |t| t.max(when)));
                }
            }
        }
        let end = first + Samples(frames as f64).at(rate);
        self.excerpts.on_block(&self.scratch, n, first);
        if let Some(ltc) = &mut self.ltc {
            ltc.hear(&self.scratch, n, first, rate);
        }
        for (told, at, d, channel) in lost {
            let what = match d.kind {
                DropoutKind::Zeros => Lost::Zeros,
                DropoutKind::Repeat => Lost::Repeat,
                DropoutKind::Jump => Lost::Jump,
            };
            let length = Samples(d.to.saturating_sub(d.from) as f64).at(rate);
            self.dropouts.on_lost(told, LostSound { at, length, what, channels: channel });
        }
        let since = *self.metered_since.get_or_insert(first);
        if end - since >= METER {
            self.metered_since = Some(end);
            self.read_meters(end);
        }
    }

    fn read_meters(&mut self, now: MonoTime) {
        let mut wrong = false;
        for c in &mut self.channels {
            let r = c.meter.read();
            wrong |= c.programme && is_wrong(&r);
            self.clipped = self.clipped.wrapping_add(r.clipped as u16);
            c.level = ChannelLevel { peak: CentiDbfs::from(r.peak), rms: CentiDbfs::from(r.rms), ..c.level };
        }
        self.wrong_since = if wrong { self.wrong_since.or(Some(now)) } else { None };
        self.wrong = self.wrong_since.is_some_and(|t| now - t >= METER);
    }

    /// A reply told the supervisor's clock.
    pub fn on_clock(&mut self, supervisor: RemoteTime, at: MonoTime) {
        self.excerpts.on_clock(supervisor, at);
    }

    /// Excerpts cut since the last call.
    pub fn take_excerpts(&mut self) -> impl Iterator<Item = wire::Excerpt> {
        self.excerpts.take().into_iter()
    }

    /// The player said that it stops.
    pub fn on_stopped(&mut self, at: MonoTime) {
        if let Some(ltc) = &mut self.ltc {
            ltc.line.on_stopped(at);
            ltc.stopped_at = Some(at);
        }
    }

    /// The device or the feed went away.
    pub fn on_lost(&mut self, at: MonoTime) {
        self.lost = true;
        self.next_due = None;
        if let Some(ltc) = &mut self.ltc {
            ltc.line.on_lost(at);
            ltc.restart(self.format.rate, self.format.ltc_rate);
        }
    }

    fn state(&mut self, now: MonoTime) -> AudioState {
        let ceased = self.next_due.is_none_or(|t| self.callbacks.have_ceased(now - t, self.block, now));
        if self.lost || ceased {
            return AudioState::Ceased;
        }
        if self.wrong {
            return AudioState::Wrong;
        }
        let programme = || self.channels.iter().filter(|c| c.programme);
        if programme().any(|c| !c.is_silent(self.next_due)) {
            return AudioState::Sounding;
        }
        let recent = |c: &Channel| c.last_signal.is_some_and(|t| now - t < RECENT);
        // All that had signal fell silent within one reading of each other.
        let last = programme().filter_map(|c| c.last_signal).max();
        let together = programme()
            .filter(|c| recent(c))
            .all(|c| last.zip(c.last_signal).is_some_and(|(l, t)| l - t < Span::from_millis(100)));
        if programme().any(recent) && together { AudioState::Silent } else { AudioState::Quiet }
    }

    /// Whether neither programme nor code has come for as long as it takes to miss MIDI timecode. Where it rolls, linear timecode
    /// has an edge in every bit: 80 bits a frame (SMPTE ST 12-1), each half a millisecond or so.
    fn carries_nothing(&self) -> bool {
        let code = self.ltc.as_ref().map(|l| l.channel);
        let mut told = self.channels.iter().enumerate().filter(|(c, x)| x.programme || Some(*c) == code);
        told.all(|(_, c)| c.last_signal.is_none_or(|t| self.next_due.is_none_or(|h| h - t >= CODE_MISSED)))
    }

    /// Says in a beat what there is to say.
    pub fn tell(&mut self, now: MonoTime, beat: &mut Beat) {
        beat.audio = self.state(now);
        beat.last_sound = self.last_sound.map(RemoteTime::of_sender);
        beat.dropouts = self.dropouts.count();
        beat.clipped = self.clipped;
        beat.block = self.block;
        beat.levels.extend(self.channels.iter().take(MAX_LEVELS).map(|c| {
            let pilot = match &c.pilot {
                None => Pilot::NotExpected,
                Some(p) if p.is_present() => Pilot::Present,
                Some(_) => Pilot::Absent,
            };
            if beat.audio == AudioState::Ceased {
                ChannelLevel { pilot, ..ChannelLevel::default() }
            } else {
                ChannelLevel { pilot, ..c.level }
            }
        }));
        if let Some(mut p) = self.ltc.as_ref().and_then(|l| l.report(now)) {
            let gone = beat.audio == AudioState::Ceased || self.format.outside && self.carries_nothing();
            if gone && p.state == TransportState::Rolling {
                // Its carrier is gone: nothing need be waited for.
                p.state = TransportState::Stalled;
            }
            let _ = beat.positions.try_push(p);
        }
    }
}

fn is_wrong(r: &ChannelReading) -> bool {
    r.not_numbers > 0 || r.dc.abs() > DC || r.rms.0 > TOO_LOUD.0
}

impl Ltc {
    fn hear(&mut self, interleaved: &[f32], channels: usize, at: MonoTime, rate: Hertz) {
        let mut mono = [0f32; CHUNK];
        let mut n = 0;
        for (to, s) in mono.iter_mut().zip(interleaved.iter().skip(self.channel).step_by(channels)) {
            *to = *s;
            n += 1;
        }
        let (line, known, first, stopped_at) = (&mut self.line, &mut self.rate, self.first, self.stopped_at);
        self.decoder.on_samples(&mono[..n], &mut |e| {
            if let LtcEvent::Frame(f) = e {
                let frame_rate = f.timecode.rate();
                *known = Some(frame_rate);
                // At its last edge a frame is over: the position is the next label's (or, in reverse, its own).
                let (edge, position) = match f.direction {
                    base::Direction::Reverse => (f.end_sample, f.timecode.since_midnight()),
                    _ => (f.end_sample, f.timecode.since_midnight() + frame_rate.frames(1)),
                };
                let when = at + Samples(edge - first as f64).at(rate);
                if stopped_at.is_none_or(|t| when > t + STOP_TAIL) {
                    line.on_tick(when, position);
                }
            }
        });
        self.first += n as u64;
    }

    fn restart(&mut self, rate: Hertz, ltc_rate: Option<FrameRate>) {
        self.decoder = LtcDecoder::new(rate, ltc_rate);
        self.first = 0;
    }

    fn report(&self, now: MonoTime) -> Option<base::PositionReport> {
        let rate = self.rate?;
        let p = self.line.point(now)?;
        Some(report(SourceKind::Ltc, &p, ShowPosition::Timecode { rate, at: p.position }))
    }
}
