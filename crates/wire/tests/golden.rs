//! Bytes on the wire must not change. A failure here means that an older program no longer understands a newer one: append
//! instead, or raise the version.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::fmt::Write;

use base::{
    AudioState, FrameRate, Machine, MachineId, PlayerState, PositionReport, RemoteTime, ShowPosition, SourceKind, Span,
    SwitchView, TransportState,
};
use twinkeel_wire::channels::MoreChannels;
use twinkeel_wire::codec::{encode_beat, encode_reply};
use twinkeel_wire::manifest::{Entry, FolderSum, Listing, Loaded, Manifest, Progress, WantListing, What};
use twinkeel_wire::message::{
    ChannelMeters, Exclusive, ExclusivePart, Lost, Meters, PatchMessage, PatchStream, SourceInfo, SourceState,
    TriggerKind,
};
use twinkeel_wire::{
    Beat, BeatReply, CentiDbfs, ChannelLevel, Down, Echo, Excerpt, GoodbyeWhy, Health, Hello, HostFlags, Inventory,
    Kit, MAX_BEAT, Pilot, RefuseWhy, SourceFlags, StopCause, Up, decode_beat, decode_down, decode_reply, decode_up,
    encode_down, encode_up,
};

fn hex(bytes: &[u8]) -> String {
    bytes.iter().fold(String::new(), |mut s, b| {
        write!(s, "{b:02x}").unwrap();
        s
    })
}

fn exclusive(place: Option<Span>, part: ExclusivePart) -> Up {
    Up::Exclusive(Exclusive { input: 1, at: t(1), place, part })
}

fn t(ns: u64) -> RemoteTime {
    RemoteTime::from_nanos(ns)
}

fn beat() -> Beat {
    let mtc = PositionReport {
        source: SourceKind::Mtc,
        state: TransportState::Rolling,
        position: ShowPosition::Timecode { rate: FrameRate::F30, at: Span::from_nanos(1) },
        at: t(2),
        speed_ppb: -1,
        sigma: Span::from_nanos(3),
        last_heard: t(4),
        jumps: 5,
    };
    Beat {
        seq: 300,
        sent: t(128),
        echo: Some(Echo { reply: 6, received: t(7) }),
        prev_sent: Some((299, t(8))),
        positions: [mtc].into_iter().collect(),
        player: PlayerState::Running,
        stop_cause: StopCause::Trigger,
        audio: AudioState::Sounding,
        last_sound: Some(t(9)),
        levels: [ChannelLevel { peak: CentiDbfs(-1), rms: CentiDbfs(-301), pilot: Pilot::Present }]
            .into_iter()
            .collect(),
        sources: SourceFlags::MIDI_OPEN,
        host: HostFlags::HOT,
        lateness: Span::from_nanos(10),
        frozen_before: 11,
        clipped: 12,
        dropouts: 13,
        term: 14,
        block: Span::from_nanos(15),
        more: MoreChannels {
            heard: 9,
            pilot: Pilot::Present,
            first: 8,
            levels: [ChannelLevel { peak: CentiDbfs(-2), rms: CentiDbfs(1), pilot: Pilot::NotExpected }]
                .into_iter()
                .collect(),
        },
    }
}

#[test]
fn beat_and_reply() {
    let mut out = [0; MAX_BEAT];
    let n = encode_beat(&beat(), &mut out).unwrap();
    let eight = "ac02800101060701ab02080101010005020201060405010201010901 01d904010202140b0c0d0e1e".replace(' ', "");
    assert_eq!(hex(&out[..n]), format!("{eight}09010801030200"));
    let older = Beat { more: MoreChannels::default(), ..beat() };
    assert_eq!(decode_beat(&out[..eight.len() / 2]), Ok(older), "an older sender ends here");
    assert_eq!(decode_beat(&out[..n]), Ok(beat()));
    assert_eq!(decode_beat(&out[..n + 9]), Ok(beat()), "a newer sender's added fields are ignored");

    let reply =
        BeatReply { seq: 1, sent: t(2), of_beat: 3, beat_received: t(4), on_air: SwitchView::On(Machine::B), term: 5 };
    let n = encode_reply(&reply, &mut out).unwrap();
    assert_eq!(hex(&out[..n]), "01020304010105");
    assert_eq!(decode_reply(&out[..n]), Ok(reply));
}

/// Two digests, files, bytes, troubles, block.
const SUM: &str = "01010101010101010101010101010101010101010101010101010101010101010202020202020202020202020202020202020202020202020202020202020202\
    03040506";

fn sum() -> FolderSum {
    FolderSum { content: [1; 32], times: [2; 32], files: 3, bytes: 4, troubles: 5, block: 6 }
}

#[test]
fn every_message_upward() {
    let hello = Hello {
        machine: MachineId([1; 16]),
        name: "north".into(),
        software: "0.1.0".into(),
        system: "x".into(),
        boot: [2; 16],
        epoch: 3,
        paths: 2,
    };
    let inventory = Inventory {
        player: Some("p".into()),
        sources: vec![SourceInfo {
            name: "m".into(),
            kind: Some(SourceKind::Ltc),
            rate: Some(FrameRate::F25),
            state: SourceState::Open,
        }],
        channels: vec!["click".into()],
        sample_rate: 48_000,
        real_time: true,
        notes: vec![],
    };
    let kit = Kit {
        build: Some("7.1".into()),
        player: Some("ab12".into()),
        player_started: Some(1),
        sleep_off: Some(true),
        updates_off: Some(false),
        ..Kit::default()
    };
    let health = Health { cpu_permille: Some(1), on_battery: Some(false), ..Health::default() };
    let cases = [
        (Up::Hello(hello), format!("00{}056e6f72746805302e312e300178{}0302", "01".repeat(16), "02".repeat(16))),
        (Up::Inventory(inventory), "01010170010 16d010001020101 05636c69636b80f7020100".replace(' ', "")),
        (
            Up::Patch { at: t(1), channel: 16, bank_msb: None, bank_lsb: Some(2), program: 127 },
            "020110000102 7f".replace(' ', ""),
        ),
        (Up::Trigger { at: t(1), what: TriggerKind::Jump, bytes: vec![0x90] }, "0301020190".into()),
        (Up::PlayerGone { at: t(1) }, "0401".into()),
        (Up::Goodbye { why: GoodbyeWhy::Shutdown }, "0503".into()),
        (Up::Health(health), "060101000000 00010000".replace(' ', "")),
        (Up::Source { at: t(1), name: "m".into(), state: SourceState::Gone, why: "w".into() }, "0701016d020177".into()),
        (
            Up::Excerpt(Excerpt::new("c".into(), t(1), base::Hertz(8_000.0), &[0.5, -1.0, f32::NAN])),
            "0801630180a4e8030600400180 0000".replace(' ', ""),
        ),
        (Up::Kit(kit), "090103372e31 010461623132 0102 00 00 0101 0100 00".replace(' ', "")),
        (
            Up::Manifest(Box::new(Manifest {
                folder: "f".into(),
                look: 1,
                sum: Some(sum()),
                looked_ns: -1,
                rules: [5; 32],
                trouble: "t".into(),
                progress: Some(Progress { files: 1, of_files: 2, bytes: 3, of_bytes: 4, rate: 5, waits: true }),
                loaded: Loaded {
                    player_since_ns: Some(1),
                    changed: 2,
                    first_ns: 3,
                    last_ns: 4,
                    example: "e".into(),
                    replaced: Some(5),
                },
            })),
            format!("0a01660101{}01{}017401010203040501010202060801650105", SUM, "05".repeat(32)).replace(' ', ""),
        ),
        (
            Up::Listing(Listing {
                folder: "f".into(),
                look: 1,
                block: 2,
                from: 3,
                entries: vec![
                    Entry { name: vec![0xff], modified_ns: 1, what: What::Folder(sum()) },
                    Entry { name: vec![0x61], modified_ns: 0, what: What::File { size: 300, content: [7; 32] } },
                    Entry { name: vec![0x62], modified_ns: 0, what: What::Link { target: vec![0x61], leaves: true } },
                    Entry { name: vec![0x63], modified_ns: 0, what: What::Other },
                    Entry {
                        name: vec![0x64],
                        modified_ns: 0,
                        what: What::Unreadable { why: "w".into(), folder: true },
                    },
                    Entry { name: vec![0x65], modified_ns: 0, what: What::Unsteady { size: 1 } },
                ],
                next: Some(4),
            }),
            format!(
                "0b01660102030601ff0200{SUM}01610001ac02{}0162000201610101630003016400040177010165000501 0104",
                "07".repeat(32)
            )
            .replace(' ', ""),
        ),
        (
            Up::Patches(PatchStream {
                input: 1,
                first: 2,
                messages: vec![
                    PatchMessage { at: t(1), place: None, bytes: [0xC2, 12, 0] },
                    PatchMessage { at: t(1), place: Some(Span::from_nanos(1)), bytes: [0xB0, 7, 100] },
                ],
            }),
            "0c010202 0100c20c00 010102b00764".replace(' ', ""),
        ),
        (Up::LetGo { patches: 300, others: 2 }, "0dac0202".to_string()),
        (
            Up::Dropout { at: t(1), length: Span::from_nanos(1), what: Lost::Repeat, channels: 3 },
            "0e01020103".to_string(),
        ),
        (exclusive(None, ExclusivePart::Begun), "0f01010000".to_string()),
        (
            exclusive(Some(Span::from_nanos(1)), ExclusivePart::Whole(vec![0xF0, 0x7D, 0xF7])),
            "0f010101020103f07df7".to_string(),
        ),
        (exclusive(None, ExclusivePart::TooLong(5_000)), "0f010100028827".to_string()),
        (exclusive(None, ExclusivePart::Cut), "0f01010003".to_string()),
        (exclusive(None, ExclusivePart::Lost(2)), "0f0101000402".to_string()),
        (
            Up::Meters(Meters {
                at: t(1),
                since: t(2),
                over: Span::from_nanos(3),
                channels: vec![ChannelMeters {
                    true_peak: CentiDbfs(-1),
                    highest: CentiDbfs(20),
                    clipped: 300,
                    last_clip: Some(t(4)),
                    dc: -5,
                }],
            }),
            "1001020601 0128ac02010409".replace(' ', ""),
        ),
    ];
    for (message, bytes) in cases {
        let encoded = encode_up(&message).unwrap();
        assert_eq!(hex(&encoded), bytes, "{message:?}");
        assert_eq!(decode_up(&encoded), Ok(message));
    }
}

#[test]
fn every_message_downward() {
    let cases = [
        (Down::Welcome { machine: Machine::B, beat_interval: Span::from_millis(5), term: 0 }, "000180ade20400"),
        (Down::Refuse { why: RefuseWhy::Revoked, text: "no".into() }, "0101026e6f"),
        (Down::OnAir { view: SwitchView::Conflict, latched: true }, "020201"),
        (Down::Goodbye { why: GoodbyeWhy::Failed }, "0304"),
        (Down::WantInventory, "04"),
        (Down::WantListing(WantListing { folder: "f".into(), look: 1, block: 2, from: 300 }), "0501660102ac02"),
        (Down::LookAgain { everything: true }, "0601"),
    ];
    for (message, bytes) in cases {
        let encoded = encode_down(&message).unwrap();
        assert_eq!(hex(&encoded), bytes, "{message:?}");
        assert_eq!(decode_down(&encoded), Ok(message));
    }
}
