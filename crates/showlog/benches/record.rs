//! What a record costs: writing a sample (one a beat at 200 Hz), the size of three hours, and the time of their report;
//! beside the plain layout, one row a sample, in the same run. Prints; asserts nothing.
//!
//! `cargo bench -p twinkeel-showlog`
#![allow(clippy::disallowed_methods)] // A bench, example or test may read clocks and start threads.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, missing_docs)]

#[path = "../tests/common/mod.rs"]
mod common;

use std::path::Path;
use std::time::Instant;

use base::{Span, SwitchView};
use common::synth;
use rusqlite::{Connection, params};
use twinkeel_showlog::report::Made;
use twinkeel_showlog::{Recorder, RecorderConfig, ShowFile, codec};

fn main() {
    // Three hours: 24 songs, of which three have a changeover or an unfit standby.
    let mut plans = synth::long(3);
    plans[2].unfit = Some((60, 75));
    plans[5].step = Some((100, 2_500));
    plans[20].changeover = Some(200);
    sending();
    let dir = tempfile::tempdir().unwrap();
    let began = Instant::now();
    let path = synth::write(dir.path(), &plans, Span::from_millis(5));
    let samples = plans.iter().map(|p| (p.seconds + 15) * 200).sum::<i64>();
    let each = began.elapsed().as_secs_f64() / samples as f64;
    println!(
        "three hours at 200 Hz through the recorder: {:.1} s, {:.2} us a beat (both threads, made-up samples included)",
        began.elapsed().as_secs_f64(),
        each * 1e6
    );
    let size = std::fs::metadata(&path).unwrap().len();
    println!(
        "file: {:.2} MB (with {:.0} MB set aside; full rate round the changeover included)",
        size as f64 / 1e6,
        1.05
    );

    let began = Instant::now();
    let show = ShowFile::read(&path).unwrap();
    let read = began.elapsed();
    rows(dir.path(), &show);
    let began = Instant::now();
    let made = Made::of(show);
    let figures = began.elapsed();
    let began = Instant::now();
    let html = made.html();
    let page = began.elapsed();
    let began = Instant::now();
    let pdf = made.pdf().unwrap();
    println!(
        "report of three hours: read {:.0} ms, figures {:.0} ms, page {:.0} ms ({:.2} MB), PDF {:.0} ms ({:.2} MB)",
        read.as_secs_f64() * 1e3,
        figures.as_secs_f64() * 1e3,
        page.as_secs_f64() * 1e3,
        html.len() as f64 / 1e6,
        began.elapsed().as_secs_f64() * 1e3,
        pdf.len() as f64 / 1e6
    );
}

/// The sender's side alone: what the thread that hands in a sample pays.
fn sending() {
    let dir = tempfile::tempdir().unwrap();
    let config = RecorderConfig { sample_queue: 300_000, ..RecorderConfig::default() };
    let recorder = Recorder::open_with(dir.path(), &common::meta(), common::START, common::WALL, config).unwrap();
    let sender = recorder.handle();
    let plan = synth::set_list()[0];
    let ready: Vec<_> = (0..20_000u64)
        .map(|n| {
            let t = Span::from_millis(5 * n as i64);
            synth::state(Some((0, &plan)), t, t, false, n)
        })
        .collect();
    let count = ready.len() as f64;
    let began = Instant::now();
    for s in ready {
        sender.sample(s);
    }
    println!("handing in a sample: {:.0} ns", began.elapsed().as_secs_f64() * 1e9 / count);
    let block: Vec<_> = (0..600u64)
        .map(|n| {
            let t = Span::from_millis(100 * n as i64);
            synth::state(Some((0, &plan)), t, t, false, n)
        })
        .collect();
    let began = Instant::now();
    let encoded = codec::encode(&block);
    println!(
        "a minute's block of two machines: {} bytes, {:.1} bytes a sample, encoded in {:.0} us",
        encoded.len(),
        encoded.len() as f64 / 600.0,
        began.elapsed().as_secs_f64() * 1e6
    );
}

/// The plain layout: a table with a row for each of the same 10 Hz samples, a column for each number.
fn rows(dir: &Path, show: &ShowFile) {
    let path = dir.join("rows.db");
    let mut db = Connection::open(&path).unwrap();
    db.execute_batch("PRAGMA journal_mode=WAL; PRAGMA synchronous=FULL; CREATE TABLE samples(at INTEGER, on_air INTEGER, mode INTEGER, latched INTEGER, song INTEGER, song_at INTEGER, jump INTEGER, level REAL); CREATE TABLE machines(at INTEGER, machine INTEGER, fitness INTEGER, heard INTEGER, player INTEGER, transport INTEGER, audio INTEGER, clock INTEGER, paths INTEGER, song INTEGER, offset INTEGER, bound INTEGER, drift REAL, peak REAL, rms REAL, lost INTEGER, lateness INTEGER, host INTEGER);").unwrap();
    let began = Instant::now();
    // One transaction each half second, as the recorder makes them.
    for five in show.samples.chunks(5) {
        let tx = db.transaction().unwrap();
        for p in five {
            let s = &p.sample;
            let air = if let SwitchView::On(m) = s.on_air { Some(m.index() as i64) } else { None };
            tx.prepare_cached("INSERT INTO samples VALUES (?,?,?,?,?,?,?,?)")
                .unwrap()
                .execute(params![
                    s.at.nanos() as i64,
                    air,
                    s.mode as i64,
                    s.latched,
                    s.song,
                    s.song_at.map(Span::nanos),
                    s.takeover.jump.map(Span::nanos),
                    s.takeover.level.map(|l| l.0)
                ])
                .unwrap();
            for (i, m) in s.machines.iter().enumerate() {
                tx.prepare_cached("INSERT INTO machines VALUES (?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?)")
                    .unwrap()
                    .execute(params![
                        s.at.nanos() as i64,
                        i as i64,
                        m.fitness as i64,
                        m.heard as i64,
                        m.player as i64,
                        m.transport as i64,
                        m.audio as i64,
                        m.clock as i64,
                        m.paths_alive,
                        m.song,
                        m.offset.map(Span::nanos),
                        m.bound.map(Span::nanos),
                        m.drift.map(|d| d.0),
                        m.peak.map(|l| l.0),
                        m.rms.map(|l| l.0),
                        m.beats_lost,
                        m.lateness.map(Span::nanos),
                        m.host
                    ])
                    .unwrap();
            }
        }
        tx.commit().unwrap();
    }
    let wrote = began.elapsed().as_secs_f64();
    db.execute_batch("PRAGMA wal_checkpoint(TRUNCATE)").unwrap();
    let size = std::fs::metadata(&path).unwrap().len();
    let began = Instant::now();
    let mut sum = 0i64;
    let mut q = db.prepare("SELECT * FROM machines JOIN samples USING (at)").unwrap();
    let mut rows = q.query([]).unwrap();
    while let Some(r) = rows.next().unwrap() {
        sum = sum.wrapping_add(r.get::<_, Option<i64>>(10).unwrap().unwrap_or(0));
    }
    println!(
        "row a sample, the same 10 Hz samples: {:.2} MB, written in {wrote:.1} s, read in {:.0} ms (sum {sum}) with an automatic index",
        size as f64 / 1e6,
        began.elapsed().as_secs_f64() * 1e3
    );
}
