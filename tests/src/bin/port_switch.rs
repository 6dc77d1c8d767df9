//! A changeover switch on real MIDI ports, named `switch`: it takes `C0 nn` at the port `select` (program nn of channel 1: machine nn),
//! and tells where it stands by `B0 14 nn` at the port `answer`, at once after a command and twice a second besides.
//! `port_switch [NAME]` starts on machine A; what it was told is printed. Under another name it stands for any device on a MIDI port.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use jack::{Client, ClientOptions, Control, MidiIn, MidiOut, ProcessScope, RawMidi};

fn main() {
    let name = std::env::args().nth(1).unwrap_or_else(|| "switch".into());
    let client = twinkeel_tests::jack_client(|| Client::new(&name, ClientOptions::NO_START_SERVER));
    let select = client.register_port("select", MidiIn::default()).unwrap();
    let mut answer = client.register_port("answer", MidiOut::default()).unwrap();
    let (tell, told) = std::sync::mpsc::channel();
    let every = client.sample_rate() / 2;
    let (mut on, mut since) = (0u8, 0u32);
    let process = move |_: &Client, scope: &ProcessScope| -> Control {
        let mut due = false;
        for event in select.iter(scope) {
            let _ = tell.send(event.bytes.to_vec());
            if let [0xC0, program] = *event.bytes {
                on = program;
                due = true;
            }
        }
        since += scope.n_frames();
        if due || since >= every {
            since = 0;
            let _ = answer.writer(scope).write(&RawMidi { time: 0, bytes: &[0xB0, 0x14, on] });
        }
        Control::Continue
    };
    let _active = client.activate_async((), jack::contrib::ClosureProcessHandler::new(process)).unwrap();
    println!("ready");
    // Ends when it is killed.
    while let Ok(bytes) = told.recv() {
        println!("told {bytes:02x?}");
    }
}
