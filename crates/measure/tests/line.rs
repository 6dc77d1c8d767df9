//! Position lines over seeded code whose truth is known.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod models;

use base::{MonoTime, Span, TransportState};
use models::{CODES, Code, Jitter, Noise, PLAIN, QUARTER, mono, span};
use proptest::prelude::*;
use twinkeel_measure::{LineConfig, PositionLine};

fn line() -> PositionLine {
    PositionLine::of_arrivals(LineConfig::default())
}

/// Feeds ticks and looks at the line each 5 ms, `look` getting the time and the point.
fn follow(
    line: &mut PositionLine,
    ticks: &[(f64, f64)],
    to: f64,
    mut look: impl FnMut(f64, twinkeel_measure::LinePoint),
) {
    let mut i = 0;
    let from = ticks.first().expect("some ticks").0;
    for k in 0..((to - from) / 0.005) as u32 {
        let now = from + f64::from(k) * 0.005;
        while ticks.get(i).is_some_and(|t| t.0 <= now) {
            line.on_tick(mono(ticks[i].0), span(ticks[i].1));
            i += 1;
        }
        if let Some(p) = line.point(mono(now)) {
            look(now, p);
        }
    }
}

/// RMS error of the position over the second that begins `after` the start, its mean (the code's own lateness) taken out.
fn rms(code: Code, after: f64, seed: u64) -> f64 {
    let ticks = code.run(100.0, 100.0 + after + 1.0, 10.0, &mut Noise::new(seed));
    let (mut n, mut sum, mut squares) = (0.0, 0.0, 0.0);
    follow(&mut line(), &ticks, 100.0 + after + 1.0, |now, p| {
        if now >= 100.0 + after {
            let e = p.position.secs_f64() - (10.0 + (now - 100.0) * code.speed);
            n += 1.0;
            sum += e;
            squares += e * e;
        }
    });
    (squares / n - (sum / n) * (sum / n)).max(0.0).sqrt()
}

#[test]
fn a_second_of_code_leaves_a_third_of_a_millisecond() {
    for code in CODES {
        let seeds = 20;
        let mean = (0..seeds).map(|s| rms(code, 2.0, s).powi(2)).sum::<f64>() / seeds as f64;
        assert!(mean.sqrt() <= 0.3e-3, "{}: {} s", code.name, mean.sqrt());
    }
}

#[test]
fn no_code_that_rolls_is_called_stalled() {
    // Three quarter frames lost in a row can't be told from a stall, so none are lost here: a cable loses none.
    for code in CODES {
        for seed in 0..10 {
            let code = Code { loss: 0.0, phase: 0.004 * seed as f64, ..code };
            let ticks = code.run(100.0, 130.0, 10.0, &mut Noise::new(seed));
            let end = ticks.last().unwrap().0;
            follow(&mut line(), &ticks, end, |now, p| {
                assert_eq!(p.state, TransportState::Rolling, "{} at {now}", code.name);
            });
        }
    }
}

#[test]
fn silence_is_a_stall_after_the_learnt_clump_and_three_ticks() {
    for (code, clump) in [(PLAIN, 0.003), (CODES[5], 0.043), (CODES[9], 0.012)] {
        let ticks = code.run(100.0, 110.0, 10.0, &mut Noise::new(2));
        let last = ticks.last().unwrap().0;
        let mut l = line();
        let mut stalled_at = None;
        follow(&mut l, &ticks, last + 0.5, |now, p| {
            if now > last && p.state == TransportState::Stalled && stalled_at.is_none() {
                stalled_at = Some(now);
            }
        });
        let waited = stalled_at.expect("a stall") - last;
        assert!(waited <= clump + 3.0 * code.tick + 0.006, "{}: {waited}", code.name);
        assert!(waited >= 3.0 * code.tick, "{}: {waited}", code.name);
        // The position stands where the code ceased.
        let standing = l.point(mono(last + 0.4)).unwrap();
        assert_eq!(standing.speed_ppb, -1_000_000_000);
        assert!((standing.position.secs_f64() - ticks.last().unwrap().1).abs() < clump.max(0.01));
    }
}

#[test]
fn a_locate_and_a_loop_are_jumps_and_not_smeared() {
    for to in [60.0, 10.5, 13.2] {
        let mut noise = Noise::new(4);
        let mut ticks = PLAIN.run(100.0, 103.0, 10.0, &mut noise);
        ticks.extend(PLAIN.run(103.0, 105.0, to, &mut noise));
        let mut l = line();
        follow(&mut l, &ticks, 105.0, |now, p| {
            let truth = if now < 103.0 { 10.0 + now - 100.0 } else { to + now - 103.0 };
            let e = (p.position.secs_f64() - truth).abs();
            // Until the first tick from there has come, nobody can know; then the new place counts at once.
            assert!(e < 4e-3 || (103.0..103.012).contains(&now), "{e} off at {now}, jump to {to}");
            assert!(p.jumps == u16::from(now > 103.0) || (103.0..103.012).contains(&now), "at {now}");
        });
    }
}

#[test]
fn a_start_after_a_stop_is_known_by_its_second_tick() {
    let mut noise = Noise::new(5);
    let first = PLAIN.run(100.0, 102.0, 10.0, &mut noise);
    let second = PLAIN.run(110.0, 110.5, 42.0, &mut noise);
    let mut l = line();
    first.iter().for_each(|t| l.on_tick(mono(t.0), span(t.1)));
    l.on_stopped(mono(102.01));
    let rest = l.point(mono(105.0)).unwrap();
    assert_eq!(rest.state, TransportState::Stopped);
    assert!((rest.position.secs_f64() - 12.0).abs() < 0.01);
    l.on_located(mono(106.0), span(42.0));
    assert_eq!(l.point(mono(107.0)).unwrap().position, span(42.0));
    second[..2].iter().for_each(|t| l.on_tick(mono(t.0), span(t.1)));
    let p = l.point(mono(second[1].0)).unwrap();
    assert_eq!(p.state, TransportState::Rolling);
    assert!((p.position.secs_f64() - (42.0 + second[1].0 - 110.0)).abs() < 3e-3);
}

#[test]
fn varispeed_is_followed() {
    for speed in [0.95, 1.03, 1.2] {
        let mut noise = Noise::new(6);
        let mut ticks = PLAIN.run(100.0, 103.0, 10.0, &mut noise);
        ticks.extend(Code { speed, ..PLAIN }.run(103.0, 106.0, 13.0, &mut noise));
        let mut l = line();
        follow(&mut l, &ticks, 106.0, |now, p| {
            if now > 103.5 {
                let e = p.position.secs_f64() - (13.0 + (now - 103.0) * speed);
                assert!(e.abs() < 3e-3, "{e} off at {now}, speed {speed}");
                assert_eq!(p.jumps, 0);
            }
            if now > 105.0 {
                assert!((f64::from(p.speed_ppb) * 1e-9 + 1.0 - speed).abs() < 2e-3, "{} at {now}", p.speed_ppb);
            }
        });
    }
}

#[test]
fn a_hiccup_of_five_milliseconds_is_a_break_and_no_ramp() {
    let mut ticks = PLAIN.run(100.0, 106.0, 10.0, &mut Noise::new(7));
    ticks.iter_mut().filter(|t| t.0 > 103.0).for_each(|t| t.0 += 5e-3);
    follow(&mut line(), &ticks, 106.0, |now, p| {
        let late = if now < 103.0 { 0.0 } else { 5e-3 };
        let e = p.position.secs_f64() - (10.0 + now - 100.0 - late) + 0.7e-3;
        assert!(e.abs() < 1.8e-3 || (103.0..103.1).contains(&now), "{e} off at {now}");
    });
}

#[test]
fn reverse_runs_backwards() {
    let mut l = line();
    for k in 0..240 {
        l.on_tick(mono(100.0 + f64::from(k) * QUARTER), span(50.0 - f64::from(k) * QUARTER));
    }
    let p = l.point(mono(101.995)).unwrap();
    assert!((p.position.secs_f64() - 48.005).abs() < 1e-3, "{p:?}");
    assert!((p.speed_ppb + 2_000_000_000).abs() < 1_000_000);
    assert_eq!(p.jumps, 0);
}

#[test]
fn one_late_tick_moves_nothing() {
    let mut ticks = Code { jitter: Jitter::None, ..PLAIN }.run(100.0, 104.0, 10.0, &mut Noise::new(8));
    for k in (300..ticks.len()).step_by(40) {
        ticks[k].0 += 7e-3;
    }
    follow(&mut line(), &ticks, 104.0, |now, p| {
        assert!((p.position.secs_f64() - (10.0 + now - 100.0)).abs() < 0.3e-3, "at {now}: {p:?}");
    });
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]
    #[test]
    fn no_tick_is_too_wild(all in prop::collection::vec((any::<u8>(), any::<u64>(), any::<i64>(), any::<bool>()), 0..400)) {
        let mut l = line();
        let (mut at, mut p) = (MonoTime::from_nanos(1_000_000_000), Span::ZERO);
        for (what, t, x, small) in all {
            if small {
                at += Span::from_nanos((t % 50_000_000) as i64);
                p += Span::from_nanos(x % 20_000_000);
            } else {
                (at, p) = (MonoTime::from_nanos(t), Span::from_nanos(x));
            }
            match what % 16 {
                0 => l.on_stopped(at),
                1 => l.on_lost(at),
                2 => l.on_located(at, p),
                _ => l.on_tick(at, p),
            }
            for now in [at, MonoTime::ZERO, MonoTime::FAR] {
                if let Some(point) = l.point(now) {
                    prop_assert!(point.sigma >= Span::ZERO);
                }
                let _ = (l.stall_due(), l.clump());
            }
        }
    }
}
