#![allow(clippy::unwrap_used)]

use base::Hertz;

use super::*;
use crate::show::TIMECODE;

fn config() -> EngineConfig {
    EngineConfig {
        show: 1,
        own: 2,
        crystal: Ppm(14.0),
        start_skew: Span::from_millis(3),
        midi_jitter: Span::ZERO,
        midi_clump: 0,
        level: Db(0.0),
        pilot: Hertz(17_000.0),
    }
}

#[derive(Default)]
struct Heard {
    midi: Vec<(MonoTime, Vec<u8>)>,
    blocks: Vec<(MonoTime, Vec<Frame>)>,
}

fn run(e: &mut Engine, from: MonoTime, until: MonoTime, heard: &mut Heard) {
    let mut now = from;
    while now < until {
        now = e.next_deadline().max(now).min(until);
        e.on_time(now, &mut |out| match out {
            Out::Midi { at, bytes } => heard.midi.push((at, bytes.to_vec())),
            Out::Pcm { at, frames } => heard.blocks.push((at, frames.to_vec())),
        });
    }
}

fn t(ms: i64) -> MonoTime {
    MonoTime::from_nanos(5_000_000_000) + Span::from_millis(ms)
}

fn first_sound(heard: &Heard) -> MonoTime {
    let (at, i) =
        heard.blocks.iter().find_map(|(at, b)| b.iter().position(|f| f[TIMECODE] != 0.0).map(|i| (*at, i))).unwrap();
    at + base::Samples(i as f64).at(SAMPLE_RATE)
}

#[test]
fn a_pad_starts_it_after_its_skew_and_a_pad_stops_it() {
    let mut e = Engine::new(config(), t(0));
    let mut heard = Heard::default();
    e.on_command(Command::Play { at: Some(t(100)), heard: true }, t(50));
    run(&mut e, t(50), t(1000), &mut heard);
    // Pad, 5 ms of latency, 3 ms of skew.
    assert!((first_sound(&heard) - t(108)).abs() < Span::from_micros(50));
    let (pad_at, pad_bytes) = heard.midi.iter().find(|(_, b)| b[0] == 0x9f).unwrap();
    assert!((*pad_at - t(100)).abs() < Span::from_micros(50));
    assert_eq!(pad_bytes[..3], [0x9f, pad::START, 100]);
    assert!(e.rolling(t(1000)));
    let (song, into) = e.place(t(1000));
    assert_eq!(song, 1);
    assert!((into - Span::from_millis(892)).abs() < Span::from_micros(100), "{into:?}");

    e.on_command(Command::Stop { at: None, heard: true }, t(1000));
    run(&mut e, t(1000), t(1200), &mut heard);
    assert!(!e.rolling(t(1200)));
    assert!(heard.midi.iter().any(|(at, b)| b == &[0xfc] && (*at - t(1000)).abs() < Span::from_millis(1)));
    let after = heard.blocks.iter().filter(|(at, _)| *at > t(1003));
    assert!(after.flat_map(|(_, b)| b).all(|f| f[0] == 0.0 && f[TIMECODE] == 0.0));
    assert!(heard.blocks.last().unwrap().1.iter().any(|f| f[PILOT] != 0.0), "the pilot tells that the engine runs");
}

#[test]
fn its_crystal_sets_the_pace_of_blocks_and_of_code() {
    let mut e = Engine::new(config(), t(0));
    let mut heard = Heard::default();
    e.on_command(Command::Play { at: None, heard: true }, t(0));
    run(&mut e, t(0), t(20_000), &mut heard);
    let (first, last) = (heard.blocks[0].0, heard.blocks.last().unwrap().0);
    let rate = (heard.blocks.len() - 1) as f64 * BLOCK as f64 / (last - first).secs_f64();
    assert!((rate / 48_000.0 - 1.0 - 14e-6).abs() < 1e-7, "{rate}");
    let quarters: Vec<MonoTime> = heard.midi.iter().filter(|(_, b)| b.contains(&0xf1)).map(|(at, _)| *at).collect();
    let pace = (quarters.len() - 1) as f64 / (*quarters.last().unwrap() - quarters[0]).secs_f64();
    assert!((pace / 120.0 - 1.0 - 14e-6).abs() < 1e-7, "{pace}");
    // A block leaves when its last sample has been played, never before.
    assert!((samples_in(Span::from_secs(20), Ppm(14.0)) / 128.0 - heard.blocks.len() as f64).abs() < 2.0);
}

#[test]
fn clumps_and_jitter_keep_the_order_of_messages() {
    let mut e = Engine::new(EngineConfig { midi_clump: 2048, midi_jitter: Span::from_millis(1), ..config() }, t(0));
    let mut heard = Heard::default();
    e.on_command(Command::Play { at: None, heard: true }, t(0));
    run(&mut e, t(0), t(2000), &mut heard);
    let pieces: Vec<u8> =
        heard.midi.iter().flat_map(|(_, b)| b.windows(2)).filter(|w| w[0] == 0xf1).map(|w| w[1] >> 4).collect();
    assert!(pieces.len() > 200);
    assert!(pieces.windows(2).all(|p| p[1] == (p[0] + 1) % 8));
    let longest = heard.midi.windows(2).map(|p| p[1].0 - p[0].0).max().unwrap();
    assert!(longest > Span::from_millis(38), "{longest:?} between clumps of 42.7 ms");
}

#[test]
fn faults_spoil_what_they_should() {
    let mut e = Engine::new(config(), t(0));
    let mut heard = Heard::default();
    e.on_command(Command::Play { at: None, heard: true }, t(0));
    run(&mut e, t(0), t(500), &mut heard);
    let mut now = 500;
    let mut with = |e: &mut Engine, c: Command| {
        let mut heard = Heard::default();
        e.on_command(c, t(now));
        let before = e.place(t(now));
        run(e, t(now), t(now + 300), &mut heard);
        now += 300;
        assert!(e.rolling(t(now)));
        (heard, before, e.place(t(now)))
    };
    let (h, ..) = with(&mut e, Command::Midi { on: false });
    assert!(h.midi.is_empty() && h.blocks.len() > 100);
    let (h, ..) = with(&mut e, Command::Midi { on: true });
    assert!(h.midi.len() > 30);
    let (h, ..) = with(&mut e, Command::Audio { fault: AudioFault::Ceased });
    assert!(h.blocks.is_empty() && h.midi.len() > 30, "the transport rolls on");
    let (h, ..) = with(&mut e, Command::Audio { fault: AudioFault::Silent });
    assert!(h.blocks.len() > 100 && h.blocks.iter().flat_map(|(_, b)| b).all(|f| f == &[0.0; 6]));
    let (h, ..) = with(&mut e, Command::Audio { fault: AudioFault::StemSilent });
    assert!(h.blocks.iter().flat_map(|(_, b)| b).all(|f| f[0] == 0.0 && f[1] != 0.0));
    let (h, ..) = with(&mut e, Command::Audio { fault: AudioFault::Noise });
    assert!(h.blocks.iter().flat_map(|(_, b)| b).all(|f| f.iter().all(|s| s.abs() == 1.0)));
    let (h, _, (song, _)) = with(&mut e, Command::Audio { fault: AudioFault::None });
    assert_eq!(song, 1);
    assert!(h.blocks.len() > 100);
    let (h, _, (song, into)) = with(&mut e, Command::Jump { song: 3, to: None });
    assert_eq!(song, 3);
    assert!(h.midi.iter().any(|(_, b)| b.starts_with(&[0xf0, 0x7f, 0x7f, 1, 1])));
    assert!(into > Span::from_secs(2), "the same distance from the song's beginning");
    let (_, (_, before), (_, after)) = with(&mut e, Command::Skip { by: Span::from_millis(150) });
    // `before` was asked for when the jump had been made.
    assert!((after - before - Span::from_millis(300)).abs() < Span::from_micros(100));
    assert!((before - into - Span::from_millis(150)).abs() < Span::from_micros(100));
    let (_, (_, before), (_, after)) = with(&mut e, Command::Level { gain: Db(-6.0) });
    assert!((after - before - Span::from_millis(300)).abs() < Span::from_micros(100));
}

/// A process that was stopped for a second goes on where it stopped: it does not make up for lost time in a burst.
#[test]
fn a_frozen_engine_goes_on_where_it_stopped() {
    let mut e = Engine::new(config(), t(0));
    let mut heard = Heard::default();
    e.on_command(Command::Play { at: None, heard: true }, t(0));
    run(&mut e, t(0), t(1000), &mut heard);
    let before = e.place(t(1000)).1;
    heard.blocks.clear();
    run(&mut e, t(2000), t(2100), &mut heard);
    assert!(heard.blocks.len() < 45, "{} blocks in 100 ms", heard.blocks.len());
    let after = e.place(t(2100)).1;
    assert!((after - before - Span::from_millis(100)).abs() < Span::from_millis(4), "{:?}", after - before);
}
