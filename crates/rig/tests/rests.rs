//! What shows of two hours found and single faults did not: a death soon after a rest in the music or at its edge, one soon
//! after a jump, and ears that listen to nothing.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod sim;

use base::Span;
use sim::{A, B, acting, ms, plain};
use twinkeel_rig::*;

/// Nine tenths of a second without a sound, a second after the rig is ready.
fn with_a_rest(at: Span) -> bool {
    !(ms(1_006_000)..ms(1_006_900)).contains(&at)
}

/// Both machines say "all my channels fell silent at once". That they say it together makes it music: neither is less fit,
/// and whoever dies after the rest is replaced as before it. (Rule 7: a pause is not a fault.)
#[test]
fn a_rest_in_the_music_disarms_nobody() {
    let mut s = plain();
    s.music = with_a_rest;
    s.run(ms(1_500));
    assert!(s.view().machines.iter().all(|m| m.fitness == Fitness::Fit), "in the rest: {:?}", s.view().machines);
    assert!(s.view().armed);
    s.run(ms(700));
    let died = s.now;
    s.a().host = false;
    s.run(ms(300));
    assert!(s.one_changeover(Rule::HostGoneSilent, died) <= ms(30));
    s = plain();
    s.music = with_a_rest;
    s.run(ms(2_000));
    assert_eq!(s.raised(), vec![], "and nobody is alarmed by it");
}

/// It need not be to the sample: a machine that is 15 ms ahead falls silent first and begins first.
#[test]
fn a_rest_begins_when_each_machine_gets_there() {
    for by in [-15, 15] {
        let mut s = acting(Setup::new(2));
        s.b().ahead = ms(by);
        s.music = with_a_rest;
        s.run(ms(2_200));
        let died = s.now;
        s.a().host = false;
        s.run(ms(300));
        assert!(s.one_changeover(Rule::HostGoneSilent, died) <= ms(40), "{by} ms ahead");
    }
}

/// The excuse is not for a machine that falls silent alone, not even if the music rests soon after.
#[test]
fn silence_alone_is_no_rest() {
    let mut s = plain();
    s.music = with_a_rest;
    s.run(ms(800));
    s.b().muted = true;
    s.run(ms(150));
    let unfit = |s: &sim::Sim| s.view().machines[B.index()].fitness == Fitness::Unfit;
    assert!(unfit(&s), "{:?}", s.view().machines);
    // Into the rest.
    s.run(ms(300));
    assert!(unfit(&s), "{:?}", s.view().machines);
    s.a().host = false;
    s.run(ms(400));
    s.nothing_moved();
}

/// Noise that begins in a rest does not make the standby's rest a fault: noise is worse than the silence that should be.
#[test]
fn noise_in_a_rest_is_replaced() {
    let mut s = plain();
    s.music = with_a_rest;
    s.run(ms(1_300));
    let began = s.now;
    s.a().noise = true;
    s.run(ms(300));
    assert!(s.one_changeover(Rule::WrongSound, began) <= ms(80));
}

/// A machine that jumped and then died had left the place it was in before: what was in step with it there is not in step
/// with it now. (Rule 1: within a quarter of a second of the machine on air.)
#[test]
fn who_jumped_and_died_is_where_it_jumped_to() {
    for (by, moves) in [(-850, false), (850, false), (-200, true), (200, true)] {
        let mut s = plain();
        s.a().ahead = ms(by);
        s.run(ms(1_000));
        assert_eq!(s.changeovers(), vec![], "a jump alone moves nothing");
        let died = s.now;
        s.a().host = false;
        s.run(ms(3_000));
        if moves {
            s.one_changeover(Rule::HostGoneSilent, died);
        } else {
            s.nothing_moved();
        }
    }
}

/// The same for one that left for another song.
#[test]
fn who_went_to_another_song_and_died_is_there() {
    let mut s = plain();
    s.a().song = 2;
    s.run(ms(1_000));
    s.a().host = false;
    s.run(ms(3_000));
    s.nothing_moved();
    assert_eq!(s.on, A);
}

/// A standby that is 125 ms behind sounds on while the rest has begun on air. If the cable of the machine on air comes out
/// just then, silence on the tap is the music's, and nobody is dead.
#[test]
fn a_cable_out_at_the_edge_of_a_rest_moves_nothing() {
    for behind in [12, 60, 125, 200] {
        let mut s = plain();
        s.b().ahead = ms(-behind);
        s.music = with_a_rest;
        s.run(ms(980));
        s.a().cables = [false; 2];
        s.run(ms(3_000));
        s.nothing_moved();
    }
}

/// A tap that was silent while the machine on air sounded says nothing when that machine's agent falls silent, too: its plug
/// is out.
#[test]
fn a_tap_that_hears_nothing_condemns_nobody() {
    let mut s = plain();
    s.unplugged = true;
    s.run(ms(500));
    s.a().agent = false;
    s.run(ms(3_000));
    s.nothing_moved();
    assert_eq!(s.proposals()[0].2, Rule::HostGoneNoPolicy, "somebody is asked");
}

/// A standby that was muted a moment before the death on air ended with it, as in a rest of the music; but its pilot ended,
/// too, and pilots do not rest.
#[test]
fn a_standby_without_its_pilot_is_not_resting() {
    let mut s = plain();
    s.pilot = true;
    s.run(ms(2_500));
    s.b().muted = true;
    s.run(ms(30));
    s.a().kill_player();
    s.run(ms(2_000));
    s.nothing_moved();
}

/// A standby that stood still for a quarter of a second comes back behind by as much; its first beats say where it is before
/// the lines behind the offset have followed.
#[test]
fn where_it_says_it_is_outweighs_where_its_line_was() {
    let died = |lag: i64| {
        let mut s = plain();
        s.b().ahead = ms(-270);
        s.lag = ms(lag);
        s.run(ms(1));
        s.a().noise = true;
        s.run(ms(200));
        s
    };
    died(-245).nothing_moved();
    // The check of the check: a standby that is where its line says takes over.
    let mut s = plain();
    s.b().ahead = ms(-25);
    s.run(ms(1));
    let since = s.now;
    s.a().noise = true;
    s.run(ms(200));
    s.one_changeover(Rule::WrongSound, since);
}

/// A standby that was muted does not become fit because its silence grows old.
#[test]
fn an_old_silence_is_still_a_silence() {
    let mut s = plain();
    s.b().muted = true;
    s.run(ms(400));
    s.a().freeze_player();
    s.run(ms(8_000));
    s.nothing_moved();
    let b = &s.view().machines[B.index()];
    assert_eq!((b.fitness, b.reasons[0].reason), (Fitness::Unfit, Reason::AudioSilent));
    // It sounds again, and may take over once that has held.
    s.b().muted = false;
    let since = s.now;
    s.run(ms(3_000));
    s.one_changeover(Rule::StalledSilent, since);
}

/// Machines may end a passage a little apart, by the tails of their effects: that they both roll on and are quiet shows a rest.
#[test]
fn tails_of_different_length_make_nobody_silent_for_long() {
    let mut s = plain();
    s.b().muted = true;
    s.run(ms(300));
    s.a().muted = true;
    s.run(ms(1_000));
    assert_eq!(s.view().machines[B.index()].fitness, Fitness::Unfit);
    s.run(ms(1_500));
    assert_eq!(s.view().machines[B.index()].fitness, Fitness::Fit);
}

/// The music rests just after all channels of the machine on air were silenced, or just after it began to give noise: the standby falls
/// silent a little later, and is not accused of it.
#[test]
fn a_rest_just_after_a_fault_does_not_accuse_the_standby() {
    for noise in [false, true] {
        for before in [10, 70, 200] {
            let mut s = plain();
            s.music = with_a_rest;
            s.run(ms(1_000 - before));
            s.a().muted = !noise;
            s.a().noise = noise;
            s.run(ms(before + 400));
            let b = &s.view().machines[B.index()];
            assert_eq!(b.fitness, Fitness::Fit, "noise {noise}, {before} ms before: {:?}", b.reasons);
            s.run(ms(700));
            let rule = if noise { Rule::WrongSound } else { Rule::AudioLost };
            assert_eq!(s.changeovers().iter().map(|c| c.2).collect::<Vec<_>>(), [rule], "{before} ms before");
        }
    }
}

/// Its cable is out, and unseen it jumps into a rest of the music. Its pilot goes on: whoever sends a pilot is not dead.
#[test]
fn a_pilot_on_the_tap_outlives_a_cable() {
    let mut s = plain();
    s.pilot = true;
    s.music = with_a_rest;
    s.run(ms(100));
    s.a().cables = [false; 2];
    s.run(ms(100));
    s.a().ahead = ms(1_000);
    s.run(ms(600));
    s.nothing_moved();
    // It dies, and its pilot with it.
    let mut s = plain();
    s.pilot = true;
    s.run(ms(100));
    let died = s.now;
    s.a().host = false;
    s.run(ms(500));
    assert!(s.one_changeover(Rule::HostGoneSilent, died) <= ms(20));
    // ... also some time after its cable came out.
    let mut s = plain();
    s.pilot = true;
    s.a().cables = [false; 2];
    s.run(ms(700));
    let died = s.now;
    s.a().host = false;
    s.run(ms(500));
    let all = s.changeovers();
    assert_eq!(all.len(), 1, "{all:?}");
    assert!(all[0].0 - died <= ms(100), "{:?}", all[0].0 - died);
}
