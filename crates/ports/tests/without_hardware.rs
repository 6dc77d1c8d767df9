//! On a machine with or without sound hardware, nothing panics, every listing ends, and errors say what there is.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::time::{Duration, Instant};

use twinkeel_ports::audio::{self, AudioInput};
use twinkeel_ports::midi::{self, MidiOut, MidiPortName};
use twinkeel_ports::{Arrival, Arrivals, SourceState, list_audio, list_midi};

fn until_gone(mut arrivals: Arrivals) -> String {
    let begun = Instant::now();
    while begun.elapsed() < Duration::from_secs(15) {
        match arrivals.pop() {
            Some(Arrival::State { state: SourceState::Gone { why }, .. }) => return why,
            Some(_) => {}
            None => std::thread::sleep(Duration::from_millis(5)),
        }
    }
    panic!("the source was never said to be gone");
}

#[test]
fn listings_end_and_name_what_they_could_not_list() {
    let (midi, audio) = (list_midi(), list_audio());
    println!("{midi:?}\n{audio:?}");
    assert!(midi.found.iter().all(|p| !p.name.is_empty()));
    assert!(audio.found.iter().all(|d| !d.name.is_empty() && !d.host.is_empty()));
    assert!(
        midi.notes.iter().chain(&audio.notes).all(|n| n.contains(": ") || n.contains("longer")),
        "{:?}",
        midi.notes
    );
}

#[test]
fn a_port_that_is_not_there_is_said_to_be_gone() {
    let name = MidiPortName { host: "default".into(), port: "no such port anywhere".into() };
    let why = until_gone(midi::open_in(name.clone(), None).unwrap());
    // Either the list of ports, or the system's word that it has no MIDI.
    assert!(why.contains("no such port anywhere") || why.contains("could not be initialized"), "{why}");
    assert!(MidiOut::open(&name).is_err());
}

#[test]
fn a_device_that_is_not_there_is_said_to_be_gone() {
    let input = AudioInput {
        host: "default".into(),
        device: "no such device anywhere".into(),
        channels: vec!["click".into()],
        written: String::new(),
    };
    let why = until_gone(audio::open_in(input, None).unwrap());
    assert!(why.contains("no such device anywhere"), "{why}");
}

#[test]
fn a_host_that_is_not_there_is_named_with_those_that_are() {
    let input = AudioInput {
        host: "gramophone".into(),
        device: "default".into(),
        channels: vec!["click".into()],
        written: String::new(),
    };
    let why = until_gone(audio::open_in(input, None).unwrap());
    assert!(why.contains("no host is called \"gramophone\"") && why.contains("\"default\""), "{why}");
    let name = MidiPortName { host: "gramophone".into(), port: "x".into() };
    let why = until_gone(midi::open_in(name, None).unwrap());
    assert!(why.contains("gramophone") && why.contains("\"default\""), "{why}");
}
