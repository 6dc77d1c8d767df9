//! What an agent knows of its machine: bytes, samples and process states in, one beat out. No clock, no socket, no thread,
//! so that the simulated rig runs the very same code in virtual time.

mod agreement;
mod code;
mod excerpt;
mod exclusive;
mod patches;
mod sound;

use arrayvec::ArrayVec;
use base::{MonoTime, PlayerState, PositionReport, RemoteTime, ShowPosition, SourceKind, Span, TransportState};
use measure::suspend::SleepWatch;
use settings::agent::{Trigger, TriggerWhat};
use wire::message::{Exclusive, PatchMessage, TriggerKind};
use wire::{Beat, BeatReply, Echo, HostFlags, SourceFlags, StopCause, Up};

pub use code::MidiCode;
pub use sound::{Sound, SoundFormat};

/// Network paths an agent may have.
pub const MAX_PATHS: usize = 2;
pub use settings::agent::MAX_MIDI_INPUTS;

/// A host that woke says so for this long: some of these beats arrive over any network that works.
const SAYS_WOKE: Span = Span::from_secs(2);

/// What came in by OSC.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum OscNews {
    /// The player is here.
    Position {
        /// Song number, from 1; 0: it did not say.
        song: u16,
        /// Time since the song's start.
        at: Span,
    },
    /// The player started.
    Start,
    /// The player stopped.
    Stop,
}

/// An agent's mind.
pub struct AgentCore {
    midi: [MidiCode; MAX_MIDI_INPUTS],
    midi_closed: [bool; MAX_MIDI_INPUTS],
    sound: Option<Sound>,
    osc: code::OscCode,
    player: PlayerState,
    sources: SourceFlags,
    host: HostFlags,
    triggers: Vec<Trigger>,
    stop: Option<(StopCause, MonoTime)>,
    echo: [Option<Echo>; MAX_PATHS],
    seq: u32,
    frozen: u16,
    last_beat: Option<MonoTime>,
    sleep: SleepWatch,
    woke: Option<MonoTime>,
    news: ArrayVec<Up, 32>,
    lost_news: u32,
    patches: patches::PatchLogs,
    exclusives: [exclusive::ExclusiveReader; MAX_MIDI_INPUTS],
    /// Where the linear timecode was at the last beat, when it rolled.
    linear: Option<(MonoTime, Span)>,
}

impl AgentCore {
    /// An agent that has heard nothing yet.
    pub fn new(triggers: Vec<Trigger>) -> AgentCore {
        AgentCore {
            midi: Default::default(),
            midi_closed: [false; MAX_MIDI_INPUTS],
            sound: None,
            osc: code::OscCode::new(),
            player: PlayerState::Unknown,
            sources: SourceFlags::NONE,
            host: HostFlags::NONE,
            triggers,
            stop: None,
            echo: [None; MAX_PATHS],
            seq: 0,
            frozen: 0,
            last_beat: None,
            sleep: SleepWatch::default(),
            woke: None,
            news: ArrayVec::new(),
            lost_news: 0,
            patches: patches::PatchLogs::default(),
            exclusives: Default::default(),
            linear: None,
        }
    }

    /// MIDI bytes of one input, cut anywhere, stamped when they came (or by a driver that knows better). Inputs count from 0 in
    /// the order of the settings; a number that no input can have is ignored.
    pub fn on_midi(&mut self, input: usize, bytes: &[u8], at: MonoTime) {
        // Each piece ends with a system exclusive message, so that it keeps its place between the others.
        for piece in bytes.split_inclusive(|b| *b == 0xF7) {
            self.on_code(input, piece, at);
            let (Some(midi), Some(reader)) = (self.midi.get(input), self.exclusives.get_mut(input)) else { return };
            let place = midi.place(at).or(self.linear.map(|(then, p)| p + (at - then)));
            let (patches, at, number) = (&mut self.patches, RemoteTime::of_sender(at), input as u8);
            reader.on_bytes(piece, &mut |part| {
                patches.push_exclusive(input, Exclusive { input: number, at, place, part });
            });
        }
    }

    fn on_code(&mut self, input: usize, bytes: &[u8], at: MonoTime) {
        let Some(midi) = self.midi.get_mut(input) else { return };
        let (triggers, news, stop, sound) = (&self.triggers, &mut self.news, &mut self.stop, &mut self.sound);
        let (patches, linear) = (&mut self.patches, self.linear);
        let mut lost = 0;
        midi.on_bytes(bytes, at, &mut |heard| {
            let up = match heard {
                code::Heard::Stopped { at } => {
                    // The code in its sound ends with it: what still comes is the tail.
                    if let Some(s) = sound {
                        s.on_stopped(at);
                    }
                    // A player that fails may send a stop: never more than a hint.
                    if stop.is_none_or(|(_, since)| at - since > Span::from_secs(1)) {
                        *stop = Some((StopCause::Player, at));
                    }
                    return;
                }
                code::Heard::Started => {
                    *stop = None;
                    return;
                }
                code::Heard::Note { at, channel, key } => {
                    let Some(t) = triggers.iter().find(|t| t.channel == channel && t.note == key) else { return };
                    match t.what {
                        TriggerWhat::Start => *stop = None,
                        TriggerWhat::Stop | TriggerWhat::Jump => *stop = Some((StopCause::Trigger, at)),
                        TriggerWhat::OnAir => {}
                    }
                    Up::Trigger { at: RemoteTime::of_sender(at), what: kind(t.what), bytes: vec![0x8f + channel, key] }
                }
                code::Heard::Message { at, place, bytes } => {
                    // What a trigger says comes to the player and not from it.
                    let note =
                        |t: &Trigger| bytes[0] & 0xE0 == 0x80 && t.channel == (bytes[0] & 15) + 1 && t.note == bytes[1];
                    if !triggers.iter().any(note) {
                        let place = place.or(linear.map(|(then, p)| p + (at - then)));
                        patches.push(input, PatchMessage { at: RemoteTime::of_sender(at), place, bytes });
                    }
                    return;
                }
                code::Heard::Patch { at, channel, bank_msb, bank_lsb, program } => {
                    Up::Patch { at: RemoteTime::of_sender(at), channel, bank_msb, bank_lsb, program }
                }
            };
            if news.try_push(up).is_err() {
                lost += 1;
            }
        });
        self.lost_news += lost;
    }

    /// The format of the audio that follows.
    pub fn on_format(&mut self, format: SoundFormat) {
        if let Some(old) = &self.sound
            && old.format().same_sound(&format)
        {
            return;
        }
        let changed = self.sound.is_some();
        self.sound = Some(Sound::new(format));
        self.sources =
            SourceFlags(self.sources.0 & !SourceFlags::FORMAT_CHANGED.0).with(SourceFlags::FORMAT_CHANGED, changed);
    }

    /// A block of interleaved samples, the first of which was heard at `at`.
    pub fn on_pcm(&mut self, at: MonoTime, samples: impl Iterator<Item = f32>) {
        if let Some(s) = &mut self.sound {
            s.on_block(at, samples);
        }
    }

    /// An OSC message.
    pub fn on_osc(&mut self, news: OscNews, at: MonoTime) {
        if news == OscNews::Stop {
            self.stop = Some((StopCause::Player, at));
        }
        self.osc.on_news(news, at);
    }

    /// The player process came or went.
    pub fn on_player(&mut self, state: PlayerState, at: MonoTime) {
        if state == PlayerState::Gone && self.player == PlayerState::Running {
            let _ = self.news.try_push(Up::PlayerGone { at: RemoteTime::of_sender(at) });
        }
        self.player = state;
    }

    /// Sets or clears a flag of the sources.
    pub fn on_source(&mut self, flag: SourceFlags, on: bool, now: MonoTime) {
        self.sources = SourceFlags(self.sources.0 & !flag.0).with(flag, on);
        if !on
            && (flag == SourceFlags::AUDIO_OPEN || flag == SourceFlags::FEED_OPEN)
            && let Some(s) = &mut self.sound
        {
            s.on_lost(now);
        }
        if !on && flag == SourceFlags::OSC_OPEN {
            self.osc.on_lost(now);
        }
    }

    /// A MIDI input opened, or is not open.
    pub fn on_midi_input(&mut self, input: usize, open: bool, now: MonoTime) {
        let (Some(midi), Some(closed)) = (self.midi.get_mut(input), self.midi_closed.get_mut(input)) else { return };
        *closed = !open;
        if !open {
            midi.on_lost(now);
            self.exclusives[input].on_lost();
        }
        let all_open = !self.midi_closed.contains(&true);
        self.on_source(SourceFlags::MIDI_OPEN, all_open, now);
    }

    /// The host's health.
    pub fn on_host(&mut self, flags: HostFlags) {
        self.host = flags;
    }

    /// How long the host has slept since it was started, where the system tells. Asked at each beat: the first beat after waking
    /// must say so, since its clock stood.
    pub fn on_slept(&mut self, so_far: Span, now: MonoTime) {
        if self.sleep.on_clocks(now, now + so_far).is_some() {
            self.woke = Some(now);
            self.frozen = self.frozen.wrapping_add(1);
        }
    }

    /// A reply came in on a path.
    pub fn on_reply(&mut self, path: usize, reply: &BeatReply, at: MonoTime) {
        if let Some(echo) = self.echo.get_mut(path) {
            *echo = Some(Echo { reply: reply.seq, received: RemoteTime::of_sender(at) });
        }
        if let Some(s) = &mut self.sound {
            s.on_clock(reply.sent, at);
        }
    }

    /// A new session begins: beats count anew, and old replies mean nothing to it.
    pub fn on_session(&mut self) {
        self.seq = 0;
        self.echo = [None; MAX_PATHS];
    }

    /// The beat that is due at `now`, the same for all paths but for [`AgentCore::echo`]. `lateness`: how late it is.
    pub fn beat(&mut self, now: MonoTime, lateness: Span) -> Beat {
        self.midi.iter_mut().for_each(|m| m.on_time(now));
        if self.last_beat.is_some_and(|t| now - t > Span::from_millis(500)) {
            self.frozen = self.frozen.wrapping_add(1);
        }
        self.last_beat = Some(now);
        self.seq = self.seq.wrapping_add(1);
        let mut beat = Beat {
            seq: self.seq,
            sent: RemoteTime::of_sender(now),
            player: self.player,
            sources: self.sources,
            host: self.host.with(HostFlags::WOKE, self.woke.is_some_and(|t| now - t < SAYS_WOKE)),
            lateness,
            frozen_before: self.frozen,
            ..Beat::default()
        };
        if let Some(s) = &mut self.sound {
            s.tell(now, &mut beat);
            if let Some(l) = s.lost_sound(now) {
                let at = RemoteTime::of_sender(l.at);
                let lost = Up::Dropout { at, length: l.length, what: l.what, channels: l.channels };
                let _ = self.news.try_push(lost);
            }
        }
        let timecodes = || self.midi.iter().filter_map(|m| m.timecode(now));
        let clocks = self.midi.iter().filter_map(|m| m.clocks(now));
        for report in
            [first_that_rolls(timecodes()), self.osc.report(now), first_that_rolls(clocks)].into_iter().flatten()
        {
            // Three fit: the surest first (LTC is there already).
            let _ = beat.positions.try_push(report);
        }
        let codes = beat.positions.iter().copied().filter(|p| p.source == SourceKind::Ltc).chain(timecodes());
        beat.sources = beat.sources.with(SourceFlags::DISAGREE, agreement::contradict(codes, beat.sent));
        let rolling = beat.positions.iter().any(|p| p.state == TransportState::Rolling);
        self.linear = beat.positions.iter().find_map(|p| match p.position {
            ShowPosition::Timecode { at, .. } if p.source == SourceKind::Ltc && p.state == TransportState::Rolling => {
                Some((now, at + (beat.sent - p.at)))
            }
            _ => None,
        });
        beat.stop_cause = match self.stop {
            // A cause explains a stop shortly before or after it.
            Some((cause, at)) if !rolling || now - at < Span::from_secs(1) => cause,
            _ => StopCause::None,
        };
        beat
    }

    /// The echo that a path's copy of the beat carries.
    pub fn echo(&self, path: usize) -> Option<Echo> {
        self.echo.get(path).copied().flatten()
    }

    /// What there is to tell over the urgent lane; each is handed out once.
    pub fn take_news(&mut self) -> ArrayVec<Up, 32> {
        core::mem::take(&mut self.news)
    }

    /// What the player sent to outboard devices since the last call.
    pub fn take_patches(&mut self) -> Vec<Up> {
        self.patches.take()
    }

    /// Excerpts of the sound, cut since the last call.
    pub fn take_excerpts(&mut self) -> impl Iterator<Item = wire::Excerpt> {
        self.sound.as_mut().into_iter().flat_map(Sound::take_excerpts)
    }

    /// What the channels' slower meters read since the last call.
    pub fn take_meters(&mut self) -> Option<wire::Meters> {
        self.sound.as_mut().and_then(Sound::take_meters)
    }

    /// News that did not fit: more than 32 between two beats.
    pub fn lost_news(&self) -> u32 {
        self.lost_news
    }
}

/// Of several inputs with the same kind of code: the first that rolls, else the first that says anything.
fn first_that_rolls(mut reports: impl Iterator<Item = PositionReport>) -> Option<PositionReport> {
    let first = reports.next()?;
    if first.state == TransportState::Rolling {
        return Some(first);
    }
    Some(reports.find(|r| r.state == TransportState::Rolling).unwrap_or(first))
}

fn kind(what: TriggerWhat) -> TriggerKind {
    match what {
        TriggerWhat::Start => TriggerKind::Start,
        TriggerWhat::Stop => TriggerKind::Stop,
        TriggerWhat::Jump => TriggerKind::Jump,
        TriggerWhat::OnAir => TriggerKind::OnAir,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_host_that_slept_says_so_for_two_seconds() {
        let mut core = AgentCore::new(Vec::new());
        let at = |ms: u64| MonoTime::from_nanos(60_000_000_000 + ms * 1_000_000);
        let (mut told, mut frozen) = (0, 0);
        for k in 0..1_000u64 {
            let now = at(5 * k);
            // Forty minutes of sleep between the 300th beat and the next: the monotonic clock shows none of it.
            let slept = if k > 300 { Span::from_secs(3_600 + 2_400) } else { Span::from_secs(3_600) };
            core.on_slept(slept, now);
            let beat = core.beat(now, Span::ZERO);
            let woke = beat.host.has(HostFlags::WOKE);
            assert_eq!(woke, (301..701).contains(&k), "beat {k}");
            told += u32::from(woke);
            frozen = beat.frozen_before;
        }
        assert_eq!((told, frozen), (400, 1));
    }
}
