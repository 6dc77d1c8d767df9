//! Random fault soups: seeded shows of two hours against an oracle that judges by what could be known.
//!
//! ```text
//! cargo run --release -p twinkeel-stage --example soups -- --shows 10000
//! cargo run --release -p twinkeel-stage --example soups -- --seed 42      one show, told as it goes
//! cargo run --release -p twinkeel-stage --example soups -- --flaws        desks broken on purpose: the oracle must see it
//! ```
#![allow(clippy::print_stdout, missing_docs)]

mod computer;
mod deeds;
mod desk;
mod music;
mod oracle;
mod plan;
mod world;

use std::collections::BTreeMap;
use std::process::ExitCode;
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Instant;

use desk::Flaw;
use world::{Outcome, play};

struct Args {
    shows: u64,
    first: u64,
    threads: usize,
    seed: Option<u64>,
    flaws: bool,
}

fn main() -> ExitCode {
    let args = match args() {
        Ok(args) => args,
        Err(why) => {
            eprintln!("{why}");
            return ExitCode::from(2);
        }
    };
    let bad = if args.flaws {
        flaws(args.shows.max(400))
    } else if let Some(seed) = args.seed {
        let outcome = play(seed, Flaw::None, true);
        println!("{outcome:#?}");
        !outcome.findings.is_empty()
    } else {
        many(&args)
    };
    if bad { ExitCode::FAILURE } else { ExitCode::SUCCESS }
}

fn args() -> Result<Args, String> {
    let mut args = Args { shows: 200, first: 1, threads: 1, seed: None, flaws: false };
    let mut words = std::env::args().skip(1);
    while let Some(word) = words.next() {
        let mut number = || words.next().and_then(|n| n.parse().ok()).ok_or(format!("{word} wants a number"));
        match word.as_str() {
            "--shows" => args.shows = number()?,
            "--first" => args.first = number()?,
            "--threads" => args.threads = number()?.max(1) as usize,
            "--seed" => args.seed = Some(number()?),
            "--flaws" => args.flaws = true,
            _ => return Err(format!("{word}? It knows --shows N, --first SEED, --threads N, --seed SEED, --flaws")),
        }
    }
    Ok(args)
}

/// Plays many shows and says what they came to; whether any was wrong.
fn many(args: &Args) -> bool {
    let began = Instant::now();
    let next = AtomicU64::new(args.first);
    let all: Mutex<Vec<(u64, Outcome)>> = Mutex::new(Vec::new());
    std::thread::scope(|scope| {
        for _ in 0..args.threads {
            scope.spawn(|| {
                loop {
                    let seed = next.fetch_add(1, Ordering::Relaxed);
                    if seed >= args.first + args.shows {
                        break;
                    }
                    let outcome = play(seed, Flaw::None, false);
                    for f in &outcome.findings {
                        let kind = if f.missed { "MISSED" } else { "FALSE" };
                        println!("seed {seed} at {:.3} s: {kind}: {}", f.at, f.what);
                    }
                    if let Ok(mut all) = all.lock() {
                        all.push((seed, outcome));
                    }
                }
            });
        }
    });
    let all = all.into_inner().unwrap_or_default();
    let sum = |f: fn(&Outcome) -> u64| all.iter().map(|o| f(&o.1)).sum::<u64>();
    let found = |missed: bool| all.iter().flat_map(|o| &o.1.findings).filter(|f| f.missed == missed).count();
    let mut rules: BTreeMap<&str, u64> = BTreeMap::new();
    all.iter().flat_map(|o| &o.1.rules).for_each(|r| *rules.entry(r).or_default() += 1);
    println!(
        "{} shows of 2 h (seeds {} to {}), {:.1} h of them at full rate, in {:.0} s\n\
         {} changeovers by itself, of which {} answered a death that had to be answered; {} by a person\n\
         by rule: {rules:?}\n\
         false: {}\nmissed: {}",
        all.len(),
        args.first,
        args.first + args.shows - 1,
        all.iter().map(|o| o.1.full_rate).sum::<f64>() / 3_600.0,
        began.elapsed().as_secs_f64(),
        sum(|o| o.changeovers),
        sum(|o| o.due),
        sum(|o| o.by_person),
        found(false),
        found(true),
    );
    found(false) + found(true) > 0
}

/// Plays the same shows with desks that are broken on purpose, each until it is seen; whether any went unseen.
fn flaws(shows: u64) -> bool {
    let mut unseen = false;
    for flaw in Flaw::ALL {
        let finding = |seed| play(seed, flaw, false).findings.into_iter().next().map(|f| (seed, f));
        let example = (1..=shows).find_map(finding);
        unseen |= example.is_none();
        let example = example
            .map(|(seed, f)| format!("seed {seed} at {:.3} s: {}", f.at, f.what.split(';').next().unwrap_or("")));
        println!("{flaw:?}: {}", example.as_deref().unwrap_or("UNSEEN"));
    }
    unseen
}
