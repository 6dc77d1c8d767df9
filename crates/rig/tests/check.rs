//! The check's items: a right rig passes, and each single wrong thing is named, and nothing else.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use base::{ClockState, Db, Machine, MachineId, Ppm, SourceKind, Span, WallTime};
use twinkeel_rig::check::{
    ChangeoverSeen, ChannelSeen, ClockSeen, CodeSeen, Depth, FOLLOWERS, Fact, HostSeen, Identity, Item, KitSeen, LASTS,
    Level, Likeness, Limits, MachineSeen, OUTSIDE, Outcome, OutputSeen, PairSeen, Pass, PatchSeen, RecordSeen, Seen,
    SessionSeen, SourceSeen, SwitchSeen, TABLE, TriggerSeen, Verdict, Void, Word, compare, facts, judge, outcome,
    sentence, standing,
};

const A: Machine = Machine::A;
const B: Machine = Machine::B;
const GB: u64 = 1_000_000_000;

fn machine(m: Machine) -> MachineSeen {
    MachineSeen {
        heard: true,
        agent: Some("0.1.0".into()),
        clock: Some(ClockSeen { state: ClockState::Tracking, bound: Span::from_micros(8) }),
        paths: vec![true, true],
        host: HostSeen {
            system: Some("system 12, build 7".into()),
            boot: Some([m.index() as u8; 16]),
            on_battery: Some(false),
            disk_free: Some(120 * GB),
            memory_free: Some(9 * GB),
            cpu_permille: Some(220),
            temperature_tenths: Some(540),
            real_time: Some(true),
            sleep_off: Some(true),
            updates_off: Some(true),
            notifications_off: Some(true),
        },
        kit: KitSeen {
            player_runs: Some(true),
            player: Some("4f1c".into()),
            player_started: Some(WallTime(5)),
            sample_rate: Some(48_000),
            buffer: Some(128),
            device: Some("interface".into()),
            clock_source: Some("word clock".into()),
            channels: ["tracks L", "tracks R", "click"].map(String::from).to_vec(),
        },
        sources: vec![SourceSeen { name: "MIDI port show".into(), open: true }],
        pilot: Some(true),
        codes: vec![
            CodeSeen { source: SourceKind::Ltc, rolled: true },
            CodeSeen { source: SourceKind::Mtc, rolled: true },
        ],
        dropouts: Some(0),
        patches: vec![PatchSeen { channel: 1, bank: (None, None), program: 5 }],
        behind: Some(0),
        ..MachineSeen::new(m)
    }
}

fn channel(name: &str) -> ChannelSeen {
    ChannelSeen {
        name: name.into(),
        likeness: Likeness::Same,
        level: Some(Db(0.1)),
        lag: Some(Span::from_micros(3_200)),
    }
}

fn over(from: Machine, to: Machine) -> ChangeoverSeen {
    ChangeoverSeen {
        from,
        to,
        confirmed: Some(Span::from_millis(4)),
        refused: None,
        gap: Some(Span::from_millis(2)),
        jump: Some(Span::from_micros(-3_100)),
    }
}

/// A rig as it should be, after a full check.
fn right() -> Seen {
    Seen {
        depth: Depth::Full,
        outside: false,
        machines: vec![machine(A), machine(B)],
        pairs: vec![PairSeen {
            start_skew: Some(Span::from_millis(3)),
            offset: Some((Span::from_micros(3_100), Span::from_micros(200))),
            drift: Some((Ppm(4.0), Ppm(0.8))),
            channels: vec![channel("tracks L"), channel("click")],
            session: Some(SessionSeen { files: 212, ..SessionSeen::default() }),
            ..PairSeen::new(B)
        }],
        switch: SwitchSeen {
            on_air: Some(A),
            conflict: false,
            latched: false,
            outputs: vec![OutputSeen { name: "OSC 10.0.0.2:9000".into(), open: true, answers: Some(true) }],
            tap: Some(true),
        },
        record: RecordSeen { written: Some(true), why: String::new() },
        changeovers: vec![over(A, B), over(B, A)],
        trigger: vec![
            TriggerSeen { machine: A, after: Some(Span::ZERO) },
            TriggerSeen { machine: B, after: Some(Span::from_micros(400)) },
        ],
        rolled: true,
        longest_song: Some(Span::from_secs(240)),
    }
}

/// One wrong thing.
struct Wrong {
    /// In words, for the failure's message.
    what: &'static str,
    spoil: fn(&mut Seen),
    /// The item that must name it.
    item: Item,
    verdict: Verdict,
    /// What its words must have.
    says: &'static str,
}

macro_rules! wrong {
    ($($what:literal, $item:ident, $verdict:ident, $says:literal, |$s:ident| $spoil:expr;)*) => {
        &[$(Wrong { what: $what, spoil: |$s| { $spoil; }, item: Item::$item, verdict: Verdict::$verdict, says: $says }),*]
    };
}

const WRONG: &[Wrong] = wrong![
    "B is out of service", InService, Fail, "B is out", |s| s.machines[1].out_of_service = true;
    "an older agent", Agents, Fail, "B: 0.0.9", |s| s.machines[1].agent = Some("0.0.9".into());
    "a clock that is not tracked", Clocks, Fail, "A: not tracked", |s| s.machines[0].clock.as_mut().unwrap().state = ClockState::Acquiring;
    "a clock known badly", Clocks, Fail, "1.400 ms", |s| s.machines[1].clock.as_mut().unwrap().bound = Span::from_micros(1_400);
    "a dead path", Paths, Fail, "B: no beats over path 2 of 2", |s| s.machines[1].paths[1] = false;
    "another build", System, Fail, "build 8", |s| s.machines[1].host.system = Some("system 12, build 8".into());
    "no player", PlayerRuns, Fail, "B: does not run", |s| s.machines[1].kit.player_runs = Some(false);
    "another player", Player, Fail, "B: 77aa", |s| s.machines[1].kit.player = Some("77aa".into());
    "another rate", SampleRate, Fail, "B: 44100 Hz", |s| s.machines[1].kit.sample_rate = Some(44_100);
    "another buffer", Buffer, Fail, "A: 128 samples; B: 512 samples", |s| s.machines[1].kit.buffer = Some(512);
    "a device fallen back", Device, Fail, "B: built-in", |s| s.machines[1].kit.device = Some("built-in".into());
    "another clock source", ClockSource, Fail, "B: internal", |s| s.machines[1].kit.clock_source = Some("internal".into());
    "moved channels", Channels, Fail, "click, tracks L", |s| s.machines[1].kit.channels.rotate_right(1);
    "a MIDI port gone", Sources, Fail, "A: MIDI port show is not there", |s| s.machines[0].sources[0].open = false;
    "on its battery", Mains, Fail, "B: runs on its battery", |s| s.machines[1].host.on_battery = Some(true);
    "a full disk", Disk, Fail, "A: only 1.0 GB free", |s| s.machines[0].host.disk_free = Some(GB);
    "a filling disk", Disk, Warn, "B: 8.0 GB free", |s| s.machines[1].host.disk_free = Some(8 * GB);
    "little memory", Memory, Fail, "B: only 100 MB free", |s| s.machines[1].host.memory_free = Some(GB / 10);
    "a busy processor", Processor, Warn, "B: 93 % in use", |s| s.machines[1].host.cpu_permille = Some(931);
    "a hot machine", Temperature, Warn, "A: 95", |s| s.machines[0].host.temperature_tenths = Some(950);
    "no priority", Priority, Warn, "B: has it not", |s| s.machines[1].host.real_time = Some(false);
    "may sleep", Sleep, Fail, "B: may fall asleep", |s| s.machines[1].host.sleep_off = Some(false);
    "may update itself", Updates, Fail, "A: updates itself", |s| s.machines[0].host.updates_off = Some(false);
    "notifications", Notifications, Warn, "A: shows", |s| s.machines[0].host.notifications_off = Some(false);
    "a file missing", Session, Fail, "B: of 212 files 1 missing", |s| s.pairs[0].session.as_mut().unwrap().missing = 1;
    "files that differ", Session, Fail, "14 differing", |s| s.pairs[0].session.as_mut().unwrap().differs = 14;
    "an unreadable file", Session, Fail, "2 not readable", |s| s.pairs[0].session.as_mut().unwrap().unread = 2;
    "the edit at soundcheck", SessionLoaded, Fail, "B: 14 files changed", |s| s.machines[1].behind = Some(14);
    "on air unknown", OnAir, Fail, "nobody knows", |s| s.switch.on_air = None;
    "a switch at odds", OnAir, Fail, "contradict", |s| s.switch.conflict = true;
    "latched", Latch, Fail, "unprotected", |s| s.switch.latched = true;
    "an output gone", Outputs, Fail, "cannot be used", |s| s.switch.outputs[0].open = false;
    "an output that is deaf", Outputs, Fail, "does not answer", |s| s.switch.outputs[0].answers = Some(false);
    "no output at all", Outputs, Fail, "no output", |s| s.switch.outputs.clear();
    "a dead tap", Tap, Fail, "nothing comes", |s| s.switch.tap = Some(false);
    "a record that cannot be written", Record, Fail, "disk full", |s| s.record = RecordSeen { written: Some(false), why: "disk full".into() };
    "no pilot", Pilot, Fail, "B: not heard", |s| s.machines[1].pilot = Some(false);
    "a refused changeover", Changeover, Fail, "A to B: refused: B is unfit.", |s| s.changeovers[0] = ChangeoverSeen { confirmed: None, gap: None, jump: None, refused: Some("B is unfit.".into()), ..over(A, B) };
    "an unconfirmed changeover", Changeover, Fail, "B to A: the switch did not confirm", |s| s.changeovers[1].confirmed = None;
    "a slow switch", Changeover, Fail, "confirmed only after 180 ms", |s| s.changeovers[0].confirmed = Some(Span::from_millis(180));
    "no way back", Changeover, Fail, "one way only", |s| s.changeovers.truncate(1);
    "a long hole", ChangeoverHeard, Fail, "A to B: hole 62.0 ms", |s| s.changeovers[0].gap = Some(Span::from_millis(62));
    "a hole", ChangeoverHeard, Warn, "hole 14.0 ms", |s| s.changeovers[0].gap = Some(Span::from_millis(14));
    "a jump", ChangeoverHeard, Fail, "jump -41.0 ms", |s| s.changeovers[1].jump = Some(Span::from_millis(-41));
    "a trigger missed", Trigger, Fail, "B: not reached", |s| s.trigger[1].after = None;
    "a late trigger", Trigger, Warn, "B: reached 25.0 ms after", |s| s.trigger[1].after = Some(Span::from_millis(25));
    "one code silent", Timecode, Fail, "A: MTC rolls, LTC does not", |s| s.machines[0].codes[0].rolled = false;
    "no code", Timecode, Fail, "B: no timecode", |s| s.machines[1].codes.iter_mut().for_each(|c| c.rolled = false);
    "a code that one lacks", Timecode, Fail, "B: no MTC", |s| s.machines[1].codes.truncate(1);
    "codes at odds", CodesAgree, Fail, "B: its codes", |s| s.machines[1].codes_contradict = true;
    "a start apart", StartSkew, Fail, "B: 34.0 ms behind A", |s| s.pairs[0].start_skew = Some(Span::from_millis(34));
    "a start a little apart", StartSkew, Warn, "B: 17.0 ms ahead of A", |s| s.pairs[0].start_skew = Some(Span::from_millis(-17));
    "out of step", Offset, Fail, "B: 26.0 ms behind A", |s| { s.pairs[0].offset = Some((Span::from_millis(26), Span::from_micros(100))); s.pairs[0].channels.iter_mut().for_each(|c| c.lag = Some(Span::from_millis(26))) };
    "drift too great", Drift, Fail, "+104.0 \u{b1} 2.0 ppm, 25.0 ms", |s| s.pairs[0].drift = Some((Ppm(104.0), Ppm(2.0)));
    "drift", Drift, Warn, "-60.0", |s| s.pairs[0].drift = Some((Ppm(-60.0), Ppm(2.0)));
    "another sound", Sound, Fail, "`click` is another sound", |s| s.pairs[0].channels[1] = ChannelSeen { likeness: Likeness::Other, level: None, lag: None, ..channel("click") };
    "a muted stem", Sound, Fail, "`tracks L` is silent", |s| s.pairs[0].channels[0] = ChannelSeen { likeness: Likeness::Silent, level: None, lag: None, ..channel("tracks L") };
    "sound from one only", Sound, Fail, "where A's is silent", |s| s.pairs[0].channels[0] = ChannelSeen { likeness: Likeness::Alone, level: None, lag: None, ..channel("tracks L") };
    "an effect that draws lots", Sound, Warn, "draws lots", |s| s.pairs[0].channels[0] = ChannelSeen { likeness: Likeness::NeverAlike, level: None, lag: None, ..channel("tracks L") };
    "louder", Level, Fail, "`click` +6.2 dB", |s| s.pairs[0].channels[1].level = Some(Db(6.2));
    "inverted", Polarity, Fail, "`tracks L` is inverted", |s| s.pairs[0].channels[0].likeness = Likeness::Inverted;
    "sound late", Lag, Fail, "`click` 20.9 ms after its code", |s| s.pairs[0].channels[1].lag = Some(Span::from_millis(24));
    "many dropouts", Dropouts, Fail, "B: 9", |s| s.machines[1].dropouts = Some(9);
    "a dropout", Dropouts, Warn, "B: 1", |s| s.machines[1].dropouts = Some(1);
    "another patch", Patches, Fail, "B: program 6 on channel 1 where A sent program 5", |s| s.machines[1].patches[0].program = 6;
    "a missed patch", Patches, Fail, "B: nothing where A sent program 5", |s| s.machines[1].patches.clear();
];

/// Lines of the sheet that are not as they should be.
fn named(seen: &Seen) -> Vec<(String, Verdict, String)> {
    let rows = judge(seen, &Limits::default());
    rows.into_iter().filter(|r| r.verdict > Verdict::NotTested).map(|r| (r.code, r.verdict, r.measured)).collect()
}

#[test]
fn a_right_rig_passes_with_everything_tested() {
    let rows = judge(&right(), &Limits::default());
    let odd: Vec<_> = rows.iter().filter(|r| r.verdict != Verdict::Pass).collect();
    assert!(odd.is_empty(), "{odd:#?}");
    assert_eq!(outcome(&rows, Depth::Full), Outcome::Passed);
    assert_eq!(rows.len(), Item::ALL.len());
}

#[test]
fn each_single_wrong_thing_is_named_and_nothing_else() {
    assert!(WRONG.len() >= 30, "{}", WRONG.len());
    for w in WRONG {
        let mut seen = right();
        (w.spoil)(&mut seen);
        let named = named(&seen);
        assert_eq!(named.len(), 1, "{}: {named:#?}", w.what);
        let (code, verdict, measured) = &named[0];
        assert_eq!((code.as_str(), *verdict), (w.item.code(), w.verdict), "{}: {measured}", w.what);
        assert!(measured.contains(w.says), "{}: {measured}", w.what);
        let rows = judge(&seen, &Limits::default());
        let wanted = if w.verdict == Verdict::Fail { Outcome::Failed } else { Outcome::Passed };
        assert_eq!(outcome(&rows, Depth::Full), wanted, "{}", w.what);
        let row = rows.iter().find(|r| r.code == w.item.code()).unwrap();
        assert!(!row.mend.is_empty() && !row.why.is_empty(), "{}", w.what);
    }
}

/// A machine that vanished altogether is one fault: nothing of it is judged beside that.
#[test]
fn a_machine_that_is_not_heard_is_named_once() {
    let mut seen = right();
    seen.machines[1] = MachineSeen::new(B);
    seen.pairs[0] = PairSeen::new(B);
    seen.trigger.truncate(1);
    assert_eq!(named(&seen), [("heard".into(), Verdict::Fail, "B is not heard".into())]);
}

#[test]
fn every_item_but_those_of_the_absent_can_be_spoilt() {
    let mut spoilt: Vec<_> = WRONG.iter().map(|w| w.item).collect();
    spoilt.push(Item::Heard);
    let missing: Vec<_> = Item::ALL.iter().filter(|i| !spoilt.contains(i)).collect();
    assert!(missing.is_empty(), "no wrong rig for {missing:?}");
}

#[test]
fn the_table_has_every_item_once_with_its_words() {
    let items: Vec<_> = TABLE.iter().map(|e| e.item).collect();
    assert_eq!(items, Item::ALL);
    for e in TABLE {
        for words in [e.title, e.why, e.mend] {
            assert!(words.len() > 3 && !words.ends_with(' '), "{}: {words:?}", e.code);
        }
        assert!(e.why.ends_with('.') && e.mend.ends_with('.') && !e.title.ends_with('.'), "{}", e.code);
    }
}

#[test]
fn what_was_not_seen_is_never_a_pass() {
    let nothing =
        Seen { depth: Depth::Full, machines: vec![MachineSeen::new(A), MachineSeen::new(B)], ..Seen::default() };
    let rows = judge(&nothing, &Limits::default());
    let passed: Vec<_> = rows.iter().filter(|r| r.verdict == Verdict::Pass).map(|r| r.code.as_str()).collect();
    // That nobody took a machine out and nothing is latched is known of an idle supervisor.
    assert_eq!(passed, ["in-service", "latch"]);
    assert_eq!(outcome(&rows, Depth::Full), Outcome::Failed);
}

#[test]
fn a_shallow_check_leaves_the_deep_items_untested_and_passes() {
    let mut seen = right();
    seen.depth = Depth::Quick;
    let rows = judge(&seen, &Limits::default());
    let deep = |code: &str| TABLE.iter().any(|e| e.code == code && e.from > Depth::Quick);
    for r in &rows {
        assert_eq!(r.verdict == Verdict::NotTested, deep(&r.code), "{}: {}", r.code, r.measured);
    }
    assert_eq!(outcome(&rows, Depth::Quick), Outcome::Passed);
    assert_eq!(outcome(&rows, Depth::Fast), Outcome::Incomplete, "a quick run is no fast one");
}

#[test]
fn a_full_check_in_which_nothing_rolled_is_incomplete() {
    let mut seen = right();
    seen.rolled = false;
    let rows = judge(&seen, &Limits::default());
    assert!(rows.iter().all(|r| r.verdict <= Verdict::NotTested));
    assert_eq!(outcome(&rows, Depth::Full), Outcome::Incomplete);
}

#[test]
fn what_is_new_since_the_last_good_check_is_said() {
    let (before, mut now) = (right(), right());
    now.machines[1].kit.buffer = Some(512);
    now.switch.outputs[0].name = "OSC 10.0.0.3:9000".into();
    let rows = |s: &Seen| judge(s, &Limits::default());
    let told = compare((&facts(&before), &rows(&before)), (&facts(&now), &rows(&now)));
    assert_eq!(
        told,
        [
            "B's buffer is 512, was 128",
            "The rig's outputs are OSC 10.0.0.3:9000, were OSC 10.0.0.2:9000",
            "The same buffer: FAIL now (A: 128 samples; B: 512 samples), was 128 samples",
        ]
    );
    assert_eq!(compare((&facts(&before), &rows(&before)), (&facts(&before), &rows(&before))), Vec::<String>::new());
    let fact = Fact { machine: Some(B), what: "buffer".into(), value: "128".into() };
    assert!(facts(&before).contains(&fact));
}

#[test]
fn a_pass_is_void_after_twelve_hours_a_reboot_a_swap_or_by_word() {
    let boot = |n: u8| Some([n; 16]);
    let id = |n: u8| MachineId([n; 16]);
    let is = Identity { machines: vec![(id(1), boot(1)), (id(2), boot(2))], supervisor: [9; 16], sessions: Vec::new() };
    let at = WallTime(1_000 * GB as i64);
    let later = |s: i64| WallTime(at.0 + Span::from_secs(s).nanos());
    let pass = Pass { at, of: is.clone(), void: None };
    let now = |p: &Pass, s: i64, i: &Identity| standing(Some(p), later(s), i);
    assert_eq!(standing(None, at, &is), Err(Void::Never));
    assert_eq!(now(&pass, 0, &is), Ok(()));
    let lasts = LASTS.nanos() / 1_000_000_000;
    assert_eq!(now(&pass, lasts - 1, &is), Ok(()));
    assert_eq!(now(&pass, lasts, &is), Err(Void::Old));
    assert_eq!(now(&pass, -3_600, &is), Err(Void::Old), "a clock that was set back proves nothing");
    let mut other = is.clone();
    other.machines[1].1 = boot(7);
    assert_eq!(now(&pass, 1, &other), Err(Void::Restarted(B)));
    other.machines[1].1 = None;
    assert_eq!(now(&pass, 1, &other), Ok(()), "a machine that is not heard is the watch's business");
    other.machines[1].0 = id(3);
    assert_eq!(now(&pass, 1, &other), Err(Void::Replaced(B)));
    other = Identity { supervisor: [8; 16], ..is.clone() };
    assert_eq!(now(&pass, 1, &other), Err(Void::SupervisorRestarted));
    let void = Pass { void: Some("B's MIDI port was gone at 17:20.".into()), ..pass };
    assert_eq!(now(&void, 1, &is), Err(Void::Said("B's MIDI port was gone at 17:20.".into())));
}

#[test]
fn a_full_check_wants_every_word_and_a_quick_one_none() {
    let mut word = Word::default();
    assert_eq!(word.lacks(Depth::Quick), Vec::<String>::new());
    assert_eq!(word.lacks(Depth::Fast), ["the desk is muted"]);
    assert_eq!(word.lacks(Depth::Full).len(), 2 + FOLLOWERS.len());
    word = Word { warned: true, level: Some(Level::Lowered), ..word };
    word.parked = FOLLOWERS.iter().filter(|f| **f != "automation").map(|f| (*f).to_string()).collect();
    assert_eq!(word.lacks(Depth::Full), ["automation: timecode parked"]);
    word.parked.push("automation".into());
    assert_eq!(word.lacks(Depth::Full), Vec::<String>::new());
}

#[test]
fn the_outcome_is_a_sentence() {
    let mut seen = right();
    let say = |s: &Seen| {
        let rows = judge(s, &Limits::default());
        sentence(outcome(&rows, s.depth), &rows, s.depth)
    };
    assert_eq!(say(&seen), "The rig plays in step, and changes over and back.");
    seen.machines[1].kit.buffer = Some(512);
    seen.machines[1].dropouts = Some(1);
    assert_eq!(say(&seen), "To mend: The same buffer. 1 to look at.");
}

/// Where no agent runs, what only an agent knows is not waited for; what can be heard still is.
#[test]
fn a_rig_heard_from_outside_passes_without_what_only_an_agent_knows() {
    let mut seen = right();
    seen.outside = true;
    for m in &mut seen.machines {
        (m.agent, m.host) = (None, HostSeen::default());
        (m.kit.player_runs, m.kit.player, m.kit.device) = (None, None, None);
        m.paths.clear();
    }
    let rows = judge(&seen, &Limits::default());
    assert_eq!(outcome(&rows, Depth::Full), Outcome::Passed, "{rows:?}");
    for r in &rows {
        let inside = Item::ALL.iter().any(|i| i.code() == r.code && i.is_inside());
        assert_eq!(r.measured == OUTSIDE, inside, "{}", r.code);
        assert!(!inside || r.verdict == Verdict::NotTested, "{}", r.code);
    }
    // The same rig with agents that say nothing is incomplete.
    seen.outside = false;
    assert_eq!(outcome(&judge(&seen, &Limits::default()), Depth::Full), Outcome::Incomplete);
    seen.outside = true;
    seen.machines[1].codes.clear();
    assert_ne!(outcome(&judge(&seen, &Limits::default()), Depth::Full), Outcome::Passed, "its code is still wanted");
}
