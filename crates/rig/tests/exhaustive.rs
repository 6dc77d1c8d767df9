//! Every combination of facts there is, against a second description of the table: one exhaustive match, written from
//! the rules and not from the rows.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use base::PlayerState;
use twinkeel_rig::facts::*;
use twinkeel_rig::table::{Need, Outcome, Part, Row, TABLE, Then, decide, decide_by};
use twinkeel_rig::*;

const BOOLS: [bool; 2] = [false, true];
const PLAYERS: [PlayerState; 3] = [PlayerState::Unknown, PlayerState::Running, PlayerState::Gone];
const MODES: [Mode; 3] = [Mode::Observe, Mode::Propose, Mode::Act];
const LONE: [LoneStop; 2] = [LoneStop::Propose, LoneStop::Changeover];

/// What ought to be done about the machine on air.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Ought {
    Rest,
    Ask,
    AskForBetter,
    Replace,
}

/// The rules, said a second time.
fn ought(f: &Facts) -> Ought {
    use Ought::*;
    use Sound as S;
    use Transport as T;
    let silent = matches!(f.sound, S::Rest | S::Quiet | S::Doubtful | S::Lost);
    match (f.host, f.player, f.transport, f.sound) {
        // Sound that is heard and right vetoes; a dead player or a lone stop is asked about nonetheless.
        (Host::Here, PlayerState::Gone, _, S::Heard) => Ask,
        (Host::Here, _, T::LoneStop, S::Heard) => Ask,
        (Host::Here, _, T::Unknown | T::Rolling | T::Stopped, S::Heard) if f.worn && !f.media_gone => AskForBetter,
        (_, _, _, S::Heard) => Rest,
        // A vanished host: by ears, by two paths, by policy.
        (Host::Gone, _, _, S::Quiet | S::Doubtful | S::Lost | S::Wrong) => Replace,
        (Host::Gone, _, _, S::Deaf | S::Rest) => match f.link {
            LinkSays::TwoPaths | LinkSays::Changeover => Replace,
            LinkSays::Hold => Rest,
            LinkSays::Unset => Ask,
        },
        (Host::Unwitnessed | Host::Patience, _, _, _) => Rest,
        // A vanished agent says nothing; the loss of sound does.
        (Host::AgentLost, _, _, S::Lost) => Replace,
        (Host::AgentLost, _, _, S::Doubtful) => Ask,
        (Host::AgentLost, _, _, S::Deaf | S::Rest | S::Quiet | S::Wrong) => Rest,
        (Host::Never, _, _, S::Lost | S::Doubtful) => Ask,
        (Host::Never, _, _, S::Deaf | S::Rest | S::Quiet | S::Wrong) => Rest,
        // Noise.
        (Host::Here, _, _, S::Wrong) => Replace,
        // The agent says that the player is gone.
        (Host::Here, PlayerState::Gone, _, _) => {
            if f.outlived {
                Replace
            } else {
                Rest
            }
        }
        // The session's disk, and the sound.
        (Host::Here, _, T::Unknown | T::Rolling | T::Stopped, S::Rest | S::Quiet | S::Doubtful | S::Lost)
            if f.media_gone && f.outlived =>
        {
            Replace
        }
        // Stall and silence.
        (Host::Here, _, T::Stalled, S::Deaf) => Ask,
        (Host::Here, _, T::Stalled, S::Rest | S::Quiet) => {
            if f.outlived {
                Replace
            } else {
                Rest
            }
        }
        (Host::Here, _, T::Stalled, S::Doubtful) => {
            if f.outlived {
                Replace
            } else {
                Ask
            }
        }
        (Host::Here, _, T::Stalled, S::Lost) => Replace,
        (Host::Here, _, T::Lost, S::Deaf) => Rest,
        (Host::Here, _, T::Lost, S::Rest | S::Quiet) => {
            if f.media_gone && f.outlived {
                Replace
            } else {
                Rest
            }
        }
        (Host::Here, _, T::Lost, S::Doubtful) => {
            if f.outlived {
                Replace
            } else {
                Ask
            }
        }
        (Host::Here, _, T::Lost, S::Lost) => Replace,
        // A lone stop: a person, or a policy.
        (Host::Here, _, T::LoneStop, _) => {
            let by_policy = f.lone_stop == LoneStop::Changeover || f.media_gone;
            if by_policy && silent && f.outlived { Replace } else { Ask }
        }
        // Sound alone.
        (Host::Here, _, T::Unknown | T::Rolling, S::Lost) => Replace,
        (Host::Here, _, T::Unknown | T::Rolling, S::Doubtful) => Ask,
        (Host::Here, _, T::Unknown | T::Rolling | T::Stopped, S::Deaf | S::Rest | S::Quiet) => {
            if f.worn {
                AskForBetter
            } else {
                Rest
            }
        }
        (Host::Here, _, T::Stopped, S::Doubtful | S::Lost) => {
            if f.worn {
                AskForBetter
            } else {
                Rest
            }
        }
    }
}

fn may(f: &Facts) -> bool {
    f.doubt == SelfDoubt::None && f.known == OnAirKnown::Yes && !f.both_players_lost
}

fn expected(f: &Facts) -> Outcome {
    let ought = ought(f);
    if !may(f) || ought == Ought::Rest {
        return Outcome::Rest;
    }
    match (ought, f.standby, f.mode) {
        (_, Grade::None, _) => Outcome::Refuse,
        (Ought::AskForBetter, Grade::DeadAir, _) => Outcome::Refuse,
        (_, _, Mode::Observe) => Outcome::Observe,
        (_, _, Mode::Propose) => Outcome::Propose,
        (Ought::Replace, _, Mode::Act) if !f.latched && f.armed => Outcome::Changeover,
        (_, _, Mode::Act) => Outcome::Propose,
    }
}

#[test]
fn every_combination_of_facts() {
    let mut n = 0u64;
    let mut by_outcome = [0u64; 5];
    let mut used = [false; 64];
    for &host in Host::ALL {
        for &link in LinkSays::ALL {
            for player in PLAYERS {
                for &transport in Transport::ALL {
                    for &sound in Sound::ALL {
                        for bits in 0..16u8 {
                            for &doubt in SelfDoubt::ALL {
                                for &known in OnAirKnown::ALL {
                                    for both_players_lost in BOOLS {
                                        for mode in MODES {
                                            for gates in 0..4u8 {
                                                for &standby in Grade::ALL {
                                                    let f = Facts {
                                                        mode,
                                                        latched: gates & 1 != 0,
                                                        armed: gates & 2 != 0,
                                                        doubt,
                                                        known,
                                                        both_players_lost,
                                                        host,
                                                        link,
                                                        player,
                                                        transport,
                                                        sound,
                                                        media_gone: bits & 1 != 0,
                                                        worn: bits & 2 != 0,
                                                        outlived: bits & 4 != 0,
                                                        lone_stop: LONE[usize::from(bits & 8 != 0)],
                                                        standby,
                                                    };
                                                    let v = decide(&f);
                                                    let got = v.outcome();
                                                    if got != expected(&f) {
                                                        panic!(
                                                            "{f:?}: {:?} by {:?}, expected {:?}",
                                                            got,
                                                            v.cause.rule,
                                                            expected(&f)
                                                        );
                                                    }
                                                    let mark = |used: &mut [bool; 64], r: Rule| {
                                                        let i = TABLE.iter().position(|row| row.rule == r).unwrap();
                                                        used[i] = true;
                                                    };
                                                    if n.is_multiple_of(7) {
                                                        mark(&mut used, v.cause.rule);
                                                        if let Some(g) = v.gate {
                                                            mark(&mut used, g.rule);
                                                        }
                                                    }
                                                    by_outcome[got as usize] += 1;
                                                    n += 1;
                                                }
                                            }
                                        }
                                    }
                                }
                            }
                        }
                    }
                }
            }
        }
    }
    println!("{n} combinations; rest, refuse, observe, propose, changeover: {by_outcome:?}");
    for (i, row) in TABLE.iter().enumerate() {
        assert!(used[i], "row {} never decides: it is dead", row.rule.code());
    }
}

#[test]
fn a_standby_is_graded_by_rule_one() {
    for &fitness in Fitness::ALL {
        for &relation in Relation::ALL {
            for &ears in Ears::ALL {
                let alive = fitness == Fitness::Fit || fitness == Fitness::Degraded;
                let alike = relation == Relation::InStep || relation == Relation::Resting;
                let replaces_dead_air = alive && (alike || relation == Relation::Near && ears == Ears::Sounding);
                let better = fitness == Fitness::Fit && alike;
                let want = match (better, replaces_dead_air) {
                    (true, _) => Grade::InStep,
                    (false, true) => Grade::DeadAir,
                    (false, false) => Grade::None,
                };
                assert_eq!(grade(fitness, relation, ears), want, "{fitness:?} {relation:?} {ears:?}");
            }
        }
    }
}

#[test]
fn the_table_is_well_formed() {
    let mut numbers = std::collections::BTreeSet::new();
    let mut codes = std::collections::BTreeSet::new();
    for r in Rule::ALL {
        assert!(numbers.insert(r.number()) && codes.insert(r.code()), "{r:?}");
        assert!(r.code().bytes().all(|b| b.is_ascii_lowercase() || b == b'-'));
    }
    let parts: Vec<Part> = TABLE.iter().map(|r| r.part).collect();
    assert!(parts.is_sorted(), "guards, faults, gates, in this order");
    let mut seen = std::collections::BTreeSet::new();
    for row in TABLE {
        assert!(seen.insert(row.rule), "{} stands once", row.rule.code());
        assert!(!row.comment.is_empty());
        match row.part {
            Part::Guard => assert_eq!(row.then, Then::Hold),
            Part::Fault => assert!(matches!(row.then, Then::Hold | Then::Change(_) | Then::Ask(_))),
            Part::Gate => assert!(matches!(row.then, Then::Hold | Then::Observe | Then::Propose | Then::Act)),
        }
        assert_ne!(row.then, Then::Change(Need::InStep), "nothing that plays is left by itself");
    }
    let in_table: std::collections::BTreeSet<Rule> = TABLE.iter().map(|r| r.rule).collect();
    let outside: Vec<&Rule> = Rule::ALL.iter().filter(|r| !in_table.contains(r)).collect();
    assert_eq!(outside, [&Rule::Person, &Rule::SwitchMoved]);
}

#[test]
fn reasons_and_alarms_have_stable_names_and_whole_sentences() {
    let mut numbers = std::collections::BTreeSet::new();
    let mut codes = std::collections::BTreeSet::new();
    for r in Reason::ALL {
        assert!(numbers.insert(r.number()) && codes.insert(r.code()), "{r:?}");
        let s = Sentence::of(*r, base::Machine::A).against(Some(base::Machine::B)).with(Arg::Count(3)).say(&Numbers);
        assert!(s.ends_with(['.', '?']) && !s.contains('{'), "{s}");
    }
    let mut numbers = std::collections::BTreeSet::new();
    for (i, c) in AlarmCode::ALL.iter().enumerate() {
        assert!(numbers.insert(c.number()), "{c:?}");
        for cause in c.causes() {
            assert_ne!(c, cause);
            let cause_at = AlarmCode::ALL.iter().position(|x| x == cause).unwrap();
            assert!(cause_at < i || c.code() == "player-gone", "{c:?}: its cause {cause:?} comes first");
        }
    }
}

/// Facts enough to tell any two tables apart: every fault with every gate, and each guard by itself.
fn telling() -> Vec<Facts> {
    let base = Facts {
        mode: Mode::Act,
        latched: false,
        armed: true,
        doubt: SelfDoubt::None,
        known: OnAirKnown::Yes,
        both_players_lost: false,
        host: Host::Here,
        link: LinkSays::Unset,
        player: PlayerState::Running,
        transport: Transport::Rolling,
        sound: Sound::Heard,
        media_gone: false,
        worn: false,
        outlived: false,
        lone_stop: LoneStop::Propose,
        standby: Grade::InStep,
    };
    let mut all = Vec::new();
    for &host in Host::ALL {
        for &link in LinkSays::ALL {
            for player in PLAYERS {
                for &transport in Transport::ALL {
                    for &sound in Sound::ALL {
                        for bits in 0..16u8 {
                            let f = Facts {
                                host,
                                link,
                                player,
                                transport,
                                sound,
                                media_gone: bits & 1 != 0,
                                worn: bits & 2 != 0,
                                outlived: bits & 4 != 0,
                                lone_stop: LONE[usize::from(bits & 8 != 0)],
                                ..base
                            };
                            all.push(f);
                            all.extend(MODES.map(|mode| Facts { mode, standby: Grade::DeadAir, ..f }));
                            all.extend([
                                Facts { latched: true, ..f },
                                Facts { armed: false, ..f },
                                Facts { standby: Grade::None, ..f },
                                Facts { mode: Mode::Observe, ..f },
                                Facts { mode: Mode::Propose, ..f },
                                Facts { both_players_lost: true, ..f },
                            ]);
                            all.extend(SelfDoubt::ALL.iter().map(|d| Facts { doubt: *d, ..f }));
                            all.extend(OnAirKnown::ALL.iter().map(|k| Facts { known: *k, ..f }));
                        }
                    }
                }
            }
        }
    }
    all
}

/// Mutation by rows: leave each row out, and let each pair of neighbours change places. Who survives must be named here
/// with the reason why it does no harm.
#[test]
fn every_row_and_its_place_matter() {
    let facts = telling();
    let want: Vec<Outcome> = facts.iter().map(expected).collect();
    let noticed = |rows: &[&'static Row]| {
        facts.iter().zip(&want).any(|(f, w)| decide_by(rows.iter().copied(), f).outcome() != *w)
    };
    let all: Vec<&'static Row> = TABLE.iter().collect();
    assert!(!noticed(&all));
    let mut without = Vec::new();
    for i in 0..all.len() {
        let mut rows = all.clone();
        rows.remove(i);
        if !noticed(&rows) {
            without.push(all[i].rule.code());
        }
    }
    // These only say more exactly why nothing is done, or why a person is asked; what is done stays the same.
    println!("rows whose loss changes the reason alone: {without:?}");
    assert_eq!(without, SAY_WHY);
    let mut apart = 0;
    let mut noticed_places = 0;
    for i in 1..all.len() {
        if all[i - 1].part == all[i].part {
            let mut rows = all.clone();
            rows.swap(i - 1, i);
            apart += 1;
            noticed_places += usize::from(noticed(&rows));
        }
    }
    println!(
        "{noticed_places} of {apart} changes of place are noticed; the others part rows that never hold together, or agree"
    );
    assert!(noticed_places >= 8);
}
const SAY_WHY: [&str; 2] = ["stopped", "well"];
