//! Nothing on the live path allocates, whatever comes: clock, line, offset, detector, levels, hints. In release builds too, since
//! `assert_no_alloc` is taken without its default features.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod models;

use assert_no_alloc::{AllocDisabler, assert_no_alloc};
use base::{Hertz, MonoTime, Ppm, Span};
use models::{CODES, NETWORKS, Noise, mono, span};
use twinkeel_measure::detector::{BeatDetector, DetectorConfig};
use twinkeel_measure::hints::{Evidence, hints};
use twinkeel_measure::suspend::SleepWatch;
use twinkeel_measure::{
    ChannelMeter, ClockConfig, ClockEstimator, ExchangeVerdict, LineConfig, OffsetConfig, OffsetTracker, Pilot,
    PositionLine, TruePeak,
};

#[global_allocator]
static DISABLER: AllocDisabler = AllocDisabler;

#[test]
fn a_clock_estimate_allocates_nothing_through_loss_tails_and_steps() {
    let mut steps = 0;
    for network in NETWORKS {
        let truth = network.run(1);
        let mut e = ClockEstimator::new(ClockConfig::default());
        assert_no_alloc(|| {
            for t in &truth {
                steps += u32::from(matches!(e.on_exchange(t.exchange), ExchangeVerdict::Step(_)));
                let now = e.estimate(t.exchange.t4);
                assert!(now.bound >= Span::ZERO);
            }
            e.on_own_sleep();
        });
    }
    assert!(steps >= 4, "{steps} steps: not all of it was walked through");
}

#[test]
fn a_position_line_allocates_nothing_through_locates_stops_and_stalls() {
    for code in CODES {
        let ticks = code.run(100.0, 130.0, 10.0, &mut Noise::new(2));
        let mut line = PositionLine::of_arrivals(LineConfig::default());
        let mut points = 0;
        assert_no_alloc(|| {
            for (i, (at, position)) in ticks.iter().enumerate() {
                let (at, jump) = (mono(*at), Span::from_secs(if i > ticks.len() / 2 { 300 } else { 0 }));
                line.on_tick(at, span(*position) + jump);
                points += u32::from(line.point(at).is_some());
                let _ = (line.stall_due(), line.clump());
            }
            let end = mono(131.0);
            line.on_located(end, Span::from_secs(7));
            line.on_stopped(end);
            line.on_lost(end + Span::from_secs(1));
            let _ = line.point(end + Span::from_secs(2));
        });
        assert!(points > 100, "{points}");
    }
}

#[test]
fn an_offset_and_its_forecast_allocate_nothing_through_steps_and_two_hours() {
    let mut tracker = OffsetTracker::new(OffsetConfig::default());
    let (mut noise, mut seen) = (Noise::new(3), 0);
    assert_no_alloc(|| {
        for k in 0..360_000u32 {
            let t = f64::from(k) / 50.0;
            let y = 1e-3 + 20e-6 * t + (t / 900.0).floor() * 5e-3 + 100e-6 * noise.normal();
            tracker.on_offset(mono(1_000.0 + t), span(y), Span::from_micros(100));
            if k % 50 == 0 {
                let view = tracker.now(mono(1_000.0 + t));
                seen += u32::from(view.and_then(|v| v.forecast(Span::from_secs(1))).is_some());
            }
        }
        let mut steps = 0;
        tracker.steps(|_| steps += 1);
        assert!(steps > 0);
        tracker.restart();
    });
    assert!(seen > 1_000, "{seen}");
}

#[test]
fn a_detector_allocates_nothing_through_loss_and_silence() {
    let mut d = BeatDetector::new(DetectorConfig::every(Span::from_millis(5)));
    let mut noise = Noise::new(4);
    let mut verdicts = 0;
    assert_no_alloc(|| {
        let mut now = MonoTime::from_nanos(1_000_000_000);
        for seq in 0..20_000u64 {
            now += Span::from_millis(5);
            let silent = seq > 10_000 && seq < 10_100;
            if !silent && !noise.chance(0.05) {
                let late = Span::from_secs_f64(200e-6 * noise.exponential());
                verdicts += u32::from(d.on_beat(0, seq, Some(now), now + late).is_some());
            }
            verdicts += u32::from(d.on_time(now + Span::from_millis(4), Span::ZERO).is_some());
            let _ = (d.next_deadline(), d.first_missed_due(), d.margin());
        }
        d.on_pause();
    });
    assert!(verdicts >= 2, "{verdicts}");
}

#[test]
fn meters_hints_and_the_watch_for_sleep_allocate_nothing() {
    let samples: [f32; 960] = core::array::from_fn(|i| (i as f32 * 0.13).sin() * 0.5);
    let (mut meter, mut pilot) = (ChannelMeter::new(), Pilot::new(Hertz(1_000.0), Hertz(48_000.0)));
    let mut peaks = [48_000.0, 96_000.0, 192_000.0].map(|r| TruePeak::new(Hertz(r)));
    let mut sleep = SleepWatch::default();
    let mut given = 0;
    assert_no_alloc(|| {
        meter.on_samples(&samples);
        meter.on_interleaved(&samples, 1, 2);
        samples.iter().for_each(|s| pilot.on_sample(*s));
        assert!(meter.read().peak.0 > -10.0);
        for p in &mut peaks {
            p.on_samples(&samples);
            p.on_gap();
            p.on_samples(&samples[..7]);
            assert!(p.read().0 > -10.0);
        }
        let _ = (pilot.level(), pilot.is_present());
        let _ = (meter.last_nonzero(), meter.samples_seen());
        let evidence = Evidence {
            drift: Some((Ppm(40.0), Ppm(0.2))),
            songs: &[(Ppm(40.0), Ppm(0.2)); 4],
            steps: &[(Span::from_micros(10_667), Span::from_micros(20)); 3],
            offset: None,
            sample_rate: Hertz(48_000.0),
        };
        hints(&evidence, |_| given += 1);
        for s in 0..10u64 {
            let at = MonoTime::from_nanos(s * 1_000_000_000);
            let _ = sleep.on_clocks(at, at + Span::from_secs(s as i64));
        }
    });
    assert_eq!(given, 2);
}
