#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]
use super::*;

/// Everything a decoder says of this signal, fed in chunks of `chunk`.
fn decode(audio: &[f32], hz: f64, chunk: usize) -> Vec<LtcEvent> {
    let mut events = Vec::new();
    let mut d = LtcDecoder::new(Hertz(hz), None);
    for c in audio.chunks(chunk) {
        d.on_samples(c, &mut |e| events.push(e));
    }
    d.finish(&mut |e| events.push(e));
    events
}

fn frames(events: &[LtcEvent]) -> Vec<LtcFrame> {
    events.iter().filter_map(|e| if let LtcEvent::Frame(f) = e { Some(*f) } else { None }).collect()
}

#[test]
fn clean_code_at_every_rate_is_read_from_the_first_frame_to_the_last() {
    for rate in FrameRate::ALL {
        for hz in [8_000.0, 16_000.0, 44_100.0, 48_000.0, 96_000.0, 192_000.0] {
            for speed in [1.0, -1.0, 0.5, 2.0, -0.7] {
                if hz < 16_000.0 && speed > 1.0 {
                    continue;
                }
                let start = Timecode::new(rate, 1, 2, 3, 4).unwrap();
                let mut audio = vec![0.0; (2.0 * hz) as usize];
                LtcEncoder::new(Hertz(hz), start).fill(&mut audio, speed);
                let got = frames(&decode(&audio, hz, 1000));
                let length = hz / rate.per_second() / f64::abs(speed);
                let whole = (2.0 * hz / length + 1e-6) as usize;
                let mut worst: f64 = 0.0;
                for f in &got {
                    let i = (f.start_sample / length).round() as i64;
                    worst = worst.max((f.start_sample - i as f64 * length).abs());
                    worst = worst.max((f.end_sample - (i + 1) as f64 * length).abs());
                    let label = if speed > 0.0 { start.plus(i) } else { start.plus(-1 - i) };
                    assert_eq!(f.timecode.to_string(), label.to_string(), "{rate:?} {hz} {speed}");
                }
                eprintln!("{} {hz} {speed}: {} of {whole}, worst {worst:.4}", rate.name(), got.len());
            }
        }
    }
}
