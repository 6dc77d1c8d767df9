//! The states that a rig can be in, with invented songs, machines and people.

use base::{
    AudioState, ClockState, Db, Dbfs, Heard, Machine, Millis, MonoTime, PlayerState, Ppm, Reading, Samples, Span,
    TransportState, WallTime,
};
use twinkeel_supervisor::page::MarkKind;
use twinkeel_supervisor::snapshot::*;

use crate::channels;

pub const NAMES: [&str; 21] = [
    "ready",
    "only-a",
    "drifting",
    "no-standby",
    "out-of-service",
    "latched",
    "mended",
    "proposal",
    "unknown",
    "conflict",
    "cut-off",
    "players-lost",
    "apart",
    "first-start",
    "three",
    "many-alarms",
    "unconfirmed",
    "stale",
    "one-machine",
    "sounds-differ",
    "many-channels",
];

pub struct Scene {
    pub snapshot: Snapshot,
    pub offset: Millis,
    /// µs per s.
    pub slope: f64,
    pub step: Option<(Span, Millis)>,
    pub hole: Option<(Span, Span)>,
    pub offset_hidden: bool,
    pub jump_is_offset: bool,
    pub switch_obeys: bool,
    pub stale: bool,
    pub marks: Vec<(Span, MarkKind, Option<Letter>, &'static str)>,
}

const A: Letter = Letter(Machine::A);
const B: Letter = Letter(Machine::B);

pub fn scene(name: &str, now: MonoTime, wall: WallTime) -> Option<Scene> {
    let mut s = ready(now, wall);
    let w = WallTime(wall.0 - 42_000_000_000);
    let at = now - Span::from_secs(42);
    let alarm = |id, code: &str, machine, priority, text: &str, advice: &str| AlarmView {
        id,
        code: code.into(),
        machine,
        priority,
        state: AlarmState::Unacknowledged,
        text: text.into(),
        advice: advice.into(),
        since: at,
        since_wall: w,
        acknowledged_by: None,
        shelved_until: None,
    };
    match name {
        "ready" => {}
        "only-a" => {
            let levels = s.machine(B).levels.iter_mut().flat_map(|l| &mut l.value);
            levels.for_each(|l| (l.peak, l.rms) = (base::Dbfs::SILENCE, base::Dbfs::SILENCE));
        }
        "sounds-differ" => {
            channels::differ(s.machine(B), now, wall);
            let text = "B's sound is not like A's. B's `choir` is silent where A's is not.";
            let advice = "Look at that channel on B: a mute, a cable, another bounce.";
            let a = alarm(31, "sound-differs", Some(B), Priority::Medium, text, advice);
            s.snapshot.alarms = vec![a];
        }
        "many-channels" => s.snapshot.machines.iter_mut().for_each(|m| channels::sixty_four(m, now)),
        "drifting" => {
            (s.offset, s.slope) = (Millis(6.6), 21.0);
            let o = &mut s.snapshot.offsets[0];
            o.text = "A is 6.6 ms ahead of B and gains on it.".into();
            o.hints = vec![CauseHint {
                code: "own-crystals".into(),
                text: "A and B drift apart steadily by 21.0 ± 0.4 ppm: their interfaces run on crystals of their own. Lock both to one word clock.".into(),
            }];
            o.forecast = Some(Forecast {
                limit: Millis(8.1),
                within: Span::from_secs(71),
                earliest: Span::from_secs(64),
                latest: Some(Span::from_secs(80)),
                text: "reaches 5 ms in 1 min 11 s (1 min 4 s to 1 min 20 s)".into(),
            });
            s.headline("takeover-drifting", Tone::Abnormal, "B can take over now: you would hear 7 ms, and it grows.");
            s.takeover_text(true, "You would hear a jump of 7 ms.");
            s.machine(B).fitness = Fitness::Degraded;
            s.machine(B).reasons = vec![reason("drift", "Falls behind A: warning in 71 s.")];
            s.snapshot.alarms = vec![alarm(
                1,
                "drift",
                Some(B),
                Priority::Low,
                "B falls behind A: 6.6 ms and growing.",
                "Start both again in the next gap.",
            )];
            s.marks = vec![
                (Span::from_secs(210), MarkKind::SongStart, None, "song 2 began"),
                (Span::from_secs(120), MarkKind::Dropout, Some(B), "B lost 3 blocks"),
            ];
        }
        "no-standby" => {
            s.headline("standby-silent", Tone::Danger, "B cannot take over: it is silent on every path.");
            s.gone(B, "Silent on every path since 42 s.");
            s.snapshot.alarms = vec![alarm(
                1,
                "standby-gone",
                Some(B),
                Priority::High,
                "B is gone: nothing is heard from it.",
                "Look at its power and its network cables.",
            )];
        }
        "out-of-service" => {
            let m = s.machine(B);
            m.role = Role::OutOfService;
            m.out_of_service = Some("by Mara since 17:20".into());
            s.rejudge();
        }
        "latched" | "mended" => {
            s.snapshot.on_air = Some(B);
            s.snapshot.mode = Mode::Act;
            s.snapshot.latched = Some(Latched {
                since: at,
                text: "Changed over to B 42 s ago: A fell silent on every path.".into(),
                release_offered: name == "mended",
            });
            s.machine(B).role = Role::OnAir;
            s.machine(A).role = Role::Standby;
            s.snapshot.switch.text = "on B, said by its reply and heard on the tap".into();
            let text = "Timecode: 1 frame lost at the changeover, none twice.".into();
            s.snapshot.code_cut = Some(CodeCutView { at, to: B, lost: 1, repeated: 0, text });
            s.marks = vec![(Span::from_secs(42), MarkKind::Changeover, Some(B), "B on air")];
            s.snapshot.events.insert(
                0,
                event(
                    90,
                    at,
                    w,
                    Tone::Abnormal,
                    "Changed over to B: A fell silent on every path. The audience heard a gap of 11 ms.",
                    None,
                ),
            );
            s.snapshot.takeovers[0].to = A;
            if name == "latched" {
                s.gone(A, "Silent on every path since 42 s.");
                s.hole = Some((Span::from_secs(42), Span::ZERO));
                s.headline("latched-alone", Tone::Danger, "B is on air alone: A is silent on every path.");
                s.snapshot.alarms = vec![alarm(
                    1,
                    "machine-gone",
                    Some(A),
                    Priority::High,
                    "A is gone: nothing is heard from it.",
                    "Look at its power and its network cables.",
                )];
            } else {
                s.snapshot.song = None;
                s.headline(
                    "latched-ready",
                    Tone::Action,
                    "A is back and in step. Release the latch to be protected again.",
                );
                let mut gone = alarm(1, "machine-gone", Some(A), Priority::High, "A was gone.", "");
                gone.state = AlarmState::ReturnedToNormal;
                s.snapshot.alarms = vec![gone];
            }
        }
        "proposal" => {
            s.snapshot.mode = Mode::Propose;
            s.snapshot.proposal = Some(Proposal {
                id: 7,
                to: B,
                text: "Put B on air? A's timecode stands still, its sound goes on. You would hear 3 ms.".into(),
            });
            s.headline("proposal", Tone::Action, "Put B on air? A's timecode stands still.");
            s.machine(A).fitness = Fitness::Degraded;
            s.machine(A).reasons = vec![reason("stalled", "Timecode stands still since 0.4 s; sound goes on.")];
            s.machine(A).sources[0].state = TransportState::Stalled;
            s.snapshot.alarms = vec![alarm(
                1,
                "timecode-lost",
                Some(A),
                Priority::Medium,
                "A's timecode stands still.",
                "Outboard gear no longer follows.",
            )];
        }
        "unknown" | "conflict" => {
            s.snapshot.on_air = None;
            s.snapshot.machines.iter_mut().for_each(|m| m.role = Role::Unknown);
            s.snapshot.switch.conflict = name == "conflict";
            s.snapshot.switch.confirmed_at = None;
            s.snapshot.takeovers.insert(0, Takeover { to: A, ..s.snapshot.takeovers[0].clone() });
            if name == "unknown" {
                s.snapshot.switch.text = "no reply for 12 s, and no tap".into();
                s.headline("on-air-unknown", Tone::Danger, "Nobody knows what is on air: the switch does not answer.");
                s.takeover_text(false, "The switch does not answer: nothing is sure.");
                s.snapshot.switch.outputs[0].state = OutputState::Failed;
                s.snapshot.switch.outputs[0].text = "no answer".into();
            } else {
                s.snapshot.switch.text = "its reply says A, the tap carries B".into();
                s.headline(
                    "switch-conflict",
                    Tone::Danger,
                    "The switch says A, but B is what we hear. Nothing will move.",
                );
                s.takeover_text(false, "The switch contradicts itself.");
            }
            s.snapshot.alarms = vec![alarm(
                1,
                "switch",
                None,
                Priority::High,
                "The switch cannot be trusted.",
                "Listen to the stage feed; set the switch by hand.",
            )];
        }
        "cut-off" => {
            s.headline(
                "cut-off",
                Tone::Danger,
                "This supervisor is cut off: both machines fell silent at once. Nothing will move.",
            );
            for l in [A, B] {
                let m = s.machine(l);
                m.fitness = Fitness::Unknown;
                m.reasons = vec![reason("cut-off", "Not heard since 42 s, as everything else.")];
                m.link.heard = Heard::Silent;
                m.link.paths.iter_mut().for_each(|p| p.alive = false);
                m.levels = None;
                m.player = PlayerState::Unknown;
                m.audio = AudioState::Unknown;
            }
            s.takeover_text(false, "Nothing is known of either machine.");
            s.offset_hidden = true;
            s.snapshot.song = None;
            s.snapshot.offsets[0].text = "The offset is not known.".into();
            s.snapshot.alarms = vec![alarm(
                1,
                "cut-off",
                None,
                Priority::High,
                "Supervisor cut off from the rig.",
                "Look at this computer's own network cable.",
            )];
        }
        "players-lost" => {
            s.headline("both-players-lost", Tone::Danger, "Both players are gone. Nothing can take over.");
            for l in [A, B] {
                let m = s.machine(l);
                m.fitness = Fitness::Unfit;
                m.reasons = vec![reason("player-gone", "Its player is gone.")];
                m.player = PlayerState::Gone;
                m.audio = AudioState::Silent;
            }
            s.takeover_text(false, "B's player is gone too.");
            s.snapshot.alarms = vec![alarm(
                1,
                "players-lost",
                None,
                Priority::High,
                "Both players are gone.",
                "Start either player: whichever sounds first can go on air.",
            )];
        }
        "apart" => {
            s.offset = Millis(3941.0);
            s.headline("machines-disagree", Tone::Abnormal, "B cannot take over: it is in verse 2, A in the chorus.");
            s.takeover_text(false, "You would hear verse 2 instead of the chorus.");
            s.snapshot.takeovers[0].forced_text = "Timecode jumps from 02:01:23:11 back to 02:01:19:14.".into();
            s.machine(B).fitness = Fitness::Degraded;
            s.machine(B).reasons = vec![reason("elsewhere", "In verse 2, 3.9 s behind A: it missed the jump.")];
            s.snapshot.offsets[0].text = "A is 3.9 s ahead of B since a jump that B missed.".into();
            s.step = Some((Span::from_secs(42), Millis(0.0)));
            s.marks = vec![(Span::from_secs(42), MarkKind::Step, Some(B), "step of 3.9 s")];
            s.snapshot.alarms = vec![alarm(
                1,
                "machines-disagree",
                Some(B),
                Priority::Medium,
                "Machines disagree: B is in verse 2.",
                "Jump B to the chorus.",
            )];
        }
        "first-start" => {
            s.snapshot.title.clear();
            s.snapshot.mode = Mode::Observe;
            s.snapshot.on_air = None;
            s.headline("nothing-heard", Tone::Neutral, "No machine has been heard yet. Start an agent on each.");
            s.snapshot.song = None;
            s.snapshot.next = None;
            s.snapshot.events.truncate(1);
            s.snapshot.takeovers.clear();
            s.snapshot.offsets.clear();
            s.snapshot.switch = SwitchStatus { text: "not asked yet".into(), ..SwitchStatus::default() };
            for l in [A, B] {
                let m = s.machine(l);
                (m.role, m.fitness, m.player, m.audio) =
                    (Role::Unknown, Fitness::Unknown, PlayerState::Unknown, AudioState::Unknown);
                m.reasons = vec![reason("never-heard", "Never heard yet.")];
                m.link = LinkView::default();
                m.sources.clear();
                m.levels = None;
                m.host = HostView::default();
                m.clock = ClockView::default();
            }
        }
        "three" => {
            let mut c = s.snapshot.machines[1].clone();
            c.letter = letter('C');
            c.name = "spare, in the truck".into();
            c.fitness = Fitness::Degraded;
            c.reasons = vec![reason("on-battery", "Runs on its battery.")];
            c.host.on_battery = true;
            s.snapshot.machines.push(c);
            let mut t = s.snapshot.takeovers[0].clone();
            (t.to, t.possible, t.text) = (letter('C'), false, "Too far behind: 31 ms.".into());
            t.forced_text = "Timecode jumps from 02:01:23:11 back to 02:01:23:10.".into();
            (t.jump, t.jump_samples) = (None, None);
            s.snapshot.takeovers.push(t);
            let mut o = s.snapshot.offsets[0].clone();
            o.against = letter('C');
            o.text = "A is 31 ms ahead of C.".into();
            s.snapshot.offsets.push(o);
        }
        "many-alarms" => {
            let list = [
                (Priority::High, "Something is being replayed at us: 214 datagrams refused."),
                (Priority::Medium, "B's second path is silent."),
                (Priority::Medium, "B lost audio for 3 blocks, twice in this song."),
                (Priority::Low, "A's disk has 4 GB left."),
                (Priority::Low, "B runs hot: 91 °C."),
                (Priority::Low, "The clock of B is known to 0.9 ms only."),
            ];
            s.snapshot.alarms = (1..)
                .zip(list)
                .map(|(id, (p, text))| alarm(id, &format!("alarm-{id}"), Some(B), p, text, ""))
                .collect();
            s.snapshot.alarms[1].state = AlarmState::Acknowledged;
            s.snapshot.alarms[1].acknowledged_by = Some("Mara".into());
            s.snapshot.alarms[5].state = AlarmState::Shelved;
            s.snapshot.alarms[5].shelved_until = Some(now + Span::from_secs(900));
            s.snapshot.alarms[3].state = AlarmState::ReturnedToNormal;
            s.machine(B).host.hot = true;
            s.machine(B).fitness = Fitness::Degraded;
            s.machine(B).reasons = vec![reason("one-path", "Heard on one path only."), reason("hot", "Runs hot.")];
            s.machine(B).link.heard = Heard::OnePath;
            s.machine(B).link.paths[1].alive = false;
        }
        "unconfirmed" => s.switch_obeys = false,
        "stale" => s.stale = true,
        "one-machine" => {
            s.snapshot.machines.truncate(1);
            s.snapshot.takeovers.clear();
            s.snapshot.offsets.clear();
            s.headline("alone", Tone::Neutral, "This rig has one machine: nothing can take over.");
        }
        _ => return None,
    }
    Some(s)
}

impl Scene {
    fn headline(&mut self, code: &str, tone: Tone, text: &str) {
        self.snapshot.headline = Headline { code: code.into(), text: text.into(), tone };
    }
    fn machine(&mut self, l: Letter) -> &mut MachineView {
        &mut self.snapshot.machines[l.0.index()]
    }
    fn takeover_text(&mut self, possible: bool, text: &str) {
        for t in &mut self.snapshot.takeovers {
            (t.possible, t.text) = (possible, text.into());
            if !possible {
                (t.jump, t.jump_samples, t.level) = (None, None, None);
                t.forced_text = "It is not known what you would hear.".into();
            }
        }
    }
    fn gone(&mut self, l: Letter, why: &str) {
        let m = self.machine(l);
        m.fitness = Fitness::Unfit;
        m.reasons = vec![reason("silent", why)];
        m.link.heard = Heard::Silent;
        m.link.paths.iter_mut().for_each(|p| p.alive = false);
        m.player = PlayerState::Unknown;
        m.audio = AudioState::Unknown;
        m.levels = None;
        m.sources.iter_mut().for_each(|s| (s.state, s.position) = (TransportState::Unknown, None));
        m.host = HostView::default();
        self.takeover_text(false, &format!("{l} is silent on every path."));
        self.offset_hidden = true;
        self.snapshot.offsets[0].text = "The offset is not known.".into();
    }

    /// After an act: who stands by, and what the first sentence is.
    pub fn rejudge(&mut self) {
        let on_air = self.snapshot.on_air;
        let ready = self.snapshot.machines.iter().find(|m| m.role == Role::Standby).map(|m| m.letter);
        let others = self.snapshot.machines.iter().filter(|m| Some(m.letter) != on_air);
        let pattern = self.snapshot.takeovers.first().cloned();
        self.snapshot.takeovers = others
            .filter_map(|m| {
                let mut t = pattern.clone()?;
                (t.to, t.possible) = (m.letter, m.role == Role::Standby);
                if !t.possible {
                    t.text = format!("{} is out of service.", m.letter);
                }
                Some(t)
            })
            .collect();
        match ready {
            Some(b) => self.headline("takeover", Tone::Good, &format!("{b} can take over now: you would hear 3 ms.")),
            None => self.headline("out-of-service", Tone::Abnormal, "Nothing can take over: B is out of service."),
        }
    }

    /// The switch has moved.
    pub fn changed_over(&mut self, to: Letter, now: MonoTime) {
        let was = self.snapshot.on_air;
        self.snapshot.on_air = Some(to);
        for m in &mut self.snapshot.machines {
            if m.letter == to {
                m.role = Role::OnAir;
            } else if m.role != Role::OutOfService {
                m.role = Role::Standby;
            }
        }
        self.snapshot.switch.text = format!("on {to}, said by its reply and heard on the tap");
        self.snapshot.switch.conflict = false;
        self.snapshot.switch.confirmed_at = Some(now);
        self.snapshot.latched =
            Some(Latched { since: now, text: format!("Changed over to {to} by hand."), release_offered: false });
        for t in &mut self.snapshot.takeovers {
            if t.to == to {
                t.to = was.unwrap_or(if to == A { B } else { A });
            }
        }
        self.snapshot.takeovers.dedup_by_key(|t| t.to);
        self.headline(
            "changed",
            Tone::Abnormal,
            &format!("{to} is on air. Nothing more will happen by itself until you release the latch."),
        );
    }
}

fn ready(now: MonoTime, wall: WallTime) -> Scene {
    let earlier = |secs: i64| (now - Span::from_secs(secs), WallTime(wall.0 - secs * 1_000_000_000));
    let happened = |id, secs, tone, text: &str, by: Option<&str>| {
        let (at, wall) = earlier(secs);
        event(id, at, wall, tone, text, by)
    };
    let snapshot = Snapshot {
        format: FORMAT,
        epoch: 1,
        sequence: 0,
        now,
        wall,
        title: "Salt and Lanterns, night 12".into(),
        mode: Mode::Act,
        on_air: Some(A),
        latched: None,
        headline: Headline {
            code: "takeover".into(),
            text: "B can take over now: you would hear 3 ms.".into(),
            tone: Tone::Good,
        },
        takeovers: vec![Takeover {
            to: B,
            possible: true,
            jump: Some(Millis(-3.1)),
            jump_samples: Some(Samples(-149.0)),
            level: Some(Db(-0.3)),
            text: "You would hear a jump of 3 ms.".into(),
            forced_text: "Timecode jumps from 02:01:23:11 back to 02:01:23:11.".into(),
            expires: now,
        }],
        song: Some(Reading {
            value: Song {
                number: 2,
                name: "The Lamp at Orrin Quay".into(),
                at: Span::from_secs(83),
                left: Some(Span::from_secs(141)),
                timecode: None,
                bar: None,
                rolling: true,
            },
            as_of: now,
            expires: now,
        }),
        next: Some(NextSong {
            number: 3,
            name: "Nine Bells, No Wind".into(),
            start: "starts by the drummer's pad".into(),
            place: 0,
        }),
        offsets: vec![OffsetView {
            hints: Vec::new(),
            of: A,
            against: B,
            now: None,
            baseline: Some(Millis(3.1)),
            limits: OffsetLimits { warning: Millis(5.0), changeover: Millis(20.0), dead_air: Millis(250.0) },
            drift: Some(Drift { rate: Ppm(1.2), uncertainty: Ppm(0.6) }),
            forecast: None,
            text: "A is 3.1 ms ahead of B and steady.".into(),
        }],
        machines: vec![
            machine(A, "left of the riser", Role::OnAir, now),
            machine(B, "right of the riser", Role::Standby, now),
        ],
        switch: SwitchStatus {
            text: "on A, said by its reply and heard on the tap".into(),
            conflict: false,
            confirmed_at: Some(now),
            asked: None,
            outputs: vec![
                OutputView {
                    name: "OSC to the switch".into(),
                    state: OutputState::Ready,
                    text: "confirmed in 4 ms".into(),
                },
                OutputView {
                    name: "MIDI to the switch".into(),
                    state: OutputState::Ready,
                    text: "not needed yet".into(),
                },
            ],
        },
        alarms: vec![],
        proposal: None,
        events: vec![
            happened(4, 83, Tone::Neutral, "Song 2 began on both machines, 0.4 ms apart from the baseline.", None),
            happened(3, 611, Tone::Neutral, "Mode is act now.", Some("Mara")),
            happened(2, 640, Tone::Good, "Check passed.", None),
            happened(1, 1720, Tone::Neutral, "The show was opened.", Some("Mara")),
        ],
        rules: vec![
            row(
                "self-doubt",
                false,
                "The supervisor doubts itself: hold. All machines are heard and no wake-up was late.",
            ),
            row("switch-conflict", false, "Reply and tap disagree: hold. They agree on A."),
            row("on-air-sounds", true, "Sound on air is heard and right: every changeover is vetoed."),
            row("host-silent", false, "The host on air is silent on every path: change over. A is heard on two paths."),
            row(
                "player-gone",
                false,
                "The player on air is gone and its sound has ceased: change over. A's player runs.",
            ),
            row("stall-and-silence", false, "Timecode stalled and silence: change over. A rolls."),
        ],
        report: None,
        set: set(),
        songs: SONGS.iter().map(|s| (*s).into()).collect(),
        parity: Vec::new(),
        devices: Vec::new(),
        code_cut: None,
        cue_lights: vec![CueLightView {
            name: "monitor desk".into(),
            lit: false,
            told: true,
            text: "lit while a proposal waits or nobody has seen a high alarm".into(),
        }],
        alarm_sound: Some(AlarmSoundView {
            ready: true,
            text: "Alarms sound on crew interface (crew, channel 3), and whoever wears it hears them.".into(),
        }),
        buttons: vec![
            ButtonView {
                name: "left foot".into(),
                does: settings::buttons::Does::Changeover,
                place: "pedal board".into(),
                heard: true,
                pressed: None,
            },
            ButtonView {
                name: "desk button".into(),
                does: settings::buttons::Does::Answer,
                place: "10.0.0.10:9010".into(),
                heard: false,
                pressed: None,
            },
        ],
    };
    Scene {
        snapshot,
        offset: Millis(3.1),
        slope: 0.2,
        step: None,
        hole: None,
        offset_hidden: false,
        jump_is_offset: true,
        switch_obeys: true,
        stale: false,
        marks: vec![(Span::from_secs(83), MarkKind::SongStart, None, "song 2 began")],
    }
}

fn machine(l: Letter, name: &str, role: Role, now: MonoTime) -> MachineView {
    let channel = |name: &str, peak, rms| LevelView { name: name.into(), peak: Dbfs(peak), rms: Dbfs(rms) };
    MachineView {
        letter: l,
        name: name.into(),
        role,
        fitness: Fitness::Fit,
        reasons: vec![],
        out_of_service: None,
        link: LinkView {
            heard: Heard::Well,
            paths: vec![
                PathView { name: "first cable".into(), alive: true, round_trip: Some(Millis(0.21)) },
                PathView { name: "second cable".into(), alive: true, round_trip: Some(Millis(0.34)) },
            ],
            beats_lost: 2,
            outside: false,
        },
        player: PlayerState::Running,
        audio: AudioState::Sounding,
        sources: vec![
            SourceView { name: "LTC on channel 8".into(), state: TransportState::Rolling, position: None },
            SourceView { name: "MTC".into(), state: TransportState::Rolling, position: None },
        ],
        levels: Some(Reading {
            value: vec![
                channel("drums", -9.0, -19.0),
                channel("bass", -12.0, -20.0),
                channel("strings", -18.0, -27.0),
                channel("choir", -21.0, -31.0),
                channel("click", -8.0, -24.0),
                channel("cues", -30.0, -42.0),
                channel("spare", f64::NEG_INFINITY, f64::NEG_INFINITY),
                channel("timecode", -13.0, -15.0),
            ],
            as_of: now,
            expires: now,
        }),
        clock: ClockView {
            state: ClockState::Tracking,
            bound: Some(Millis(0.041)),
            offset: Some(Millis(if l == A { 4_127_305.218_4 } else { -88_014.009_1 })),
            skew: Some(Ppm(if l == A { 14.0 } else { -9.0 })),
        },
        host: HostView { text: "mains, 54 °C, 120 GB free".into(), ..HostView::default() },
        channels: channels::alike(l, now),
    }
}

pub fn event(id: u64, at: MonoTime, wall: WallTime, tone: Tone, text: &str, by: Option<&str>) -> EventView {
    EventView { id, at, wall, code: "fake".into(), tone, text: text.into(), by: by.map(Into::into) }
}

pub fn letter(c: char) -> Letter {
    Letter::try_from(c).unwrap_or(A)
}

fn reason(code: &str, text: &str) -> Reason {
    Reason { code: code.into(), text: text.into() }
}

fn row(id: &str, holds: bool, text: &str) -> RuleRow {
    RuleRow { id: id.into(), holds, text: text.into() }
}

/// The songs of the show file.
const SONGS: [&str; 5] =
    ["Low Water", "A Lamp for the Ferryman", "Nine Bells, No Wind", "Salt on the Sill", "The Long Way to Harrow Quay"];

/// Tonight's set: the second song plays.
fn set() -> Vec<SetEntry> {
    let state = |i: usize| match i {
        0 => SetState::Played,
        1 => SetState::Now,
        2 => SetState::Next,
        _ => SetState::ToCome,
    };
    let entry = |(i, name): (usize, &&str)| SetEntry {
        place: i as u16 + 1,
        number: i as u16 + 1,
        name: (*name).into(),
        start: format!("{:02}:00:00:00", i + 1),
        state: state(i),
        added: false,
    };
    SONGS.iter().take(4).enumerate().map(entry).collect()
}
