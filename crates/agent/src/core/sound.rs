//! What a machine sounds like: meters, dropouts, LTC on one channel, and whether the sound is there, wrong, silent or has ceased.

use arrayvec::ArrayVec;
use base::{AudioState, Dbfs, MonoTime, RemoteTime, Samples, Span, TransportState};
use measure::dropout::DropoutKind;
use wire::beat::MAX_LEVELS;
use wire::channels::{MAX_CHANNELS, MoreChannels, Round};
use wire::message::Lost;
use wire::{Beat, Meters, Pilot};

use super::excerpt::Excerpts;
use ceased::Callbacks;
use channel::{Channel, Floors, Told};
use linear::Ltc;
use lost::{Dropouts, LostSound};

pub use format::SoundFormat;

mod ceased;
mod channel;
mod format;
mod linear;
mod lost;

/// Below this a channel counts as silent (common practice, no source).
const SILENT: Dbfs = Dbfs(-60.0);
/// Levels are read over at least this long: shorter than a bass period says little.
const METER: Span = Span::from_millis(20);
/// The slower meters are read over at least this long.
const SLOWLY: Span = Span::from_secs(1);
/// A channel that had signal this recently counts as having had one.
const RECENT: Span = Span::from_secs(2);
/// Three quarter frames at 30 frames a second.
const CODE_MISSED: Span = Span::from_millis(25);
/// The largest block taken in one piece; larger ones are cut.
const CHUNK: usize = 512;
/// Blocks further apart than this many samples have lost some.
const GAP: Samples = Samples(2.0);

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
    /// When the first sample came, and when the slower meters were read last.
    opened: Option<MonoTime>,
    read_slowly: Option<MonoTime>,
    /// What they read, not yet fetched.
    meters: Option<Meters>,
    /// Which channels' turn it is to stand in a beat.
    round: Round,
    scratch: Vec<f32>,
    excerpts: Excerpts,
}

impl Sound {
    /// Ears that have heard nothing yet.
    pub fn new(format: SoundFormat) -> Sound {
        let channels = (0..format.channels.len()).map(|c| Channel::new(&format, c)).collect();
        let ltc = format.timecode.map(|channel| Ltc::new(channel, format.rate, format.ltc_rate));
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
            opened: None,
            read_slowly: None,
            meters: None,
            round: Round::default(),
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
            self.channels.iter_mut().for_each(Channel::on_gap);
            self.excerpts.on_gap();
            if let Some(ltc) = &mut self.ltc {
                ltc.on_gap(at - due);
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
        let floors = Floors { noise: floor, signal: silent };
        let mut lost: ArrayVec<(Told, u64), 4> = ArrayVec::new();
        let mut own = [0f32; CHUNK];
        for (c, channel) in self.channels.iter_mut().enumerate() {
            own.iter_mut().zip(self.scratch.iter().skip(c).step_by(n)).for_each(|(to, s)| *to = *s);
            let bit = u32::try_from(c).ok().and_then(|c| 1u64.checked_shl(c)).unwrap_or(0);
            let mut tell = |t| _ = lost.try_push((t, bit));
            let heard = channel.hear(&own[..frames], first, rate, floors, &mut tell);
            if let Some(when) = heard.filter(|_| channel.programme) {
                self.last_sound = Some(self.last_sound.map_or(when, |t| t.max(when)));
            }
        }
        let end = first + Samples(frames as f64).at(rate);
        self.excerpts.on_block(&self.scratch, n, first);
        if let Some(ltc) = &mut self.ltc {
            ltc.hear(&self.scratch, n, first);
        }
        for (Told { told, at, what: d }, channel) in lost {
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
            let (clipped, is_wrong) = c.read(now);
            wrong |= is_wrong;
            self.clipped = self.clipped.wrapping_add(clipped as u16);
        }
        self.wrong_since = if wrong { self.wrong_since.or(Some(now)) } else { None };
        self.wrong = self.wrong_since.is_some_and(|t| now - t >= METER);
        let since = *self.opened.get_or_insert(now);
        let last = *self.read_slowly.get_or_insert(now);
        if now - last >= SLOWLY {
            self.read_slowly = Some(now);
            self.meters = Some(Meters {
                at: RemoteTime::of_sender(now),
                since: RemoteTime::of_sender(since),
                over: now - last,
                channels: self.channels.iter_mut().take(MAX_CHANNELS).map(Channel::read_slowly).collect(),
            });
        }
    }

    /// What the slower meters read since the last call, if they were read.
    pub fn take_meters(&mut self) -> Option<Meters> {
        self.meters.take()
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
            ltc.on_stopped(at);
        }
    }

    /// The device or the feed went away.
    pub fn on_lost(&mut self, at: MonoTime) {
        self.lost = true;
        self.next_due = None;
        if let Some(ltc) = &mut self.ltc {
            ltc.on_lost(at, self.format.rate, self.format.ltc_rate);
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
        let ceased = beat.audio == AudioState::Ceased;
        beat.levels.extend(self.channels.iter().take(MAX_LEVELS).map(|c| c.level(ceased)));
        let (first, n) = self.round.turn(self.channels.len());
        let pilots = || self.channels.iter().map(Channel::pilot).filter(|p| *p != Pilot::NotExpected);
        beat.more = MoreChannels {
            heard: self.channels.len().min(MAX_CHANNELS) as u8,
            pilot: pilots().find(|p| *p == Pilot::Absent).or(pilots().next()).unwrap_or_default(),
            first: first as u8,
            levels: self.channels.iter().skip(first).take(n).map(|c| c.level(ceased)).collect(),
        };
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
