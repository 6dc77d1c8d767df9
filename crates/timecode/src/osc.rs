//! Position messages by OSC 1.0, so that anyone's player can say where it is.
//!
//! | address | arguments | meaning |
//! |---|---|---|
//! | `/twinkeel/position` | seconds (`d` or `f`), song (`i`) | this far into the song of that number |
//! | `/twinkeel/transport` | `start` or `stop` (`s`) | the transport starts, or stops |
//!
//! Bundles are opened, their time tags ignored: a position is taken as true when it arrives. Send a position at least ten
//! times a second while rolling.

use base::Span;
use rosc::{OscMessage, OscPacket, OscType};

/// The address of a position.
pub const POSITION: &str = "/twinkeel/position";
/// The address of start and stop.
pub const TRANSPORT: &str = "/twinkeel/transport";
/// Longer packets are refused unread: a position takes 40 bytes, and a bundle of bundles must not nest without end.
const LONGEST: usize = 2_048;

/// What a player says by OSC.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum OscEvent {
    /// Where it is.
    Position {
        /// Time since the start of the song.
        at: Span,
        /// The song's number in the show file, from 1.
        song: u16,
    },
    /// The transport starts.
    Start,
    /// The transport stops: commanded.
    Stop,
}

/// Why a packet, or a message in it, was refused.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
pub enum OscError {
    /// The packet is no OSC.
    #[error("not an OSC packet: {0}")]
    NotOsc(String),
    /// The packet is longer than any that we take.
    #[error("an OSC packet of {0} bytes is longer than {LONGEST}")]
    TooLong(usize),
    /// One of our addresses with arguments that it does not have.
    #[error("{address} wants {wants}")]
    Arguments {
        /// Which.
        address: &'static str,
        /// What should stand there.
        wants: &'static str,
    },
}

/// Reads one packet; each message for us goes to `sink`, others (and other addresses) are passed over.
///
/// # Errors
/// When the packet is no OSC, or a message for us has wrong arguments; messages before that one have been delivered.
pub fn read(packet: &[u8], sink: &mut impl FnMut(OscEvent)) -> Result<(), OscError> {
    if packet.len() > LONGEST {
        return Err(OscError::TooLong(packet.len()));
    }
    let (_, packet) = rosc::decoder::decode_udp(packet).map_err(|e| OscError::NotOsc(e.to_string()))?;
    open(&packet, sink)
}

fn open(packet: &OscPacket, sink: &mut impl FnMut(OscEvent)) -> Result<(), OscError> {
    match packet {
        OscPacket::Message(message) => {
            if let Some(event) = event(message)? {
                sink(event);
            }
            Ok(())
        }
        OscPacket::Bundle(bundle) => bundle.content.iter().try_for_each(|p| open(p, sink)),
    }
}

fn event(message: &OscMessage) -> Result<Option<OscEvent>, OscError> {
    match message.addr.as_str() {
        POSITION => {
            let wrong = OscError::Arguments {
                address: POSITION,
                wants: "seconds (double or float, 0 or more) and the song's number (int, 1 to 65535)",
            };
            let (seconds, song) = match message.args.as_slice() {
                [OscType::Double(s), OscType::Int(n)] => (*s, *n),
                [OscType::Float(s), OscType::Int(n)] => (f64::from(*s), *n),
                _ => return Err(wrong),
            };
            match u16::try_from(song) {
                // A day is longer than any song; it also keeps infinities and not-a-number out.
                Ok(song) if song > 0 && (0.0..86_400.0).contains(&seconds) => {
                    Ok(Some(OscEvent::Position { at: Span::from_secs_f64(seconds), song }))
                }
                _ => Err(wrong),
            }
        }
        TRANSPORT => match message.args.as_slice() {
            [OscType::String(s)] if s == "start" => Ok(Some(OscEvent::Start)),
            [OscType::String(s)] if s == "stop" => Ok(Some(OscEvent::Stop)),
            _ => Err(OscError::Arguments { address: TRANSPORT, wants: "\"start\" or \"stop\"" }),
        },
        _ => Ok(None),
    }
}

/// The packet that says this; positions go as doubles.
///
/// # Errors
/// When the encoder fails, which it has no cause to.
pub fn write(event: OscEvent) -> Result<Vec<u8>, OscError> {
    let (address, args) = match event {
        OscEvent::Position { at, song } => {
            (POSITION, vec![OscType::Double(at.secs_f64()), OscType::Int(i32::from(song))])
        }
        OscEvent::Start => (TRANSPORT, vec![OscType::String("start".into())]),
        OscEvent::Stop => (TRANSPORT, vec![OscType::String("stop".into())]),
    };
    let message = OscMessage { addr: address.into(), args };
    rosc::encoder::encode(&OscPacket::Message(message)).map_err(|e| OscError::NotOsc(e.to_string()))
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]
    use super::*;
    use proptest::prelude::*;

    fn all(packet: &[u8]) -> Result<Vec<OscEvent>, OscError> {
        let mut events = Vec::new();
        read(packet, &mut |e| events.push(e)).map(|()| events)
    }

    /// Bytes laid out by hand from OSC 1.0, "Atomic Data Types" and "OSC Messages": strings padded to four bytes, numbers
    /// big-endian.
    #[test]
    fn a_message_by_the_letter_of_the_specification() {
        let mut packet = b"/twinkeel/position\0\0,fi\0".to_vec();
        packet.extend([0x42, 0xF7, 0x00, 0x00]); // 123.5 in IEEE 754
        packet.extend([0, 0, 0, 7]);
        let expect = OscEvent::Position { at: Span::from_millis(123_500), song: 7 };
        assert_eq!(all(&packet), Ok(vec![expect]));

        let stop = b"/twinkeel/transport\0,s\0\0stop\0\0\0\0".to_vec();
        assert_eq!(all(&stop), Ok(vec![OscEvent::Stop]));

        let mut bundle = b"#bundle\0\0\0\0\0\0\0\0\x01".to_vec();
        for part in [&packet, &stop] {
            bundle.extend((part.len() as u32).to_be_bytes());
            bundle.extend(part);
        }
        assert_eq!(all(&bundle), Ok(vec![expect, OscEvent::Stop]));
    }

    #[test]
    fn wrong_arguments_are_named_and_others_passed_over() {
        let message = |addr: &str, args: Vec<OscType>| {
            rosc::encoder::encode(&OscPacket::Message(OscMessage { addr: addr.into(), args })).unwrap()
        };
        assert_eq!(all(&message("/other", vec![])), Ok(vec![]));
        for args in [
            vec![],
            vec![OscType::Int(1), OscType::Int(1)],
            vec![OscType::Double(1.0)],
            vec![OscType::Double(f64::NAN), OscType::Int(1)],
            vec![OscType::Double(-1.0), OscType::Int(1)],
            vec![OscType::Double(1.0), OscType::Int(0)],
            vec![OscType::Double(1.0), OscType::Int(70_000)],
        ] {
            let e = all(&message(POSITION, args)).unwrap_err();
            assert!(matches!(e, OscError::Arguments { address: POSITION, .. }), "{e}");
        }
        let e = all(&message(TRANSPORT, vec![OscType::String("go".into())])).unwrap_err();
        assert!(matches!(e, OscError::Arguments { address: TRANSPORT, .. }), "{e}");
    }

    #[test]
    fn bundles_nested_as_deep_as_a_packet_allows_do_not_overflow() {
        let mut packet = b"/x\0\0,\0\0\0".to_vec();
        while packet.len() + 20 <= LONGEST {
            let mut outer = b"#bundle\0\0\0\0\0\0\0\0\x01".to_vec();
            outer.extend((packet.len() as u32).to_be_bytes());
            outer.extend(&packet);
            packet = outer;
        }
        assert_eq!(all(&packet), Ok(vec![]));
        assert!(matches!(all(&[0; 4_000]), Err(OscError::TooLong(4_000))));
    }

    proptest! {
        #[test]
        fn what_is_written_is_read(ns in 0i64..86_399_000_000_000, song in 1u16..) {
            let at = Span::from_nanos(ns);
            let back = all(&write(OscEvent::Position { at, song }).unwrap()).unwrap();
            let [OscEvent::Position { at: got, song: number }] = back[..] else { panic!("{back:?}") };
            prop_assert_eq!(number, song);
            prop_assert!((got - at).abs() <= Span::from_nanos(8));
        }
        #[test]
        fn any_bytes_never_panic(bytes in proptest::collection::vec(any::<u8>(), 0..200)) {
            let _ = all(&bytes);
        }
    }
}
