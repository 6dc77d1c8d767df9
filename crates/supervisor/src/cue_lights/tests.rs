#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]
use super::*;
use crate::snapshot::{Letter, Proposal, Takeover};

fn takeover(possible: bool) -> Takeover {
    Takeover {
        to: Letter(base::Machine::B),
        possible,
        jump: None,
        jump_samples: None,
        level: None,
        text: String::new(),
        forced_text: String::new(),
        expires: MonoTime::FAR,
    }
}

fn snapshot(change: impl FnOnce(&mut Snapshot)) -> Snapshot {
    let mut s = Snapshot { takeovers: vec![takeover(true)], ..Snapshot::starting(ports::os::mono_now()) };
    change(&mut s);
    s
}

fn proposal() -> Proposal {
    Proposal { id: 1, to: Letter(base::Machine::B), text: String::new() }
}

#[test]
fn each_light_is_lit_when_it_should_be_and_when_nothing_is_known() {
    let now = MonoTime::from_nanos(10_000_000_000);
    let s = |change: fn(&mut Snapshot)| Snapshot { now, ..snapshot(change) };
    let all =
        |s: &Snapshot, oldest| [When::HandNeeded, When::Proposal, When::Unprotected].map(|w| is_lit(w, s, oldest));
    let at = |s: &Snapshot| all(s, now - Span::from_secs(2));
    assert_eq!(at(&s(|_| {})), [false; 3]);
    assert_eq!(at(&s(|s| s.proposal = Some(proposal()))), [true, true, false]);
    assert_eq!(at(&s(|s| s.takeovers = vec![takeover(false)])), [false, false, true]);
    assert_eq!(at(&s(|s| s.takeovers.clear())), [false, false, true]);
    assert_eq!(all(&s(|_| {}), now + Span::from_secs(1)), [true; 3], "an old snapshot says nothing");
}

/// Over a real socket: told at once, at each change, and again though nothing changed.
#[test]
fn a_light_hears_each_change_and_the_same_again() {
    let desk = UdpSocket::bind("127.0.0.1:0").unwrap();
    desk.set_read_timeout(Some(Duration::from_secs(10))).unwrap();
    let to = desk.local_addr().unwrap();
    let light = CueLight::Osc { name: "monitor desk".into(), when: When::Proposal, to, address: "/light/1".into() };
    let (send, snapshots) = watch::channel(Arc::new(snapshot(|_| {})));
    let lights = CueLights::default();
    lights.start(&[light], snapshots).unwrap();
    let heard = || {
        let mut bytes = [0u8; 256];
        let n = desk.recv(&mut bytes).unwrap();
        match rosc::decoder::decode_udp(&bytes[..n]).unwrap().1 {
            OscPacket::Message(m) => {
                assert_eq!(m.addr, "/light/1");
                m.args[0].clone().int().unwrap()
            }
            other => panic!("{other:?}"),
        }
    };
    assert_eq!(heard(), 0);
    send.send(Arc::new(snapshot(|s| s.proposal = Some(proposal())))).unwrap();
    assert_eq!(heard(), 1);
    // Nothing changes: it is told again, a second later.
    let before = Instant::now();
    send.send(Arc::new(snapshot(|s| s.proposal = Some(proposal())))).unwrap();
    assert_eq!(heard(), 1);
    assert!(before.elapsed() >= Duration::from_millis(500), "{:?}", before.elapsed());
    send.send(Arc::new(snapshot(|_| {}))).unwrap();
    assert_eq!(heard(), 0);
    // No snapshot more: nothing is known, and somebody should look.
    while heard() == 0 {}
    let shown = lights.shown();
    assert_eq!((shown[0].name.as_str(), shown[0].lit, shown[0].told), ("monitor desk", true, true), "{shown:?}");
}

#[test]
fn a_port_that_is_not_there_is_said() {
    let light = CueLight::Midi {
        name: "pit".into(),
        when: When::Unprotected,
        port: "no such port of anybody's".into(),
        host: "default".into(),
        lit: "90 3c 7f".into(),
        dark: "90 3c 00".into(),
    };
    let mut light = Light::new(&light);
    light.look(true, Instant::now());
    let view = light.view();
    assert!(view.lit && !view.told && view.text.contains("CANNOT BE TOLD"), "{view:?}");
}
