//! What is in force on a device after each message of a stream, for `tests/outside/patches_mido.py`. Raw MIDI on standard input; a line for
//! each channel message: channel, program, bank in force, bank selected, bend, held keys, controllers.
//!
//! With `chase` as an argument the input is two streams with a line of `ff` between them: what a device is sent that heard the first, when
//! the second's machine comes on air, is printed as hexadecimal.

use std::io::Read;

use base::MonoTime;
use timecode::midi::encode::channel_message;
use timecode::midi::{MidiReader, MidiReaderConfig};
use twinkeel_watch::patches::{DeviceState, PatchEvent, chase};

fn main() -> std::io::Result<()> {
    let mut bytes = Vec::new();
    std::io::stdin().read_to_end(&mut bytes)?;
    if std::env::args().any(|a| a == "chase") {
        // FF is a system reset, which neither stream has.
        let mut parts = bytes.splitn(2, |b| *b == 0xFF);
        let mut state = || {
            let mut s = DeviceState::new();
            events(parts.next().unwrap_or_default()).iter().for_each(|e| s.on_event(*e, MonoTime::ZERO));
            s
        };
        let (have, new) = (state(), state());
        chase(&have, &new, false, &mut |item| println!("{}", hex(&item.bytes())));
        return Ok(());
    }
    let mut state = DeviceState::new();
    for e in events(&bytes) {
        state.on_event(e, MonoTime::ZERO);
        let Some(c) = state.channel(e.channel) else { continue };
        let two = |b: [Option<u8>; 2]| format!("{}/{}", word(b[0]), word(b[1]));
        let controllers = (0..).zip(&c.controllers).filter_map(|(n, v): (u8, _)| Some(format!("{n}={}", (*v)?)));
        println!(
            "{} {} {} {} {} {:x} {}",
            e.channel,
            word(c.program),
            two(c.bank),
            two(c.selected),
            word(c.bend),
            c.held,
            controllers.collect::<Vec<_>>().join(",")
        );
    }
    Ok(())
}

fn events(bytes: &[u8]) -> Vec<PatchEvent> {
    let mut all = Vec::new();
    let mut reader = MidiReader::new(MidiReaderConfig::default());
    reader.on_bytes(bytes, MonoTime::ZERO, &mut |e| {
        all.extend(channel_message(&e).and_then(|(_, m)| PatchEvent::from_message(&m)));
    });
    all
}

fn word(v: Option<impl ToString>) -> String {
    v.map_or_else(|| "-".into(), |v| v.to_string())
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|b| format!("{b:02x}")).collect()
}
