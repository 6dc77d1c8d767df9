//! The links and hosts that other tests rely on do what they are told.
#![cfg(target_os = "linux")]
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::collections::BTreeMap;
use std::net::UdpSocket;
use std::process::Command;

use base::{MonoTime, Span};
use ports::os::{mono_now, sleep_until};
use settings::duration::Duration;
use stage::weather::Weather;
use twinkeel_tests::link_emulator::{LinkEmulator, Rough};
use twinkeel_tests::namespaces::{Namespace, possible_or_excused, sweep};

/// What came of numbered datagrams: for each number, how long each copy took; and how many arrived in another order than sent.
struct Arrived {
    took: BTreeMap<u32, Vec<Span>>,
    overtaken: usize,
    foreign: usize,
}

/// Sends so many datagrams, one a millisecond, over a link of this kind.
fn send_over(rough: Rough, count: u32) -> (Arrived, [u64; 3]) {
    let (a, b) = (Namespace::new("one"), Namespace::new("two"));
    let link = LinkEmulator::start((&a, "tap0"), (&b, "tap0"), 11);
    a.address("tap0", "10.78.0.1/24");
    b.address("tap0", "10.78.0.2/24");
    let to = b.inside(|| UdpSocket::bind("10.78.0.2:9000")).unwrap();
    let from = a.inside(|| UdpSocket::bind("10.78.0.1:9000")).unwrap();
    from.connect("10.78.0.2:9000").unwrap();
    to.set_read_timeout(Some(std::time::Duration::from_millis(500))).unwrap();
    // The address is resolved before the weather begins.
    from.send(b"first").unwrap();
    to.recv(&mut [0; 64]).unwrap();
    let before = link.counts().so_far();
    link.set(rough);
    let hears = std::thread::spawn(move || {
        let mut arrived = Arrived { took: BTreeMap::new(), overtaken: 0, foreign: 0 };
        let mut buffer = [0u8; 64];
        let mut newest = 0;
        while let Ok(n) = to.recv(&mut buffer) {
            let now = mono_now();
            let Some((number, at)) = read(&buffer[..n]) else {
                arrived.foreign += 1;
                continue;
            };
            arrived.overtaken += usize::from(number < newest);
            newest = newest.max(number);
            arrived.took.entry(number).or_default().push(now - at);
        }
        arrived
    });
    let mut due = mono_now();
    for number in 0..count {
        sleep_until(due);
        let at = mono_now().nanos();
        from.send(&[&number.to_le_bytes()[..], &at.to_le_bytes(), &(!at).to_le_bytes()].concat()).unwrap();
        due += Span::from_millis(1);
    }
    let arrived = hears.join().unwrap();
    let after = link.counts().so_far();
    (arrived, std::array::from_fn(|i| after[i] - before[i]))
}

/// Number and instant, if this is what was sent.
fn read(bytes: &[u8]) -> Option<(u32, MonoTime)> {
    let number = u32::from_le_bytes(bytes.get(..4)?.try_into().ok()?);
    let at = u64::from_le_bytes(bytes.get(4..12)?.try_into().ok()?);
    let twin = u64::from_le_bytes(bytes.get(12..20)?.try_into().ok()?);
    (twin == !at && bytes.len() == 20).then_some((number, MonoTime::from_nanos(at)))
}

#[test]
fn an_emulated_link_delays_loses_doubles_and_reorders() {
    if !possible_or_excused("an emulated link") {
        return;
    }
    let weather = Weather {
        delay: Duration::millis(2),
        jitter: Duration::millis(8),
        loss: 0.1,
        duplicate: 0.05,
        ..Weather::default()
    };
    let (arrived, [_, lost, damaged]) = send_over(Rough { weather, corrupt: 0.0 }, 2_000);
    // Four deviations of a binomial count, sqrt(n p (1 - p)): 54 for the loss, 38 for the copies of those that were not lost.
    let came = arrived.took.len() as f64;
    assert!((came - 1_800.0).abs() < 54.0, "{came} of 2000 came");
    assert!((lost as f64 - (2_000.0 - came)).abs() < 5.0, "{lost} counted as lost");
    let twice = arrived.took.values().filter(|t| t.len() == 2).count() as f64;
    assert!((twice - 90.0).abs() < 38.0, "{twice} came twice");
    assert!(arrived.overtaken > 100, "{} were overtaken", arrived.overtaken);
    // Nothing comes too early; how late it may be read depends on how busy the computer is.
    let all: Vec<Span> = arrived.took.values().flatten().copied().collect();
    assert!(all.iter().all(|t| *t >= Span::from_millis(2)), "{:?}", all.iter().min());
    let late = all.iter().filter(|t| **t > Span::from_millis(6)).count() as f64 / all.len() as f64;
    assert!((0.3..1.0).contains(&late), "even from 2 to 10 ms, half should take more than 6, and {late} did");
    assert_eq!((damaged, arrived.foreign), (0, 0));
}

/// The checksums of IPv4 and UDP (RFC 791, RFC 768) find every changed bit: damage is loss, and never another content.
#[test]
fn what_an_emulated_link_damages_is_never_delivered() {
    if !possible_or_excused("an emulated link") {
        return;
    }
    let (arrived, [carried, lost, damaged]) = send_over(Rough { corrupt: 0.3, ..Rough::default() }, 1_000);
    // Four deviations: 58. A bit of the Ethernet header may change without harm to what it carries.
    assert!((damaged as f64 - 300.0).abs() < 65.0, "{damaged} were damaged");
    let came = arrived.took.len();
    assert!((650..850).contains(&came), "{came} came of {carried} carried");
    assert_eq!((lost, arrived.foreign), (0, 0));
}

#[test]
fn what_a_killed_run_left_is_removed_and_what_lives_stays() {
    if !possible_or_excused("hosts") {
        return;
    }
    let mut gone = Command::new("true").spawn().unwrap();
    let left = format!("tk-{}-0-left", gone.id());
    gone.wait().unwrap();
    let ours = Namespace::new("stays");
    assert!(Command::new("ip").args(["netns", "add", &left]).status().unwrap().success());
    sweep();
    let list = Command::new("ip").args(["netns", "list"]).output().unwrap();
    let list = String::from_utf8_lossy(&list.stdout);
    assert!(!list.contains(&left), "{list}");
    assert!(list.contains(ours.name()), "{list}");
    let name = ours.name().to_owned();
    drop(ours);
    assert!(!std::path::Path::new("/run/netns").join(name).exists());
}
