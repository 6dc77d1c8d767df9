//! A simulated playback computer: player, agent, network cards and a clock of its own.

use agent::core::{AgentCore, SoundFormat};
use base::{Machine, MonoTime, PlayerState, RigId, Span};
use settings::agent::{Trigger, TriggerWhat};
use settings::rig::HeardBy;
use wire::{Initiator, KeyPair, Lane, MAX_BEAT, Responder, Session, SourceFlags};

use super::desk::Desk;
use super::post::{Post, What};
use crate::engine::{BLOCK, Command, Engine, EngineConfig, Out};
use crate::filler::Filler;
use crate::scenario::{RigSetup, Show};
use crate::show::{CHANNELS, FRAME_RATE, PILOT, PILOT_TONES, SAMPLE_RATE, TIMECODE, pad};
use crate::weather::{Sky, Weather};

const BEAT: Span = Span::from_millis(5);
/// A datagram, a TCP segment or a block on a wire takes this long in fair weather.
pub const WIRE: Span = Span::from_micros(60);
/// A process's end is noticed by its neighbours after this long (measured with real ones: 2 ms).
pub const NOTICED: Span = Span::from_millis(2);
const RIG: RigId = RigId([7; 16]);

/// One playback computer. Public fields are what can break.
pub struct Host {
    machine: Machine,
    engine: Engine,
    engine_config: EngineConfig,
    core: AgentCore,
    session: Option<Session>,
    keys: KeyPair,
    supervisor_keys: KeyPair,
    next_session: u32,
    /// Its monotonic clock minus ours.
    pub clock_ahead: Span,
    /// How long it has slept, by its own word.
    pub slept: Span,
    beat_due: MonoTime,
    paths: usize,
    sky: [[Sky; 2]; 2],
    /// The weather on its paths.
    pub weather: Weather,
    /// No agent runs on it: the supervisor's own inputs hear it, on the supervisor's clock, by an interface that also hears nothing.
    pub outside: bool,
    filler: Filler,
    /// That interface is there.
    pub interface: bool,
    /// The plug of its sound is in there.
    pub plugged: bool,
    /// It has power.
    pub powered: bool,
    /// Its player's process is there.
    pub player: bool,
    /// Its player stands still.
    pub player_frozen: bool,
    /// Its agent's process is there.
    pub agent: bool,
    /// Its agent stands still.
    pub agent_frozen: bool,
    /// Paths that are cut.
    pub cut: [bool; 2],
    /// The tap knows it by a pilot.
    pilots: bool,
    /// Its reliable lanes are cut.
    pub lanes_cut: bool,
    /// Flags forced upon its agent's view of the host.
    pub host_flags: wire::HostFlags,
    /// Flags forced upon its agent's view of the sources.
    pub source_flags: SourceFlags,
}

impl Host {
    /// A computer switched on at `now`.
    pub fn new(machine: Machine, rig: &RigSetup, seed: u64, now: MonoTime) -> Host {
        let i = machine.index();
        let outside = rig.heard_by == HeardBy::Supervisor;
        let engine_config = EngineConfig {
            show: seed,
            own: seed.wrapping_mul(31).wrapping_add(i as u64),
            crystal: rig.crystals[i],
            start_skew: rig.start_skew[i].0,
            midi_jitter: rig.midi_jitter.0,
            midi_clump: rig.midi_clump,
            level: base::Db(0.0),
            pilot: PILOT_TONES[i],
        };
        // Keys that cannot be made mean a system without randomness: nothing else would work either.
        let pair = |n: u8| key_pair(seed, machine, n);
        Host {
            machine,
            engine: Engine::new(engine_config, now),
            engine_config,
            core: new_core(engine_config, outside, rig.pilots),
            pilots: rig.pilots,
            session: None,
            keys: pair(1),
            supervisor_keys: pair(2),
            next_session: 1 + i as u32 * 1_000,
            clock_ahead: if outside { Span::ZERO } else { Span::from_millis(7_000 + 13_500 * i as i64) },
            slept: Span::ZERO,
            beat_due: now + Span::from_micros(1_700 * i as i64),
            paths: if outside { 1 } else { rig.paths.into() },
            sky: std::array::from_fn(|p| {
                std::array::from_fn(|d| Sky::new(seed ^ (i as u64 * 64 + p as u64 * 8 + d as u64)))
            }),
            weather: rig.weather,
            outside,
            filler: Filler::new(now),
            interface: true,
            plugged: true,
            powered: true,
            player: true,
            player_frozen: false,
            agent: true,
            agent_frozen: false,
            cut: [false; 2],
            lanes_cut: false,
            host_flags: wire::HostFlags::NONE,
            source_flags: SourceFlags::NONE,
        }
    }

    fn own(&self, at: MonoTime) -> MonoTime {
        at + self.clock_ahead
    }
    fn agent_works(&self) -> bool {
        (self.powered || self.outside) && self.agent && !self.agent_frozen
    }
    fn player_works(&self) -> bool {
        self.powered && self.player && !self.player_frozen
    }

    /// Whether its agent can reach the supervisor by the reliable lanes.
    pub fn reaches(&self) -> bool {
        self.agent_works() && !self.lanes_cut
    }

    /// When it wants to be served next.
    pub fn next_due(&self) -> MonoTime {
        let player = if self.player_works() { self.engine.next_deadline() } else { MonoTime::FAR };
        let agent = if self.agent_works() { self.beat_due } else { MonoTime::FAR };
        let interface = if self.outside { self.filler.due() } else { MonoTime::FAR };
        player.min(agent).min(interface)
    }

    /// The player plays what is due: to its agent, and to the switch if it is on air.
    pub fn play(&mut self, now: MonoTime, on_air: bool, post: &mut Post) {
        self.hear_nothing(now);
        if !self.player_works() || self.engine.next_deadline() > now {
            return;
        }
        let hears = self.agent_works() && self.interface;
        let (core, ahead, machine) = (&mut self.core, self.clock_ahead, self.machine);
        let (filler, plugged, pilots) = (&mut self.filler, self.plugged, self.pilots);
        self.engine.on_time(now, &mut |out| match out {
            Out::Midi { at, bytes } => {
                if hears {
                    core.on_midi(0, bytes, at + ahead);
                }
            }
            Out::Pcm { at, frames } => {
                filler.on_block(at, now);
                let plug = if plugged { 1.0 } else { 0.0 };
                if hears {
                    core.on_pcm(at + ahead, frames.iter().flatten().map(|s| s * plug));
                }
                if on_air {
                    let heard = |f: &crate::synth::Frame| {
                        f.iter().enumerate().any(|(c, s)| c != TIMECODE && c != PILOT && *s != 0.0 && s.is_finite())
                    };
                    let last = frames.iter().rposition(heard);
                    let last_sound = last.map(|i| at + base::Samples(i as f64).at(SAMPLE_RATE));
                    let pilot = (pilots && frames.iter().any(|f| f[PILOT] != 0.0)).then_some(machine);
                    // Where there are pilots, nobody needs the code.
                    let code = if pilots { Vec::new() } else { frames.iter().map(|f| f[TIMECODE]).collect() };
                    post.put(now + WIRE, What::Tap { at, last_sound, pilot, code });
                }
            }
        });
    }

    /// An interface hears on when nothing comes to it.
    fn hear_nothing(&mut self, now: MonoTime) {
        while self.outside
            && let Some(at) = self.filler.zeros_due(now)
        {
            if self.interface && self.agent_works() {
                self.core.on_pcm(at, std::iter::repeat_n(0.0, BLOCK * CHANNELS.len()));
            }
        }
    }

    /// The interface that hears it is unplugged, or there again.
    pub fn interface_is(&mut self, there: bool, now: MonoTime) {
        self.interface = there;
        self.core.on_source(SourceFlags::FEED_OPEN, there, now);
        self.core.on_midi_input(0, there, now);
    }

    /// The agent beats if it is time.
    pub fn beat(&mut self, now: MonoTime, post: &mut Post) {
        if now < self.beat_due || !self.agent_works() {
            return;
        }
        let late = now - self.beat_due;
        self.beat_due = if late > BEAT { now + BEAT } else { self.beat_due + BEAT };
        self.core.on_host(self.host_flags);
        let own = self.own(now);
        self.core.on_slept(self.slept, own);
        let mut beat = self.core.beat(own, Span::ZERO);
        beat.sources.0 |= self.source_flags.0;
        for up in self.core.take_news() {
            if !self.lanes_cut {
                post.put(now + WIRE, What::Up { machine: self.machine, up });
            }
        }
        for path in 0..self.paths {
            beat.echo = self.core.echo(path);
            let lane = if path == 0 { Lane::Path1 } else { Lane::Path2 };
            let mut out = [0u8; MAX_BEAT];
            let Some(len) = self.session.as_mut().and_then(|s| s.seal_beat(lane, &beat, &mut out).ok()) else { return };
            let machine = self.machine;
            self.send(path, 0, now, |at| post.put(at, What::Beat { machine, path, bytes: out[..len].to_vec() }));
        }
    }

    /// Carries a datagram to this machine (the weather may lose or double it).
    pub fn carry(&mut self, path: usize, now: MonoTime, put: impl FnMut(MonoTime)) {
        if self.powered {
            self.send(path, 1, now, put);
        }
    }

    fn send(&mut self, path: usize, direction: usize, now: MonoTime, mut put: impl FnMut(MonoTime)) {
        if self.cut[path] {
            return;
        }
        let fate = self.sky[path][direction].fate(&self.weather, now);
        for late in [fate.first, fate.second].into_iter().flatten() {
            put(now + WIRE + late);
        }
    }

    /// A reply arrived.
    pub fn on_reply(&mut self, path: usize, bytes: &[u8], now: MonoTime) {
        if !self.agent_works() || self.cut[path] {
            return;
        }
        let lane = if path == 0 { Lane::Path1 } else { Lane::Path2 };
        if let Some(reply) = self.session.as_mut().and_then(|s| s.open_reply(lane, bytes).ok()) {
            self.core.on_reply(path, &reply, self.clock_ahead_at(now));
        }
    }

    fn clock_ahead_at(&self, now: MonoTime) -> MonoTime {
        self.own(now)
    }

    /// Agrees on a session with the supervisor: the real handshake.
    pub fn connect(&mut self, desk: &mut Desk, _now: MonoTime) {
        self.next_session += 1;
        let agreed =
            Initiator::start(&self.keys.secret, &self.supervisor_keys.public, RIG).and_then(|(initiator, knock)| {
                let responder = Responder::read(&self.supervisor_keys.secret, RIG, &knock)?;
                let (theirs, answer) = responder.accept(self.next_session)?;
                Ok((initiator.finish(&answer)?, theirs))
            });
        if let Ok((ours, theirs)) = agreed {
            self.core.on_session();
            self.session = Some(ours);
            desk.on_session(self.machine, theirs);
        }
    }

    /// The show, by its pads.
    pub fn command(&mut self, show: Show, now: MonoTime, ahead: Span) {
        if !self.player_works() {
            return;
        }
        let at = Some(now + ahead);
        self.tell(
            match show {
                Show::Load(song) => Command::Load { song },
                Show::Start => Command::Play { at, heard: true },
                Show::Stop => Command::Stop { at, heard: true },
            },
            now,
        );
    }

    /// Tells its player something.
    pub fn tell(&mut self, command: Command, now: MonoTime) {
        self.engine.on_command(command, now);
    }

    /// Where its player is: song and time into it.
    pub fn place(&self, now: MonoTime) -> (u16, Span) {
        self.engine.place(now)
    }

    /// Its player's process ends; its agent notices.
    pub fn player_ends(&mut self, now: MonoTime) {
        self.player = false;
        self.tell_agent_of_player(now, false);
    }

    /// Its player's process ends as far as anybody can see.
    pub fn player_seems_gone(&mut self, now: MonoTime) {
        let own = self.own(now);
        if !self.outside {
            self.core.on_player(PlayerState::Gone, own);
        }
    }

    fn tell_agent_of_player(&mut self, now: MonoTime, there: bool) {
        if self.outside || !(self.powered && self.agent) {
            return;
        }
        let own = self.own(now);
        self.core.on_player(if there { PlayerState::Running } else { PlayerState::Gone }, own);
        self.core.on_source(SourceFlags::FEED_OPEN, there, own);
    }

    /// A new player process, stopped at the beginning of the first song.
    pub fn player_starts(&mut self, now: MonoTime) {
        self.engine = Engine::new(self.engine_config, now);
        self.player = true;
        self.player_frozen = false;
        self.tell_agent_of_player(now, true);
    }

    /// A new agent process, which has heard nothing yet.
    pub fn agent_starts(&mut self, now: MonoTime) {
        self.core = new_core(self.engine_config, self.outside, self.pilots);
        self.session = None;
        self.agent = true;
        self.agent_frozen = false;
        self.beat_due = now + BEAT;
        if !self.player && !self.outside {
            let own = self.own(now);
            self.core.on_player(PlayerState::Gone, own);
            self.core.on_source(SourceFlags::FEED_OPEN, false, own);
        }
    }
}

fn new_core(config: EngineConfig, outside: bool, pilots: bool) -> AgentCore {
    let triggers = [(TriggerWhat::Start, pad::START), (TriggerWhat::Stop, pad::STOP), (TriggerWhat::Jump, pad::LOAD)];
    let mut core = AgentCore::new(triggers.map(|(what, note)| Trigger { what, channel: pad::CHANNEL, note }).to_vec());
    core.on_format(SoundFormat {
        rate: SAMPLE_RATE,
        channels: CHANNELS.map(String::from).to_vec(),
        timecode: Some(TIMECODE),
        ltc_rate: Some(FRAME_RATE),
        pilot: pilots.then_some(config.pilot),
        floor: None,
        outside,
        exact_stamps: true,
    });
    if !outside {
        core.on_player(PlayerState::Running, MonoTime::ZERO);
    }
    core.on_source(SourceFlags::FEED_WANTED, true, MonoTime::ZERO);
    core.on_source(SourceFlags::FEED_OPEN, true, MonoTime::ZERO);
    core
}

/// A pair from the seed, so that a run is repeatable to the byte.
fn key_pair(seed: u64, machine: Machine, n: u8) -> KeyPair {
    let mut bytes = [0u8; 32];
    for (i, b) in bytes.iter_mut().enumerate() {
        *b = crate::seed::at(seed, 0x6b00 + u32::from(n), (machine.index() * 32 + i) as i64) as u8;
    }
    let secret = wire::SecretKey::new(bytes);
    let public = secret.public().unwrap_or(wire::PublicKey::new([0; 32]));
    KeyPair { secret, public }
}
