//! The clock estimator over seeded networks whose truth is known.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod models;

use base::{ClockState, MonoTime, RemoteTime, Span};
use models::{LAN, NETWORKS, Network};
use proptest::prelude::*;
use twinkeel_measure::{ClockConfig, ClockEstimator, Exchange, ExchangeRefusal, ExchangeVerdict};

fn estimator() -> ClockEstimator {
    ClockEstimator::new(ClockConfig::default())
}

/// RFC 5905 section 10's filter on its own samples: the least delay of the last eight.
fn clock_filter(truth: &[models::Truth], i: usize) -> f64 {
    let recent = &truth[i.saturating_sub(7)..=i];
    let best = recent.iter().min_by(|a, b| a.delay.total_cmp(&b.delay)).expect("at least one");
    best.exchange.offset().secs_f64()
}

#[test]
fn the_truth_lies_inside_the_bound() {
    for network in NETWORKS {
        for seed in 0..5 {
            let mut e = estimator();
            let (mut inside, mut n) = (0, 0);
            let mut truth = network.run(seed).into_iter().peekable();
            while let Some(t) = truth.next() {
                // At every exchange, taken or refused, and half way to the next: what is claimed must hold all the time.
                e.on_exchange(t.exchange);
                let half = truth.peek().map_or(Span::ZERO, |next| next.exchange.t4 - t.exchange.t4);
                let half =
                    if half < Span::from_secs(1) { Span::from_nanos(half.nanos().max(0) / 2) } else { Span::ZERO };
                for after in [Span::ZERO, half] {
                    let now = e.estimate(t.exchange.t4 + after);
                    let truth = t.offset + network.skew_ppm * 1e-6 * after.secs_f64();
                    n += 1;
                    inside += u32::from((now.offset.secs_f64() - truth).abs() <= now.bound.secs_f64());
                }
            }
            assert!(f64::from(inside) >= 0.99 * f64::from(n), "{} seed {seed}: {inside} of {n}", network.name);
        }
    }
}

/// In the first second the envelopes are as good as the luck so far, and each better packet moves them.
#[test]
fn a_lucky_packet_after_a_jittery_start_is_no_step() {
    let network = Network { rate: 100.0, seconds: 3.0, floor: 300e-6, jitter: 6e-3, loss: 0.1, hold: 5e-3, ..LAN };
    for seed in 0..1_000 {
        let mut e = estimator();
        let mut truth = network.run(seed);
        truth.sort_by(|a, b| a.at.total_cmp(&b.at));
        for t in truth {
            let verdict = e.on_exchange(t.exchange);
            assert!(!matches!(verdict, ExchangeVerdict::Step(_)), "seed {seed} at {:.2} s: {verdict:?}", t.at);
            let now = e.estimate(t.exchange.t4);
            assert!(now.state != ClockState::Stepped && e.last_step().is_none(), "seed {seed}: {now:?}");
        }
    }
}

#[test]
fn a_constant_asymmetry_stays_inside_the_bound() {
    // All of the burst's chance: the request always takes 2 ms longer, so everybody is 1 ms off.
    let network = Network { burst: (1.0, 2e-3), skew_ppm: 20.0, ..LAN };
    let mut e = estimator();
    for t in network.run(1) {
        e.on_exchange(t.exchange);
        let now = e.estimate(t.exchange.t4);
        let error = (now.offset.secs_f64() - t.offset).abs();
        assert!(error <= now.bound.secs_f64(), "{error} beyond {:?}", now.bound);
    }
}

#[test]
fn the_error_is_a_third_of_the_clock_filters_at_most() {
    for network in NETWORKS.iter().filter(|n| n.name.starts_with("LAN")) {
        let (mut ours, mut filter) = (0.0, 0.0);
        for seed in 0..5 {
            let truth = network.run(seed);
            let mut e = estimator();
            for (i, t) in truth.iter().enumerate() {
                e.on_exchange(t.exchange);
                if t.at > 3.0 {
                    ours += (e.estimate(t.exchange.t4).offset.secs_f64() - t.offset).powi(2);
                    filter += (clock_filter(&truth, i) - t.offset).powi(2);
                }
            }
        }
        assert!(ours.sqrt() * 3.0 <= filter.sqrt(), "{}: {ours} against {filter}", network.name);
    }
}

#[test]
fn steps_of_either_clock_are_found_and_learnt_again_within_two_seconds() {
    for rate in [10.0, 20.0, 200.0] {
        for (jitter, floor) in [(30e-6, 100e-6), (1.5e-3, 1e-3)] {
            for step in [0.5, -0.5, 0.03, -0.03] {
                for ours in [false, true] {
                    let steps: &'static [(f64, f64, bool)] = Box::leak(Box::new([(10.0, step, ours)]));
                    let network = Network { rate, jitter, floor, steps, seconds: 20.0, skew_ppm: 50.0, ..LAN };
                    let mut e = estimator();
                    let mut found = Vec::new();
                    for t in network.run(3) {
                        if let ExchangeVerdict::Step(s) = e.on_exchange(t.exchange) {
                            found.push(s.size);
                        }
                        if t.at > 12.0 || (t.at > 2.0 && t.at < 10.0) {
                            let now = e.estimate(t.exchange.t4);
                            assert_eq!(now.state, ClockState::Tracking, "{network:?} at {}", t.at);
                            let error = (now.offset.secs_f64() - t.offset).abs();
                            assert!(error < jitter + 20e-6, "{network:?}: {error} off at {}", t.at);
                        }
                    }
                    let size = if ours { -step } else { step };
                    assert_eq!(found.len(), 1, "{network:?}");
                    let known = e.last_step().unwrap().size.secs_f64();
                    assert!((known - size).abs() < jitter + 50e-6, "{network:?}: {known}");
                }
            }
        }
    }
}

#[test]
fn what_cannot_be_an_answer_is_refused() {
    let mut e = estimator();
    let truth = LAN.run(1);
    for t in &truth[..100] {
        assert_eq!(e.on_exchange(t.exchange), ExchangeVerdict::Accepted);
    }
    let before = e.estimate(truth[99].exchange.t4);
    let refused = |e: &mut ClockEstimator, x| match e.on_exchange(x) {
        ExchangeVerdict::Refused(why) => why,
        other => panic!("{other:?}"),
    };
    let x = truth[100].exchange;
    let ms = Span::from_millis;
    assert_eq!(refused(&mut e, truth[99].exchange), ExchangeRefusal::Duplicate);
    assert_eq!(refused(&mut e, Exchange { t4: x.t1 - ms(1), ..x }), ExchangeRefusal::Impossible);
    assert_eq!(refused(&mut e, Exchange { t3: x.t2 - ms(1), ..x }), ExchangeRefusal::Impossible);
    assert_eq!(refused(&mut e, Exchange { t3: x.t3 + ms(1), ..x }), ExchangeRefusal::Impossible);
    assert_eq!(refused(&mut e, Exchange { t4: x.t4 + ms(900), ..x }), ExchangeRefusal::Late);
    let bogus = Exchange { t2: x.t2 + ms(70), t3: x.t3 + ms(70), ..x };
    assert_eq!(refused(&mut e, bogus), ExchangeRefusal::Contradicts);
    assert_eq!(e.estimate(truth[99].exchange.t4), before);
    // The true answer to the same request still counts.
    assert_eq!(e.on_exchange(x), ExchangeVerdict::Accepted);
}

#[test]
fn without_replies_the_estimate_is_held_over_and_its_bound_grows_and_holds() {
    let network = Network { skew_ppm: 40.0, wander_ppm: 0.3, seconds: 300.0, ..LAN };
    let truth = network.run(2);
    let mut e = estimator();
    let (heard, silent): (Vec<models::Truth>, Vec<models::Truth>) = truth.into_iter().partition(|t| t.at < 60.0);
    heard.iter().for_each(|t| {
        e.on_exchange(t.exchange);
    });
    let mut last = Span::ZERO;
    for t in silent.iter().filter(|t| t.at > 62.0 && t.at < 120.0) {
        let now = e.estimate(t.exchange.t4);
        assert_eq!(now.state, ClockState::Holdover);
        assert!(now.bound >= last);
        assert!((now.offset.secs_f64() - t.offset).abs() <= now.bound.secs_f64());
        last = now.bound;
    }
    for t in silent.iter().filter(|t| t.at > 120.0).take(20) {
        e.on_exchange(t.exchange);
    }
    assert_eq!(e.estimate(silent.iter().find(|t| t.at > 121.0).unwrap().exchange.t4).state, ClockState::Tracking);
}

#[test]
fn whatever_the_network_was_a_held_over_bound_grows_and_holds() {
    for network in NETWORKS.iter().filter(|n| n.steps.is_empty()) {
        for (seed, learnt) in [(1, 5.0), (2, 20.0), (3, 60.0)] {
            let mut truth = network.run(seed);
            // Replies overtake each other: what is asked later must be later.
            truth.sort_by_key(|t| t.exchange.t4);
            let mut e = estimator();
            let (heard, silent): (Vec<models::Truth>, Vec<models::Truth>) =
                truth.into_iter().partition(|t| t.at < learnt);
            heard.iter().for_each(|t| {
                e.on_exchange(t.exchange);
            });
            let (mut inside, mut n, mut last) = (0, 0, Span::ZERO);
            for t in silent.iter().filter(|t| t.at > learnt + 1.5 && t.at < learnt + 60.0) {
                let now = e.estimate(t.exchange.t4);
                assert_eq!(now.state, ClockState::Holdover, "{}", network.name);
                assert!(now.bound >= last, "{}: the bound shrinks without news", network.name);
                last = now.bound;
                n += 1;
                inside += u32::from((now.offset.secs_f64() - t.offset).abs() <= now.bound.secs_f64());
            }
            assert!(
                n > 400 && f64::from(inside) >= 0.99 * f64::from(n),
                "{} after {learnt} s: {inside} of {n}",
                network.name
            );
        }
    }
}

#[test]
fn bogus_first_replies_do_not_poison_the_start() {
    let mut e = estimator();
    let truth = LAN.run(4);
    let x = truth[0].exchange;
    let far = Span::from_secs(40);
    e.on_exchange(Exchange { seq: 9_000, t2: x.t2 + far, t3: x.t3 + far, ..x });
    for t in &truth[1..60] {
        e.on_exchange(t.exchange);
    }
    let now = e.estimate(truth[59].exchange.t4);
    assert_eq!(now.state, ClockState::Tracking);
    assert!((now.offset.secs_f64() - truth[59].offset).abs() < 50e-6);
    assert_eq!(e.last_step(), None);
}

fn wild() -> impl Strategy<Value = u64> {
    prop_oneof![any::<u64>(), Just(0), Just(u64::MAX), 0..2_000_000_000u64, Just(u64::MAX / 2)]
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]
    #[test]
    fn no_exchange_is_too_wild(all in prop::collection::vec((wild(), wild(), wild(), wild(), wild()), 0..200)) {
        let mut e = estimator();
        for (seq, t1, t2, t3, t4) in all {
            let x = Exchange {
                seq, t1: MonoTime::from_nanos(t1), t2: RemoteTime::from_nanos(t2), t3: RemoteTime::from_nanos(t3),
                t4: MonoTime::from_nanos(t4),
            };
            e.on_exchange(x);
            for now in [t1, t4, 0, u64::MAX] {
                let est = e.estimate(MonoTime::from_nanos(now));
                prop_assert!(est.bound >= Span::ZERO && !est.skew.0.is_nan());
            }
        }
    }

    /// Whatever came before, a sound minute of exchanges ends in tracking the truth.
    #[test]
    fn a_sound_network_is_learnt_after_any_nonsense(all in prop::collection::vec((wild(), wild(), wild(), wild(), wild()), 0..40)) {
        let mut e = estimator();
        for (seq, t1, t2, t3, t4) in all {
            e.on_exchange(Exchange {
                seq, t1: MonoTime::from_nanos(t1), t2: RemoteTime::from_nanos(t2), t3: RemoteTime::from_nanos(t3),
                t4: MonoTime::from_nanos(t4),
            });
        }
        let truth = Network { skew_ppm: 60.0, seconds: 20.0, ..LAN }.run(5);
        truth.iter().for_each(|t| { e.on_exchange(t.exchange); });
        let last = truth.last().unwrap();
        let now = e.estimate(last.exchange.t4);
        prop_assert_eq!(now.state, ClockState::Tracking);
        prop_assert!((now.offset.secs_f64() - last.offset).abs() < 50e-6, "{:?} against {}", now, last.offset);
    }
}
