#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use super::*;

const RATE: Hertz = Hertz(48_000.0);

fn played(p: &mut Player, seconds: f64) -> Vec<f32> {
    let mut x = vec![0.0; (seconds * RATE.0) as usize];
    for s in &mut x {
        *s = p.next(RATE);
    }
    x
}

fn loud(x: &[f32]) -> f32 {
    x.iter().fold(0.0, |m, v| m.max(v.abs()))
}

#[test]
fn it_repeats_until_it_is_seen_and_then_is_silent_at_once() {
    let told = Arc::new(Told::default());
    let mut p = Player::new(told.clone(), Dbfs(-30.0));
    assert_eq!(loud(&played(&mut p, 1.0)), 0.0);
    told.begin(Priority::High);
    let first = played(&mut p, 8.0);
    assert!(loud(&first) <= 10f32.powf(-1.5) && loud(&first) > 10f32.powf(-1.9), "{}", loud(&first));
    assert_eq!(loud(&first[(1.5 * RATE.0) as usize..]), 0.0, "a pause");
    let again = played(&mut p, 0.1);
    assert!(loud(&again) > 0.0, "and again after eight seconds");
    told.sounds.store(SILENT, Ordering::Release);
    let after = played(&mut p, 1.0);
    assert_eq!(loud(&after[(0.006 * RATE.0) as usize..]), 0.0);
    told.begin(Priority::Medium);
    assert!(loud(&played(&mut p, 1.5)) > 0.0);
    assert_eq!(loud(&played(&mut p, 60.0)), 0.0, "a medium one sounds once");
}

#[test]
fn a_test_sounds_once_and_never_over_an_alarm() {
    let told = Arc::new(Told::default());
    let mut p = Player::new(told.clone(), Dbfs(-30.0));
    told.tests.fetch_add(1, Ordering::Relaxed);
    assert!(loud(&played(&mut p, 1.5)) > 0.0);
    assert_eq!(loud(&played(&mut p, 20.0)), 0.0);
    told.begin(Priority::High);
    let one = played(&mut p, 0.2);
    told.tests.fetch_add(1, Ordering::Relaxed);
    let rest = played(&mut p, 7.9);
    let mut alone = Player::new(Arc::default(), Dbfs(-30.0));
    alone.told.begin(Priority::High);
    assert_eq!([one, rest].concat(), played(&mut alone, 8.1), "the alarm goes on as if nobody had tried");
}

#[test]
fn only_what_nobody_has_seen_sounds_and_nothing_of_an_old_snapshot() {
    let now = base::MonoTime::ZERO + Span::from_secs(100);
    let mut s = Snapshot::starting(now);
    let alarm = |priority, state| AlarmView {
        id: 1,
        code: "x".into(),
        machine: None,
        priority,
        state,
        text: String::new(),
        advice: String::new(),
        since: now,
        since_wall: base::WallTime(0),
        acknowledged_by: None,
        shelved_until: None,
    };
    use snapshot::Priority as P;
    s.alarms = vec![
        alarm(P::High, AlarmState::Acknowledged),
        alarm(P::High, AlarmState::Shelved),
        alarm(P::High, AlarmState::ReturnedToNormal),
    ];
    assert_eq!(loudest(&s, now - OLD), None);
    s.alarms.extend([alarm(P::Low, AlarmState::Unacknowledged), alarm(P::Medium, AlarmState::Unacknowledged)]);
    assert_eq!(loudest(&s, now - OLD), Some(Priority::Medium));
    s.alarms.push(alarm(P::High, AlarmState::Unacknowledged));
    assert_eq!(loudest(&s, now - OLD), Some(Priority::High));
    assert_eq!(loudest(&s, now + Span::from_millis(1)), None);
}

#[test]
fn an_output_that_is_not_there_is_said_and_a_test_is_refused() {
    assert!(AlarmDesk::new(None).test().unwrap_err().contains("[alarm_sound]"));
    let sound = AlarmSound { device: "crew".into(), host: "jack".into(), channels: vec![3], level: -30.0 };
    let desk = AlarmDesk::new(Some(&sound));
    assert!(desk.test().unwrap_err().contains("crew, channel 3"));
    assert!(!desk.shown().unwrap().ready);
}
