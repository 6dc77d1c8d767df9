//! The catalogue of faults at the level of evidence: each with its required outcome.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod sim;

use base::{Machine, Span, SwitchView};
use sim::{A, B, Sim, acting, ms, plain};
use twinkeel_rig::AlarmCode as Code;
use twinkeel_rig::*;

fn two_paths() -> Sim {
    let mut s = Sim::new(Setup::new(2), Memory { mode: Mode::Act, ..Memory::default() }, 2);
    s.tap = false;
    s.run(ms(5_000));
    s.log.clear();
    s
}
fn blind(policy: Option<LinkLoss>) -> Sim {
    let mut setup = Setup::new(2);
    setup.policies.on_link_loss = policy;
    let mut s = Sim::new(setup, Memory { mode: Mode::Act, ..Memory::default() }, 1);
    s.tap = false;
    s.run(ms(5_000));
    s.log.clear();
    s
}

#[test]
fn on_air_power() {
    // At every phase of the beat.
    for phase in 0..10 {
        let mut s = plain();
        s.run(ms(phase));
        let t = s.now;
        s.a().host = false;
        s.run(ms(3_000));
        let took = s.one_changeover(Rule::HostGoneSilent, t);
        assert!(took <= ms(20), "phase {phase}: {took:?}");
        s.alarms_are(&[(Code::ChangedOver, None), (Code::HostSilent, Some(A))]);
        assert!(s.view().latched.is_some());
        assert_eq!(s.view().on_air, SwitchView::On(B));
    }
}

/// +6 dB, and +3 dB in somebody's ears: common practice, no source.
#[test]
fn a_standby_that_would_hurt_ears_is_put_on_air_by_a_person_only() {
    use base::Db;
    for (louder, moves) in [
        ([Some(Db(5.9)), Some(Db(2.9))], true),
        ([Some(Db(6.1)), None], false),
        ([None, Some(Db(3.1))], false),
        ([Some(Db(-20.0)), Some(Db(-20.0))], true),
    ] {
        let mut s = plain();
        s.b().louder = louder;
        s.run(ms(3_000));
        let t = s.now;
        s.a().kill_player();
        s.run(ms(2_000));
        if moves {
            s.one_changeover(Rule::PlayerGone, t);
            continue;
        }
        s.nothing_moved();
        let said: Vec<_> = s.view().machines[1].reasons.iter().map(|r| r.reason).collect();
        assert!(said.contains(&Reason::TooLoud) || said.contains(&Reason::TooLoudInEars), "{said:?}");
        assert_eq!(s.act(Act::Changeover { to: B, forced: true }), ActAnswer::Done);
        s.run(ms(1_000));
        assert_eq!(s.view().on_air, SwitchView::On(B));
    }
}

/// Nothing of its song was on air yet, and the standby plays it: both were never together in this song.
#[test]
fn a_player_that_ends_as_its_song_starts() {
    for after in [0, 1, 10, 60] {
        let mut s = plain();
        s.boxes.iter_mut().for_each(|b| b.rolling = false);
        s.run(ms(6_000));
        s.boxes.iter_mut().for_each(|b| b.rolling = true);
        s.run(ms(after));
        let t = s.now;
        s.a().player = false;
        s.run(ms(3_000));
        assert!(s.one_changeover(Rule::PlayerGone, t) <= ms(80), "{after} ms after the start");
    }
}

#[test]
fn on_air_power_by_two_paths_without_a_tap() {
    let mut s = two_paths();
    let t = s.now;
    s.a().host = false;
    s.run(ms(1_000));
    assert!(s.one_changeover(Rule::HostGoneTwoPaths, t) <= ms(20));
}

#[test]
fn a_lost_second_path_makes_two_paths_one() {
    let mut s = two_paths();
    s.a().cables[1] = false;
    s.run(ms(2_000));
    s.a().cables[0] = false;
    s.run(ms(1_000));
    s.nothing_moved();
    assert_eq!(s.proposals()[0].2, Rule::HostGoneNoPolicy);
}

#[test]
fn on_air_agent_gone_or_frozen() {
    for fin in [true, false] {
        let mut s = plain();
        s.a().agent = false;
        s.a().agent_fin = fin;
        s.run(ms(10_000));
        s.nothing_moved();
        let code = if fin { Code::AgentLost } else { Code::HostSilent };
        s.alarms_are(&[(code, Some(A))]);
        assert_eq!(s.proposals(), vec![]);
    }
}

#[test]
fn an_agent_gone_and_then_the_sound_too() {
    let mut s = plain();
    s.a().agent = false;
    s.a().agent_fin = true;
    s.run(ms(1_000));
    let t = s.now;
    s.a().kill_player();
    s.run(ms(1_000));
    let took = s.one_changeover(Rule::AgentLostSilent, t);
    assert!(took <= ms(80), "{took:?}");
}

#[test]
fn an_agent_gone_in_a_rest_of_the_music() {
    let mut s = plain();
    s.music = |t| t.nanos() / 1_000_000 % 2_000 < 1_000;
    s.run(ms(4_000));
    s.a().agent = false;
    s.a().agent_fin = true;
    s.run(ms(10_000));
    s.nothing_moved();
}

#[test]
fn on_air_player_gone() {
    let mut s = plain();
    let t = s.now;
    s.a().kill_player();
    s.run(ms(2_000));
    let took = s.one_changeover(Rule::PlayerGone, t);
    assert!(took >= ms(10) && took <= ms(40), "{took:?}");
    s.alarms_are(&[(Code::ChangedOver, None), (Code::PlayerGone, Some(A))]);
}

#[test]
fn player_gone_sound_on() {
    let mut s = plain();
    s.a().engine_outlives = true;
    s.a().kill_player();
    s.run(ms(5_000));
    s.nothing_moved();
    assert_eq!(s.proposals().len(), 1);
    assert_eq!(s.proposals()[0].2, Rule::PlayerGoneSoundOn);
    s.alarms_are(&[(Code::PlayerGone, Some(A))]);
}

#[test]
fn on_air_player_frozen() {
    for phase in 0..5 {
        let mut s = plain();
        s.run(ms(phase));
        let t = s.now;
        s.a().freeze_player();
        s.run(ms(2_000));
        let took = s.one_changeover(Rule::StalledSilent, t);
        assert!(took <= ms(40), "{took:?}");
    }
}

#[test]
fn on_air_os_frozen() {
    let mut s = plain();
    let t = s.now;
    s.a().agent = false;
    s.a().freeze_player();
    s.run(ms(2_000));
    assert!(s.one_changeover(Rule::HostGoneSilent, t) <= ms(20));
}

#[test]
fn midi_port_lost() {
    for port in [true, false] {
        let mut s = plain();
        if port {
            s.a().port = false;
        } else {
            s.a().code = false;
        }
        s.run(ms(10_000));
        s.nothing_moved();
        let code = if port { Code::MidiLost } else { Code::Stalled };
        assert!(s.raised().contains(&(code, Some(A))), "{:?}", s.raised());
        assert_eq!(s.proposals(), vec![]);
    }
}

#[test]
fn a_cable_out_of_the_code_and_a_rest_in_the_music_move_nothing() {
    let mut s = plain();
    s.music = |t| t.nanos() / 1_000_000 % 1_000 < 700;
    s.run(ms(3_000));
    s.a().code = false;
    s.run(ms(10_000));
    s.nothing_moved();
}

#[test]
fn on_air_audio_lost() {
    for tap in [true, false] {
        let mut s = plain();
        s.tap = tap;
        s.run(ms(100));
        let t = s.now;
        s.a().callbacks = false;
        s.run(ms(2_000));
        let took = s.one_changeover(Rule::AudioLost, t);
        assert!(took >= ms(60) && took <= ms(80), "{took:?}");
    }
}

#[test]
fn on_air_silent() {
    let mut s = plain();
    let t = s.now;
    s.a().muted = true;
    s.run(ms(2_000));
    let took = s.one_changeover(Rule::AudioLost, t);
    assert!(took >= ms(60) && took <= ms(80), "{took:?}");
}

#[test]
fn silence_with_nobody_to_agree_is_asked_about() {
    let mut s = plain();
    s.tap = false;
    s.run(ms(100));
    s.a().muted = true;
    s.run(ms(2_000));
    s.nothing_moved();
    assert_eq!(s.proposals()[0].2, Rule::AudioDoubtful);
}

#[test]
fn silence_of_what_never_matched_is_asked_about() {
    let mut s = plain();
    s.b().level = -30.0;
    s.run(ms(15_000));
    s.a().muted = true;
    s.run(ms(2_000));
    s.nothing_moved();
    assert_eq!(s.proposals()[0].2, Rule::AudioDoubtful);
}

#[test]
fn both_silent_is_music() {
    let mut s = plain();
    s.music = |t| t.nanos() / 1_000_000 % 4_000 < 1_000;
    s.boxes[1].ahead = ms(15);
    s.run(ms(60_000));
    s.nothing_moved();
    assert_eq!(s.proposals(), vec![]);
    s.alarms_are(&[(Code::OffsetHigh, Some(B))]);
}

#[test]
fn one_stem_silent() {
    let mut s = plain();
    s.a().channels = ChannelTrouble::OneSilent;
    s.run(ms(10_000));
    s.nothing_moved();
    s.alarms_are(&[(Code::ChannelSilent, Some(A))]);
}

#[test]
fn on_air_noise() {
    let mut s = plain();
    let t = s.now;
    s.a().noise = true;
    s.run(ms(1_000));
    let took = s.one_changeover(Rule::WrongSound, t);
    assert!(took >= ms(20) && took <= ms(40), "{took:?}");
}

#[test]
fn noise_on_both_moves_nothing() {
    let mut s = plain();
    s.b().noise = true;
    s.a().noise = true;
    s.run(ms(1_000));
    s.nothing_moved();
}

#[test]
fn channel_shift_rate_flip_device_fallback() {
    for (trouble, code, word) in [
        (ChannelTrouble::Shifted, Code::ChannelShift, "click"),
        (ChannelTrouble::RateDiffers, Code::RateFlip, "sample rate"),
        (ChannelTrouble::DeviceFellBack, Code::DeviceFallback, "device"),
    ] {
        let mut s = plain();
        s.a().channels = trouble;
        s.run(ms(1_000));
        s.nothing_moved();
        let (_, c) = s.raised_at(code).unwrap();
        assert_eq!(c.priority, Priority::High);
        assert!(c.say(&Numbers).contains(word), "{}", c.say(&Numbers));
    }
}

#[test]
fn media_disk_gone() {
    let mut s = plain();
    s.a().health.media_gone = true;
    s.run(ms(3_000));
    s.nothing_moved();
    s.alarms_are(&[(Code::MediaGone, Some(A))]);
    let t = s.now;
    s.a().muted = true;
    s.run(ms(1_000));
    let took = s.one_changeover(Rule::MediaGoneSilent, t);
    assert!(took <= ms(40), "{took:?}");
}

#[test]
fn on_air_glitch() {
    let mut s = plain();
    for _ in 0..5 {
        s.a().callbacks = false;
        s.run(ms(16));
        s.a().callbacks = true;
        s.a().dropouts += 1;
        s.run(ms(1_000));
    }
    s.nothing_moved();
    s.alarms_are(&[]);
    assert_eq!(s.view().machines[0].fitness, Fitness::Fit);
    s.a().dropouts = 9;
    s.run(ms(1_000));
    s.nothing_moved();
    assert_eq!(s.view().machines[0].fitness, Fitness::Degraded);
    s.alarms_are(&[(Code::Dropouts, Some(A))]);
}

/// As many blocks as are allowed are no reason; one more is, and so are very many more.
#[test]
fn a_worn_machine_is_asked_about_however_worn_it_is() {
    let mut s = plain();
    s.a().dropouts = s.judge.setup().limits.dropouts;
    s.run(ms(1_000));
    assert_eq!(s.proposals(), []);
    for over in [1, 100] {
        let mut s = plain();
        s.a().dropouts = s.judge.setup().limits.dropouts + over;
        s.run(ms(1_000));
        s.nothing_moved();
        assert_eq!(s.proposals().iter().map(|p| p.2).collect::<Vec<_>>(), [Rule::Worn], "{over} over");
    }
}

/// A standby without ears that stands where the machine on air stood gives nothing to hear: there is time to be sure. One that rolls
/// does not rest, and a silent host is answered at once.
#[test]
fn a_deaf_standby_rests_when_it_stands() {
    for rolls in [false, true] {
        let mut s = two_paths();
        s.b().ears = false;
        s.run(ms(3_000));
        if !rolls {
            rest(&mut s);
        }
        let t = s.now;
        s.a().host = false;
        s.run(ms(1_000));
        let took = s.one_changeover(Rule::HostGoneTwoPaths, t);
        assert_eq!(took >= ms(500), !rolls, "{took:?}");
    }
}

#[test]
fn standby_gone_in_every_way() {
    type Fault = fn(&mut Sim);
    let faults: [(Fault, Code); 7] = [
        (|s| s.b().host = false, Code::HostSilent),
        (|s| s.b().kill_player(), Code::PlayerGone),
        (|s| s.b().freeze_player(), Code::Stalled),
        (
            |s| {
                s.b().agent = false;
                s.b().agent_fin = true;
            },
            Code::AgentLost,
        ),
        (|s| s.b().port = false, Code::MidiLost),
        (|s| s.b().muted = true, Code::AudioLost),
        (|s| s.b().noise = true, Code::AudioWrong),
    ];
    for (fault, code) in faults {
        let mut s = plain();
        fault(&mut s);
        s.run(ms(5_000));
        s.nothing_moved();
        assert_eq!(s.proposals(), vec![]);
        assert!(s.raised().contains(&(code, Some(B))), "{code:?}: {:?}", s.raised());
        assert!(s.raised().len() <= 2, "few alarms: {:?}", s.raised());
        assert_eq!(s.view().standby_good_for, StandbyFor::Nothing, "{code:?}");
    }
}

#[test]
fn a_dead_standby_host_is_one_alarm() {
    let mut s = plain();
    s.b().host = false;
    s.run(ms(60_000));
    s.alarms_are(&[(Code::HostSilent, Some(B))]);
}

#[test]
fn both_gone() {
    // Within a millisecond or two of each other, at every phase, with a tap and without.
    for tap in [true, false] {
        for phase in 0..6 {
            for skew in 0..2 {
                let mut s = blind(Some(LinkLoss::Changeover));
                s.tap = tap;
                s.run(ms(phase + 10));
                s.a().host = false;
                s.run(ms(skew));
                s.b().host = false;
                s.run(ms(10_000));
                s.nothing_moved();
                s.alarms_are(&[(Code::SupervisorCutOff, None)]);
            }
        }
    }
}

#[test]
fn two_cables_cut_together_and_mended_one_by_one() {
    for first in [0, 1] {
        let mut s = blind(Some(LinkLoss::Changeover));
        s.a().cables = [false; 2];
        s.b().cables = [false; 2];
        s.run(ms(3_000));
        s.boxes[first].cables = [true; 2];
        s.run(ms(400));
        s.boxes[1 - first].cables = [true; 2];
        s.run(ms(5_000));
        s.nothing_moved();
        assert_eq!(s.proposals(), vec![]);
        assert!(s.view().armed);
    }
}

#[test]
fn both_players_gone() {
    let mut s = plain();
    s.a().kill_player();
    s.b().kill_player();
    s.run(ms(5_000));
    s.nothing_moved();
    s.alarms_are(&[(Code::BothPlayersLost, None)]);
    assert_eq!(s.raised_at(Code::BothPlayersLost).unwrap().1.priority, Priority::High);
}

#[test]
fn dead_air_rule() {
    for ahead in [-240, -100, 25, 100, 240] {
        let mut s = plain();
        s.b().ahead = ms(ahead);
        s.run(ms(4_000));
        assert_eq!(s.view().standby_good_for, StandbyFor::DeadAir);
        s.a().host = false;
        s.run(ms(1_000));
        let cost = s.log.iter().find_map(|(_, a)| match a {
            Action::Changeover { cost, .. } => Some(*cost),
            _ => None,
        });
        let jump = cost.expect("a changeover").jump.unwrap();
        assert!((jump - ms(ahead)).abs() <= ms(1), "{jump:?}");
        assert!(cost.unwrap().say().contains(if ahead < 0 { "repeated" } else { "skipped" }));
    }
    // Further off, or silent: dead air stays.
    for (ahead, muted) in [(260, false), (-260, false), (100, true)] {
        let mut s = plain();
        s.b().ahead = ms(ahead);
        s.b().muted = muted;
        s.run(ms(4_000));
        s.a().host = false;
        s.run(ms(1_000));
        s.nothing_moved();
    }
}

#[test]
fn cable_on_air() {
    // With a tap.
    let mut s = plain();
    s.a().cables = [false; 2];
    s.run(ms(10_000));
    s.nothing_moved();
    assert_eq!(s.proposals(), vec![]);
    s.alarms_are(&[(Code::HostSilent, Some(A))]);
    // With a second path.
    let mut s = two_paths();
    s.a().cables[0] = false;
    s.run(ms(10_000));
    s.nothing_moved();
    s.alarms_are(&[(Code::PathLost, Some(A))]);
    // With neither, by policy.
    for (policy, moves, rule) in [
        (None, false, Rule::HostGoneNoPolicy),
        (Some(LinkLoss::Hold), false, Rule::HostGonePolicyHold),
        (Some(LinkLoss::Changeover), true, Rule::HostGonePolicyChangeover),
    ] {
        let mut s = blind(policy);
        s.a().cables = [false; 2];
        s.run(ms(3_000));
        assert_eq!(s.changeovers().len(), usize::from(moves), "{policy:?}");
        let proposed: Vec<Rule> = s.proposals().iter().map(|p| p.2).filter(|r| !moves && *r == rule).collect();
        assert_eq!(proposed.len(), usize::from(policy.is_none()));
        if moves {
            assert_eq!(s.changeovers()[0].2, rule);
        }
    }
}

#[test]
fn cable_supervisor() {
    for link_known in [true, false] {
        let mut s = blind(Some(LinkLoss::Changeover));
        if link_known {
            s.link_down = true;
        } else {
            s.a().cables = [false; 2];
            s.b().cables = [false; 2];
        }
        s.run(ms(5_000));
        s.link_down = false;
        s.a().cables = [true; 2];
        s.b().cables = [true; 2];
        s.run(ms(5_000));
        s.nothing_moved();
        assert_eq!(s.proposals(), vec![]);
        s.alarms_are(&[(Code::SupervisorCutOff, None)]);
        assert!(s.view().armed, "it recovers by itself");
    }
}

#[test]
fn starved() {
    let mut s = blind(Some(LinkLoss::Changeover));
    s.frozen_until = s.now + ms(2_000);
    // The watch's own lateness reaches the judge with the first look after it.
    s.ev.supervisor.late_until = Some(s.frozen_until + ms(50));
    s.run(ms(10_000));
    s.nothing_moved();
    assert_eq!(s.proposals(), vec![]);
}

#[test]
fn supervisor_killed() {
    // At rest, latched, and with a proposal standing: same machine, same mode, nothing moves.
    for dead in [false, true] {
        let mut s = plain();
        if dead {
            s.a().host = false;
            s.run(ms(500));
            assert_eq!(s.changeovers().len(), 1);
        }
        let memory = s.judge.memory();
        let on = s.on;
        let mut again = Sim::new(Setup::new(2), memory, 1);
        again.boxes = s.boxes.clone();
        again.on = on;
        again.run(ms(10_000));
        assert_eq!(again.changeovers(), vec![]);
        assert_eq!(again.on, on);
        assert_eq!(again.view().mode, Mode::Act);
        assert_eq!(again.view().latched.is_some(), dead);
        assert!(again.log.iter().any(|(_, a)| *a == Action::Adopted { to: on, moved: false }));
    }
}

#[test]
fn a_restart_while_on_air_is_dead_asks() {
    let mut s = plain();
    s.a().host = false;
    let memory = s.judge.memory();
    let mut again = Sim::new(Setup::new(2), memory, 1);
    again.boxes = s.boxes.clone();
    again.run(ms(10_000));
    assert_eq!(again.changeovers(), vec![]);
}

#[test]
fn a_switch_that_cannot_answer_needs_a_persons_word() {
    let mut s = Sim::new(Setup::new(2), Memory { mode: Mode::Act, on_air: Some(A), ..Memory::default() }, 2);
    s.tap = false;
    s.replies = false;
    s.run(ms(5_000));
    assert_eq!(s.view().on_air, SwitchView::Unknown);
    s.alarms_are(&[(Code::OnAirUnknown, None)]);
    let mut dead = s.boxes.clone();
    dead[0].host = false;
    assert_eq!(s.act(Act::TellOnAir(A)), ActAnswer::Done);
    s.run(ms(3_000));
    assert!(s.view().armed);
    s.a().host = false;
    s.run(ms(2_000));
    assert_eq!(s.changeovers().len(), 1);
    assert_eq!(s.view().on_air, SwitchView::On(B), "what was sent is the best that is known");
    assert!(s.raised().contains(&(Code::NotConfirmed, None)));
}

#[test]
fn switch_by_hand_or_by_itself() {
    let mut s = plain();
    s.on = B;
    s.run(ms(1_000));
    assert_eq!(s.changeovers(), vec![]);
    assert!(s.log.iter().any(|(_, a)| *a == Action::Adopted { to: B, moved: true }));
    assert_eq!(s.view().latched, Some(Latch { to: B, rule: Rule::SwitchMoved }));
    s.alarms_are(&[(Code::SwitchMoved, None)]);
    s.boxes[1].host = false;
    s.run(ms(1_000));
    assert_eq!(s.changeovers(), vec![], "latched");
    assert_eq!(s.proposals().len(), 1, "but asked");
}

#[test]
fn switch_power_lost() {
    let mut s = plain();
    s.replies = false;
    s.run(ms(2_000));
    s.a().host = false;
    s.run(ms(5_000));
    s.nothing_moved();
    assert_eq!(s.raised_at(Code::SwitchSilent).unwrap().1.priority, Priority::High);
}

#[test]
fn switch_half() {
    let mut s = plain();
    s.half = true;
    s.run(ms(2_000));
    s.a().host = false;
    s.run(ms(2_000));
    s.nothing_moved();
    assert_eq!(s.raised_at(Code::SwitchConflict).unwrap().1.priority, Priority::High);
}

#[test]
fn output_dead() {
    let mut s = plain();
    s.obeys_from_try = 1;
    let t = s.now;
    s.a().host = false;
    s.run(ms(1_000));
    assert_eq!(s.changeovers().len(), 1);
    let next: Vec<_> = s.log.iter().filter(|(_, a)| matches!(a, Action::NextOutput { .. })).collect();
    assert_eq!(next.len(), 1);
    assert!(next[0].0 - t <= ms(130));
    assert_eq!(s.raised_at(Code::NotConfirmed).unwrap().1.priority, Priority::High);
    assert_eq!(s.on, B, "the next output did it");
    // An output that says at once that it cannot is not waited for.
    let mut s = plain();
    s.obeys_from_try = 1;
    s.a().host = false;
    while s.changeovers().is_empty() {
        s.run(ms(1));
    }
    let t = s.now;
    s.ev.switch.output_failed = true;
    s.run(ms(5));
    assert!(s.log.iter().any(|(at, a)| matches!(a, Action::NextOutput { .. }) && *at - t <= ms(2)));
    assert!(s.raised().contains(&(Code::OutputFailed, None)));
}

#[test]
fn every_output_dead() {
    let mut s = plain();
    s.obeys = false;
    s.a().host = false;
    s.run(ms(5_000));
    assert_eq!(s.changeovers().len(), 1, "no second command by itself");
    assert_eq!(s.view().headline.reason, Reason::Unconfirmed);
    assert_eq!(s.view().on_air, SwitchView::On(A), "the switch owns the truth");
}

#[test]
fn suspend() {
    let mut s = plain();
    s.b().host = false;
    s.run(ms(30_000));
    assert_eq!(s.view().machines[1].fitness, Fitness::Unfit);
    s.b().host = true;
    s.b().clock = base::ClockState::Stepped;
    s.run(ms(3_000));
    assert_eq!(s.view().machines[1].fitness, Fitness::Unknown);
    s.b().clock = base::ClockState::Tracking;
    s.run(ms(1_000));
    assert!(!s.view().armed, "not held yet");
    s.run(ms(1_500));
    assert!(s.view().armed);
}

#[test]
fn stop_both() {
    for (cause, skew) in [(StopCause::Trigger, 4), (StopCause::Player, 4), (StopCause::None, 15)] {
        let mut s = plain();
        s.a().stop(cause);
        s.run(ms(skew));
        s.b().stop(cause);
        s.run(ms(60_000));
        s.nothing_moved();
        assert_eq!(s.proposals(), vec![]);
        s.alarms_are(&[]);
        assert_eq!(s.view().standby_good_for, StandbyFor::Anything);
    }
}

#[test]
fn both_stall_together_is_a_stop() {
    // No stop message at all: the code just ends on both, within 15 ms.
    for skew in [0, 3, 15] {
        let mut s = plain();
        s.a().code = false;
        s.a().callbacks = false;
        s.run(ms(skew));
        s.b().code = false;
        s.b().callbacks = false;
        s.run(ms(60_000));
        s.nothing_moved();
        assert!(!s.raised().iter().any(|r| r.0 == Code::Stalled), "{:?}", s.raised());
    }
}

#[test]
fn stop_one() {
    for policy in [LoneStop::Propose, LoneStop::Changeover] {
        let mut setup = Setup::new(2);
        setup.policies.lone_stop = policy;
        let mut s = acting(setup);
        let t = s.now;
        s.a().stop(StopCause::Player);
        s.run(ms(3_000));
        let alarm = s.raised_at(Code::LoneStop).unwrap();
        assert_eq!(alarm.1.machine, Some(A));
        if policy == LoneStop::Propose {
            s.nothing_moved();
            let p = s.proposals();
            assert_eq!(p.len(), 1);
            assert!(p[0].0 - t <= ms(150));
        } else {
            s.one_changeover(Rule::LoneStopPolicy, t);
        }
    }
    // With a cause it is no fault, whoever missed it.
    let mut s = plain();
    s.a().stop(StopCause::Trigger);
    s.run(ms(3_000));
    s.nothing_moved();
    assert_eq!(s.proposals(), vec![]);
}

#[test]
fn start_missed() {
    for (starts, misses) in [(0, B), (1, A)] {
        let mut s = plain();
        s.a().stop(StopCause::Trigger);
        s.b().stop(StopCause::Trigger);
        s.run(ms(20_000));
        s.log.clear();
        let t = s.now;
        s.boxes[starts].rolling = true;
        s.run(ms(1_000));
        let (at, c) = s.raised_at(Code::StartMissed).unwrap();
        assert!(at - t <= ms(200), "{:?}", at - t);
        assert_eq!(c.machine, Some(misses));
        assert!(c.say(&Numbers).contains(misses.letter()));
        s.nothing_moved();
    }
}

#[test]
fn wrong_song() {
    let mut s = plain();
    s.b().song = 2;
    s.run(ms(2_000));
    s.alarms_are(&[(Code::WrongSong, Some(B))]);
    s.a().host = false;
    s.run(ms(2_000));
    s.nothing_moved();
    assert_eq!(s.view().headline.reason, Reason::CannotTakeOver);
    assert_eq!(s.view().because.unwrap().reason, Reason::OtherSong);
}

#[test]
fn section_jump_vamp_exit_missed_jump_straddle() {
    for (ahead, section) in [(-8_000, 2), (16_000, 3), (-2_000, 1)] {
        let mut s = plain();
        s.b().ahead = ms(ahead);
        s.b().section = section;
        s.run(ms(3_000));
        s.nothing_moved();
        let (_, c) = s.raised_at(if section == 1 { Code::OffsetOut } else { Code::SectionDiffers }).unwrap();
        assert_eq!(c.machine, Some(B));
        if section != 1 {
            assert!(c.say(&Numbers).starts_with("Machines disagree: B is in "), "{}", c.say(&Numbers));
        }
        s.a().host = false;
        s.run(ms(2_000));
        s.nothing_moved();
    }
}

#[test]
fn a_section_boundary_crossed_a_little_apart_is_no_disagreement() {
    let mut s = plain();
    s.b().ahead = ms(-12);
    s.run(ms(2_500));
    s.log.clear();
    s.a().section = 2;
    s.run(ms(12));
    s.b().section = 2;
    s.run(ms(2_000));
    s.alarms_are(&[]);
}

#[test]
fn drift_out() {
    let mut s = plain();
    for i in 0..100 {
        s.b().ahead = Span::from_micros(300 * i);
        s.run(ms(100));
    }
    let raised = s.raised();
    assert_eq!(raised, vec![(Code::OffsetHigh, Some(B)), (Code::OffsetOut, Some(B))]);
    s.nothing_moved();
    // A warning of change is about the baseline of line-up.
    let mut setup = Setup::new(2);
    setup.baselines[1].offset = ms(12);
    let mut s = Sim::new(setup, Memory::default(), 1);
    s.b().ahead = ms(13);
    s.run(ms(5_000));
    s.alarms_are(&[]);
}

#[test]
fn flapping() {
    let mut s = plain();
    for _ in 0..30 {
        s.a().agent = false;
        s.a().agent_fin = true;
        s.run(ms(500));
        s.a().agent = true;
        s.a().agent_fin = false;
        s.run(ms(500));
    }
    s.nothing_moved();
    s.alarms_are(&[(Code::AgentLost, Some(A))]);
    // After a changeover, too.
    let mut s = plain();
    for _ in 0..30 {
        s.a().host = !s.a().host;
        s.run(ms(500));
    }
    assert_eq!(s.changeovers().len(), 1);
}

#[test]
fn out_of_service() {
    let mut s = plain();
    assert_eq!(s.act(Act::OutOfService(B)), ActAnswer::Done);
    s.b().rolling = false;
    s.b().song = 7;
    s.b().kill_player();
    s.b().health.on_battery = true;
    s.run(ms(10_000));
    s.alarms_are(&[]);
    assert_eq!(s.view().standby_good_for, StandbyFor::Nothing);
    assert_eq!(s.view().headline.reason, Reason::NoStandby);
    s.a().host = false;
    s.run(ms(2_000));
    s.nothing_moved();
    assert!(matches!(s.act(Act::OutOfService(A)), ActAnswer::Refused(_)), "never the machine on air");
}

#[test]
fn on_battery_hot_disk_full() {
    type Set = fn(&mut HostEvidence);
    let each: [(Set, Code, Priority); 3] = [
        (|h| h.on_battery = true, Code::OnBattery, Priority::Medium),
        (|h| h.hot = true, Code::Hot, Priority::Medium),
        (|h| h.disk_low = true, Code::DiskLow, Priority::Low),
    ];
    for (set, code, priority) in each {
        let mut s = plain();
        set(&mut s.a().health);
        s.run(ms(10_000));
        s.nothing_moved();
        if priority == Priority::Low {
            s.alarms_are(&[]);
            s.a().stop(StopCause::Trigger);
            s.b().stop(StopCause::Trigger);
            s.run(ms(500));
        }
        s.alarms_are(&[(code, Some(A))]);
        assert_eq!(s.raised_at(code).unwrap().1.priority, priority);
    }
}

#[test]
fn forged() {
    let mut s = plain();
    for n in 1..100 {
        s.ev.supervisor.refused = n;
        s.run(ms(20));
    }
    s.nothing_moved();
    s.alarms_are(&[(Code::Forged, None)]);
}

#[test]
fn a_person_may_do_what_the_rig_may_not() {
    let mut s = plain();
    s.b().song = 3;
    s.run(ms(1_000));
    let ActAnswer::Refused(why) = s.act(Act::Changeover { to: B, forced: false }) else { panic!("refused") };
    assert_eq!(why.reason, Reason::OtherSong);
    assert_eq!(s.changeovers(), vec![]);
    assert_eq!(s.act(Act::Changeover { to: B, forced: true }), ActAnswer::Done);
    s.run(ms(100));
    assert_eq!(s.on, B);
    assert!(s.view().latched.is_some());
    assert_eq!(s.act(Act::Release), ActAnswer::Done);
    assert!(matches!(s.act(Act::Release), ActAnswer::Refused(_)));
}

#[test]
fn latched_until_released() {
    let mut s = plain();
    s.a().host = false;
    s.run(ms(1_000));
    s.a().host = true;
    s.run(ms(5_000));
    assert_eq!(s.on, B, "no return by itself");
    s.b().host = false;
    s.run(ms(1_000));
    assert_eq!(s.changeovers().len(), 1, "latched");
    assert_eq!(s.proposals().len(), 1, "a person is asked");
    assert_eq!(s.act(Act::Answer { yes: true }), ActAnswer::Done);
    s.run(ms(100));
    assert_eq!(s.on, A);
    s.b().host = true;
    s.run(ms(3_000));
    assert_eq!(s.act(Act::Release), ActAnswer::Done);
    s.run(ms(3_000));
    s.log.clear();
    s.a().host = false;
    s.run(ms(1_000));
    assert_eq!(s.changeovers().len(), 1, "protected again");
}

#[test]
fn observe_and_propose_never_act() {
    for mode in [Mode::Observe, Mode::Propose] {
        let mut s = plain();
        assert_eq!(s.act(Act::SetMode(mode)), ActAnswer::Done);
        s.a().host = false;
        s.run(ms(1_000));
        s.nothing_moved();
        let would = s.log.iter().filter(|(_, a)| matches!(a, Action::WouldHave { to, .. } if *to == B)).count();
        assert_eq!(would, usize::from(mode == Mode::Observe));
        assert_eq!(s.proposals().len(), usize::from(mode == Mode::Propose));
    }
    // A proposal that was turned down stays down while its cause lasts, and a cause that ends takes it back.
    let mut s = plain();
    s.act(Act::SetMode(Mode::Propose));
    s.a().agent = false;
    s.a().freeze_player();
    s.run(ms(500));
    assert_eq!(s.act(Act::Answer { yes: false }), ActAnswer::Done);
    s.run(ms(2_000));
    assert_eq!(s.proposals().len(), 1);
    s.a().agent = true;
    s.a().player_runs = true;
    s.run(ms(3_000));
    s.a().host = false;
    s.run(ms(500));
    assert_eq!(s.proposals().len(), 2);
    s.a().host = true;
    s.run(ms(500));
    assert!(s.view().proposal.is_none());
    assert!(matches!(s.act(Act::Answer { yes: true }), ActAnswer::Refused(_)));
}

#[test]
fn act_is_refused_where_nothing_could_tell() {
    let mut s = blind(None);
    s.act(Act::SetMode(Mode::Propose));
    let ActAnswer::Refused(why) = s.act(Act::SetMode(Mode::Act)) else { panic!("refused") };
    assert_eq!(why.reason, Reason::ActNeedsEars);
}

#[test]
fn three_machines_pick_the_best_standby() {
    let mut s = Sim::new(Setup::new(3), Memory { mode: Mode::Act, ..Memory::default() }, 1);
    s.b().ahead = ms(15);
    s.boxes[2].ahead = ms(2);
    s.run(ms(5_000));
    s.a().host = false;
    s.run(ms(500));
    assert_eq!(s.changeovers()[0].1, Machine::new(2).unwrap());
    let mut s = Sim::new(Setup::new(3), Memory { mode: Mode::Act, ..Memory::default() }, 1);
    s.run(ms(5_000));
    s.b().host = false;
    s.run(ms(500));
    s.a().host = false;
    s.run(ms(500));
    assert_eq!(s.changeovers()[0].1, Machine::new(2).unwrap(), "one dead standby does not hide another");
}

fn rest(s: &mut Sim) {
    s.a().stop(StopCause::Trigger);
    s.b().stop(StopCause::Trigger);
    s.run(ms(10_000));
    s.log.clear();
}

/// Between songs a tap tells nothing: a pulled cable and a dead machine look alike until the next sound.
#[test]
fn on_air_power_between_songs() {
    // Two paths tell, and there is time to be sure.
    let mut s = Sim::new(Setup::new(2), Memory { mode: Mode::Act, ..Memory::default() }, 2);
    s.run(ms(5_000));
    rest(&mut s);
    let t = s.now;
    s.a().host = false;
    s.run(ms(1_000));
    let took = s.one_changeover(Rule::HostGoneTwoPaths, t);
    assert!(took >= ms(500) && took < ms(520), "{took:?}");
    // One path and a tap: somebody is asked in the gap, and the first sound of the next song settles it.
    let mut s = plain();
    rest(&mut s);
    s.a().host = false;
    s.run(ms(5_000));
    s.nothing_moved();
    assert_eq!(s.proposals().len(), 1);
    s.a().rolling = true;
    s.b().rolling = true;
    s.b().song = 2;
    let t = s.now;
    s.run(ms(1_000));
    let took = s.one_changeover(Rule::HostGoneSilent, t);
    assert!(took <= ms(20), "{took:?}");
}

#[test]
fn cable_on_air_between_songs() {
    let mut s = plain();
    rest(&mut s);
    s.a().cables = [false; 2];
    s.run(ms(5_000));
    s.a().rolling = true;
    s.b().rolling = true;
    s.run(ms(10_000));
    s.nothing_moved();
    assert_eq!(s.view().proposal, None, "its sound took the question back");
}

#[test]
fn two_lost_beats_in_a_rest_move_nothing() {
    for policy in [None, Some(LinkLoss::Changeover)] {
        let mut setup = Setup::new(2);
        setup.policies.on_link_loss = policy;
        let mut s = acting(setup);
        s.music = |_| false;
        s.run(ms(1_000));
        s.a().agent = false;
        s.run(ms(60));
        s.a().agent = true;
        s.run(ms(1_000));
        s.nothing_moved();
        assert_eq!(s.proposals(), vec![]);
    }
}
