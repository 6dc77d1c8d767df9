//! The thread with devices at the end of real local sockets.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod exclusive;

use std::io::{Read, Write};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use base::RemoteTime;
use ports::local::{Listener, Stream};
use rig::DeviceEvidence;
use settings::{RigFile, ShowFile};
use wire::feed::{FeedFrame, FeedHello, FeedReader, encode_hello, encode_midi};
use wire::message::PatchMessage;

use super::*;
use crate::scribe::ToScribe;
use crate::to_watch::ToWatch;

/// A generous limit for what must come: nothing is measured here.
const LONG: Duration = Duration::from_secs(20);

struct Bench {
    desk: PatchDesk,
    to_scribe: std::sync::mpsc::Receiver<ToScribe>,
    to_watch: rtrb::Consumer<ToWatch>,
    dir: tempfile::TempDir,
    sent: [u64; 2],
    said: Vec<(String, String)>,
    lines: Vec<(Vec<u8>, &'static str)>,
    evidence: DeviceEvidence,
    _gate: ports::os::Gate,
}

impl Bench {
    /// One device with these keys of its own; `DIR` stands for the bench's directory.
    fn new(keys: &str) -> Bench {
        Bench::of(keys, "3")
    }

    fn of(keys: &str, channels: &str) -> Bench {
        let dir = tempfile::tempdir().unwrap();
        let rig = RigFile::parse("rig.toml", include_str!("../../../../config/rig.toml")).unwrap();
        let keys = keys.replace("DIR", dir.path().to_str().unwrap());
        let link = if keys.contains("link = ") { "" } else { "link = \"usb\"" };
        let show = format!(
            "title = \"t\"\nframe_rate = \"25\"\n[[device]]\nname = \"rack\"\nchannels = [{channels}]\nhost = \"feed\"\n{link}\n{keys}\n"
        );
        let show = ShowFile::parse("show.toml", &show).unwrap();
        let songs = timecode::songs::SongMap::new(Vec::new(), Span::ZERO);
        let facts = Arc::new(Facts::new(rig, Some(show), songs));
        let gate = ports::os::Gate::bind(&[]).unwrap();
        let (watch, to_watch) = WatchDesk::new(gate.waker());
        let (scribe, to_scribe) = ScribeDesk::new();
        let (desk, from) = PatchDesk::new(&facts);
        desk.start(from, facts, scribe, watch).unwrap();
        let mut b = Bench {
            desk,
            to_scribe,
            to_watch,
            dir,
            sent: [0; 2],
            said: Vec::new(),
            lines: Vec::new(),
            evidence: DeviceEvidence::default(),
            _gate: gate,
        };
        b.view(Some(Machine::A));
        b
    }

    fn socket(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    fn view(&mut self, on_air: Option<Machine>) {
        let is = MachineIs {
            clock: Some(Span::ZERO),
            alive: true,
            rolls: true,
            place: Some(Span::from_secs(60)),
            ..MachineIs::default()
        };
        let now = ports::os::mono_now();
        self.desk.tell(PatchNews::View(Box::new(Where { now, on_air, machines: vec![is; 2] })));
    }

    fn begin_song(&mut self, song: u16) {
        let place = Some(Span::from_secs(3_600 * i64::from(song)));
        let is = MachineIs { clock: Some(Span::ZERO), alive: true, rolls: true, place, song, ..MachineIs::default() };
        let now = ports::os::mono_now();
        self.desk.tell(PatchNews::View(Box::new(Where { now, on_air: None, machines: vec![is; 2] })));
    }

    /// A machine sends these by its first input.
    fn plays(&mut self, m: Machine, messages: &[[u8; 3]]) -> base::MonoTime {
        self.plays_by(m, 0, messages)
    }

    fn plays_by(&mut self, m: Machine, input: u8, messages: &[[u8; 3]]) -> base::MonoTime {
        let now = ports::os::mono_now();
        let at = RemoteTime::of_sender(now);
        let messages: Vec<_> = messages.iter().map(|b| PatchMessage { at, place: None, bytes: *b }).collect();
        let first = if input == 0 { self.sent[m.index()] } else { 0 };
        if input == 0 {
            self.sent[m.index()] += messages.len() as u64;
        }
        self.desk.tell(PatchNews::Stream(m, PatchStream { input, first, messages }));
        now
    }

    fn moves(&mut self, to: Machine) {
        self.desk.tell(PatchNews::Moved(to, ports::os::mono_now(), false));
    }

    fn drain(&mut self) {
        while let Ok(news) = self.to_scribe.try_recv() {
            match news {
                ToScribe::Said { code, text } => self.said.push((code.into(), text)),
                ToScribe::Patch(p) => {
                    self.said.push((p.code.into(), p.text));
                    self.lines.extend(p.lines.into_iter().map(|(_, bytes, why)| (bytes, why)));
                }
                _ => {}
            }
        }
        while let Ok(news) = self.to_watch.pop() {
            if let ToWatch::Device(0, d) = news {
                self.evidence = d;
            }
        }
    }

    /// Waits until something is so.
    fn until(&mut self, what: &str, so: impl Fn(&Bench) -> bool) {
        let began = Instant::now();
        loop {
            self.drain();
            if so(self) {
                return;
            }
            assert!(began.elapsed() < LONG, "{what}: {:?} {:?}", self.said, self.evidence);
            std::thread::sleep(Duration::from_millis(2));
        }
    }

    fn until_said(&mut self, code: &str) -> String {
        self.until(code, |b| b.said.iter().any(|s| s.0 == code));
        self.said.iter().find(|s| s.0 == code).unwrap().1.clone()
    }

    fn said(&self, code: &str) -> usize {
        self.said.iter().filter(|s| s.0 == code).count()
    }
}

/// A device's own end of its port.
struct Rack {
    stream: Stream,
    reader: FeedReader,
}

impl Rack {
    fn take(listener: &Listener) -> Rack {
        let stream = listener.accept().unwrap();
        stream.set_read_timeout(Some(LONG)).unwrap();
        Rack { stream, reader: FeedReader::new() }
    }

    /// So many messages.
    fn heard(&mut self, n: usize) -> Vec<Vec<u8>> {
        let mut all = Vec::new();
        let mut buffer = [0u8; 4_096];
        while all.len() < n {
            let got = self.stream.read(&mut buffer).unwrap();
            assert!(got > 0, "closed after {all:?}");
            self.reader.on_bytes(&buffer[..got]);
            while let Some(frame) = self.reader.next_frame().unwrap() {
                if let FeedFrame::Midi { bytes, .. } = frame {
                    all.push(bytes.to_vec());
                }
            }
        }
        all
    }
}

/// What reaches the device, played into its tap.
struct Thru(Stream);

impl Thru {
    fn open(path: &Path) -> Thru {
        let mut stream = ports::local::connect(path).unwrap();
        let mut out = Vec::new();
        let at = ports::os::mono_now();
        encode_hello(&FeedHello { at, pid: 1, sample_rate: None, channels: Vec::new() }, &mut out);
        stream.write_all(&out).unwrap();
        Thru(stream)
    }
    fn carries(&mut self, at: base::MonoTime, message: &[u8]) {
        let mut out = Vec::new();
        encode_midi(at, message, &mut out);
        self.0.write_all(&out).unwrap();
    }
}

const PROGRAM_5: [u8; 3] = [0xC2, 5, 0];
const PROGRAM_9: [u8; 3] = [0xC2, 9, 0];

#[test]
fn a_port_that_fails_is_an_alarm_and_is_tried_again_until_the_device_is_right() {
    let mut b = Bench::new("port = \"DIR/rack\"\nchase = true");
    // Nobody is there.
    b.until_said("patch-port-gone");
    b.until("the judge knows", |b| b.evidence.port == Some(false));
    assert!(b.desk.words(AlarmCode::DevicePort, 0).unwrap().starts_with("The system says: "));
    b.plays(Machine::A, &[PROGRAM_5]);
    b.plays(Machine::B, &[PROGRAM_5]);
    // Somebody comes: it is found without being asked.
    let listener = Listener::bind(&b.socket("rack")).unwrap();
    let mut rack = Rack::take(&listener);
    b.until("the judge knows", |b| b.evidence.port == Some(true));
    b.plays(Machine::B, &[PROGRAM_9]);
    b.moves(Machine::B);
    assert_eq!(rack.heard(1), [vec![0xC2, 9]]);
    b.until_said("patch-sent");
    // It goes, and with it what a second changeover would have sent.
    drop(rack);
    drop(listener);
    std::fs::remove_file(b.socket("rack")).unwrap();
    b.moves(Machine::A);
    b.until("the judge knows", |b| b.evidence.port == Some(false) && b.evidence.unchased == Some(Machine::A));
    let listener = Listener::bind(&b.socket("rack")).unwrap();
    let mut rack = Rack::take(&listener);
    assert_eq!(rack.heard(1), [vec![0xC2, 5]], "what had waited");
    b.until("all is well", |b| b.evidence.port == Some(true) && b.evidence.unchased.is_none());
}

#[test]
fn a_standby_that_reaches_a_device_is_told_and_the_machine_on_air_is_not() {
    let mut b = Bench::new("tap = \"DIR/thru\"\ngate = \"switch\"\nimportance = \"high\"");
    let mut thru = Thru::open(&b.socket("thru"));
    b.until_said("patch-tap-open");
    // Past the grace after the tap came.
    std::thread::sleep(Duration::from_millis(400));
    for n in 0..4 {
        let at = b.plays(Machine::A, &[[0xB2, 7, n]]);
        thru.carries(at, &[0xB2, 7, n]);
    }
    let at = b.plays(Machine::B, &[PROGRAM_9]);
    thru.carries(at, &[0xC2, 9]);
    let text = b.until_said("midi-leak");
    assert_eq!(text, "rack: B's program 9 on channel 3 reached it.");
    b.until("the judge knows", |b| b.evidence.leaked.is_some_and(|(m, _)| m == Machine::B));
    assert_eq!(b.evidence.priority, rig::Priority::High);
    assert_eq!(b.said("midi-leak"), 1);
    // What the device took is known, leak or not.
    b.view(Some(Machine::A));
    b.until("the page", |b| {
        b.desk.shown().first().is_some_and(|d| d.channels.first().is_some_and(|c| c.program == Some(9)))
    });
}

#[test]
fn a_merger_lets_both_through_by_design() {
    let mut b = Bench::new("tap = \"DIR/thru\"\ngate = \"merger\"");
    let mut thru = Thru::open(&b.socket("thru"));
    b.until_said("patch-tap-open");
    std::thread::sleep(Duration::from_millis(400));
    let at = b.plays(Machine::B, &[PROGRAM_9]);
    thru.carries(at, &[0xC2, 9]);
    std::thread::sleep(Duration::from_millis(900));
    b.drain();
    assert_eq!(b.said("midi-leak"), 0);
}

#[test]
fn a_device_that_the_supervisor_feeds_is_played_on_to() {
    let mut b = Bench::new("port = \"DIR/rack\"\ngate = \"supervisor\"");
    let listener = Listener::bind(&b.socket("rack")).unwrap();
    let mut rack = Rack::take(&listener);
    b.plays(Machine::B, &[PROGRAM_9]);
    b.plays(Machine::A, &[[0x92, 60, 100], PROGRAM_5]);
    assert_eq!(rack.heard(2), [vec![0x92, 60, 100], vec![0xC2, 5]], "the machine on air alone, velocity and all");
    b.moves(Machine::B);
    b.plays(Machine::A, &[PROGRAM_5]);
    b.plays(Machine::B, &[[0xB2, 7, 1]]);
    assert_eq!(rack.heard(1), [vec![0xB2, 7, 1]]);
}

#[test]
fn a_player_with_a_pedal_is_left_alone_unless_somebody_means_him() {
    let mut b = Bench::new("port = \"DIR/rack\"\npedal = true");
    let listener = Listener::bind(&b.socket("rack")).unwrap();
    let mut rack = Rack::take(&listener);
    b.plays(Machine::A, &[PROGRAM_5]);
    b.plays(Machine::B, &[PROGRAM_9]);
    b.moves(Machine::B);
    let text = b.until_said("patch-left-alone");
    assert!(text.contains("its player has a pedal"), "{text}");
    b.desk.tell(PatchNews::Chase(None));
    b.desk.tell(PatchNews::Chase(Some("rack".into())));
    assert_eq!(rack.heard(1), [vec![0xC2, 9]]);
    b.until_said("patch-sent");
    assert_eq!(b.said("patch-chase"), 1, "\"all\" passed it over");
    assert_eq!(b.evidence.unchased, None);
}

#[test]
fn a_device_that_is_not_chased_and_is_elsewhere_is_told_until_it_is_right() {
    let mut b = Bench::new("");
    b.plays(Machine::A, &[PROGRAM_5]);
    b.plays(Machine::B, &[PROGRAM_9]);
    b.moves(Machine::B);
    let text = b.until_said("patch-not-chased");
    assert_eq!(text, "rack: It should have program 9 on channel 3; there is no port to it (port = ...).");
    b.until("the judge knows", |b| b.evidence.unchased == Some(Machine::B));
    b.plays(Machine::B, &[PROGRAM_9]);
    b.until("it is right", |b| b.evidence.unchased.is_none());
}

/// Sixteen channels, each with a bank, a program and seven controllers; the figure is told and not judged.
#[test]
fn sixteen_channels_are_sent_once_and_a_song_that_begins_sends_again_by_choice() {
    let all: Vec<String> = (1..=16).map(|n| n.to_string()).collect();
    let mut b = Bench::of("port = \"DIR/rack\"\nchase = true\nchase_at_song_start = true", &all.join(", "));
    let listener = Listener::bind(&b.socket("rack")).unwrap();
    let mut rack = Rack::take(&listener);
    for m in [Machine::A, Machine::B] {
        for c in 0..16u8 {
            let controllers = (1..8).map(|n| [0xB0 | c, n, 64]);
            let patch = [[0xB0 | c, 0, 1], [0xB0 | c, 32, 2], [0xC0 | c, c, 0]];
            b.plays(m, &patch.into_iter().chain(controllers).collect::<Vec<_>>());
        }
    }
    // A machine that failed: what it had sent is not sure, and all is sent.
    b.desk.tell(PatchNews::Moved(Machine::B, ports::os::mono_now(), true));
    let heard = rack.heard(160);
    for (c, part) in heard.chunks(10).enumerate() {
        let c = c as u8;
        assert_eq!(part[..3], [vec![0xB0 | c, 0, 1], vec![0xB0 | c, 32, 2], vec![0xC0 | c, c]], "bank before program");
        assert!(part[3..].iter().all(|m| m[0] == 0xB0 | c));
    }
    println!("{}", b.until_said("patch-sent"));
    // The switch's answer and its adoption tell of the same changeover.
    b.moves(Machine::B);
    b.begin_song(1);
    b.until("the song is seen", |b| b.desk.shown().len() == 1);
    assert_eq!(b.said("patch-chase"), 1, "a song that begins with the changeover sends nothing twice");
}

#[test]
fn a_song_that_begins_sends_what_should_be_in_force_where_that_is_wanted() {
    let mut b = Bench::new("port = \"DIR/rack\"\nchase_at_song_start = true");
    let listener = Listener::bind(&b.socket("rack")).unwrap();
    let mut rack = Rack::take(&listener);
    b.plays(Machine::A, &[PROGRAM_5]);
    b.begin_song(2);
    assert_eq!(rack.heard(1), [vec![0xC2, 5]]);
    b.until_said("patch-sent");
    b.begin_song(2);
    b.plays(Machine::A, &[[0xB2, 7, 1]]);
    b.desk.tell(PatchNews::Chase(None));
    assert_eq!(rack.heard(2), [vec![0xC2, 5], vec![0xB2, 7, 1]], "the same song is not sent again");
    b.until("both are told", |b| b.said("patch-chase") == 2);
}

/// The machine on air dies when its bank has gone out and its program has not; the other one is a little behind, or a little ahead.
#[test]
fn a_death_between_bank_and_program_leaves_no_half_selected_bank() {
    for ahead in [false, true] {
        let mut b = Bench::new("port = \"DIR/rack\"\nchase = true");
        let listener = Listener::bind(&b.socket("rack")).unwrap();
        let mut rack = Rack::take(&listener);
        for m in [Machine::A, Machine::B] {
            b.plays(m, &[[0xB2, 0, 1], PROGRAM_5]);
        }
        b.plays(Machine::A, &[[0xB2, 0, 2]]);
        if ahead {
            b.plays(Machine::B, &[[0xB2, 0, 2], PROGRAM_9]);
        }
        b.desk.tell(PatchNews::Moved(Machine::B, ports::os::mono_now(), true));
        let (bank, program) = if ahead { (2, 9) } else { (1, 5) };
        assert_eq!(rack.heard(2), [vec![0xB2, 0, bank], vec![0xC2, program]]);
        b.until_said("patch-sent");
        if !ahead {
            // It comes to that place itself; nothing of ours is behind it.
            b.plays(Machine::B, &[[0xB2, 0, 2], PROGRAM_9]);
            b.view(Some(Machine::B));
            let is = |b: &Bench| {
                b.desk.shown().first().and_then(|d| Some((d.channels.first()?.bank_msb, d.channels.first()?.program)))
            };
            b.until("the page", |b| is(b) == Some((Some(2), Some(9))));
        }
        assert_eq!(b.said("patch-chase"), 1);
    }
}

/// One event before the border of two songs the device is sent the old song's patch, one after it the new one's: once in either case.
#[test]
fn a_changeover_at_the_border_of_two_songs_sends_what_the_other_machine_last_said() {
    for crossed in [false, true] {
        let mut b = Bench::new("port = \"DIR/rack\"\nchase = true\nchase_at_song_start = true");
        let listener = Listener::bind(&b.socket("rack")).unwrap();
        let mut rack = Rack::take(&listener);
        b.begin_song(1);
        rack_is_quiet(&mut b);
        for m in [Machine::A, Machine::B] {
            b.plays(m, &[PROGRAM_5]);
        }
        if crossed {
            b.plays(Machine::B, &[PROGRAM_9]);
        }
        b.desk.tell(PatchNews::Moved(Machine::B, ports::os::mono_now(), true));
        b.begin_song(2);
        assert_eq!(rack.heard(1), [vec![0xC2, if crossed { 9 } else { 5 }]]);
        b.until_said("patch-sent");
        b.plays(Machine::B, &[[0xB2, 7, 1]]);
        b.view(Some(Machine::B));
        b.until("the page", |b| b.desk.shown().first().is_some_and(|d| !d.channels.is_empty()));
        let chases = b.said.iter().filter(|s| s.0 == "patch-chase" && s.1.contains("settings are sent")).count();
        assert_eq!(chases, 1, "{:?}", b.said);
    }
}

/// Nothing is known yet, so that there is nothing to send as the first song begins.
fn rack_is_quiet(b: &mut Bench) {
    let text = b.until_said("patch-chase");
    assert!(text.contains("nothing to send"), "{text}");
}

#[test]
fn two_inputs_of_one_machine_are_not_merged() {
    let mut b = Bench::new("");
    b.plays(Machine::A, &[PROGRAM_5]);
    b.plays_by(Machine::A, 2, &[PROGRAM_9]);
    let text = b.until_said("patch-two-inputs");
    assert!(text.contains("A's MIDI inputs 1 and 3"), "{text}");
    b.plays_by(Machine::A, 2, &[]);
    b.view(Some(Machine::A));
    b.until("the page", |b| {
        b.desk.shown().first().is_some_and(|d| d.channels.first().is_some_and(|c| c.program == Some(5)))
    });
    assert_eq!(b.said("patch-two-inputs"), 1);
}
