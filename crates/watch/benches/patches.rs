//! Two streams of 16 channels and 128 controllers at 10,000 events a second: the share of a core that comparing and keeping state takes,
//! beside a plain copy of the same events.

#![allow(clippy::disallowed_methods)] // A bench measures time.

use std::time::Instant;

use base::{MonoTime, Span};
use twinkeel_watch::patches::{Comparer, DeviceState, Heard, Limits, PatchEvent, Sent};

/// A minute of events.
const EVENTS: u32 = 600_000;

fn main() {
    let t0 = MonoTime::from_nanos(1_000_000_000_000);
    let event = |i: u32| PatchEvent {
        channel: (i % 16 + 1) as u8,
        sent: Sent::Control((i / 16 % 128) as u8, (i / 2_048 % 128) as u8),
    };
    let heard = |i: u32, later: Span| {
        let at = Span::from_micros(100 * i64::from(i)) + later;
        Heard { at: t0 + at, place: at, event: event(i) }
    };
    let mut c = Comparer::new(Limits::default());
    c.on_together(true, t0);
    let mut states = [DeviceState::new(), DeviceState::new()];
    let mut found = 0;
    let began = Instant::now();
    // B is 20 ms behind: 200 events always wait.
    for i in 0..EVENTS {
        let a = heard(i, Span::ZERO);
        states[0].on_event(a.event, a.at);
        c.on_event(0, a, &mut |_| found += 1);
        if let Some(k) = i.checked_sub(200) {
            let b = heard(k, Span::from_millis(20));
            states[1].on_event(b.event, b.at);
            c.on_event(1, b, &mut |_| found += 1);
        }
        if i % 200 == 0 {
            c.on_time(a.at, &mut |_| found += 1);
        }
    }
    let ours = began.elapsed().as_secs_f64();
    let began = Instant::now();
    let mut copy = std::collections::VecDeque::with_capacity(1_024);
    for i in 0..EVENTS {
        copy.push_back(std::hint::black_box(heard(i, Span::ZERO)));
        if copy.len() > 200 {
            copy.pop_front();
        }
    }
    std::hint::black_box((&copy, &states));
    let plain = began.elapsed().as_secs_f64();
    println!("compared 2 x 10,000 events a second: {:.3} % of a core ({found} findings)", 100.0 * ours / 60.0);
    println!("the same events only queued:         {:.3} % of a core", 100.0 * plain / 60.0);
}
