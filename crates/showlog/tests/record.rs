//! What is written comes back: events, both lanes, epochs.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod common;

use std::time::Duration;

use base::{Machine, Span};
use common::*;
use twinkeel_showlog::detail::{Changeover, Stage};
use twinkeel_showlog::{Event, EventKind, HeardAt, Recorder, RecorderConfig, ShowFile, Sound};

const PATIENCE: Duration = Duration::from_secs(20);

/// Feeds samples of `seconds` at 200 Hz from `from` on, never faster than the writer takes them.
fn feed(recorder: &Recorder, from: Span, seconds: i64) {
    let sender = recorder.handle();
    for i in 0..seconds * 200 {
        sender.sample(sample(from + Span::from_millis(5 * i)));
        if i % 500 == 499 {
            recorder.flush(PATIENCE).unwrap();
        }
    }
    recorder.flush(PATIENCE).unwrap();
}

#[test]
fn events_and_both_lanes_come_back() {
    let dir = tempfile::tempdir().unwrap();
    let recorder = Recorder::open(dir.path(), &meta(), START, WALL).unwrap();
    let sender = recorder.handle();
    feed(&recorder, Span::ZERO, 100);
    let (when, wall) = at(Span::from_secs(100));
    let detail = Changeover {
        number: 1,
        stage: Stage::Intent,
        to: Machine::B,
        from: Some(Machine::A),
        rule: "on-air-dead".to_owned(),
        forced: false,
        by: None,
        fault_at: Some(when - Span::from_millis(12)),
        jump: None,
        level: None,
        gap: None,
        code: None,
        evidence: Vec::new(),
    };
    let id = sender.event(
        Event::new(when, wall, EventKind::Changeover, "intent", "A fell silent.").about(Machine::B).with(&detail),
    );
    feed(&recorder, Span::from_secs(100), 70);
    let path = recorder.path().to_owned();
    recorder.close();

    let show = ShowFile::read(&path).unwrap();
    assert_eq!(show.damage, Vec::<String>::new());
    assert_eq!(show.meta, meta());
    assert_eq!(show.epochs.len(), 1);
    assert!(show.epochs[0].ended.is_some());
    assert_eq!(show.events.len(), 1);
    assert_eq!(show.events[0].id, id);
    assert_eq!(serde_json::from_value::<Changeover>(show.events[0].event.detail.clone()).unwrap(), detail);
    // 10 Hz over 170 s.
    assert_eq!(show.samples.len(), 1_700);
    assert_eq!(show.samples[0].sample, sample(Span::ZERO));
    assert!(show.samples.windows(2).all(|w| w[1].sample.at.since(w[0].sample.at) == Span::from_millis(100)));
    // Full rate: 30 s before and after, to the nearest chunk.
    assert_eq!(show.incidents.len(), 1);
    let mut damage = Vec::new();
    let (from, to) = (when - Span::from_secs(30), when + Span::from_secs(30));
    let full = show.full_rate(1, from, to, &mut damage).unwrap();
    assert!((12_000..=12_001).contains(&full.len()), "{}", full.len());
    let all = show.full_rate(1, START, START + Span::from_secs(1_000), &mut damage).unwrap();
    assert!(all.len() < 12_400, "{}", all.len());
    assert!(damage.is_empty());
}

#[test]
fn a_restart_goes_on_in_the_same_file_under_a_new_epoch() {
    let dir = tempfile::tempdir().unwrap();
    let first = Recorder::open(dir.path(), &meta(), START, WALL).unwrap();
    first.handle().event(note(1));
    feed(&first, Span::ZERO, 2);
    let path = first.path().to_owned();
    first.close();
    let (later, wall) = at(Span::from_secs(60));
    let second = Recorder::open(dir.path(), &meta(), later, wall).unwrap();
    assert_eq!(second.path(), path);
    let id = second.handle().event(note(60_000));
    assert_eq!((id.epoch, id.sequence), (2, 1));
    second.close();

    let show = ShowFile::read(&path).unwrap();
    assert_eq!(show.events.iter().map(|e| e.id.epoch).collect::<Vec<_>>(), [1, 2]);
    assert_eq!(show.since_start(2, later), Span::from_secs(60));
    assert_eq!(show.samples.len(), 20);
    assert_eq!(std::fs::read_dir(dir.path()).unwrap().count(), 1, "one file a show, nothing beside it");
}

#[test]
fn a_record_can_be_read_while_it_is_written() {
    let dir = tempfile::tempdir().unwrap();
    let recorder = Recorder::open(dir.path(), &meta(), START, WALL).unwrap();
    recorder.handle().event(note(5));
    feed(&recorder, Span::ZERO, 3);
    let show = ShowFile::read(recorder.path()).unwrap();
    assert_eq!((show.events.len(), show.samples.len()), (1, 30));
    assert!(show.epochs[0].ended.is_none());
    assert_eq!(recorder.handle().health().committed, 1);
}

fn sound(since: Span, heard_at: HeardAt, channel: &str, value: i16) -> Sound {
    Sound {
        at: START + since,
        heard_at,
        channel: channel.to_owned(),
        rate_millihertz: 8_000_000,
        samples: vec![value; 7_680],
    }
}

#[test]
fn sound_comes_back_and_is_laid_on_the_changeovers_time() {
    let dir = tempfile::tempdir().unwrap();
    let config = RecorderConfig { sound_budget: 15_360 * 5, ..RecorderConfig::default() };
    let recorder = Recorder::open_with(dir.path(), &meta(), START, WALL, config).unwrap();
    let sender = recorder.handle();
    let verdict = Span::from_secs(100);
    let (when, wall) = at(verdict);
    let detail = serde_json::json!({ "number": 1, "stage": "intent", "to": 1, "from": 0, "rule": "player-gone" });
    sender.event(Event::new(when, wall, EventKind::Changeover, "intent", "A is gone.").about(Machine::B).with(&detail));
    let a = HeardAt::Machine(Machine::A);
    // Two channels of one second, then a hole, then one of them again; the house; and one for which there is no room.
    sender.sound(sound(verdict - Span::from_secs(2), a, "tracks L", 100));
    sender.sound(sound(verdict - Span::from_secs(2), a, "tracks R", 300));
    sender.sound(sound(verdict - Span::from_secs(1), a, "tracks L", -50));
    sender.sound(sound(verdict - Span::from_millis(500), HeardAt::House, "programme", 9));
    sender.sound(sound(Span::from_secs(10), a, "tracks L", 1));
    sender.sound(sound(verdict, a, "tracks L", 77));
    recorder.flush(PATIENCE).unwrap();
    let path = recorder.path().to_owned();
    recorder.close();

    let show = ShowFile::read(&path).unwrap();
    assert!(show.events.iter().any(|e| e.event.code == "sound-budget"), "the sixth is said to be left out");
    let mut damage = Vec::new();
    let all = show.sounds(1, START, START + Span::from_secs(1_000), &mut damage).unwrap();
    assert_eq!(all.len(), 5);
    assert_eq!(all[0], sound(Span::from_secs(10), a, "tracks L", 1));

    let made = twinkeel_showlog::report::Made::of(show);
    let heard = made.heard(0);
    assert_eq!(heard.iter().map(|h| h.at).collect::<Vec<_>>(), [HeardAt::House, a]);
    let of_a = &heard[1];
    assert_eq!((of_a.from, of_a.rate, of_a.samples.len()), (Span::from_secs(-2), 8_000, 8_000 + 7_680));
    // The mean of what sounds together, silence where nobody listened.
    assert_eq!((of_a.samples[0], of_a.samples[7_700], of_a.samples[8_000]), (200, 0, -50));
    assert_eq!(of_a.channels, ["tracks L", "tracks R"]);
    // The WAV is read by a reader of its own.
    let wav = of_a.wav().unwrap();
    let mut read = hound::WavReader::new(std::io::Cursor::new(wav)).unwrap();
    assert_eq!((read.spec().sample_rate, read.len()), (8_000, 15_680));
    assert_eq!(read.samples::<i16>().next().unwrap().unwrap(), 200);
    let page = made.html();
    assert_eq!(page.matches("<audio controls").count(), 2);
    assert!(page.contains("src=\"data:audio/wav;base64,UklGR"), "RIFF, by RFC 4648");
    made.csv(&dir.path().join("csv")).unwrap();
    assert!(dir.path().join("csv/sound/changeover-1-house.wav").is_file());
}

#[test]
fn what_happened_to_a_machine_is_told_newest_first_while_it_is_being_written() {
    let dir = tempfile::tempdir().unwrap();
    let recorder = Recorder::open(dir.path(), &meta(), START, WALL).unwrap();
    let sender = recorder.handle();
    for i in 0..30 {
        let (when, wall) = at(Span::from_secs(i));
        for (kind, m) in
            [(EventKind::Fitness, Machine::A), (EventKind::Fitness, Machine::B), (EventKind::Patch, Machine::B)]
        {
            sender.event(Event::new(when, wall, kind, "told", format!("{m} at {i} s")).about(m));
        }
        sender.event(Event::new(when, wall, EventKind::Song, "began", "of no machine"));
    }
    recorder.flush(PATIENCE).unwrap();
    let about = |m, most| twinkeel_showlog::About::read(recorder.path(), m, most).unwrap();
    let texts = |m, most| about(m, most).events.into_iter().map(|e| e.event.text).collect::<Vec<_>>();
    assert_eq!(texts(Machine::B, 3), ["B at 29 s", "B at 28 s", "B at 27 s"]);
    assert!(about(Machine::B, 29).more && !about(Machine::B, 30).more);
    assert_eq!(about(Machine::A, 1_000).events.len(), 30, "patches are the devices' story");
    assert_eq!(texts(Machine::first(3).last().unwrap(), 10), Vec::<String>::new());
    recorder.close();
}
