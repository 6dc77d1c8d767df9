//! LTC as tapes, cables and rooms leave it. Each test makes code whose frames and edges are known exactly, spoils it, and
//! asks that no wrong frame be reported and how many right ones at least, and how near their edges lie.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, missing_docs)]

mod ltc_signals;

use base::FrameRate;
use ltc_signals::*;
use twinkeel_timecode::Timecode;
use twinkeel_timecode::ltc::{GapKind, LtcEvent, RejectedWhy};

const F24: FrameRate = FrameRate::F24;
const F25: FrameRate = FrameRate::F25;
const DROP: FrameRate = FrameRate::F29_97Df;

fn tc(rate: FrameRate, text: &str) -> Timecode {
    Timecode::parse(text, rate).unwrap()
}

/// Silence, code over a minute's turn at a steady speed, silence.
fn steady(hz: f64, rate: FrameRate, reverse: bool, count: i64, speed: f64) -> Tape {
    let mut t = Tape::new(hz);
    t.now = hz * 0.1234;
    t.user = 0x1234_ABCD;
    t.play(tc(rate, "01:00:58:20"), count, reverse, &|_| speed);
    t.close(hz * 0.1);
    t
}

/// Decodes and compares: nothing wrong, at most `missed` missed, and no edge further off than `worst` samples.
fn expect(what: &str, tape: &Tape, audio: &[f32], missed: usize, worst: f64) -> Vec<LtcEvent> {
    let events = decode(audio, tape.hz, 4_096);
    let s = score(tape, &frames(&events));
    assert_eq!(s.wrong, 0, "{what}: {s:?}");
    assert!(s.missed <= missed, "{what}: {s:?}");
    assert!(s.worst <= worst, "{what}: {s:?}");
    events
}

fn gaps(events: &[LtcEvent]) -> Vec<(f64, f64, GapKind)> {
    let gap = |e: &LtcEvent| match *e {
        LtcEvent::Gap { from_sample, to_sample, kind } => Some((from_sample, to_sample, kind)),
        _ => None,
    };
    events.iter().filter_map(gap).collect()
}

fn rejected(events: &[LtcEvent]) -> Vec<RejectedWhy> {
    events.iter().filter_map(|e| if let LtcEvent::Rejected { why, .. } = e { Some(*why) } else { None }).collect()
}

const SAMPLE_RATES: [f64; 10] = [8e3, 11.025e3, 16e3, 22.05e3, 32e3, 44.1e3, 48e3, 88.2e3, 96e3, 192e3];

#[test]
fn clean_code_at_any_sample_rate_lies_where_it_was_put() {
    for hz in SAMPLE_RATES {
        for rate in [F24, F25, DROP] {
            for reverse in [false, true] {
                let t = steady(hz, rate, reverse, 60, 1.0);
                let what = format!("{hz} Hz, {}, reverse {reverse}", rate.name());
                // Hard steps say only between which samples they lie; at 8 kHz the first frame of such may be lost.
                expect(&format!("{what}, hard"), &t, &t.render(0.0), usize::from(hz < 9e3), 1.0);
            }
            let t = steady(hz, rate, false, 25, 1.0);
            let audio = t.render_band_limited();
            let events = decode(&audio, hz, 1_000);
            let s = score(&t, &frames(&events));
            // As a converter records it: nearly exact, but for the very first and last edge.
            assert!(s.missed == 0 && s.wrong == 0 && s.rms < 0.5, "{hz} {}: {s:?}", rate.name());
            let inner: Vec<_> = frames(&events)[1..24].to_vec();
            let mut inside = t.clone();
            inside.frames = t.frames[1..24].to_vec();
            let s = score(&inside, &inner);
            // A tenth of a sample, or a microsecond.
            assert!(s.worst < 0.1f64.max(hz * 1e-6), "{hz} {}: {s:?}", rate.name());
        }
    }
}

#[test]
fn at_ten_db_of_noise_nearly_all_frames_come_and_no_wrong_one() {
    for (hz, missed) in [(16e3, 6), (22.05e3, 4), (44.1e3, 2), (48e3, 2), (96e3, 2), (192e3, 2)] {
        for reverse in [false, true] {
            let t = steady(hz, DROP, reverse, 200, 1.0);
            for seed in 1..3 {
                let what = format!("{hz} Hz, reverse {reverse}, seed {seed}");
                expect(&what, &t, &noise(t.render(2.0), 10.0, seed), missed, 2.5);
            }
        }
    }
    for speed in [0.5, 0.75, 1.5, 2.0] {
        let t = steady(48e3, F24, false, 200, speed);
        expect(&format!("speed {speed}"), &t, &noise(t.render(2.0), 10.0, 7), 3, 3.0);
    }
    // At 8 kHz a half cell is 1.7 samples; what a converter records of it is still read.
    let t = steady(8e3, DROP, false, 200, 1.0);
    expect("8 kHz", &t, &noise(t.render_band_limited(), 10.0, 1), 30, 1.0);
}

#[test]
fn worse_noise_costs_frames_but_reports_no_wrong_one() {
    for (snr, missed) in [(6.0, 3), (4.0, 12), (3.0, 30), (0.0, 200)] {
        let t = steady(48e3, F25, false, 200, 1.0);
        expect(&format!("{snr} dB"), &t, &noise(t.render(2.0), snr, 5), missed, 4.0);
    }
}

#[test]
fn weak_and_coarse_code_is_read() {
    let t = steady(48e3, F25, false, 100, 1.0);
    for (db, bits) in [(-40.0, 16), (-40.0, 24), (-60.0, 24), (-40.0, 8)] {
        let what = format!("{db} dBFS, {bits} bits");
        expect(&what, &t, &quantise(gain(t.render(2.0), db), bits), 0, 1.0);
        expect(&what, &t, &quantise(gain(noise(t.render(2.0), 10.0, 4), db), bits), 2, 2.5);
    }
    let inverted: Vec<f32> = t.render(2.0).iter().map(|v| -v).collect();
    expect("inverted", &t, &inverted, 0, 0.1);
}

#[test]
fn hum_dc_and_coupling_capacitors_do_no_harm() {
    let t = steady(48e3, F25, false, 100, 1.0);
    for tone in [50.0, 60.0, 100.0] {
        expect(&format!("hum {tone} Hz"), &t, &hum(t.render(2.0), 48e3, tone, 0.5, 0.0), 1, 0.8);
        let noisy = hum(noise(t.render(2.0), 15.0, 1), 48e3, tone, 0.5, 0.0);
        expect(&format!("hum {tone} Hz and noise"), &t, &noisy, 3, 1.0);
    }
    expect("hum as strong as the code", &t, &hum(t.render(2.0), 48e3, 50.0, 1.0, 0.0), 1, 0.5);
    for dc in [0.2, 0.5, 3.0] {
        expect(&format!("DC {dc}"), &t, &hum(t.render(2.0), 48e3, 50.0, 0.0, dc), 1, 0.5);
    }
    for corner in [20.0, 100.0, 200.0] {
        expect(&format!("high-pass {corner} Hz"), &t, &high_pass(t.render(2.0), 48e3, corner), 1, 1.5);
    }
}

#[test]
fn soft_edges_are_read_and_delayed_by_no_more_than_the_filter_delays() {
    for hz in [44.1e3, 48e3, 96e3] {
        let t = steady(hz, DROP, false, 100, 1.0);
        for corner in [1_500.0, 2_000.0, 3_000.0, 5_000.0] {
            // A one-pole filter moves an edge by its time constant at most.
            let delay = hz / (std::f64::consts::TAU * corner);
            expect(&format!("{hz}, {corner} Hz"), &t, &low_pass(t.render(1.5), hz, corner, 1), 1, 0.5 + delay);
            let both = low_pass_both_ways(t.render(1.5), hz, corner);
            expect(&format!("{hz}, {corner} Hz, both ways"), &t, &both, 1, 0.5 + 0.5 * delay);
            if corner >= 2_000.0 {
                let noisy = noise(low_pass(t.render(1.5), hz, corner, 2), 15.0, 5);
                expect(&format!("{hz}, twice {corner} Hz, noise"), &t, &noisy, 3, 2.0 + 2.0 * delay);
            }
        }
    }
}

#[test]
fn speed_may_ramp_and_waver() {
    let ramp_up = |t: f64| (0.5 + 0.15 * t).min(2.0);
    let ramp_down = |t: f64| (2.0 - 0.5 * t).max(0.5);
    let wow = |t: f64| 1.0 + 0.1 * (12.566 * t).sin();
    let flutter = |t: f64| 1.0 + 0.02 * (125.66 * t).sin();
    for hz in [44.1e3, 96e3] {
        for reverse in [false, true] {
            let speeds: [&dyn Fn(f64) -> f64; 4] = [&ramp_up, &ramp_down, &wow, &flutter];
            for (i, speed) in speeds.into_iter().enumerate() {
                let mut t = Tape::new(hz);
                t.play(tc(F25, "10:00:00:00"), 200, reverse, speed);
                t.close(1_000.0);
                expect(&format!("{hz}, {reverse}, {i}"), &t, &t.render(2.0), 0, 1.0);
                expect(&format!("{hz}, {reverse}, {i}, noise"), &t, &noise(t.render(2.0), 10.0, 9), 2, 5.0);
            }
        }
    }
}

#[test]
fn a_step_of_speed_costs_no_frame_unless_it_falls_into_the_sync_word() {
    for (a, b) in [(1.0, 1.1), (1.0, 1.25), (1.0, 1.5), (1.0, 2.0), (2.0, 1.0), (1.0, 0.75), (1.0, 0.5), (0.5, 1.0)] {
        for part in [0.0, 37.0, 77.3, 130.0] {
            let mut t = Tape::new(48e3);
            t.user = 0x90AB_CDEF;
            t.play(tc(F25, "10:00:00:00"), 50, false, &|_| a);
            let step = (t.now + part / 160.0 * 48e3 / 25.0 / a) / 48e3;
            t.play(tc(F25, "10:00:02:00"), 50, false, &|t| if t < step { a } else { b });
            t.close(1_000.0);
            let missed = if part == 130.0 { 2 } else { 0 };
            expect(&format!("{a} to {b} at {part}"), &t, &t.render(2.0), missed, 1.5);
        }
    }
}

#[test]
fn a_jump_is_reported_once_the_next_frame_bears_it_out() {
    for part in [0.0, 0.3, 0.5, 0.93] {
        let mut t = Tape::new(48e3);
        t.play(tc(F25, "10:00:00:00"), 50, false, &|_| 1.0);
        t.cut((49.0 + part) * 1_920.0);
        t.play(tc(F25, "11:23:45:10"), 50, false, &|_| 1.0);
        t.cut(t.now - 1_920.0 * (1.0 - part));
        t.play(tc(F25, "10:00:03:00"), 50, true, &|_| 1.0);
        t.close(1_000.0);
        let events = expect(&format!("cut at {part}"), &t, &t.render(2.0), 0, 1.5);
        let kinds: Vec<_> = gaps(&events).iter().map(|g| g.2).collect();
        assert_eq!(kinds, [GapKind::Jump, GapKind::Jump], "cut at {part}");
        expect(&format!("cut at {part}, noise"), &t, &noise(t.render(2.0), 10.0, 9), 3, 2.5);
    }
}

#[test]
fn one_frame_from_elsewhere_inside_steady_code_is_not_reported() {
    let mut t = Tape::new(48e3);
    t.play(tc(F25, "10:00:00:00"), 30, false, &|_| 1.0);
    t.play(tc(F25, "17:00:00:00"), 1, false, &|_| 1.0);
    t.frames.pop();
    t.play(tc(F25, "10:00:01:06"), 30, false, &|_| 1.0);
    t.close(1_000.0);
    let events = expect("a stray frame", &t, &t.render(2.0), 0, 0.1);
    assert_eq!(rejected(&events), [RejectedWhy::Unconfirmed]);
    let [(from, to, GapKind::Damage)] = gaps(&events)[..] else { panic!("{:?}", gaps(&events)) };
    assert!((to - from - 1_920.0).abs() < 0.1);
}

#[test]
fn words_that_no_frame_bears_and_user_bits_that_flicker_are_refused() {
    let mut t = Tape::new(48e3);
    t.user = 0x5555_5555;
    t.play(tc(F25, "10:00:00:00"), 30, false, &|_| 1.0);
    // Seconds 77: two bits too many.
    let mut bits = t.bits(tc(F25, "10:00:01:05"));
    for i in [16, 17, 18, 24, 25, 26] {
        bits[i] = true;
    }
    t.raw(bits.into_iter(), F25, &|_| 1.0);
    t.play(tc(F25, "10:00:01:06"), 30, false, &|_| 1.0);
    // A single frame with two other user bits: its zeros are even, its label goes on, but nobody meant it.
    t.user = 0x5555_5565;
    t.play(tc(F25, "10:00:02:11"), 1, false, &|_| 1.0);
    t.frames.pop();
    t.user = 0x5555_5555;
    t.play(tc(F25, "10:00:02:12"), 30, false, &|_| 1.0);
    // New user bits that stay are believed, from their first frame on.
    t.user = 0x1111_1111;
    t.play(tc(F25, "10:00:03:17"), 30, false, &|_| 1.0);
    t.close(1_000.0);
    let events = expect("bad words", &t, &t.render(2.0), 0, 0.1);
    assert_eq!(rejected(&events), [RejectedWhy::Impossible, RejectedWhy::Unconfirmed]);
    assert_eq!(gaps(&events).iter().map(|g| g.2).collect::<Vec<_>>(), [GapKind::Damage, GapKind::Damage]);
}

#[test]
fn dropouts_are_bridged_and_named() {
    for (from, frames, lost, kind) in [
        (30.2, 0.05, 1, GapKind::Damage),
        (30.2, 0.5, 1, GapKind::Silence),
        (30.0, 3.0, 3, GapKind::Silence),
        (30.7, 20.4, 22, GapKind::Silence),
    ] {
        let t = steady(48e3, F25, false, 100, 1.0);
        let mut audio = t.render(2.0);
        let at = (t.frames[0].start + from * 1_920.0) as usize;
        audio[at..at + (frames * 1_920.0) as usize].fill(0.0);
        let events = expect(&format!("{frames} frames lost"), &t, &audio, lost, 1.5);
        let [(a, b, named)] = gaps(&events)[..] else { panic!("{:?}", gaps(&events)) };
        assert_eq!(named, kind);
        let first = t.frames[30].start;
        assert!((a - first).abs() < 1.0 && (b - first - lost as f64 * 1_920.0).abs() < 2.0, "{a} {b}");
        expect("and in noise", &t, &noise(audio, 10.0, 3), lost + 4, 3.0);
    }
}

#[test]
fn a_frame_whose_last_edge_never_comes_is_whole_all_the_same() {
    for reverse in [false, true] {
        let mut t = Tape::new(48e3);
        t.play(tc(F25, "00:00:00:00"), 10, reverse, &|_| 1.0);
        // Straight to the file's end, and then to silence in the middle of a file.
        expect("end of file", &t, &t.render(2.0), 0, 0.6);
        let mut audio = t.render(2.0);
        audio.extend([0.0; 5_000]);
        expect("silence", &t, &audio, 0, 0.6);
        // Cut three bits earlier it is not.
        let short = &t.render(2.0)[..19_200 - 72];
        expect("cut short", &t, short, 1, 0.6);
        assert_eq!(frames(&decode(short, 48e3, 100)).len(), 9);
    }
}

#[test]
fn other_makers_flags_are_taken_as_they_come() {
    for (colour, polarity_correction, extra) in
        [(true, true, 0), (false, false, 0), (false, true, 1 << 43 | 1 << 58), (true, false, 1 << 58)]
    {
        for rate in [F24, F25, DROP] {
            let mut t = Tape::new(48e3);
            (t.colour, t.polarity_correction, t.extra_flags) = (colour, polarity_correction, extra);
            t.user = 0x0F1E_2D3C;
            t.play(tc(rate, "09:59:58:10"), 80, false, &|_| 1.0);
            t.close(1_000.0);
            expect(&format!("{colour} {polarity_correction} {extra:x}"), &t, &t.render(2.0), 0, 0.1);
        }
    }
    // User bits that change with every frame.
    let mut t = Tape::new(48e3);
    for i in 0..60 {
        t.user = 0x0101_0101u32.wrapping_mul(i);
        t.play(tc(F25, "01:00:00:00").plus(i64::from(i)), 1, false, &|_| 1.0);
    }
    t.close(1_000.0);
    expect("a counter in the user bits", &t, &t.render(2.0), 0, 0.1);
}

#[test]
fn what_is_no_code_gives_no_frame() {
    let hz = 48e3;
    let n = 10 * 48_000;
    let mut c = Chance(99);
    let square = |f: f64| move |i: usize| if (i as f64 * f / hz).fract() < 0.5 { 0.5 } else { -0.5 };
    let mut signals: Vec<(String, Vec<f32>)> = Vec::new();
    for f in [100.0, 960.0, 1_000.0, 1_200.0, 2_000.0, 2_400.0, 5_000.0] {
        signals.push((format!("square {f}"), (0..n).map(square(f)).collect()));
        signals.push((
            format!("sine {f}"),
            (0..n).map(|i| (i as f64 * f / hz * std::f64::consts::TAU).sin() as f32).collect(),
        ));
    }
    // The pattern of a sync tone: square waves of one and two lengths in turn.
    let turns = |i: usize| square(if (i / 960).is_multiple_of(2) { 1_200.0 } else { 2_400.0 })(i);
    signals.push(("two tones in turn".into(), (0..n).map(turns).collect()));
    signals.push(("white noise".into(), (0..n).map(|_| (0.3 * c.gauss()) as f32).collect()));
    signals.push(("silence".into(), vec![0.0; n]));
    // Something like music: plucked chords with overtones, a bass drum, a hat of noise, clipped.
    let music = (0..n).map(|i| {
        let t = i as f64 / hz;
        let beat = t * 2.0;
        let chord = [220.0, 277.2, 329.6, 440.0][(beat / 4.0) as usize % 4];
        let pluck: f64 = (1..8).map(|k| (std::f64::consts::TAU * chord * f64::from(k) * t).sin() / f64::from(k)).sum();
        let drum = (-20.0 * beat.fract()).exp() * (std::f64::consts::TAU * 60.0 * t).sin();
        let hat = (-60.0 * (2.0 * beat).fract()).exp() * c.gauss() * 0.2;
        (0.4 * pluck * (-1.5 * beat.fract()).exp() + drum + hat).clamp(-0.7, 0.7) as f32
    });
    signals.push(("music".into(), music.collect()));
    // Bits like those of code, but without a sync word.
    let mut bits = Tape::new(hz);
    for _ in 0..20_000 {
        let one = c.next() < 0.5;
        bits.raw([one].into_iter(), F25, &|_| 1.0);
    }
    signals.push(("random bits".into(), bits.render(2.0)));
    for (what, audio) in signals {
        let events = decode(&audio, hz, 999);
        assert!(events.is_empty(), "{what}: {:?}", events.first());
    }
}

#[test]
fn many_spoiled_tapes_report_no_wrong_frame() {
    let rates = [F24, F25, DROP, FrameRate::F30, FrameRate::F29_97, FrameRate::F23_976];
    let (mut expected, mut right) = (0, 0);
    for seed in 0..60 {
        let mut c = Chance(seed * 77 + 5);
        let hz = [16e3, 22.05e3, 44.1e3, 48e3, 96e3][(c.next() * 5.0) as usize];
        let rate = rates[(c.next() * 6.0) as usize];
        let (speed, wobble) = (0.6 + c.next(), 0.05 * c.next());
        let reverse = c.next() < 0.3;
        let mut t = Tape::new(hz);
        t.now = hz * c.next() * 0.3;
        t.polarity_correction = c.next() < 0.8;
        t.user = (c.next() * 4e9) as u32;
        let mut label = Timecode::from_frames(rate, (c.next() * 2e6) as i64);
        for _ in 0..80 {
            if c.next() < 0.02 {
                label = Timecode::from_frames(rate, (c.next() * 2e6) as i64);
            }
            t.play(label, 1, reverse, &|x| speed * (1.0 + wobble * (x * 9.0).sin()));
            label = label.plus(if reverse { -1 } else { 1 });
        }
        t.close(hz * 0.05);
        let mut x = t.render(1.5);
        if c.next() < 0.3 {
            x = low_pass(x, hz, 2_500.0 + 4_000.0 * c.next(), 1);
        }
        if c.next() < 0.3 {
            x = hum(x, hz, 50.0, 0.5 * c.next(), 0.0);
        }
        if c.next() < 0.5 {
            let a = (c.next() * x.len() as f64) as usize;
            let b = (a + (c.next() * hz * 0.1) as usize).min(x.len());
            x[a..b].fill(0.0);
        }
        let x = noise(x, 4.0 + 12.0 * c.next(), seed);
        let s = score(&t, &frames(&decode(&x, hz, 1_000)));
        assert_eq!(s.wrong, 0, "seed {seed}: {s:?}");
        expected += s.expected;
        right += s.right;
    }
    assert!(right as f64 > 0.85 * expected as f64, "{right} of {expected}");
}
