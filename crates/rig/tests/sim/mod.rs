//! A small rig in virtual time, at the level of evidence: machines that beat, sound and fail, a switch and a tap.
//!
//! It is no copy of the watch: it says what the watch would find, with delays of its kind (a beat every 5 ms, a silence
//! known 6 ms after the missed beat was due, a stall 25 ms after the last quarter frame).
#![allow(dead_code)]

use base::{
    AudioState, ClockState, Db, Dbfs, Heard, Machine, MonoTime, PlayerState, Reading, Span, SwitchView, TransportState,
};
use twinkeel_rig::*;

pub const A: Machine = Machine::A;
pub const B: Machine = Machine::B;

pub const fn ms(n: i64) -> Span {
    Span::from_millis(n)
}

/// By which of the supervisor's own inputs a machine's code comes, where they alone hear it.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum CodeWay {
    /// As linear timecode, by the input that hears its sound.
    BesideSound,
    /// By MIDI, which has a plug of its own.
    Midi,
}

/// One simulated machine. Public fields are faults to set and take back.
#[derive(Clone, Debug)]
pub struct Box_ {
    /// The host has power and runs.
    pub host: bool,
    /// The network paths carry.
    pub cables: [bool; 2],
    /// Its agent runs (frozen or dead: false), and how its end shows.
    pub agent: bool,
    /// The agent's end was seen as FIN or RST.
    pub agent_fin: bool,
    /// Its player exists.
    pub player: bool,
    /// Its player is not frozen.
    pub player_runs: bool,
    /// It was told to roll.
    pub rolling: bool,
    /// Why it does not.
    pub cause: StopCause,
    /// Its code reaches the agent.
    pub code: bool,
    /// The code's port is gone (else a missing code is a stall).
    pub port: bool,
    /// Its audio callbacks run.
    pub callbacks: bool,
    /// All its channels were silenced.
    pub muted: bool,
    /// It puts out noise.
    pub noise: bool,
    /// It plays although its window, the process that is watched, is gone.
    pub engine_outlives: bool,
    /// Its agent has ears.
    pub ears: bool,
    /// No agent runs on it; `agent` then is the supervisor's own input.
    pub outside: Option<CodeWay>,
    /// Ahead of the show's clock by this much.
    pub ahead: Span,
    pub song: u16,
    pub section: u16,
    pub clock: ClockState,
    pub channels: ChannelTrouble,
    /// Trouble with its session's files.
    pub session: SessionTrouble,
    pub dropouts: u16,
    pub health: HostEvidence,
    pub paths: usize,
    pub level: f64,
    /// How much louder it is than its twin: programme, in-ear monitors.
    pub louder: [Option<Db>; 2],
    // What came of it.
    phase: i64,
    last_beat: Option<MonoTime>,
    last_sound: Option<MonoTime>,
    code_since: MonoTime,
    code_last: MonoTime,
    stopped_at: MonoTime,
    was_rolling: bool,
    silent_audio_since: Option<MonoTime>,
    ceased_since: Option<MonoTime>,
    player_gone_since: Option<MonoTime>,
}

impl Box_ {
    fn new(phase: i64, paths: usize) -> Box_ {
        Box_ {
            host: true,
            cables: [true; 2],
            agent: true,
            agent_fin: false,
            player: true,
            player_runs: true,
            rolling: true,
            cause: StopCause::None,
            code: true,
            port: true,
            callbacks: true,
            muted: false,
            noise: false,
            engine_outlives: false,
            ears: true,
            outside: None,
            ahead: Span::ZERO,
            song: 1,
            section: 1,
            clock: ClockState::Tracking,
            channels: ChannelTrouble::None,
            session: SessionTrouble::None,
            dropouts: 0,
            health: HostEvidence::default(),
            paths,
            level: -12.0,
            louder: [None; 2],
            phase,
            last_beat: None,
            last_sound: None,
            code_since: MonoTime::ZERO,
            code_last: MonoTime::ZERO,
            stopped_at: MonoTime::ZERO,
            was_rolling: true,
            silent_audio_since: None,
            ceased_since: None,
            player_gone_since: None,
        }
    }
    fn plays(&self) -> bool {
        self.host && self.player_runs && (self.player || self.engine_outlives) && self.rolling && self.callbacks
    }
    pub fn freeze_player(&mut self) {
        self.player_runs = false;
    }
    pub fn kill_player(&mut self) {
        self.player = false;
    }
    pub fn stop(&mut self, cause: StopCause) {
        self.rolling = false;
        self.cause = cause;
    }
}

pub struct Sim {
    pub now: MonoTime,
    pub boxes: Vec<Box_>,
    pub ev: RigEvidence,
    pub judge: Judge,
    pub on: Machine,
    /// The switch answers, obeys, and has a tap.
    pub replies: bool,
    pub obeys: bool,
    pub obeys_from_try: u8,
    pub tap: bool,
    /// The tap's plug is out: it brings silence.
    pub unplugged: bool,
    /// Each player sends a pilot.
    pub pilot: bool,
    /// The lines behind the offset have not followed yet: it is still this much less than it will be.
    pub lag: Span,
    pub half: bool,
    pub link_down: bool,
    /// The music: whether there is sound at this show time.
    pub music: fn(Span) -> bool,
    moves_at: Option<(MonoTime, Machine)>,
    last_reply: MonoTime,
    pub log: Vec<(MonoTime, Action)>,
    pub frozen_until: MonoTime,
    asked: Option<RigEvidence>,
}

fn always(_: Span) -> bool {
    true
}

/// Acting, everything well, on air A; the supervisor has been there for five seconds.
pub fn acting(setup: Setup) -> Sim {
    let mut s = Sim::new(setup, Memory { mode: Mode::Act, ..Memory::default() }, 1);
    s.run(ms(5_000));
    assert!(s.judge.view(&s.ev, s.now).armed, "the rig is ready: {:?}", s.judge.view(&s.ev, s.now));
    s.log.clear();
    s
}
pub fn plain() -> Sim {
    acting(Setup::new(2))
}

impl Sim {
    pub fn new(setup: Setup, memory: Memory, paths: usize) -> Sim {
        let n = setup.machines;
        let now = MonoTime::from_nanos(1_000_000_000_000);
        let mut ev = RigEvidence::default();
        for _ in 0..n {
            ev.machines.push(MachineEvidence::default());
        }
        Sim {
            now,
            boxes: (0..n).map(|i| Box_::new(i as i64 * 2 + 1, paths)).collect(),
            ev,
            judge: Judge::new(setup, memory, now),
            on: A,
            replies: true,
            obeys: true,
            obeys_from_try: 0,
            tap: true,
            unplugged: false,
            pilot: false,
            lag: Span::ZERO,
            half: false,
            link_down: false,
            music: always,
            moves_at: None,
            last_reply: MonoTime::ZERO,
            log: Vec::new(),
            frozen_until: MonoTime::ZERO,
            asked: None,
        }
    }

    pub fn a(&mut self) -> &mut Box_ {
        &mut self.boxes[0]
    }
    pub fn b(&mut self) -> &mut Box_ {
        &mut self.boxes[1]
    }
    pub fn on_air(&mut self) -> &mut Box_ {
        let i = self.on.index();
        &mut self.boxes[i]
    }

    /// Whether the box's output carries a non-zero sample now.
    fn sounds(&self, b: &Box_) -> bool {
        b.host && (b.noise || b.plays() && !b.muted && (self.music)((self.now - MonoTime::ZERO) + b.ahead))
    }

    /// A millisecond of every machine's life, and what the watch finds of it.
    fn live(&mut self) {
        let now = self.now;
        let tick = now.nanos() as i64 / 1_000_000;
        for i in 0..self.boxes.len() {
            let sounds = self.sounds(&self.boxes[i]);
            let b = &mut self.boxes[i];
            if b.host && sounds {
                b.last_sound = Some(now);
            }
            let code = b.plays_code();
            if code {
                if !b.was_rolling {
                    b.code_since = now;
                }
                b.code_last = now;
            } else if b.was_rolling {
                b.stopped_at = now;
            }
            b.was_rolling = code;
            let ceased = b.host && (!b.callbacks || !b.player_runs || !(b.player || b.engine_outlives));
            let mark = |flag: bool, since: &mut Option<MonoTime>| {
                if flag {
                    since.get_or_insert(now);
                } else {
                    *since = None;
                }
            };
            mark(ceased, &mut b.ceased_since);
            mark(b.muted, &mut b.silent_audio_since);
            mark(!b.player, &mut b.player_gone_since);
            let path = (0..b.paths).filter(|p| b.cables[*p]).count();
            let reaches = path > 0 && !self.link_down && now >= self.frozen_until;
            let e = &mut self.ev.machines[i];
            if b.host && b.agent && reaches && tick.rem_euclid(5) == b.phase.rem_euclid(5) {
                b.last_beat = Some(now);
                let keep = now + ms(1_000);
                let read = |t| Some(Reading { value: t, as_of: now, expires: keep });
                e.heard = if path < b.paths { Heard::OnePath } else { Heard::Well };
                e.first_missed = None;
                e.last_sent = Some(now);
                e.paths = b.paths as u8;
                e.paths_alive = path as u8;
                e.player = Some(Reading {
                    value: if b.player { PlayerState::Running } else { PlayerState::Gone },
                    as_of: now,
                    expires: keep,
                });
                let (state, since) = if !b.port {
                    (TransportState::Lost, b.code_last)
                } else if code {
                    (TransportState::Rolling, b.code_since)
                } else if !b.rolling && b.player_runs && b.player {
                    (TransportState::Stopped, b.stopped_at)
                } else if now - b.code_last >= ms(25) {
                    (TransportState::Stalled, b.code_last)
                } else {
                    (TransportState::Rolling, b.code_since)
                };
                e.transport = Some(Reading { value: state, as_of: now, expires: keep });
                e.transport_since = since;
                e.stop_cause = if state == TransportState::Stopped { b.cause } else { StopCause::None };
                let lasted = |s: Option<MonoTime>| s.is_some_and(|t| now - t >= ms(20));
                let audio = if b.noise {
                    AudioState::Wrong
                } else if lasted(b.ceased_since) {
                    AudioState::Ceased
                } else if lasted(b.silent_audio_since) && b.last_sound.is_some_and(|t| now - t < ms(2_000)) {
                    AudioState::Silent
                } else if b.last_sound.is_some_and(|t| now - t < ms(10)) {
                    AudioState::Sounding
                } else if b.last_sound.is_some_and(|t| (ms(20)..ms(2_000)).contains(&(now - t))) {
                    // A rest in the music silences all channels at once, as a fault does.
                    AudioState::Silent
                } else {
                    AudioState::Quiet
                };
                e.audio = b.ears.then_some(Reading { value: audio, as_of: now, expires: keep });
                e.last_sound = if b.ears { b.last_sound } else { None };
                e.clock = b.clock;
                e.place = read(()).filter(|_| b.port).map(|r| Reading {
                    value: Place { song: b.song, section: b.section, at: (now - MonoTime::ZERO) + b.ahead },
                    as_of: r.as_of,
                    expires: r.expires,
                });
                e.pilot = self.pilot.then_some(Reading {
                    value: b.player_runs && b.callbacks && !b.muted,
                    as_of: now,
                    expires: keep,
                });
                e.channels = b.channels;
                e.session = b.session;
                e.dropouts = b.dropouts;
                e.host = b.health;
                e.level = b.ears.then_some(Dbfs(b.level));
                [e.louder, e.ears_louder] = b.louder;
                if let Some(way) = b.outside {
                    let (beside, midi) = (way == CodeWay::BesideSound, way == CodeWay::Midi);
                    e.player = None;
                    e.host = HostEvidence::default();
                    // An interface hears on: what ends is silent.
                    if let Some(a) = e.audio.as_mut().filter(|a| a.value == AudioState::Ceased) {
                        a.value = AudioState::Silent;
                    }
                    e.outside = Some(Outside {
                        ways: 1 + u8::from(midi),
                        proven: true,
                        code_beside_sound: beside && state == TransportState::Rolling && now - b.code_last <= ms(50),
                        beside_last: beside.then_some(b.code_last),
                        other_ended: (midi && state == TransportState::Stalled).then_some(b.code_last),
                    });
                }
            } else if !b.agent && (b.outside.is_some() || b.host && b.agent_fin && path > 0 && !self.link_down) {
                e.heard = Heard::AgentLost;
            } else if let Some(last) = b.last_beat
                && !matches!(e.heard, Heard::AgentLost)
                && now - last >= ms(11)
                && now >= self.frozen_until
            {
                e.heard = Heard::Silent;
                e.first_missed = Some(last + ms(5));
                e.paths_alive = 0;
            }
        }
        // Offsets, while both roll and are heard.
        let rolls = |e: &MachineEvidence| {
            matches!(e.heard, Heard::Well | Heard::OnePath)
                && e.transport.and_then(|r| r.fresh(now)) == Some(TransportState::Rolling)
        };
        let ref_rolls = rolls(&self.ev.machines[0]);
        for i in 0..self.boxes.len() {
            let lag = if i == 0 { Span::ZERO } else { self.lag };
            let d = self.boxes[i].ahead - self.boxes[0].ahead - lag;
            let e = &mut self.ev.machines[i];
            let same = self.boxes[i].song == self.boxes[0].song && e.clock == ClockState::Tracking;
            e.offset = (ref_rolls && rolls(e) && same).then_some(Reading {
                value: Offset { value: d, bound: Span::from_micros(300) },
                as_of: now,
                expires: now + ms(300),
            });
        }
        // The switch.
        if let Some((t, to)) = self.moves_at
            && now >= t
        {
            self.moves_at = None;
            if self.obeys {
                self.on = to;
                self.last_reply = MonoTime::ZERO;
            }
        }
        let s = &mut self.ev.switch;
        s.has_tap = self.tap;
        if self.replies && now - self.last_reply >= ms(100) && now >= self.frozen_until {
            self.last_reply = now;
            let value = if self.half { SwitchView::Conflict } else { SwitchView::On(self.on) };
            s.reply = Some(Reading { value, as_of: now, expires: now + ms(500) });
        }
        if self.tap && now >= self.frozen_until {
            let b = &self.boxes[self.on.index()];
            if b.host && b.last_sound == Some(now) && !self.unplugged {
                s.tap_last_sound = Some(now);
            }
            if self.pilot && b.plays() && !b.muted && !self.unplugged {
                s.tap = Some(Reading { value: SwitchView::On(self.on), as_of: now, expires: now + ms(300) });
                s.tap_by_pilot = true;
            }
        }
        self.ev.supervisor.own_link_down = self.link_down;
    }

    fn judge_now(&mut self) {
        self.asked = Some(self.ev.clone());
        let mut out = Actions::new();
        self.judge.on_evidence(&self.ev, self.now, &mut out);
        self.take(out);
    }

    fn take(&mut self, out: Actions) {
        for a in out {
            match a {
                Action::Changeover { to, .. } => {
                    self.ev.switch.commanded = Some((to, self.now));
                    if self.obeys_from_try == 0 {
                        self.moves_at = Some((self.now + ms(3), to));
                    }
                }
                Action::NextOutput { to, tried, .. } if tried >= self.obeys_from_try => {
                    self.moves_at = Some((self.now + ms(3), to));
                }
                _ => {}
            }
            self.log.push((self.now, a));
        }
    }

    /// Runs for this long; the judge is asked when evidence changed and at each of its own deadlines.
    pub fn run(&mut self, span: Span) {
        let end = self.now + span;
        while self.now < end {
            let tick = self.now + ms(1);
            while let Some(d) = self.judge.next_deadline().filter(|d| *d > self.now && *d < tick) {
                if self.now >= self.frozen_until {
                    self.now = d;
                    self.judge_now();
                } else {
                    break;
                }
            }
            self.now = tick;
            self.live();
            // As the watch does: asked only when something changed, or at the judge's own deadline.
            let due = self.judge.next_deadline().is_some_and(|d| d <= self.now);
            if self.now >= self.frozen_until && (due || self.asked.as_ref() != Some(&self.ev)) {
                self.judge_now();
            }
        }
    }

    pub fn act(&mut self, act: Act) -> ActAnswer {
        let mut out = Actions::new();
        let answer = self.judge.on_act(act, &self.ev, self.now, &mut out);
        self.take(out);
        self.judge_now();
        answer
    }

    pub fn view(&self) -> RigView {
        self.judge.view(&self.ev, self.now)
    }

    // What came of it.

    pub fn changeovers(&self) -> Vec<(MonoTime, Machine, Rule)> {
        let f = |(t, a): &(MonoTime, Action)| match a {
            Action::Changeover { to, rule, .. } => Some((*t, *to, *rule)),
            _ => None,
        };
        self.log.iter().filter_map(f).collect()
    }
    pub fn proposals(&self) -> Vec<(MonoTime, Machine, Rule)> {
        let f = |(t, a): &(MonoTime, Action)| match a {
            Action::Propose { to, rule, .. } => Some((*t, *to, *rule)),
            _ => None,
        };
        self.log.iter().filter_map(f).collect()
    }
    pub fn raised(&self) -> Vec<(AlarmCode, Option<Machine>)> {
        let f = |(_, a): &(MonoTime, Action)| match a {
            Action::Alarm(c) if c.transition == Transition::Raised => Some((c.code, c.machine)),
            _ => None,
        };
        self.log.iter().filter_map(f).collect()
    }
    pub fn raised_at(&self, code: AlarmCode) -> Option<(MonoTime, AlarmChange)> {
        self.log.iter().find_map(|(t, a)| match a {
            Action::Alarm(c) if c.transition == Transition::Raised && c.code == code => Some((*t, *c)),
            _ => None,
        })
    }
    /// One changeover, to B, by this rule; how long after `since`.
    pub fn one_changeover(&self, rule: Rule, since: MonoTime) -> Span {
        let all = self.changeovers();
        assert_eq!(
            all.len(),
            1,
            "one changeover: {all:?}; alarms {:?}; proposals {:?}",
            self.raised(),
            self.proposals()
        );
        assert_eq!((all[0].1, all[0].2), (B, rule));
        assert_eq!(self.on, B);
        all[0].0 - since
    }
    pub fn nothing_moved(&self) {
        assert_eq!(self.changeovers(), vec![], "alarms {:?}", self.raised());
        assert_eq!(self.on, A);
    }
    /// The alarms raised, exactly these (in any order).
    pub fn alarms_are(&self, want: &[(AlarmCode, Option<Machine>)]) {
        let mut got = self.raised();
        let mut want = want.to_vec();
        got.sort();
        want.sort();
        assert_eq!(got, want);
    }
}

impl Box_ {
    fn plays_code(&self) -> bool {
        self.host && self.player_runs && (self.player || self.engine_outlives) && self.rolling && self.code && self.port
    }
}
