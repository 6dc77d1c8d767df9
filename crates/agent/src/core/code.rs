//! Position codes as an agent follows them: each has a line of its own.

use base::{CLOCKS_PER_SECOND, MonoTime, PositionReport, RemoteTime, ShowPosition, SourceKind, Span, TransportState};
use measure::line::{LineConfig, LinePoint, PositionLine};
use timecode::midi::{MidiEvent, MidiReader, MidiReaderConfig, MtcFrom, Place, TransportEvent};

use super::OscNews;

/// What an agent makes of a MIDI event besides the position.
pub(super) enum Heard {
    /// The player sent a start or continue.
    Started,
    /// The player sent a stop.
    Stopped { at: MonoTime },
    /// A note began.
    Note { at: MonoTime, channel: u8, key: u8 },
    /// A patch changed.
    Patch { at: MonoTime, channel: u8, bank_msb: Option<u8>, bank_lsb: Option<u8>, program: u8 },
    /// A channel message as it came, and where this port's timecode was.
    Message { at: MonoTime, place: Option<Span>, bytes: [u8; 3] },
}

/// MTC and MIDI clock of one port.
pub struct MidiCode {
    reader: MidiReader,
    mtc: PositionLine,
    rate: base::FrameRate,
    mtc_heard: bool,
    clock: ClockFollower,
}

/// MIDI clock counts beats at the tempo that its ticks show: the newest tick is the point, the tempo its speed.
#[derive(Default)]
struct ClockFollower {
    clocks: Option<u32>,
    tempo: Option<base::Bpm>,
    last_heard: MonoTime,
    state: TransportState,
    jumps: u16,
}

impl Default for MidiCode {
    fn default() -> MidiCode {
        MidiCode::new()
    }
}

impl MidiCode {
    /// A port that has not been heard yet.
    pub fn new() -> MidiCode {
        MidiCode {
            reader: MidiReader::new(MidiReaderConfig::default()),
            mtc: PositionLine::of_arrivals(LineConfig::default()),
            rate: base::FrameRate::F30,
            mtc_heard: false,
            clock: ClockFollower::default(),
        }
    }

    /// Bytes in; what is not a position goes to `heard`.
    pub(super) fn on_bytes(&mut self, bytes: &[u8], at: MonoTime, heard: &mut impl FnMut(Heard)) {
        let (mtc, rate, mtc_heard, clock) = (&mut self.mtc, &mut self.rate, &mut self.mtc_heard, &mut self.clock);
        self.reader.on_bytes(bytes, at, &mut |e| {
            if let Some((at, bytes)) = timecode::midi::encode::channel_message(&e) {
                let rolls = mtc.point(at).filter(|p| *mtc_heard && p.state == TransportState::Rolling);
                heard(Heard::Message { at, place: rolls.map(|p| p.position), bytes });
            }
            match e {
                MidiEvent::Mtc(p) => {
                    *mtc_heard = true;
                    *rate = p.timecode.rate();
                    match p.from {
                        MtcFrom::QuarterFrame => mtc.on_tick(p.at, p.position),
                        MtcFrom::FullFrame => mtc.on_located(p.at, p.position),
                    }
                }
                MidiEvent::Clock(c) => clock.on_clock(c.clocks, c.tempo, c.at),
                MidiEvent::Transport { at, event, place } => match event {
                    TransportEvent::Stop => {
                        clock.state = TransportState::Stopped;
                        mtc.on_stopped(at);
                        heard(Heard::Stopped { at });
                    }
                    TransportEvent::Start | TransportEvent::Continue => heard(Heard::Started),
                    TransportEvent::Locate => {
                        if let Some(Place::Clocks(c)) = place {
                            clock.on_located(c, at);
                        }
                    }
                    TransportEvent::Stall => {
                        if let Some(Place::Clocks(_)) = place {
                            clock.state = TransportState::Stalled;
                        }
                    }
                },
                MidiEvent::Note { at, channel, key, on: true, .. } => heard(Heard::Note { at, channel, key }),
                MidiEvent::Patch { at, channel, bank_msb, bank_lsb, program } => {
                    heard(Heard::Patch { at, channel, bank_msb, bank_lsb, program });
                }
                _ => {}
            }
        });
    }

    /// Where its timecode is, while it rolls.
    pub(super) fn place(&self, at: MonoTime) -> Option<Span> {
        let rolls = self.mtc.point(at).filter(|p| self.mtc_heard && p.state == TransportState::Rolling);
        rolls.map(|p| p.position)
    }

    /// Time passes: clocks that ceased are noticed.
    pub(super) fn on_time(&mut self, now: MonoTime) {
        let clock = &mut self.clock;
        self.reader.on_time(now, &mut |e| {
            if let MidiEvent::Transport { event: TransportEvent::Stall, place: Some(Place::Clocks(_)), .. } = e {
                clock.state = TransportState::Stalled;
            }
        });
    }

    /// The port went away.
    pub(super) fn on_lost(&mut self, at: MonoTime) {
        self.mtc.on_lost(at);
        if self.clock.clocks.is_some() {
            self.clock.state = TransportState::Lost;
        }
        self.reader = MidiReader::new(MidiReaderConfig::default());
    }

    /// The timecode now.
    pub(super) fn timecode(&self, now: MonoTime) -> Option<PositionReport> {
        let rate = self.rate;
        self.mtc_heard
            .then(|| self.mtc.point(now))
            .flatten()
            .map(|p| report(SourceKind::Mtc, &p, ShowPosition::Timecode { rate, at: p.position }))
    }

    /// The clock count now.
    pub(super) fn clocks(&self, _now: MonoTime) -> Option<PositionReport> {
        let clocks = self.clock.clocks?;
        Some(PositionReport {
            source: SourceKind::MidiClock,
            state: self.clock.state,
            position: ShowPosition::Clocks { millis: i64::from(clocks) * 1_000 },
            at: RemoteTime::of_sender(self.clock.last_heard),
            speed_ppb: self.clock.speed_ppb(),
            sigma: Span::from_millis(1),
            last_heard: RemoteTime::of_sender(self.clock.last_heard),
            jumps: self.clock.jumps,
        })
    }
}

impl ClockFollower {
    /// Its tempo against 120 quarter notes a minute, less one, in parts per billion. An unknown tempo is told as that one.
    fn speed_ppb(&self) -> i32 {
        let clocks_per_second = self.tempo.map_or(CLOCKS_PER_SECOND, |t| t.0 * 24.0 / 60.0);
        ((clocks_per_second / CLOCKS_PER_SECOND - 1.0) * 1e9).round() as i32
    }
    fn on_clock(&mut self, clocks: u32, tempo: Option<base::Bpm>, at: MonoTime) {
        if self.clocks.is_some_and(|c| clocks != c + 1) && self.state == TransportState::Rolling {
            self.jumps = self.jumps.wrapping_add(1);
        }
        self.clocks = Some(clocks);
        self.tempo = tempo.or(self.tempo);
        self.last_heard = at;
        self.state = TransportState::Rolling;
    }
    fn on_located(&mut self, clocks: u32, at: MonoTime) {
        self.jumps = self.jumps.wrapping_add(1);
        self.clocks = Some(clocks);
        self.last_heard = at;
    }
}

/// OSC position messages: each is a tick.
pub(super) struct OscCode {
    line: PositionLine,
    song: u16,
    heard: bool,
}

impl OscCode {
    pub(super) fn new() -> OscCode {
        OscCode { line: PositionLine::new(LineConfig { expected_tick: Span::from_millis(50) }), song: 0, heard: false }
    }

    pub(super) fn on_news(&mut self, news: OscNews, now: MonoTime) {
        match news {
            OscNews::Position { song, at } => {
                self.heard = true;
                if song != self.song {
                    self.song = song;
                    self.line.on_located(now, at);
                }
                self.line.on_tick(now, at);
            }
            OscNews::Start => {}
            OscNews::Stop => self.line.on_stopped(now),
        }
    }

    pub(super) fn on_lost(&mut self, at: MonoTime) {
        self.line.on_lost(at);
    }

    pub(super) fn report(&self, now: MonoTime) -> Option<PositionReport> {
        let number = self.song;
        self.heard
            .then(|| self.line.point(now))
            .flatten()
            .map(|p| report(SourceKind::Osc, &p, ShowPosition::Song { number, at: p.position }))
    }
}

/// A point of a line as a beat carries it.
pub(super) fn report(source: SourceKind, p: &LinePoint, position: ShowPosition) -> PositionReport {
    PositionReport {
        source,
        state: p.state,
        position,
        at: RemoteTime::of_sender(p.at),
        speed_ppb: p.speed_ppb,
        sigma: p.sigma,
        last_heard: RemoteTime::of_sender(p.last_heard),
        jumps: p.jumps,
    }
}
