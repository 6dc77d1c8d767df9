//! Any bytes as a Standard MIDI File: no panic, events in order of time, a chase at any time.
#![no_main]

use base::Span;
use libfuzzer_sys::fuzz_target;
use timecode::smf::Smf;

fuzz_target!(|data: &[u8]| {
    let Ok(smf) = Smf::parse(data) else { return };
    assert!(smf.events().windows(2).all(|w| w[0].at <= w[1].at && w[0].tick <= w[1].tick));
    let end = smf.length();
    for at in [Span::ZERO, end, end.divided(2), Span::MAX, Span::MIN] {
        smf.chase(at).resend(&mut |m| assert!(!m.is_empty()));
        let _ = smf.tempo_map().bar_beat_at(at);
        let _ = smf.tempo_map().tempo_at(at);
        let _ = smf.tempo_map().clock_at(at);
    }
});
