#![allow(clippy::disallowed_methods)] // A bench, example or test may read clocks and start threads.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, missing_docs)]
mod ltc_signals;
use base::FrameRate;
use ltc_signals::*;
use twinkeel_timecode::Timecode;

fn tc(rate: FrameRate, text: &str) -> Timecode {
    Timecode::parse(text, rate).unwrap()
}

fn show(name: &str, tape: &Tape, audio: &[f32]) -> Score {
    let ev = decode(audio, tape.hz, 4096);
    let s = score(tape, &frames(&ev));
    println!(
        "{}{name:44} exp {:4} right {:4} wrong {} miss {:3} worst {:.3} rms {:.3}",
        if s.wrong > 0 {
            "!!! "
        } else if s.missed > 0 {
            " -  "
        } else {
            "    "
        },
        s.expected,
        s.right,
        s.wrong,
        s.missed,
        s.worst,
        s.rms
    );
    if std::env::var("SHOW").is_ok() {
        for e in &ev {
            if !matches!(e, twinkeel_timecode::ltc::LtcEvent::Frame(_)) {
                eprintln!("{e:?}");
            }
        }
    }
    s
}

#[test]
fn battery() {
    let only = std::env::var("ONLY").unwrap_or_default();
    let run = |name: &str, tape: &Tape, f: &dyn Fn(&Tape) -> Vec<f32>| {
        if name.contains(&only) {
            show(name, tape, &f(tape));
        }
    };
    let r25 = FrameRate::F25;
    let r30 = FrameRate::F29_97Df;
    let r24 = FrameRate::F24;
    let steady = |hz: f64, rate: FrameRate, rev: bool, n: i64, speed: f64| {
        let mut t = Tape::new(hz);
        t.now = hz * 0.1234;
        t.user = 0x1234_ABCD;
        t.play(tc(rate, "01:00:58:20"), n, rev, &|_| speed);
        t.edges.push(t.now);
        t.now += hz * 0.1;
        t
    };
    let hzs = [8e3, 11.025e3, 16e3, 22.05e3, 32e3, 44.1e3, 48e3, 88.2e3, 96e3, 192e3];
    for hz in hzs {
        for rate in [r24, r25, r30] {
            let t = steady(hz, rate, false, 120, 1.0);
            run(&format!("hard {hz} {}", rate.name()), &t, &|t| t.render(0.0));
        }
    }
    for hz in hzs {
        for rate in [r25, r30] {
            let t = steady(hz, rate, false, 100, 1.0);
            run(&format!("bandlim {hz} {}", rate.name()), &t, &|t| t.render_band_limited());
        }
    }
    for hz in hzs {
        for rev in [false, true] {
            for snr in [20.0, 10.0] {
                let t = steady(hz, r30, rev, 300, 1.0);
                run(&format!("noise {snr} {hz} rev={rev}"), &t, &|t| noise(t.render(2.0), snr, 1));
            }
        }
    }
    for hz in [8e3, 16e3] {
        let t = steady(hz, r24, false, 300, 1.0);
        run(&format!("noise 10 {hz} 24fps"), &t, &|t| noise(t.render(1.0), 10.0, 1));
        run(&format!("noise 10 bl {hz} 24fps"), &t, &|t| noise(t.render_band_limited(), 10.0, 1));
        let t = steady(hz, r30, false, 300, 1.0);
        run(&format!("noise 10 bl {hz} 30fps"), &t, &|t| noise(t.render_band_limited(), 10.0, 1));
    }
    for snr in [8.0, 6.0, 4.0, 3.0] {
        for hz in [44.1e3, 48e3, 192e3] {
            let t = steady(hz, r25, false, 300, 1.0);
            run(&format!("noise {snr} {hz}"), &t, &|t| noise(t.render(2.0), snr, 2));
        }
    }
    for speed in [0.5, 0.75, 1.5, 2.0] {
        for hz in [44.1e3, 48e3] {
            let t = steady(hz, r30, false, 300, speed);
            run(&format!("noise 10 {hz} speed {speed}"), &t, &|t| noise(t.render(2.0), 10.0, 3));
            let t = steady(hz, r24, true, 300, speed);
            run(&format!("noise 10 {hz} speed -{speed}"), &t, &|t| noise(t.render(2.0), 10.0, 4));
        }
    }
    for hz in [16e3, 44.1e3, 48e3, 96e3] {
        for corner in [1000.0, 1500.0, 2000.0, 3000.0, 5000.0, 8000.0] {
            let t = steady(hz, r30, false, 200, 1.0);
            run(&format!("lp1 {corner} {hz}"), &t, &|t| low_pass(t.render(1.5), hz, corner, 1));
            run(&format!("lp2 {corner} {hz}"), &t, &|t| low_pass(t.render(1.5), hz, corner, 2));
            run(&format!("lp1bw {corner} {hz}"), &t, &|t| low_pass_both_ways(t.render(1.5), hz, corner));
            run(&format!("lp2 {corner} {hz} noise 15"), &t, &|t| {
                noise(low_pass(t.render(1.5), hz, corner, 2), 15.0, 5)
            });
        }
    }
    for a in [0.3, 0.5, 1.0, 2.0] {
        for f in [50.0, 60.0, 100.0] {
            let t = steady(48e3, r25, false, 200, 1.0);
            run(&format!("hum {f} {a}"), &t, &|t| hum(t.render(2.0), 48e3, f, a, 0.0));
            run(&format!("hum {f} {a} noise 15"), &t, &|t| hum(noise(t.render(2.0), 15.0, 1), 48e3, f, a, 0.0));
            let t = steady(48e3, r24, false, 100, 0.5);
            run(&format!("hum {f} {a} speed 0.5"), &t, &|t| hum(t.render(2.0), 48e3, f, a, 0.0));
        }
    }
    for dc in [0.2, 0.5, 3.0] {
        let t = steady(48e3, r25, false, 200, 1.0);
        run(&format!("dc {dc}"), &t, &|t| hum(t.render(2.0), 48e3, 50.0, 0.0, dc));
        let mut t = Tape::new(48e3);
        t.play(tc(r25, "10:00:00:00"), 100, false, &|_| 1.0);
        run(&format!("dc {dc} from 0"), &t, &|t| hum(t.render(2.0), 48e3, 50.0, 0.0, dc));
    }
    for c in [20.0, 100.0, 200.0, 300.0] {
        let t = steady(48e3, r25, false, 200, 1.0);
        run(&format!("hp {c}"), &t, &|t| high_pass(t.render(2.0), 48e3, c));
        run(&format!("hp {c} noise 10"), &t, &|t| noise(high_pass(t.render(2.0), 48e3, c), 10.0, 3));
    }
    for (db, bits) in [(-40.0, 16), (-40.0, 24), (-60.0, 24), (-60.0, 16), (-40.0, 8), (-30.0, 8)] {
        let t = steady(48e3, r25, false, 200, 1.0);
        run(&format!("level {db} bits {bits}"), &t, &|t| quantise(gain(t.render(2.0), db), bits));
        run(&format!("level {db} bits {bits} noise 10"), &t, &|t| {
            quantise(gain(noise(t.render(2.0), 10.0, 4), db), bits)
        });
    }
    // Varispeed.
    for hz in [44.1e3, 48e3, 96e3] {
        for rev in [false, true] {
            for (name, speed) in [
                ("ramp .5-2 10s", &(|t: f64| (0.5 + 0.15 * t).min(2.0)) as &dyn Fn(f64) -> f64),
                ("ramp 2-.5 3s", &|t| (2.0 - 0.5 * t).max(0.5)),
                ("ramp .5-2 1s", &|t| (0.5 + 1.5 * t).min(2.0)),
                ("wow 10% 2Hz", &|t| 1.0 + 0.1 * (12.566 * t).sin()),
                ("flutter 2% 20Hz", &|t| 1.0 + 0.02 * (125.66 * t).sin()),
            ] {
                let mut t = Tape::new(hz);
                t.play(tc(r25, "10:00:00:00"), 200, rev, speed);
                t.edges.push(t.now);
                t.now += 1000.0;
                run(&format!("{name} {hz} rev={rev}"), &t, &|t| t.render(2.0));
                run(&format!("{name} {hz} rev={rev} noise10"), &t, &|t| noise(t.render(2.0), 10.0, 9));
            }
        }
    }
    for hz in [44.1e3, 48e3] {
        for (a, b) in [
            (1.0, 1.02),
            (1.0, 1.1),
            (1.0, 1.25),
            (1.0, 1.5),
            (1.0, 2.0),
            (2.0, 1.0),
            (1.0, 0.9),
            (1.0, 0.75),
            (1.0, 0.667),
            (1.0, 0.5),
            (0.5, 1.0),
            (0.5, 2.0),
            (2.0, 0.5),
        ] {
            for part in [0.0, 37.0, 77.3, 130.0] {
                let mut t = Tape::new(hz);
                t.user = 0x90ABCDEF;
                t.play(tc(r25, "10:00:00:00"), 50, false, &|_| a);
                let step = (t.now + part / 160.0 * hz / 25.0 / a) / hz;
                let s = move |t: f64| if t < step { a } else { b };
                t.play(tc(r25, "10:00:02:00"), 50, false, &s);
                t.edges.push(t.now);
                t.now += 1000.0;
                run(&format!("step {a}-{b} at {part} {hz}"), &t, &|t| t.render(2.0));
                if part == 77.3 {
                    run(&format!("step {a}-{b} at {part} {hz} noise 10"), &t, &|t| noise(t.render(2.0), 10.0, 3));
                }
            }
        }
    }
    // Jumps at frame edges and inside frames; each way.
    for part in [0.0, 0.3, 0.5, 0.93] {
        let mut t = Tape::new(48e3);
        t.play(tc(r25, "10:00:00:00"), 50, false, &|_| 1.0);
        t.cut((50.0 - 1.0 + part) * 1920.0);
        t.play(tc(r25, "11:23:45:10"), 50, false, &|_| 1.0);
        t.cut(t.now - 1920.0 * (1.0 - part));
        t.play(tc(r25, "10:00:03:00"), 50, true, &|_| 1.0);
        t.edges.push(t.now);
        t.now += 1000.0;
        run(&format!("jump at {part}"), &t, &|t| t.render(2.0));
        run(&format!("jump at {part} noise10"), &t, &|t| noise(t.render(2.0), 10.0, 9));
    }
    // Dropouts.
    for (from, len) in [(30.2, 0.05), (30.2, 0.5), (30.2, 1.0), (30.0, 3.0), (30.7, 20.4), (30.0, 0.003)] {
        let t = steady(48e3, r25, false, 100, 1.0);
        let drop = |t: &Tape, fill: f32| {
            let mut x = t.render(2.0);
            let a = (t.frames[0].start + from * 1920.0) as usize;
            x[a..a + (len * 1920.0) as usize].fill(fill);
            x
        };
        run(&format!("dropout {from} {len}"), &t, &|t| drop(t, 0.0));
        run(&format!("dropout {from} {len} noise10"), &t, &|t| noise(drop(t, 0.0), 10.0, 3));
    }
}
