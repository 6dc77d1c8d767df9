//! What must hold for any signal, any chunks and any label.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, missing_docs)]

mod ltc_signals;

use base::{Dbfs, Direction, FrameRate, Hertz, Span};
use ltc_signals::{Chance, decode, frames, noise};
use proptest::prelude::*;
use twinkeel_timecode::Timecode;
use twinkeel_timecode::ltc::{LtcDecoder, LtcEncoder, LtcEvent};

fn rate() -> impl Strategy<Value = FrameRate> {
    (0usize..6).prop_map(|i| FrameRate::ALL[i])
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 40, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn what_the_encoder_writes_the_decoder_reads(
        rate in rate(), from in 0i64..2_580_000, user in any::<[u8; 4]>(), hz in 11_025u32..100_000,
        speed in 0.5f64..2.0, reverse in any::<bool>(), db in -45.0f64..0.0, rise_us in 0i64..60,
    ) {
        let hz = f64::from(hz);
        // A half cell of less than two samples is another matter.
        prop_assume!(hz / (160.0 * rate.per_second() * speed) > 2.0);
        let start = Timecode::from_frames(rate, from);
        let mut audio = vec![0f32; (hz * 0.6) as usize];
        let signed = if reverse { -speed } else { speed };
        LtcEncoder::new(Hertz(hz), start)
            .with_level(Dbfs(db))
            .with_user_bits(user)
            .with_rise_time(Span::from_micros(rise_us))
            .fill(&mut audio, signed);
        let length = hz / rate.per_second() / speed;
        let got = frames(&decode(&audio, hz, 777));
        // The very last may end within the file's last sample.
        let whole = audio.len() as f64 / length;
        prop_assert!(got.len() as f64 > whole - 1.1 && got.len() as f64 <= whole + 0.01, "{} of {whole}", got.len());
        for (i, f) in got.iter().enumerate() {
            let label = if reverse { start.plus(-1 - i as i64) } else { start.plus(i as i64) };
            prop_assert_eq!(f.timecode.to_string(), label.to_string());
            prop_assert_eq!(f.user_bits, user);
            prop_assert_eq!(f.drop_frame, rate.is_drop());
            prop_assert_eq!(f.direction, if reverse { Direction::Reverse } else { Direction::Forward });
            prop_assert!((f.start_sample - i as f64 * length).abs() < 0.6, "{i}: {}", f.start_sample);
            prop_assert!((f.end_sample - (i + 1) as f64 * length).abs() < 0.6, "{i}: {}", f.end_sample);
        }
    }

    #[test]
    fn chunks_cut_anywhere_change_nothing(
        seed in any::<u64>(), hz in prop::sample::select(vec![8_000.0, 22_050.0, 48_000.0, 192_000.0]),
        snr in 0.0f64..30.0, cuts in prop::collection::vec(0usize..400, 1..40),
    ) {
        let mut audio = vec![0f32; (hz * 0.3) as usize];
        LtcEncoder::new(Hertz(hz), Timecode::midnight(FrameRate::F30)).fill(&mut audio, 1.0);
        let audio = noise(audio, snr, seed | 1);
        let whole = decode(&audio, hz, audio.len());
        let mut cut = Vec::new();
        let mut d = LtcDecoder::new(Hertz(hz), None);
        let (mut rest, mut i) = (&audio[..], 0);
        while !rest.is_empty() {
            let (part, more) = rest.split_at(cuts[i % cuts.len()].max(usize::from(i % 7 == 0)).min(rest.len()));
            d.on_samples(part, &mut |e| cut.push(e));
            (rest, i) = (more, i + 1);
        }
        d.finish(&mut |e| cut.push(e));
        prop_assert_eq!(whole, cut);
    }

    #[test]
    fn any_samples_are_taken_and_make_no_frame(
        seed in any::<u64>(), hz in prop::sample::select(vec![f64::NAN, -1.0, 0.0, 8_000.0, 48_000.0, 1e12]), wild in any::<bool>(),
    ) {
        let mut c = Chance(seed | 1);
        let mut x = 0.0f32;
        let audio: Vec<f32> = (0..20_000).map(|_| {
            if wild && c.next() < 0.1 {
                x = [f32::NAN, f32::INFINITY, f32::NEG_INFINITY, f32::MAX, f32::MIN_POSITIVE, 0.0][(c.next() * 6.0) as usize];
            } else if c.next() < 0.2 {
                x = (c.next() * 2.0 - 1.0) as f32;
            }
            x
        }).collect();
        let events = decode(&audio, hz, 333);
        prop_assert!(events.iter().all(|e| !matches!(e, LtcEvent::Frame(_))));
    }

    #[test]
    fn the_encoder_goes_where_it_is_sent(
        rate in rate(), from in 0i64..2_580_000, speeds in prop::collection::vec(-3.0f64..3.0, 1..20),
    ) {
        let start = Timecode::from_frames(rate, from);
        let mut e = LtcEncoder::new(Hertz(48_000.0), start);
        let mut out = [0f32; 480];
        let mut frames = 0.0;
        for speed in speeds {
            e.fill(&mut out, speed);
            frames += 0.01 * speed * rate.per_second();
            prop_assert!(out.iter().all(|v| v.abs() <= Dbfs(-6.0).amplitude() as f32));
        }
        let (label, part) = e.position();
        let moved = label.frames_since(start) as f64 + part;
        prop_assert!((moved - frames).abs() < 1e-6, "{moved} {frames}");
    }
}
