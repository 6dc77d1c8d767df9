//! Any bytes at any times, in chunks cut anywhere: no panic, and what comes out does not depend on the cuts.
#![no_main]

use base::{MonoTime, Span};
use libfuzzer_sys::fuzz_target;
use timecode::midi::{MidiEvent, MidiReader, MidiReaderConfig};

fuzz_target!(|data: &[u8]| {
    let mut whole = MidiReader::new(MidiReaderConfig::default());
    let mut cut = whole.clone();
    let mut now = MonoTime::from_nanos(1_000_000_000);
    let (mut a, mut b) = (Vec::new(), Vec::new());
    // A byte says how long the chunk is (4 bits) and how long after the last it comes (4 bits: 0 to 2^14 steps of 50 us).
    let mut rest = data;
    while let [head, more @ ..] = rest {
        let (chunk, next) = more.split_at(usize::from(head & 15).min(more.len()));
        let wait = (1i64 << (head >> 4)) - 1;
        now += Span::from_micros(50 * wait);
        whole.on_bytes(chunk, now, &mut |e| a.push(e));
        for byte in chunk {
            cut.on_bytes(core::slice::from_ref(byte), now, &mut |e| b.push(e));
        }
        if chunk.is_empty() {
            cut.on_bytes(chunk, now, &mut |e| b.push(e));
        }
        assert_eq!(a, b);
        for event in a.drain(..) {
            if let MidiEvent::Mtc(p) = event {
                assert_eq!(i64::from(p.timecode.frames()), p.frames.floor() as i64);
            }
        }
        b.clear();
        rest = next;
    }
    assert_eq!(whole.counts(), cut.counts());
    assert!(whole.next_deadline().is_none_or(|due| due > now));
});
