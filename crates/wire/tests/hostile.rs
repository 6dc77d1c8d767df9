//! What an enemy or a bad network can send: nothing panics, everything is refused and counted by kind.
#![allow(clippy::disallowed_methods)] // A bench, example or test may read clocks and start threads.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use arrayvec::ArrayVec;
use base::RigId;
use proptest::prelude::*;
use twinkeel_wire::handshake::{ANSWER, KNOCK, other_version};
use twinkeel_wire::session::{MAX_FRAME, MAX_PLAIN, OVERHEAD};
use twinkeel_wire::{
    Beat, Counters, DecodeError, HandshakeError, Initiator, KeyPair, Lane, OpenError, Responder, SealError, Session,
    VERSIONS, decode_beat, decode_down, decode_reply, decode_up, peek,
};

const RIG: RigId = RigId([7; 16]);

fn shake(id: u32) -> (Session, Session) {
    let (agent, boss) = (KeyPair::generate().unwrap(), KeyPair::generate().unwrap());
    let (initiator, knock) = Initiator::start(&agent.secret, &boss.public, RIG).unwrap();
    let responder = Responder::read(&boss.secret, RIG, &knock).unwrap();
    assert_eq!(responder.peer(), agent.public);
    let (theirs, answer) = responder.accept(id).unwrap();
    (initiator.finish(&answer).unwrap(), theirs)
}

/// Noise specification, revision 34: IK's first message is e (32), s sealed (32 + 16) and a sealed empty payload (16); the second
/// is e (32) and the sealed payload (5 + 16). Snow's own vectors (its `tests/vectors`, and cacophony's) hold the cryptography itself.
#[test]
fn handshake_messages_have_the_sizes_of_the_specification() {
    assert_eq!(KNOCK - 11, 32 + 48 + 16);
    assert_eq!(ANSWER - 11, 32 + 5 + 16);
    let (a, b) = shake(5);
    assert_eq!((a.id(), b.id(), a.version()), (5, 5, VERSIONS.max));
}

#[test]
fn other_keys_other_rig_or_an_altered_range_fail() {
    let (agent, boss, other) =
        (KeyPair::generate().unwrap(), KeyPair::generate().unwrap(), KeyPair::generate().unwrap());
    let (initiator, knock) = Initiator::start(&agent.secret, &boss.public, RIG).unwrap();
    assert!(matches!(Responder::read(&other.secret, RIG, &knock), Err(HandshakeError::Refused)));
    assert!(matches!(Responder::read(&boss.secret, RigId([8; 16]), &knock), Err(HandshakeError::Refused)));
    let mut altered = knock;
    altered[5] = 2; // "I speak 1 to 2"
    assert!(matches!(Responder::read(&boss.secret, RIG, &altered), Err(HandshakeError::Refused)));
    altered[4] = 2;
    let named = Responder::read(&boss.secret, RIG, &altered).err().unwrap();
    assert_eq!(named.to_string(), "the other side speaks protocol version 2, this one 1");
    // An answer by somebody without the supervisor's key.
    let (_, forged) = Responder::read(&boss.secret, RIG, &knock).unwrap().accept(1).unwrap();
    let mut forged = forged;
    forged[20] ^= 1;
    assert!(matches!(initiator.finish(&forged), Err(HandshakeError::Refused)));
    assert!(peek(&other_version()).is_ok());
}

#[test]
fn each_refusal_is_counted_by_its_kind() {
    let (mut agent, mut boss) = shake(9);
    let (mut frame, mut plain) = ([0; 100], [0; 100]);
    let n = agent.seal(Lane::Path1, b"hear, hear", &mut frame).unwrap();
    assert_eq!(n, 10 + OVERHEAD);
    assert_eq!(boss.open(Lane::Path1, &frame[..n], &mut plain), Ok(10));
    assert_eq!(&plain[..10], b"hear, hear");
    assert_eq!(boss.open(Lane::Path1, &frame[..n], &mut plain), Err(OpenError::Replayed));
    // The same frame on another lane, thrown back, altered, cut, with its lane's number changed, in another version.
    assert_eq!(boss.open(Lane::Path2, &frame[..n], &mut plain), Err(OpenError::Malformed));
    assert_eq!(agent.open(Lane::Path1, &frame[..n], &mut plain), Err(OpenError::Forged));
    for i in 11..n {
        let mut bad = frame;
        bad[i] ^= 0x40;
        let refused = boss.open(Lane::Path1, &bad[..n], &mut plain).unwrap_err();
        let expect = if i == 18 { OpenError::Malformed } else { OpenError::Forged };
        assert_eq!(refused, expect, "byte {i}");
    }
    assert_eq!(boss.open(Lane::Path1, &frame[..n - 1], &mut plain), Err(OpenError::Forged));
    assert_eq!(boss.open(Lane::Path1, &frame[..30], &mut plain), Err(OpenError::Malformed));
    let mut other = frame;
    (other[4], other[5]) = (200, 201);
    assert!(matches!(boss.open(Lane::Path1, &other[..n], &mut plain), Err(OpenError::Version { .. })));
    let sealed = (n - 11) as u64;
    let expect = Counters {
        opened: 1,
        replayed: 1,
        forged: sealed - 1 + 1,
        malformed: 1 + 1 + 1,
        version: 1,
        ..Counters::default()
    };
    assert_eq!(boss.counters(), expect);
}

#[test]
fn a_forgery_does_not_spend_a_counter() {
    let (mut agent, mut boss) = shake(1);
    let (mut frame, mut plain) = ([0; 64], [0; 64]);
    let n = agent.seal(Lane::Urgent, b"x", &mut frame).unwrap();
    let mut bad = frame;
    bad[n - 1] ^= 1;
    assert_eq!(boss.open(Lane::Urgent, &bad[..n], &mut plain), Err(OpenError::Forged));
    assert!(!boss.confirmed());
    assert_eq!(boss.open(Lane::Urgent, &frame[..n], &mut plain), Ok(1));
    assert!(boss.confirmed());
}

#[test]
fn a_former_session_is_stale_and_a_strange_one_unknown() {
    let (mut old_agent, old_boss) = shake(1);
    let (_, mut boss) = shake(2);
    let (mut strange, _) = shake(3);
    boss.succeed(&old_boss);
    let (mut frame, mut plain) = ([0; 64], [0; 64]);
    let n = old_agent.seal(Lane::Path1, b"late", &mut frame).unwrap();
    assert_eq!(boss.open(Lane::Path1, &frame[..n], &mut plain), Err(OpenError::Stale));
    let n = strange.seal(Lane::Path1, b"who?", &mut frame).unwrap();
    assert_eq!(boss.open(Lane::Path1, &frame[..n], &mut plain), Err(OpenError::Unknown));
    assert_eq!((boss.counters().stale, boss.counters().unknown, boss.counters().forged), (1, 1, 0));
    for id in 10..30 {
        let (_, mut next) = shake(id);
        next.succeed(&boss);
        boss = next;
    }
    let (mut last, _) = shake(28);
    let n = last.seal(Lane::Path1, b"late", &mut frame).unwrap();
    assert_eq!(boss.open(Lane::Path1, &frame[..n], &mut plain), Err(OpenError::Stale));
}

#[test]
fn halves_share_keys_and_never_a_lane() {
    let (mut agent, mut boss) = shake(4);
    let mut beats = agent.split_off(&[Lane::Path1, Lane::Path2]);
    let mut frame = [0; 64];
    assert_eq!(agent.seal(Lane::Path1, b"a", &mut frame), Err(SealError::NotMine));
    assert_eq!(beats.seal(Lane::Urgent, b"a", &mut frame), Err(SealError::NotMine));
    let n = beats.seal(Lane::Path2, b"b", &mut frame).unwrap();
    assert_eq!(boss.open(Lane::Path2, &frame[..n], &mut [0; 8]), Ok(1));
    let again = agent.split_off(&[Lane::Path1]);
    assert_eq!({ again }.seal(Lane::Path1, b"a", &mut frame), Err(SealError::NotMine));
}

#[test]
fn a_bulk_connection_attaches_once() {
    let (mut agent, mut boss) = shake(4);
    let mut frame = [0; 64];
    let n = agent.seal_attach(&mut frame).unwrap();
    assert_eq!(peek(&frame[..n]).unwrap().session, 4);
    assert_eq!(boss.open_attach(&frame[..n]), Ok(()));
    assert_eq!(boss.open_attach(&frame[..n]), Err(OpenError::Replayed));
    let n = agent.seal(Lane::Bulk, b"hello", &mut frame).unwrap();
    assert_eq!(boss.open_attach(&frame[..n]), Err(OpenError::Malformed));
}

#[test]
fn the_longest_message_passes_and_a_longer_one_does_not() {
    let (mut agent, mut boss) = shake(4);
    let (mut frame, mut plain) = (vec![0; MAX_FRAME], vec![0; MAX_PLAIN]);
    assert_eq!(agent.seal(Lane::Bulk, &vec![1; MAX_PLAIN + 1], &mut [0; 70_000]), Err(SealError::TooLong));
    let n = agent.seal(Lane::Bulk, &vec![1; MAX_PLAIN], &mut frame).unwrap();
    assert_eq!(n, MAX_FRAME);
    assert_eq!(boss.open(Lane::Bulk, &frame, &mut [0; 10]), Err(OpenError::NoRoom));
    assert_eq!(boss.open(Lane::Bulk, &frame, &mut plain), Ok(MAX_PLAIN));
}

#[test]
fn unknown_messages_are_told_from_damage() {
    assert_eq!(decode_up(&[200, 1]), Err(DecodeError::Unknown(200)));
    assert_eq!(decode_down(&[7]), Err(DecodeError::Unknown(7)));
    assert_eq!(decode_up(&[]), Err(DecodeError::Malformed));
    assert_eq!(decode_up(&[4, 0xFF]), Err(DecodeError::Malformed));
}

proptest! {
    #[test]
    fn no_bytes_make_open_panic(bytes in prop::collection::vec(any::<u8>(), 0..200), header in 0u8..3, lane in 0usize..4) {
        let (_, mut boss) = shake(4);
        let mut frame: ArrayVec<u8, 256> = ArrayVec::new();
        if header > 0 {
            frame.try_extend_from_slice(&[b'T', b'W', b'K', b'L', 1, 1, 4, 0, 0, 0, 4]).unwrap();
        }
        if header > 1 {
            frame.try_extend_from_slice(&[0, 0, 0, 0, 0, 0, 0, lane as u8]).unwrap();
        }
        frame.try_extend_from_slice(&bytes).unwrap();
        prop_assert!(boss.open(Lane::ALL[lane], &frame, &mut [0; 256]).is_err());
        let c = boss.counters();
        prop_assert_eq!(c.stale + c.unknown + c.replayed + c.forged + c.malformed + c.version, 1);
        let (agent, keys) = (KeyPair::generate().unwrap(), KeyPair::generate().unwrap());
        prop_assert!(Responder::read(&keys.secret, RIG, &frame).is_err());
        let (initiator, _) = Initiator::start(&agent.secret, &keys.public, RIG).unwrap();
        prop_assert!(initiator.finish(&frame).is_err());
    }

    #[test]
    fn no_bytes_make_a_decoder_panic(bytes in prop::collection::vec(any::<u8>(), 0..300)) {
        // What decodes must encode: a value that can be read is a value that can be said.
        if let Ok(beat) = decode_beat(&bytes) {
            prop_assert!(twinkeel_wire::codec::encode_beat(&beat, &mut [0; 1200]).is_ok());
        }
        if let Ok(up) = decode_up(&bytes) {
            prop_assert!(twinkeel_wire::encode_up(&up).is_ok());
        }
        if let Ok(down) = decode_down(&bytes) {
            prop_assert!(twinkeel_wire::encode_down(&down).is_ok());
        }
        let _ = decode_reply(&bytes);
    }

    /// Truncation at every length, and any order of arrival: each genuine frame opens exactly once.
    #[test]
    fn reordered_and_doubled_frames_open_once(order in prop::collection::vec(0usize..40, 1..120)) {
        let (mut agent, mut boss) = shake(4);
        let frames: Vec<Vec<u8>> = (0..40u8).map(|i| {
            let mut f = vec![0; 64];
            let n = agent.seal(Lane::Path1, &[i; 5], &mut f).unwrap();
            f.truncate(n);
            f
        }).collect();
        let mut seen = [false; 40];
        for i in order {
            let mut plain = [0; 64];
            prop_assert!(boss.open(Lane::Path1, &frames[i][..frames[i].len() - 1 - i % 20], &mut plain).is_err());
            let opened = boss.open(Lane::Path1, &frames[i], &mut plain);
            if seen[i] { prop_assert_eq!(opened, Err(OpenError::Replayed)); } else { prop_assert_eq!(opened, Ok(5)); prop_assert_eq!(plain[0], i as u8); }
            seen[i] = true;
        }
    }
}

#[test]
fn a_beat_crosses() {
    let (mut agent, mut boss) = shake(4);
    let mut out = [0; twinkeel_wire::MAX_BEAT];
    let beat = Beat { seq: 77, ..Beat::default() };
    let n = agent.seal_beat(Lane::Path2, &beat, &mut out).unwrap();
    assert_eq!(boss.open_beat(Lane::Path2, &out[..n]), Ok(beat));
    let n = agent.seal(Lane::Path2, &[0xFF; 3], &mut out).unwrap();
    assert_eq!(boss.open_beat(Lane::Path2, &out[..n]), Err(OpenError::Malformed));
}

/// A session's halves go to different threads.
#[test]
fn a_half_can_be_sent_to_another_thread() {
    let (mut agent, mut boss) = shake(4);
    let mut beats = agent.split_off(&[Lane::Path1]);
    let sealer = std::thread::spawn(move || {
        let mut frame = [0; 64];
        let n = beats.seal(Lane::Path1, b"over there", &mut frame).unwrap();
        frame[..n].to_vec()
    });
    let frame = sealer.join().unwrap();
    assert_eq!(boss.open(Lane::Path1, &frame, &mut [0; 64]), Ok(10));
}
