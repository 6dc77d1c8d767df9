#![allow(clippy::disallowed_methods)] // A bench, example or test may read clocks and start threads.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, missing_docs)]
mod ltc_signals;
use base::FrameRate;
use ltc_signals::*;
use twinkeel_timecode::Timecode;

#[test]
fn soak() {
    let rates = [FrameRate::F24, FrameRate::F25, FrameRate::F29_97Df, FrameRate::F30, FrameRate::F29_97];
    let hzs = [8e3, 11.025e3, 16e3, 22.05e3, 44.1e3, 48e3, 96e3];
    let (mut total, mut right, mut wrong) = (0, 0, 0);
    let mut by = std::collections::BTreeMap::new();
    let n: u64 = std::env::var("N").ok().and_then(|s| s.parse().ok()).unwrap_or(300);
    let one: Option<u64> = std::env::var("SEED").ok().and_then(|s| s.parse().ok());
    for seed in one.map_or(0..n, |s| s..s + 1) {
        let mut c = Chance(seed * 77 + 5);
        let hz = hzs[(c.next() * 7.0) as usize];
        let rate = rates[(c.next() * 5.0) as usize];
        let speed = if hz < 15e3 { 0.5 + 0.5 * c.next() } else { 0.5 + 1.5 * c.next() };
        let rev = c.next() < 0.3;
        let snr = 2.0 + 12.0 * c.next();
        let mut t = Tape::new(hz);
        t.now = hz * c.next() * 0.3;
        let wobble = if c.next() < 0.5 { 0.05 * c.next() } else { 0.0 };
        t.polarity_correction = c.next() < 0.8;
        let mut label = Timecode::from_frames(rate, (c.next() * 2e6) as i64);
        let vary = c.next() < 0.5;
        t.user = (c.next() * 4e9) as u32;
        let f = move |x: f64| speed * (1.0 + wobble * (x * 9.0).sin());
        for i in 0..100 {
            if c.next() < 0.02 {
                label = Timecode::from_frames(rate, (c.next() * 2e6) as i64);
                if c.next() < 0.5 {
                    let at = t.now - hz / rate.per_second() * c.next();
                    t.cut(at);
                }
            }
            if vary {
                t.user = (c.next() * 4e9) as u32;
            }
            t.play(label, 1, rev, &f);
            label = label.plus(if rev { -1 } else { 1 });
            let _ = i;
        }
        t.edges.push(t.now);
        t.now += hz * 0.05;
        let mut x = t.render(1.5);
        if c.next() < 0.3 {
            x = low_pass(x, hz, 2000.0 + 4000.0 * c.next(), 1);
        }
        if c.next() < 0.3 {
            x = hum(x, hz, 50.0, 0.5 * c.next(), 0.0);
        }
        if c.next() < 0.3 {
            for _ in 0..3 {
                let a = (c.next() * x.len() as f64) as usize;
                let b = (a + (c.next() * c.next() * hz * 0.1) as usize).min(x.len());
                x[a..b].fill(0.0);
            }
        }
        let x = noise(x, snr, seed);
        let ev = decode(&x, hz, 1000);
        let s = score(&t, &frames(&ev));
        if s.wrong > 0 {
            println!(
                "seed {seed} hz {hz} {} snr {snr:.1} speed {speed:.2} vary {vary} corr {}: {s:?}",
                rate.name(),
                t.polarity_correction
            );
        }
        let e = by.entry((hz as u64, snr as u64 / 4)).or_insert((0, 0));
        e.0 += s.expected;
        e.1 += s.right;
        total += s.expected;
        right += s.right;
        wrong += s.wrong;
    }
    by.iter().for_each(|(k, (e, r))| println!("BY {k:?} {e} {:.1} %", 100.0 * *r as f64 / *e as f64));
    println!("SOAK total {total} right {right} wrong {wrong}");
}
