//! What the judge says, when it wants to be asked again, and what it remembers: each thing once, at its time, about whom it is.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod sim;

use base::{Db, Machine, MonoTime, Span, SwitchView};
use sim::{A, B, Sim, ms, plain};
use twinkeel_rig::*;

fn count(s: &Sim, wanted: impl Fn(&Action) -> bool) -> usize {
    s.log.iter().filter(|(_, a)| wanted(a)).count()
}

#[test]
fn memory_is_written_at_each_change_and_only_then() {
    let mut s = plain();
    s.run(ms(3_000));
    let persists = |a: &Action| matches!(a, Action::Persist(_));
    assert_eq!(count(&s, persists), 0, "nothing changed");
    s.act(Act::SetMode(Mode::Propose));
    s.run(ms(1_000));
    assert_eq!(count(&s, persists), 1);
    let last = s.log.iter().rev().find_map(|(_, a)| if let Action::Persist(m) = a { Some(*m) } else { None });
    assert_eq!(last.map(|m| m.mode), Some(Mode::Propose));
}

#[test]
fn fitness_is_said_once_for_each_change() {
    let mut s = plain();
    let of = |m: Machine| move |a: &Action| matches!(a, Action::Fitness { machine, .. } if *machine == m);
    s.run(ms(2_000));
    assert_eq!((count(&s, of(A)), count(&s, of(B))), (0, 0));
    s.b().host = false;
    s.run(ms(3_000));
    let said: Vec<_> = s
        .log
        .iter()
        .filter_map(|(_, a)| match a {
            Action::Fitness { machine, fitness, reasons } => Some((*machine, *fitness, reasons[0].reason)),
            _ => None,
        })
        .collect();
    assert_eq!(said, [(B, Fitness::Unfit, Reason::HostSilent)]);
}

#[test]
fn what_found_no_room_is_said_at_once_after() {
    let mut s = plain();
    let now = s.now + ms(1);
    let mut out = Actions::new();
    while !out.is_full() {
        out.push(Action::Withdraw);
    }
    s.judge.on_evidence(&s.ev, now, &mut out);
    let again = s.judge.next_deadline().expect("it wants to be asked again");
    assert!(again > now && again - now <= Span::from_micros(1), "{:?}", again - now);
}

#[test]
fn the_judge_asks_to_be_asked_when_a_hold_will_be_over() {
    // Two seconds of fitness have not passed: `act` does not take effect before, and the judge knows when.
    let mut s = Sim::new(Setup::new(2), Memory { mode: Mode::Act, ..Memory::default() }, 1);
    s.run(ms(1_000));
    assert!(!s.view().armed);
    let deadline = s.judge.next_deadline().expect("a hold is running");
    assert!(deadline > s.now && deadline - s.now <= Setup::new(2).limits.hold, "{:?}", deadline - s.now);
}

#[test]
fn a_proposal_whose_reason_changes_is_made_anew() {
    let mut s = Sim::new(Setup::new(2), Memory { mode: Mode::Act, ..Memory::default() }, 1);
    s.run(ms(1_000));
    s.log.clear();
    s.a().kill_player();
    s.run(ms(300));
    let rules: Vec<_> = s.proposals().iter().map(|p| (p.1, p.2)).collect();
    assert_eq!(rules, [(B, Rule::PlayerGoneSoundOn), (B, Rule::PlayerGone)]);
}

#[test]
fn a_proposal_whose_machine_is_lost_is_made_anew_for_another() {
    let mut s = Sim::new(Setup::new(3), Memory { mode: Mode::Propose, ..Memory::default() }, 1);
    s.run(ms(5_000));
    s.boxes[2].ahead = ms(5);
    s.run(ms(1_000));
    s.log.clear();
    s.a().kill_player();
    s.run(ms(300));
    s.b().host = false;
    s.run(ms(300));
    let made: Vec<_> = s.proposals().iter().map(|p| (p.1, p.2)).collect();
    let third = Machine::new(2).unwrap();
    assert_eq!(made.last(), Some(&(third, Rule::PlayerGone)), "{made:?}");
    assert!(made.contains(&(B, Rule::PlayerGone)), "{made:?}");
}

/// A standby a tenth of a second off is no candidate while on air plays on badly, and one when on air is dead.
#[test]
fn a_person_may_choose_what_the_fault_allows() {
    let mut s = plain();
    s.act(Act::SetMode(Mode::Propose));
    s.b().ahead = ms(100);
    s.run(ms(1_000));
    assert!(matches!(s.act(Act::Changeover { to: B, forced: false }), ActAnswer::Refused(_)));
    s.a().kill_player();
    s.run(ms(300));
    assert_eq!(s.act(Act::Changeover { to: B, forced: false }), ActAnswer::Done);
}

#[test]
fn a_refusal_says_its_cause_and_its_gate() {
    let mut s = plain();
    s.b().host = false;
    s.run(ms(2_000));
    s.log.clear();
    s.a().kill_player();
    s.run(ms(500));
    let refused: Vec<_> = s
        .log
        .iter()
        .filter_map(|(_, a)| match a {
            Action::Refused { rule, gate, cause, .. } => Some((*rule, *gate, cause.machine)),
            _ => None,
        })
        .collect();
    assert_eq!(refused, [(Rule::PlayerGoneSoundOn, Rule::NoStandby, Some(A))]);
    s.nothing_moved();
}

#[test]
fn a_changeover_says_who_left_who_came_and_how_much_louder_it_got() {
    let mut s = plain();
    s.a().level = -12.0;
    s.b().level = -14.5;
    s.run(ms(500));
    assert_eq!(s.act(Act::Changeover { to: B, forced: false }), ActAnswer::Done);
    let said = s.log.iter().find_map(|(_, a)| match a {
        Action::Changeover { reason, cost, .. } => Some((reason.machine, reason.other, cost.level)),
        _ => None,
    });
    let (put_there, _, level) = said.expect("it was commanded");
    assert_eq!(put_there, Some(B), "a person put it there");
    assert!(level.is_some_and(|l: Db| (l.0 + 2.5).abs() < 1e-9), "{level:?}");
    // By itself: the reason speaks of the machine that failed, and of the one that takes over.
    let mut s = plain();
    s.a().host = false;
    s.run(ms(500));
    let said = s.log.iter().find_map(|(_, a)| match a {
        Action::Changeover { reason, .. } => Some((reason.machine, reason.other)),
        _ => None,
    });
    assert_eq!(said, Some((Some(A), Some(B))));
}

/// The switch's word, as the judge reads it from evidence alone.
fn hear(s: &mut Sim, reply: Option<(SwitchView, MonoTime)>, tap: Option<(SwitchView, MonoTime)>) {
    let reading = |r: Option<(SwitchView, MonoTime)>| {
        r.map(|(value, as_of)| base::Reading { value, as_of, expires: as_of + Span::from_secs(60) })
    };
    s.ev.switch.reply = reading(reply);
    s.ev.switch.tap = reading(tap);
    s.ev.switch.has_tap = tap.is_some();
    s.ev.switch.tap_by_pilot = tap.is_some();
    let mut out = Actions::new();
    let now = s.now;
    s.judge.on_evidence(&s.ev, now, &mut out);
    s.log.extend(out.into_iter().map(|a| (now, a)));
}

#[test]
fn two_witnesses_that_agree_are_no_conflict_and_two_that_differ_are_one() {
    for (reply, tap, conflict) in [(A, A, false), (A, B, true), (B, A, true)] {
        let mut s = plain();
        s.now += ms(1);
        let now = s.now;
        hear(&mut s, Some((SwitchView::On(reply), now)), Some((SwitchView::On(tap), now)));
        assert_eq!(s.view().on_air == SwitchView::Conflict, conflict, "{reply} {tap}");
    }
}

#[test]
fn an_answer_from_before_our_last_change_is_an_old_one() {
    let mut s = plain();
    s.act(Act::Changeover { to: B, forced: false });
    s.run(ms(500));
    assert_eq!(s.view().on_air, SwitchView::On(B));
    s.log.clear();
    s.now += ms(1);
    // It was on its way when the command went out.
    let before = s.now - ms(600);
    hear(&mut s, Some((SwitchView::On(A), before)), None);
    assert_eq!(s.view().on_air, SwitchView::On(B), "{:?}", s.log);
    // The same from after it is news: a hand turned the switch.
    let now = s.now;
    hear(&mut s, Some((SwitchView::On(A), now)), None);
    assert_eq!(s.view().on_air, SwitchView::On(A));
    assert_eq!(count(&s, |a| matches!(a, Action::Adopted { to, moved: true } if *to == A)), 1);
}

#[test]
fn what_is_on_air_is_written_down_when_it_changes() {
    let mut s = plain();
    s.act(Act::Changeover { to: B, forced: false });
    s.run(ms(500));
    let kept: Vec<_> =
        s.log.iter().filter_map(|(_, a)| if let Action::Persist(m) = a { Some(m.on_air) } else { None }).collect();
    assert_eq!(kept.last(), Some(&Some(B)), "{kept:?}");
}

/// The supervisor doubts itself while its link is down and for a moment after, since machines come back one by one.
#[test]
fn the_doubt_outlasts_the_link() {
    use twinkeel_rig::facts::SelfDoubt;
    let mut s = sim::plain();
    let doubt = |s: &sim::Sim| s.judge.last_facts().map(|f| f.doubt);
    let recovery = s.judge.setup().limits.recovery;
    s.ev.supervisor.own_link_down = true;
    s.link_down = true;
    s.run(sim::ms(100));
    assert_eq!(doubt(&s), Some(SelfDoubt::LinkDown));
    s.link_down = false;
    s.run(sim::ms(20));
    assert_eq!(doubt(&s), Some(SelfDoubt::LinkDown), "it came back a moment ago");
    s.run(recovery + sim::ms(20));
    assert_eq!(doubt(&s), Some(SelfDoubt::None));
    // The same when all fell silent without word of the link.
    for b in &mut s.boxes {
        b.cables = [false; 2];
    }
    s.run(sim::ms(200));
    assert_eq!(doubt(&s), Some(SelfDoubt::CutOff));
    for b in &mut s.boxes {
        b.cables = [true; 2];
    }
    s.run(sim::ms(20));
    assert_eq!(doubt(&s), Some(SelfDoubt::CutOff), "they came back a moment ago");
    s.run(recovery + sim::ms(20));
    assert_eq!(doubt(&s), Some(SelfDoubt::None));
}

/// Two that stand, of which one was not stopped, are not at rest together: nobody knows where the one would be.
#[test]
fn a_standstill_is_no_rest() {
    let mut s = sim::plain();
    s.a().code = false;
    s.run(sim::ms(2_000));
    s.b().code = false;
    s.run(sim::ms(500));
    let b = &s.view().machines[1];
    assert!(b.reasons.iter().any(|r| r.reason == Reason::PositionUnknown), "{:?}", b.reasons);
}

/// A machine whose section nobody knows is in no other one.
#[test]
fn an_unknown_section_is_no_disagreement() {
    for (a, b) in [(0, 2), (2, 0)] {
        let mut s = sim::plain();
        s.b().ahead = sim::ms(-8_000);
        (s.a().section, s.b().section) = (a, b);
        s.run(sim::ms(3_000));
        let reasons: Vec<_> = s.view().machines[1].reasons.iter().map(|r| r.reason).collect();
        assert!(reasons.contains(&Reason::TooFarApart) && !reasons.contains(&Reason::OtherSection), "{reasons:?}");
    }
}

/// A tap that tells by the place of its timecode needs some frames. Where nothing else confirms, the next output waits for it.
#[test]
fn a_slow_tap_is_waited_for_where_it_alone_confirms() {
    for (takes, replies, patience) in [(0, false, 100), (250, false, 350), (250, true, 100)] {
        let mut s = plain();
        (s.replies, s.tap, s.pilot) = (replies, true, true);
        s.run(ms(4_000));
        s.ev.switch.tap_takes = ms(takes);
        if !replies {
            s.ev.switch.reply = None;
        }
        s.obeys = false;
        s.log.clear();
        let asked = s.now;
        let answer = s.act(Act::Changeover { to: B, forced: false });
        s.run(ms(600));
        let next = s.log.iter().find(|(_, a)| matches!(a, Action::NextOutput { .. })).map(|(at, _)| *at - asked);
        let next = next.unwrap_or_else(|| panic!("{takes} {replies}: {answer:?}: {:?}", s.log));
        assert!((next - ms(patience)).abs() <= ms(5), "{takes} {replies}: {next:?}");
    }
}
