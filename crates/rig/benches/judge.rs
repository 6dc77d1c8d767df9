//! What a look of the judge costs, beside reading the table alone. Prints, asserts nothing.
//!
//! A rig of two machines at 200 beats a second each asks for 400 looks a second, and 100 such rigs on one core for
//! 40,000: there is room for 25 µs a look, of which opening and decoding its beat takes about 3 µs.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::disallowed_methods)]

#[path = "../tests/sim/mod.rs"]
mod sim;

use std::time::Instant;

use base::Span;
use twinkeel_rig::table::decide;
use twinkeel_rig::{Actions, Judge, Memory, Mode, Setup};

fn main() {
    println!("{:>9} {:>12} {:>12} {:>14}", "machines", "look, ns", "table, ns", "judge, bytes");
    for machines in [2, 3, 8] {
        let mut s = sim::Sim::new(Setup::new(machines), Memory { mode: Mode::Act, ..Memory::default() }, 1);
        s.run(sim::ms(5_000));
        let facts = s.judge.last_facts().unwrap();
        let n = 200_000u32;
        let mut out = Actions::new();
        let begin = Instant::now();
        for i in 0..n {
            out.clear();
            let now = s.now + Span::from_nanos(i64::from(i));
            s.judge.on_evidence(std::hint::black_box(&s.ev), now, &mut out);
        }
        let look = begin.elapsed().as_nanos() as f64 / f64::from(n);
        let begin = Instant::now();
        for _ in 0..n {
            std::hint::black_box(decide(std::hint::black_box(&facts)));
        }
        let table = begin.elapsed().as_nanos() as f64 / f64::from(n);
        println!("{machines:>9} {look:>12.0} {table:>12.1} {:>14}", size_of::<Judge>());
    }
}
