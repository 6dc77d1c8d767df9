//! Clock bound and true error over loopback with and without the driver's transmit stamps: both ends read one clock, so the true offset
//! is 0. Asserts nothing.
//!
//! `cargo run --release -p twinkeel-supervisor --example clock_loopback [-- SECONDS]`
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

#[path = "../tests/exchange/mod.rs"]
mod exchange;

use base::Span;
use exchange::{Heard, Talk, talk};

fn main() {
    let seconds = std::env::args().nth(1).and_then(|s| s.parse().ok()).unwrap_or(20);
    println!(
        "{:34}{:>10}{:>10}{:>10}{:>10}{:>10}{:>10}{:>11}",
        "5 ms beats over loopback, us", "error p50", "p99", "max", "bound p50", "p99", "inside %", "stamped %"
    );
    for (name, agent_stamps, supervisor_stamps) in
        [("driver's stamps both ways", true, true), ("user-space transmit stamps", false, false)]
    {
        let how =
            Talk { agent_stamps, supervisor_stamps, interval: Span::from_millis(5), lasts: Span::from_secs(seconds) };
        print(name, &talk(how));
    }
}

fn print(name: &str, heard: &Heard) {
    let us = |s: Span| s.secs_f64() * 1e6;
    let sorted = |of: fn(&(Span, Span)) -> Span| {
        let mut v: Vec<f64> = heard.samples.iter().map(|s| us(of(s))).collect();
        v.sort_by(f64::total_cmp);
        v
    };
    let (errors, bounds) = (sorted(|s| s.0.abs()), sorted(|s| s.1));
    let at = |v: &[f64], q: f64| v.get(((v.len() as f64 - 1.0) * q) as usize).copied().unwrap_or(f64::NAN);
    let inside = heard.samples.iter().filter(|(e, b)| e.abs() <= *b).count() as f64 / heard.samples.len() as f64;
    let (all, exact) = heard.exchanges;
    println!(
        "{name:34}{:>10.2}{:>10.2}{:>10.2}{:>10.2}{:>10.2}{:>10.2}{:>11.1}",
        at(&errors, 0.5),
        at(&errors, 0.99),
        at(&errors, 1.0),
        at(&bounds, 0.5),
        at(&bounds, 0.99),
        100.0 * inside,
        100.0 * f64::from(exact) / f64::from(all)
    );
}
