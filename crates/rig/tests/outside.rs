//! Machines that the supervisor's own inputs hear: what a silence there is worth, when no agent can tell a dead machine from a pulled
//! plug. (What a pulled plug sounds like is plain: nothing.)
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod sim;

use base::SwitchView;
use sim::{A, B, CodeWay, Sim, ms};
use twinkeel_rig::AlarmCode as Code;
use twinkeel_rig::*;

fn outside(way: CodeWay, tap: bool, policy: Option<LinkLoss>) -> Sim {
    let mut setup = Setup::new(2);
    setup.outside = [true; 8];
    setup.policies.on_link_loss = policy;
    let mut s = Sim::new(setup, Memory { mode: Mode::Act, ..Memory::default() }, 1);
    s.tap = tap;
    s.boxes.iter_mut().for_each(|b| b.outside = Some(way));
    s.run(ms(5_000));
    s.log.clear();
    s
}

#[test]
fn code_and_sound_that_cease_together_by_two_ways_are_a_dead_machine() {
    // The second way is MIDI, or the tap, or neither and a person's choice.
    for (way, tap, policy) in [
        (CodeWay::Midi, false, None),
        (CodeWay::BesideSound, true, None),
        (CodeWay::Midi, true, Some(LinkLoss::Hold)),
        (CodeWay::BesideSound, false, Some(LinkLoss::Changeover)),
    ] {
        for phase in 0..5 {
            let mut s = outside(way, tap, policy);
            s.run(ms(phase));
            let t = s.now;
            s.a().freeze_player();
            s.run(ms(2_000));
            let took = s.one_changeover(Rule::StalledSilent, t);
            assert!(took <= ms(40), "{way:?} {tap} {policy:?}: {took:?}");
            assert_eq!(s.view().on_air, SwitchView::On(B));
        }
    }
}

#[test]
fn what_comes_by_one_plug_alone_is_asked_about() {
    for policy in [None, Some(LinkLoss::Hold)] {
        let mut s = outside(CodeWay::BesideSound, false, policy);
        s.a().freeze_player();
        s.run(ms(10_000));
        s.nothing_moved();
        assert_eq!(s.proposals()[0].2, Rule::AudioDoubtful);
        let said = s.view().proposal.unwrap().reason.reason;
        assert_eq!(said, Reason::OneWayDoubtful, "in words that name the plug");
    }
}

/// The plug of the sound is out, the MIDI plug is in: the code that rolls by MIDI shows a machine that lives.
#[test]
fn a_pulled_plug_beside_a_rolling_code_is_asked_about() {
    let mut s = outside(CodeWay::Midi, false, None);
    s.pilot = true;
    s.run(ms(200));
    s.a().muted = true;
    s.run(ms(10_000));
    s.nothing_moved();
    assert_eq!(s.proposals()[0].2, Rule::AudioDoubtful);
}

/// The same silence where the linear timecode beside it goes on: the plug is in, and the pilot is gone with the sound.
#[test]
fn silence_beside_a_rolling_linear_timecode_is_the_players() {
    let mut s = outside(CodeWay::BesideSound, false, None);
    s.pilot = true;
    s.run(ms(200));
    let t = s.now;
    s.a().muted = true;
    s.run(ms(2_000));
    let took = s.one_changeover(Rule::AudioLost, t);
    assert!(took >= ms(60) && took <= ms(80), "{took:?}");
}

#[test]
fn lost_inputs_of_our_own_accuse_nobody() {
    for tap in [false, true] {
        let mut s = outside(CodeWay::Midi, tap, Some(LinkLoss::Changeover));
        s.a().agent = false;
        s.run(ms(10_000));
        s.nothing_moved();
        assert_eq!(s.proposals(), vec![]);
        s.alarms_are(&[(Code::EarsLost, Some(A))]);
        s.a().agent = true;
        s.run(ms(5_000));
        s.nothing_moved();
        // One interface for both.
        s.a().agent = false;
        s.b().agent = false;
        s.run(ms(3_000));
        s.b().agent = true;
        s.run(ms(500));
        s.a().agent = true;
        s.run(ms(5_000));
        s.nothing_moved();
        assert_eq!(s.proposals(), vec![]);
        assert!(!s.raised().contains(&(Code::AgentLost, Some(A))), "{:?}", s.raised());
    }
}

/// Two of our own ears agree that there is no sound, yet one of them is lost: enough to ask, never to act.
#[test]
fn a_silent_tap_and_a_lost_input_are_asked_about() {
    let mut s = outside(CodeWay::Midi, true, None);
    s.a().agent = false;
    s.run(ms(1_000));
    s.a().freeze_player();
    s.run(ms(2_000));
    s.nothing_moved();
    assert_eq!(s.proposals()[0].2, Rule::AgentLostDoubtful);
    assert_eq!(s.view().proposal.unwrap().reason.reason, Reason::EarsLostSilent);
}

#[test]
fn both_that_end_together_move_nothing() {
    for way in [CodeWay::BesideSound, CodeWay::Midi] {
        let mut s = outside(way, true, Some(LinkLoss::Changeover));
        s.a().freeze_player();
        s.run(ms(10));
        s.b().freeze_player();
        s.run(ms(5_000));
        s.nothing_moved();
    }
}

#[test]
fn acting_wants_two_ways_a_tap_or_a_choice() {
    for (way, tap, policy, may) in [
        (CodeWay::BesideSound, false, None, false),
        (CodeWay::Midi, false, None, true),
        (CodeWay::BesideSound, true, None, true),
        (CodeWay::BesideSound, false, Some(LinkLoss::Hold), true),
    ] {
        let mut s = outside(way, tap, policy);
        assert_eq!(s.act(Act::SetMode(Mode::Propose)), ActAnswer::Done);
        let answer = s.act(Act::SetMode(Mode::Act));
        assert_eq!(answer == ActAnswer::Done, may, "{way:?} {tap} {policy:?}: {answer:?}");
    }
}
