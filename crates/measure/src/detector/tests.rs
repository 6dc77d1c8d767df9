#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use super::*;
use proptest::prelude::*;

/// SplitMix64 (Steele, Lea and Flood 2014): a seeded sequence that is the same everywhere.
struct Random(u64);
impl Random {
    fn next(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let z = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    }
    fn exponential(&mut self, mean: Span) -> Span {
        mean.scaled(-(1.0 - self.next()).ln())
    }
}

#[derive(Clone, Copy)]
struct Net {
    interval: Span,
    delay: Span,
    jitter: Span,
    loss: f64,
    /// Chance that a loss is followed by another one (0: independent).
    again: f64,
    paths: usize,
    known_clock: bool,
}

const LAN: Net = Net {
    interval: Span::from_millis(5),
    delay: Span::from_micros(100),
    jitter: Span::from_micros(50),
    loss: 0.0,
    again: 0.0,
    paths: 1,
    known_clock: true,
};

struct Outcome {
    mistakes: u32,
    detected_after: Span,
    margin: Span,
}

/// Lets a sender live for `beats` beats, then crash at a seeded instant of its interval.
fn run(net: Net, beats: u64, seed: u64) -> Outcome {
    let mut random = Random(seed);
    let mut detector = BeatDetector::new(DetectorConfig::every(net.interval));
    let mut on_the_way: Vec<(MonoTime, u64, MonoTime, usize)> = Vec::new();
    let start = MonoTime::from_nanos(1_000_000_000);
    let mut in_burst = [false; 4];
    let mut mistakes = 0;
    let deliver = |detector: &mut BeatDetector,
                   way: &mut Vec<(MonoTime, u64, MonoTime, usize)>,
                   until: MonoTime,
                   mistakes: &mut u32| {
        way.sort();
        while let Some(&(at, seq, sent, path)) = way.first().filter(|w| w.0 <= until) {
            way.remove(0);
            while let Some(deadline) = detector.next_deadline().filter(|d| *d <= at) {
                *mistakes += u32::from(detector.on_time(deadline, Span::ZERO).is_some());
            }
            detector.on_beat(path, seq, net.known_clock.then_some(sent), at);
        }
    };
    for seq in 0..beats {
        let sent = start + net.interval.times(seq as i64);
        deliver(&mut detector, &mut on_the_way, sent, &mut mistakes);
        for (path, burst) in in_burst.iter_mut().take(net.paths).enumerate() {
            let chance = if *burst { net.again } else { net.loss };
            *burst = random.next() < chance;
            if !*burst {
                on_the_way.push((sent + net.delay + random.exponential(net.jitter), seq, sent, path));
            }
            if net.again == 0.0 {
                *burst = false;
            }
        }
    }
    let crash = start + net.interval.times(beats as i64 - 1) + net.interval.scaled(random.next());
    deliver(&mut detector, &mut on_the_way, MonoTime::FAR, &mut mistakes);
    let verdict_at = match detector.next_deadline() {
        Some(at) => {
            assert!(matches!(detector.on_time(at, Span::ZERO), Some(BeatVerdict::Silent { .. })));
            at
        }
        None => crash,
    };
    Outcome { mistakes, detected_after: verdict_at - crash, margin: detector.margin() }
}

fn median_and_max(net: Net, beats: u64) -> (Span, Span, u32) {
    let runs: Vec<Outcome> = (0..60).map(|seed| run(net, beats, seed)).collect();
    let mut after: Vec<Span> = runs.iter().map(|r| r.detected_after).collect();
    after.sort();
    (after[30], after[59], runs.iter().map(|r| r.mistakes).sum())
}

#[test]
fn a_clean_path_is_judged_in_two_beats() {
    let (median, max, mistakes) = median_and_max(LAN, 2_000);
    assert!(median <= Span::from_millis(11), "{median:?}");
    assert!(max <= Span::from_millis(14), "{max:?}");
    assert_eq!(mistakes, 0);
}

#[test]
fn without_the_senders_clock_it_is_hardly_slower() {
    let (median, max, mistakes) = median_and_max(Net { known_clock: false, ..LAN }, 2_000);
    assert!(median <= Span::from_millis(11), "{median:?}");
    assert!(max <= Span::from_millis(14), "{max:?}");
    assert_eq!(mistakes, 0);
}

#[test]
fn a_lossy_path_is_given_time_but_not_for_ever() {
    for (loss, again) in [(0.01, 0.0), (0.05, 0.0), (0.02, 0.3)] {
        let (_, max, _) = median_and_max(Net { loss, again, ..LAN }, 4_000);
        assert!(max <= Span::from_millis(46), "loss {loss}: {max:?}");
        // An hour of it. With independent loss a mistake is possible in the trial time only. With bursts, those of eight
        // beats and more outlast the longest margin: 720,000 * 0.02 * 0.3^7, about 3 an hour, and no margin helps.
        let hour = run(Net { loss, again, ..LAN }, 720_000, 7);
        let allowed = if again > 0.0 { 9 } else { 1 };
        assert!(hour.mistakes <= allowed, "loss {loss}, again {again}: {} mistakes", hour.mistakes);
    }
}

#[test]
fn two_paths_square_the_loss() {
    let one = run(Net { loss: 0.02, ..LAN }, 200_000, 3);
    let two = run(Net { loss: 0.02, paths: 2, ..LAN }, 200_000, 3);
    assert!(two.margin < one.margin, "{:?} {:?}", two.margin, one.margin);
    assert_eq!(two.mistakes, 0);
    assert!(two.detected_after <= Span::from_millis(20), "{:?}", two.detected_after);
}

#[test]
fn outliers_stretch_it_slowly_and_it_forgets() {
    let mut margin = Margin::new(LAN.interval, MarginConfig::default());
    (0..1_000).for_each(|_| margin.on_arrival(0, Span::from_micros(100)));
    let calm = margin.now();
    margin.on_arrival(0, Span::from_millis(30));
    let once = margin.now();
    assert!(once > calm && once < calm + Span::from_millis(10), "{calm:?} {once:?}");
    (0..3).for_each(|_| margin.on_arrival(0, Span::from_millis(30)));
    let often = margin.now();
    assert!(often > once + Span::from_millis(5) && often <= Span::from_millis(40), "{often:?}");
    (0..100_000).for_each(|_| margin.on_arrival(0, Span::from_micros(100)));
    assert!(margin.now() < calm + Span::from_micros(100), "{:?}", margin.now());
}

#[test]
fn an_outage_teaches_nothing() {
    let mut margin = Margin::new(LAN.interval, MarginConfig::default());
    (0..1_000).for_each(|_| margin.on_arrival(0, Span::from_micros(100)));
    let calm = margin.now();
    margin.on_arrival(0, Span::from_secs(3));
    margin.on_arrival(600, Span::from_secs(3));
    assert_eq!(margin.now(), calm);
}

fn settled() -> (BeatDetector, MonoTime) {
    let mut detector = BeatDetector::new(DetectorConfig::default());
    let mut t = MonoTime::from_nanos(0);
    for seq in 0..500 {
        t += Span::from_millis(5);
        detector.on_beat(0, seq, Some(t), t + Span::from_micros(100));
    }
    (detector, t)
}

#[test]
fn verdicts_name_the_first_missed_beat_and_come_once() {
    let (mut detector, last) = settled();
    let due = last + Span::from_millis(5);
    let deadline = detector.next_deadline().unwrap();
    assert_eq!(detector.on_time(deadline - Span::from_nanos(1), Span::ZERO), None);
    let waited = deadline - (last + Span::from_micros(100));
    assert_eq!(detector.on_time(deadline, Span::ZERO), Some(BeatVerdict::Silent { first_missed: due, waited }));
    assert_eq!(detector.on_time(deadline, Span::ZERO), None);
    assert_eq!(detector.first_missed_due(), Some(due));
    assert_eq!(detector.next_deadline(), None);
    let back = last + Span::from_millis(200);
    let heard = detector.on_beat(0, 540, Some(back), back);
    assert_eq!(heard, Some(BeatVerdict::Heard { waited: Some(back - (last + Span::from_micros(100))) }));
    assert_eq!(detector.first_missed_due(), None);
}

#[test]
fn a_watcher_that_overslept_gives_the_time_back() {
    let (mut detector, _) = settled();
    let deadline = detector.next_deadline().unwrap();
    let overslept = Span::from_secs(2);
    assert_eq!(detector.on_time(deadline - Span::from_nanos(1) + overslept, overslept), None);
    assert_eq!(detector.next_deadline(), Some(deadline + overslept));
    // A wake-up asked for at the deadline and a little late is no excuse.
    let (mut detector, _) = settled();
    let late = Span::from_micros(300);
    assert!(detector.on_time(deadline + late, late).is_some());
}

#[test]
fn copies_and_stragglers_change_nothing() {
    let (mut detector, last) = settled();
    let before = detector.next_deadline();
    let counts = detector.counts();
    assert_eq!(detector.on_beat(0, 499, Some(last), last + Span::from_millis(3)), None);
    assert_eq!(detector.on_beat(0, 42, Some(last), last + Span::from_millis(3)), None);
    assert_eq!(detector.next_deadline(), before);
    assert_eq!(detector.counts().late_or_double, counts.late_or_double + 2);
}

#[test]
fn old_news_does_not_revive_a_silent_sender() {
    let (mut detector, last) = settled();
    let deadline = detector.next_deadline().unwrap();
    detector.on_time(deadline, Span::ZERO);
    // A beat that was held up on the way for 100 ms.
    assert_eq!(detector.on_beat(0, 500, Some(last + Span::from_millis(5)), last + Span::from_millis(105)), None);
    assert_eq!(detector.state(), BeatState::Silent);
}

#[test]
fn an_announced_pause_is_no_silence() {
    let (mut detector, last) = settled();
    let margin = detector.margin();
    detector.on_pause();
    assert_eq!(detector.next_deadline(), None);
    assert_eq!(detector.on_time(last + Span::from_secs(60), Span::ZERO), None);
    let back = last + Span::from_secs(60);
    assert!(detector.on_beat(0, 500, None, back).is_some());
    assert_eq!(detector.margin(), margin);
}

/// An agent that is started again within 45 ms: without the word of it that is lateness, with it the margin stays as it was.
#[test]
fn a_new_start_of_the_sender_is_no_lateness() {
    let after_a_restart = |told: bool| {
        let (mut detector, last) = settled();
        let before = detector.margin();
        detector.on_time(detector.next_deadline().unwrap(), Span::ZERO);
        if told {
            detector.on_new_sender();
        }
        let mut at = last + Span::from_millis(45);
        for seq in 500..700 {
            // Its clock is not known yet.
            detector.on_beat(0, seq, None, at);
            at += Span::from_millis(5);
        }
        detector.margin() - before
    };
    assert!(after_a_restart(false) > Span::from_millis(2), "{:?}", after_a_restart(false));
    assert!(after_a_restart(true) < Span::from_micros(200), "{:?}", after_a_restart(true));
}

proptest! {
    /// Whatever comes, nothing panics, the margin stays in its limits and a deadline exists exactly while beats are heard.
    #[test]
    fn any_history_keeps_the_limits(beats in prop::collection::vec((any::<u64>(), any::<Option<u64>>(), any::<u64>(), any::<i64>()), 0..200)) {
        let mut detector = BeatDetector::new(DetectorConfig::default());
        let mut seq = 0u64;
        for (a, sent, arrived, late) in beats {
            seq = if a % 3 == 0 { a } else { seq.saturating_add(a % 5) };
            detector.on_beat(0, seq, sent.map(MonoTime::from_nanos), MonoTime::from_nanos(arrived));
            detector.on_time(MonoTime::from_nanos(arrived.rotate_left(7)), Span::from_nanos(late));
            prop_assert!(detector.margin() >= Span::from_millis(6) && detector.margin() <= Span::from_millis(40));
            prop_assert_eq!(detector.next_deadline().is_some(), detector.state() == BeatState::Heard);
        }
    }
}

/// Two paths lose one beat in twenty; then one of them falls dead. The common margin, which trusts both, would soon be wrong.
#[test]
fn a_path_that_is_left_alone_is_given_its_own_time() {
    let mut random = Random(11);
    let mut detector = BeatDetector::new(DetectorConfig::every(Span::from_millis(5)));
    let start = MonoTime::from_nanos(1_000_000_000);
    let (mut together, mut mistakes) = (Span::ZERO, 0);
    for seq in 0..60_000u64 {
        let sent = start + Span::from_millis(5).times(seq as i64);
        while let Some(deadline) = detector.next_deadline().filter(|d| *d <= sent) {
            mistakes += u32::from(detector.on_time(deadline, Span::ZERO).is_some());
        }
        // Only then is it dead for half a second of each ten.
        let dead = seq >= 20_000 && seq % 2_000 >= 1_900;
        for path in 0..2 {
            let lost = random.next() < 0.05;
            if !(lost || path == 0 && dead) {
                detector.on_beat(path, seq, Some(sent), sent + Span::from_micros(100));
            }
        }
        match (dead, seq % 2_000) {
            (false, 1_899) => together = detector.margin(),
            (true, 1_950) => {
                let alone = detector.margin();
                assert!(alone >= Span::from_millis(20) && alone > together, "{alone:?} alone, {together:?} together");
            }
            _ => {}
        }
    }
    assert_eq!(mistakes, 0);
}
