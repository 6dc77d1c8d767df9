//! A beat with every array full and every number at its longest fits into one datagram, and neither sealing nor opening it allocates.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use assert_no_alloc::{AllocDisabler, assert_no_alloc};
use base::{
    AudioState, FrameRate, PlayerState, PositionReport, RemoteTime, RigId, ShowPosition, SourceKind, Span, SwitchView,
    TransportState,
};
use twinkeel_wire::channels::{MoreChannels, WINDOW};
use twinkeel_wire::{
    Beat, BeatReply, CentiDbfs, ChannelLevel, Echo, HostFlags, Initiator, KeyPair, Lane, MAX_BEAT, Pilot, Responder,
    Session, SourceFlags, StopCause,
};

#[global_allocator]
static WATCHED: AllocDisabler = AllocDisabler;

fn shake() -> (Session, Session) {
    let (agent, boss) = (KeyPair::generate().unwrap(), KeyPair::generate().unwrap());
    let (initiator, knock) = Initiator::start(&agent.secret, &boss.public, RigId([1; 16])).unwrap();
    let (theirs, answer) = Responder::read(&boss.secret, RigId([1; 16]), &knock).unwrap().accept(u32::MAX).unwrap();
    (initiator.finish(&answer).unwrap(), theirs)
}

fn fullest() -> Beat {
    let far = RemoteTime::FAR;
    let position = |position| PositionReport {
        source: SourceKind::MidiClock,
        state: TransportState::Lost,
        position,
        at: far,
        speed_ppb: i32::MIN,
        sigma: Span::MIN,
        last_heard: far,
        jumps: u16::MAX,
    };
    let level = ChannelLevel { peak: CentiDbfs::SILENCE, rms: CentiDbfs::SILENCE, pilot: Pilot::Absent };
    Beat {
        seq: u32::MAX,
        sent: far,
        echo: Some(Echo { reply: u32::MAX, received: far }),
        prev_sent: Some((u32::MAX, far)),
        positions: [
            position(ShowPosition::Timecode { rate: FrameRate::F30, at: Span::MIN }),
            position(ShowPosition::Song { number: u16::MAX, at: Span::MIN }),
            position(ShowPosition::Clocks { millis: i64::MIN }),
        ]
        .into(),
        player: PlayerState::Gone,
        stop_cause: StopCause::Operator,
        audio: AudioState::Wrong,
        last_sound: Some(far),
        levels: [level; 8].into(),
        sources: SourceFlags(u16::MAX),
        host: HostFlags(u16::MAX),
        lateness: Span::MIN,
        frozen_before: u16::MAX,
        clipped: u16::MAX,
        dropouts: u16::MAX,
        term: u32::MAX,
        block: Span::MIN,
        more: MoreChannels { heard: 64, pilot: Pilot::Absent, first: 255, levels: [level; WINDOW].into() },
    }
}

#[test]
fn the_fullest_beat_fits_and_nothing_allocates() {
    let (mut agent, mut boss) = shake();
    let beat = fullest();
    let reply = BeatReply {
        seq: 1,
        sent: RemoteTime::FAR,
        of_beat: 2,
        beat_received: RemoteTime::FAR,
        on_air: SwitchView::Unknown,
        term: 0,
    };
    let mut datagram = [0; MAX_BEAT];
    let (sealed, opened, back) = assert_no_alloc(|| {
        let sealed = agent.seal_beat(Lane::Path1, &beat, &mut datagram);
        let opened = boss.open_beat(Lane::Path1, &datagram[..sealed.unwrap_or(0)]);
        let n = boss.seal_reply(Lane::Path1, &reply, &mut datagram);
        let back = agent.open_reply(Lane::Path1, &datagram[..n.unwrap_or(0)]);
        // Refusals must not allocate either.
        assert!(boss.open_beat(Lane::Path1, &datagram).is_err());
        (sealed, opened, back)
    });
    let sealed = sealed.unwrap();
    println!("fullest beat: {sealed} bytes sealed, {MAX_BEAT} allowed");
    assert!(sealed <= MAX_BEAT);
    assert_eq!(opened, Ok(beat));
    assert_eq!(back, Ok(reply));
}
