//! The feed codec: golden bytes, any cutting, any damage.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use base::{Hertz, MonoTime};
use proptest::prelude::*;
use twinkeel_wire::feed::{self, FeedError, FeedFrame, FeedHello, FeedReader, MAX_PCM_BYTES};

fn hello() -> FeedHello {
    FeedHello {
        at: MonoTime::from_nanos(7),
        pid: 0x0102_0304,
        sample_rate: Some(Hertz(48_000.0)),
        channels: vec!["click".into(), "é".into()],
    }
}

#[test]
fn bytes_are_as_documented() {
    let mut out = Vec::new();
    feed::encode_hello(&hello(), &mut out);
    let expect: &[u8] = &[
        29, 0, 0, 0, 1, 7, 0, 0, 0, 0, 0, 0, 0, 1, 0, 4, 3, 2, 1, 0x80, 0xBB, 0, 0, 2, 5, b'c', b'l', b'i', b'c', b'k',
        2, 0xC3, 0xA9,
    ];
    assert_eq!(out, expect);
    out.clear();
    feed::encode_midi(MonoTime::from_nanos(0x0100), &[0xF1, 0x23], &mut out);
    assert_eq!(out, [11, 0, 0, 0, 2, 0, 1, 0, 0, 0, 0, 0, 0, 0xF1, 0x23]);
    out.clear();
    assert!(feed::encode_pcm(MonoTime::from_nanos(1), &[1.0, -2.0], &mut out));
    assert_eq!(out, [17, 0, 0, 0, 3, 1, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0x80, 0x3F, 0, 0, 0, 0xC0]);
}

#[test]
fn pcm_is_seen_by_frame_and_channel() {
    let mut bytes = Vec::new();
    feed::encode_hello(&hello(), &mut bytes);
    assert!(feed::encode_pcm(MonoTime::from_nanos(9), &[0.0, 0.1, 0.2, 0.3, 0.4, 0.5], &mut bytes));
    let mut reader = FeedReader::new();
    reader.on_bytes(&bytes);
    assert_eq!(reader.next_frame().unwrap(), Some(FeedFrame::Hello(hello())));
    let Some(FeedFrame::Pcm { at, samples }) = reader.next_frame().unwrap() else { panic!("no PCM") };
    assert_eq!((at.nanos(), samples.channels(), samples.frames()), (9, 2, 3));
    assert_eq!(samples.channel(1).collect::<Vec<_>>(), [0.1, 0.3, 0.5]);
    assert_eq!(samples.channel(2).count(), 0);
    let mut copy = [9.0; 4];
    assert_eq!(samples.copy_into(&mut copy), 4);
    assert_eq!(copy, [0.0, 0.1, 0.2, 0.3]);
}

#[test]
fn errors_say_what_is_wrong_and_the_next_frame_is_read() {
    let mut bytes = Vec::new();
    assert!(feed::encode_pcm(MonoTime::ZERO, &[0.0], &mut bytes));
    feed::encode_hello(&hello(), &mut bytes);
    assert!(feed::encode_pcm(MonoTime::ZERO, &[0.0; 3], &mut bytes));
    bytes.extend_from_slice(&[9, 0, 0, 0, 77, 0, 0, 0, 0, 0, 0, 0, 0]);
    bytes.extend_from_slice(&[2, 0, 0, 0, 1, 1]);
    feed::encode_midi(MonoTime::ZERO, &[0xF8], &mut bytes);
    let mut reader = FeedReader::new();
    reader.on_bytes(&bytes);
    assert_eq!(reader.next_frame(), Err(FeedError::NoFormat));
    assert!(matches!(reader.next_frame(), Ok(Some(FeedFrame::Hello(_)))));
    assert_eq!(reader.next_frame(), Err(FeedError::Ragged { bytes: 12, channels: 2 }));
    assert_eq!(reader.next_frame(), Err(FeedError::Kind(77)));
    assert_eq!(reader.next_frame(), Err(FeedError::Short(2)));
    assert_eq!(reader.next_frame(), Ok(Some(FeedFrame::Midi { at: MonoTime::ZERO, bytes: &[0xF8] })));
    assert!(!FeedError::NoFormat.is_fatal());
}

#[test]
fn too_much_pcm_is_refused_and_the_most_allowed_is_read() {
    let mut bytes = Vec::new();
    let most = MAX_PCM_BYTES / 8 * 2;
    assert!(!feed::encode_pcm(MonoTime::ZERO, &vec![0.0; MAX_PCM_BYTES / 4 + 1], &mut bytes));
    feed::encode_hello(&hello(), &mut bytes);
    assert!(feed::encode_pcm(MonoTime::ZERO, &vec![0.5; most], &mut bytes));
    let mut reader = FeedReader::new();
    reader.on_bytes(&bytes);
    reader.next_frame().unwrap();
    assert!(matches!(reader.next_frame(), Ok(Some(FeedFrame::Pcm { .. }))));
}

proptest! {
    #[test]
    fn any_cutting_gives_the_same_midi(pieces in prop::collection::vec(prop::collection::vec(any::<u8>(), 1..9), 1..20), cut in 1usize..30) {
        let mut stream = Vec::new();
        for (i, p) in pieces.iter().enumerate() {
            feed::encode_midi(MonoTime::from_nanos(i as u64), p, &mut stream);
        }
        let (mut reader, mut got) = (FeedReader::new(), Vec::new());
        for piece in stream.chunks(cut) {
            reader.on_bytes(piece);
            while let Some(FeedFrame::Midi { bytes, .. }) = reader.next_frame().unwrap() {
                got.push(bytes.to_vec());
            }
        }
        prop_assert_eq!(got, pieces);
    }

    #[test]
    fn no_bytes_make_it_panic(mut bytes in prop::collection::vec(any::<u8>(), 0..600), small in any::<bool>()) {
        // Half of the cases get a plausible length, so that the frame's inside is reached.
        if small && bytes.len() > 5 {
            let len = (bytes.len() - 4) as u32;
            bytes[..4].copy_from_slice(&len.to_le_bytes());
            bytes[4] %= 5;
        }
        let mut reader = FeedReader::new();
        let mut got = 0;
        for piece in bytes.chunks(7) {
            reader.on_bytes(piece);
            while let Ok(Some(_)) = reader.next_frame() { got += 1; }
        }
        prop_assert!(got <= bytes.len());
    }
}
