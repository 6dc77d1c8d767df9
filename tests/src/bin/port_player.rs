//! A player on real ports: MTC and, early in its song, a patch for outboard devices on a JACK MIDI port and LTC on a JACK audio port, both by the server's own clock, from an instant given in
//! nanoseconds of the monotonic clock. `port_player NAME START_NS`.
//!
//! It prints `played SAMPLES at MICROSECONDS` four times a second: what the server made of its nominal rate, for a test to hold figures
//! against.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use base::{Direction, FrameRate, Hertz};
use jack::{AudioOut, Client, ClientOptions, Control, MidiOut, ProcessScope, RawMidi};
use timecode::Timecode;
use timecode::ltc::LtcEncoder;
use timecode::midi::MtcEncoder;

/// What it sends to outboard devices, and when in seconds of its material: bank 1, program 12 and a controller on channel 3.
const PATCHES: [(f64, &[u8]); 3] = [(1.0, &[0xB2, 0, 1]), (1.0, &[0xC2, 12]), (2.0, &[0xB2, 7, 100])];

fn main() {
    let mut arguments = std::env::args().skip(1);
    let name = arguments.next().expect("a name");
    let start_us = arguments.next().and_then(|a| a.parse::<u64>().ok()).expect("a start in nanoseconds") / 1_000;
    let client = twinkeel_tests::jack_client(|| Client::new(&name, ClientOptions::NO_START_SERVER));
    let rate = client.sample_rate() as f64;
    let mut ltc_port = client.register_port("ltc", AudioOut::default()).unwrap();
    let mut midi_port = client.register_port("mtc", MidiOut::default()).unwrap();
    // The material is 48 kHz: a server that runs at 48,010 Hz plays it that much faster, as a fast crystal does.
    let material = Hertz(48_000.0);
    let start = Timecode::new(FrameRate::F30, 1, 0, 0, 0).unwrap();
    let mut ltc = LtcEncoder::new(material, start);
    let mut mtc = MtcEncoder::new(start, Direction::Forward);
    let quarter = material.0 / 120.0;
    let mut played: Option<f64> = None;
    let mut next_quarter = 0.0;
    let (tell, told) = std::sync::mpsc::channel();
    let mut next_word = 0.0;
    let process = move |_: &Client, scope: &ProcessScope| -> Control {
        let out = ltc_port.as_mut_slice(scope);
        out.fill(0.0);
        let mut midi = midi_port.writer(scope);
        let frames = f64::from(scope.n_frames());
        let from = match played {
            Some(_) => 0.0,
            None => {
                let Ok(cycle) = scope.cycle_times() else { return Control::Continue };
                let ahead = (start_us as f64 - cycle.current_usecs as f64) * rate / 1e6;
                if ahead >= frames {
                    return Control::Continue;
                }
                ahead.max(0.0).round()
            }
        };
        ltc.fill(&mut out[from as usize..], 1.0);
        let before = played.unwrap_or(0.0);
        if before >= next_word
            && let Ok(cycle) = scope.cycle_times()
        {
            // The very first period may begin with silence.
            let at = cycle.current_usecs as f64 + from / rate * 1e6;
            let _ = tell.send((before, at));
            next_word = before + material.0 / 4.0;
        }
        let after = before + frames - from;
        for (at, bytes) in PATCHES {
            if (before..after).contains(&(at * material.0)) {
                let _ = midi.write(&RawMidi { time: 0, bytes });
            }
        }
        while next_quarter < after {
            let at = (next_quarter - before + from).max(0.0) as u32;
            let message = mtc.next_message();
            let _ = midi.write(&RawMidi { time: at.min(scope.n_frames() - 1), bytes: &message });
            next_quarter += quarter;
        }
        played = Some(after);
        Control::Continue
    };
    let _active = client.activate_async((), jack::contrib::ClosureProcessHandler::new(process)).unwrap();
    println!("ready");
    // Ends when it is killed.
    while let Ok((samples, at)) = told.recv() {
        println!("played {samples} at {at:.0}");
    }
}
