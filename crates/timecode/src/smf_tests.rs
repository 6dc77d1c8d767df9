//! Files laid out byte by byte after SMF 1.0.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use super::*;
use base::Bpm;
use proptest::prelude::*;

fn file(format: u16, division: u16, tracks: &[&[u8]]) -> Vec<u8> {
    let mut f = b"MThd\0\0\0\x06".to_vec();
    for n in [format, tracks.len() as u16, division] {
        f.extend(n.to_be_bytes());
    }
    for t in tracks {
        f.extend(b"MTrk");
        f.extend((t.len() as u32).to_be_bytes());
        f.extend(*t);
    }
    f
}

const END: &[u8] = &[0x00, 0xFF, 0x2F, 0x00];

fn track(parts: &[&[u8]]) -> Vec<u8> {
    parts.concat()
}

#[test]
fn tempi_meters_words_and_patches_in_order_of_time() {
    let conductor = track(&[
        &[0x00, 0xFF, 0x51, 3, 0x07, 0xA1, 0x20],                   // 500 000 us
        &[0x00, 0xFF, 0x58, 4, 3, 2, 24, 8],                        // 3/4
        &[0x83, 0x60, 0xFF, 0x06, 5, b'V', b'e', b'r', b's', 0xE9], // tick 480, Latin-1
        &[0x00, 0xFF, 0x51, 3, 0x0F, 0x42, 0x40],                   // 1 000 000 us
        &[0x83, 0x60, 0xFF, 0x07, 2, b'Q', b'1'],                   // tick 960
        END,
    ]);
    let part = track(&[
        &[0x00, 0xB2, 0, 5],
        &[0x00, 0x20, 7],        // running status
        &[0x81, 0x70, 0xC2, 12], // tick 240
        &[0x00, 0xB2, 7, 90],
        &[0x86, 0x48, 0xE2, 0x00, 0x00], // tick 1080, bend all down
        &[0x83, 0x60, 0xFF, 0x2F, 0x00], // tick 1560
    ]);
    let smf = Smf::parse(&file(1, 480, &[&conductor, &part])).unwrap();
    let got: Vec<(u64, i64, SmfWhat)> =
        smf.events().iter().map(|e| (e.tick, e.at.nanos() / 1_000_000, e.what.clone())).collect();
    assert_eq!(
        got,
        [
            (0, 0, SmfWhat::Tempo(500_000)),
            (0, 0, SmfWhat::Meter(3, 2)),
            (0, 0, SmfWhat::Control(3, 0, 5)),
            (0, 0, SmfWhat::Control(3, 32, 7)),
            (240, 250, SmfWhat::Patch { channel: 3, bank_msb: Some(5), bank_lsb: Some(7), program: 12 }),
            (240, 250, SmfWhat::Control(3, 7, 90)),
            (480, 500, SmfWhat::Marker("Versé".into())),
            (480, 500, SmfWhat::Tempo(1_000_000)),
            (960, 1_500, SmfWhat::Cue("Q1".into())),
            (1080, 1_750, SmfWhat::Bend(3, -8192)),
        ]
    );
    assert_eq!(smf.length(), Span::from_millis(2_750));
    assert_eq!(smf.tempo_map().tempo_at(Span::from_secs(1)), Some(Bpm(60.0)));
    assert_eq!(smf.tracks(), 2);

    let at = |ms| smf.chase(Span::from_millis(ms));
    assert_eq!(at(0).touched().next().unwrap().1.program(), None);
    let chase = at(250);
    let (channel, state) = chase.touched().next().unwrap();
    assert_eq!((channel, state.program(), state.bank_msb(), state.bank_lsb()), (3, Some(12), Some(5), Some(7)));
    assert_eq!(state.controllers().collect::<Vec<_>>(), [(7, 90)]);
    assert_eq!(state.bend(), None);
    assert_eq!(at(1_750).touched().next().unwrap().1.bend(), Some(-8192));
}

#[test]
fn smpte_division() {
    // -25 frames, 40 ticks: a millisecond a tick (the example of SMF 1.0). Tempo changes nothing.
    let t = track(&[&[0x00, 0xFF, 0x51, 3, 1, 0, 0], &[0x87, 0x68, 0xFF, 0x06, 1, b'a'], END]);
    let smf = Smf::parse(&file(0, 0xE728, &[&t])).unwrap();
    assert_eq!(smf.length(), Span::from_secs(1));
    assert_eq!(smf.tempo_map().division(), Division::Frame(FrameRate::F25, 40));
    let smf = Smf::parse(&file(0, 0xE364, &[&t])).unwrap();
    assert_eq!(smf.length(), FrameRate::F29_97Df.frames(10));
}

#[test]
fn a_riff_wrapper_is_opened() {
    let t = track(&[&[0x87, 0x68, 0xFF, 0x06, 1, b'a'], END]);
    let inner = file(0, 500, &[&t]);
    let mut f = b"RIFF\0\0\0\0RMIDjunk\x03\0\0\0abc\0data".to_vec();
    f.extend((inner.len() as u32).to_le_bytes());
    f.extend(&inner);
    assert_eq!(Smf::parse(&f).unwrap().length(), Span::from_secs(1));
    f.pop();
    assert!(matches!(Smf::parse(&f), Err(SmfError::CutShort { .. })));
    assert!(matches!(Smf::parse(b"RIFF\0\0\0\0WAVEfmt "), Err(SmfError::NotSmf(_))));
}

#[test]
fn what_is_wrong_is_said() {
    let t = track(&[END]);
    assert!(matches!(Smf::parse(&file(0, 0x8001, &[&t])), Err(SmfError::NotSmf(_))));
    assert_eq!(Smf::parse(&file(2, 96, &[&t])), Err(SmfError::Patterns));
    assert_eq!(Smf::parse(&file(0, 0, &[&t])), Err(SmfError::NoDivision));
    assert!(matches!(Smf::parse(b""), Err(SmfError::NotSmf(_))));
    assert!(matches!(Smf::parse(b"RIFF"), Err(SmfError::NotSmf(_))));
    assert!(matches!(Smf::parse(b"hello, this is text"), Err(SmfError::NotSmf(_))));
    let whole = file(1, 96, &[&t, &t]);
    let cut = &whole[..whole.len() - 1];
    assert_eq!(Smf::parse(cut), Err(SmfError::CutShort { at: 26, claimed: 4, left: 3 }));
    let one = &whole[..26];
    assert_eq!(Smf::parse(one), Err(SmfError::TracksMissing { announced: 2, found: 1 }));
    // A status that a file cannot hold, in the second event of track 1.
    let bad = track(&[&[0x00, 0x90, 60, 1], &[0x00, 0xF1, 0x00], END]);
    assert_eq!(Smf::parse(&file(0, 96, &[&bad])), Err(SmfError::BadEvent { track: 1, at: 26 }));
}

proptest! {
    #[test]
    fn any_bytes_never_panic(bytes in proptest::collection::vec(any::<u8>(), 0..300)) {
        let _ = Smf::parse(&bytes);
        let mut f = file(1, 96, &[&bytes, &bytes]);
        let _ = Smf::parse(&f);
        f[10..14].copy_from_slice(&[0xFF; 4]);
        let _ = Smf::parse(&f);
    }
}
