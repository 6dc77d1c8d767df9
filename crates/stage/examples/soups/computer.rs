//! A playback computer as its beats show it: what it does in truth, and what its agent would say of that. No sample and no
//! byte of code is made; what the decoders would find is known.

use base::{
    AudioState, Dbfs, FrameRate, MonoTime, PlayerState, PositionReport, RemoteTime, ShowPosition, SourceKind, Span,
    TransportState,
};
use wire::{Beat, CentiDbfs, ChannelLevel, Echo, HostFlags, Pilot, Session, SourceFlags, StopCause};

use crate::music::Music;

pub const BEAT: Span = Span::from_millis(5);
/// Songs lie this far apart on the timecode.
pub const SONG_STARTS: Span = Span::from_secs(1_200);
/// Three quarter frames at 30 fps: then code that should come has stalled.
const STALL: Span = Span::from_millis(25);
/// An agent takes a stream for ended after this.
const CEASED: Span = Span::from_millis(33);
/// Levels are read this often: a channel counts as sounding for so long after its last sample.
const METER: Span = Span::from_millis(20);

#[derive(Clone, Copy, Debug)]
pub struct Roll {
    pub song: u16,
    /// When the song's time was zero, by this machine.
    pub zero: MonoTime,
}

pub struct Computer {
    pub music: Music,
    pub powered: bool,
    /// The player's process is seen.
    pub window: bool,
    /// The player plays.
    pub engine: bool,
    pub player_frozen: bool,
    pub agent: bool,
    pub agent_frozen: bool,
    pub cut: [bool; 2],
    pub code: bool,
    pub callbacks: bool,
    pub muted: bool,
    pub stem: bool,
    pub noise: bool,
    pub host: HostFlags,
    pub sources: SourceFlags,
    pub dropouts: u16,
    /// It slept and says so until then.
    pub woke_until: MonoTime,
    /// Programme against the show's clock, beyond its crystal.
    pub drift_ppm: i32,
    pub roll: Option<Roll>,
    /// Where it stands while it does not roll.
    pub stands: (u16, Span),
    pub stop: (StopCause, MonoTime),
    pub clock_ahead: Span,
    pub crystal_ppm: i32,
    drift_from: MonoTime,
    frozen_at: Option<MonoTime>,
    playing_since: Option<MonoTime>,
    /// The newest right sound that it put out.
    pub last_sound: Option<MonoTime>,
    noise_since: Option<MonoTime>,
    stream_until: MonoTime,
    mtc_last: Option<MonoTime>,
    ltc_last: Option<MonoTime>,
    jumps: u16,
    agent_since: MonoTime,
    pub session: Option<Session>,
    pub echo: [Option<Echo>; 2],
    pub beat_due: MonoTime,
    seq: u32,
}

impl Computer {
    pub fn new(music: Music, now: MonoTime, clock_ahead: Span, crystal_ppm: i32) -> Computer {
        Computer {
            music,
            powered: true,
            window: true,
            engine: true,
            player_frozen: false,
            agent: true,
            agent_frozen: false,
            cut: [false; 2],
            code: true,
            callbacks: true,
            muted: false,
            stem: false,
            noise: false,
            host: HostFlags::NONE,
            sources: SourceFlags::NONE,
            dropouts: 0,
            woke_until: now,
            drift_ppm: 0,
            roll: None,
            stands: (1, Span::ZERO),
            stop: (StopCause::None, now),
            clock_ahead,
            crystal_ppm,
            drift_from: now,
            frozen_at: None,
            playing_since: None,
            last_sound: None,
            noise_since: None,
            stream_until: now,
            mtc_last: None,
            ltc_last: None,
            jumps: 0,
            agent_since: now,
            session: None,
            echo: [None; 2],
            beat_due: now,
            seq: 0,
        }
    }

    // The truth.

    pub fn player_works(&self) -> bool {
        self.powered && self.engine && !self.player_frozen
    }
    pub fn agent_works(&self) -> bool {
        self.powered && self.agent && !self.agent_frozen
    }
    /// Puts out the programme, be it a rest.
    pub fn plays(&self) -> bool {
        self.player_works() && self.roll.is_some() && self.callbacks && !self.muted && !self.noise
    }
    /// Time into the song.
    pub fn song_time(&self, now: MonoTime) -> Option<(u16, Span)> {
        let r = self.roll?;
        let t = self.frozen_at.unwrap_or(now);
        Some((r.song, t - r.zero + (t - self.drift_from).scaled(f64::from(self.drift_ppm) * 1e-6)))
    }
    /// Its line as it runs now, with all the drift there has been.
    pub fn line(&self, now: MonoTime) -> Option<Roll> {
        let (song, at) = self.song_time(now)?;
        Some(Roll { song, zero: now - at })
    }
    /// Brings what is remembered of the sound and the code up to `now`.
    pub fn touch(&mut self, now: MonoTime) {
        if let (Some(since), Some((song, at))) = (self.playing_since, self.song_time(now))
            && let Some(last) = self.music.last_sound(song, at)
        {
            let t = now - (at - last);
            if t >= since && self.last_sound.is_none_or(|l| t > l) {
                self.last_sound = Some(t);
            }
        }
        if self.player_works() {
            if self.callbacks {
                self.stream_until = now;
            }
            if self.roll.is_some() {
                if self.code {
                    self.mtc_last = Some(now);
                }
                if self.callbacks {
                    self.ltc_last = Some(now);
                }
            }
        }
    }
    /// Changes something.
    pub fn change(&mut self, now: MonoTime, how: impl FnOnce(&mut Computer)) {
        self.touch(now);
        let drift = self.drift_ppm;
        how(self);
        if self.drift_ppm != drift {
            if let Some(r) = &mut self.roll {
                r.zero = r.zero - (now - self.drift_from).scaled(f64::from(drift) * 1e-6);
            }
            self.drift_from = now;
        }
        // A player that stands still is behind afterwards by as long as it stood.
        match (self.frozen_at, self.player_frozen) {
            (None, true) => self.frozen_at = Some(now),
            (Some(since), false) => {
                if let Some(r) = &mut self.roll {
                    r.zero += now - since;
                }
                self.frozen_at = None;
            }
            _ => {}
        }
        if self.plays() {
            self.playing_since.get_or_insert(now);
        } else {
            self.playing_since = None;
        }
        if self.noise && self.player_works() {
            self.noise_since.get_or_insert(now);
        } else {
            self.noise_since = None;
        }
    }
    /// The newest sample that was not zero, right or wrong.
    pub fn last_nonzero(&self, now: MonoTime) -> Option<MonoTime> {
        if self.noise_since.is_some() { Some(now) } else { self.last_sound }
    }

    pub fn rolls(&mut self, song: u16, zero: MonoTime, now: MonoTime) {
        self.drift_from = now;
        self.roll = Some(Roll { song, zero });
        self.stop.0 = StopCause::None;
        self.jumps = self.jumps.wrapping_add(1);
    }
    pub fn jumps(&mut self) {
        self.jumps = self.jumps.wrapping_add(1);
    }
    pub fn new_player(&mut self) {
        self.engine = true;
        self.window = true;
        self.player_frozen = false;
        self.roll = None;
        self.stands = (1, Span::ZERO);
    }
    pub fn stops(&mut self, cause: StopCause, now: MonoTime) {
        if let Some(place) = self.song_time(now) {
            self.stands = place;
        }
        self.roll = None;
        self.stop = (cause, now);
    }
    pub fn new_agent(&mut self, now: MonoTime) {
        self.agent = true;
        self.agent_frozen = false;
        self.session = None;
        self.agent_since = now;
        self.stop = (StopCause::None, now);
        (self.mtc_last, self.ltc_last) = (None, None);
        self.beat_due = now + BEAT;
    }

    // What its agent says.

    pub fn own(&self, t: MonoTime) -> MonoTime {
        let since = t - crate::music::BEGIN;
        t + self.clock_ahead + since.scaled(f64::from(self.crystal_ppm) * 1e-6)
    }
    pub fn remote(&self, t: MonoTime) -> RemoteTime {
        RemoteTime::of_sender(self.own(t))
    }

    pub fn on_session(&mut self, session: Session) {
        self.session = Some(session);
        self.seq = 0;
        self.echo = [None; 2];
    }

    fn audio(&self, now: MonoTime) -> AudioState {
        let heard = self.last_sound.filter(|t| *t >= self.agent_since);
        if !self.window && !self.engine || now - self.stream_until > CEASED {
            AudioState::Ceased
        } else if self.noise_since.is_some_and(|t| now - t >= METER) {
            AudioState::Wrong
        } else if heard.is_some_and(|t| now - t <= METER) {
            AudioState::Sounding
        } else if heard.is_some_and(|t| now - t < Span::from_secs(2)) {
            AudioState::Silent
        } else {
            AudioState::Quiet
        }
    }

    fn report(&self, source: SourceKind, last: Option<MonoTime>, now: MonoTime) -> Option<PositionReport> {
        let last = last?;
        let flows = last == now;
        let state = if flows {
            TransportState::Rolling
        } else if self.player_works() && self.roll.is_none() {
            TransportState::Stopped
        } else if now - last >= STALL {
            TransportState::Stalled
        } else {
            TransportState::Rolling
        };
        let (song, at) = self.song_time(now).unwrap_or(self.stands);
        let speed = (self.drift_ppm - self.crystal_ppm) * 1_000;
        Some(PositionReport {
            source,
            state,
            position: ShowPosition::Timecode { rate: FrameRate::F30, at: SONG_STARTS.times(i64::from(song)) + at },
            at: self.remote(now),
            speed_ppb: speed,
            sigma: Span::from_micros(60),
            last_heard: self.remote(last),
            jumps: self.jumps,
        })
    }

    /// The beat that is due now.
    pub fn beat(&mut self, now: MonoTime, pilot: bool, ltc: bool) -> Beat {
        self.touch(now);
        self.seq += 1;
        let mut beat = Beat {
            seq: self.seq,
            sent: self.remote(now),
            player: if self.window { PlayerState::Running } else { PlayerState::Gone },
            audio: self.audio(now),
            last_sound: self.last_nonzero(now).filter(|t| *t >= self.agent_since).map(|t| self.remote(t)),
            sources: self.sources,
            host: self.host.with(HostFlags::WOKE, now < self.woke_until),
            dropouts: self.dropouts,
            ..Beat::default()
        };
        if ltc {
            beat.positions.extend(self.report(SourceKind::Ltc, self.ltc_last, now));
        }
        beat.positions.extend(self.report(SourceKind::Mtc, self.mtc_last, now));
        let rolling = beat.positions.iter().any(|p| p.state == TransportState::Rolling);
        if !rolling || now - self.stop.1 < Span::from_secs(1) {
            beat.stop_cause = self.stop.0;
        }
        let on = |db: f64, on: bool| CentiDbfs::from(if on { Dbfs(db) } else { Dbfs::SILENCE });
        let sounding = beat.audio == AudioState::Sounding;
        let runs = beat.audio != AudioState::Ceased && !self.muted;
        for (channel, db) in [-20.0, -23.0, -26.0].into_iter().enumerate() {
            let rms = if beat.audio == AudioState::Wrong {
                on(-3.0, true)
            } else {
                on(db, sounding && !(self.stem && channel == 1))
            };
            beat.levels.push(ChannelLevel { peak: rms, rms, pilot: Pilot::NotExpected });
        }
        if pilot {
            let tone = on(-40.0, runs);
            let pilot = if runs { Pilot::Present } else { Pilot::Absent };
            beat.levels.push(ChannelLevel { peak: tone, rms: tone, pilot });
        }
        beat
    }
}
