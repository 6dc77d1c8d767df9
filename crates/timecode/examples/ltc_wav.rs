//! Writes a WAV file (16 bits, one channel) of linear timecode: `ltc_wav OUT.wav --hz 48000 --rate 25 --start 01:00:00:00
//! --frames 50 --speed=1 --user 12345678`. A negative speed runs backwards.
#![allow(clippy::disallowed_methods)] // A bench, example or test may read clocks and start threads.
#![allow(clippy::panic, clippy::unwrap_used, clippy::expect_used)]

use std::collections::BTreeMap;

use base::{Dbfs, FrameRate, Hertz};
use twinkeel_timecode::{Timecode, ltc::LtcEncoder};

fn main() {
    let mut args = std::env::args().skip(1);
    let path = args.next().expect("ltc_wav OUT.wav [--option value]...");
    let mut options = BTreeMap::new();
    while let Some(arg) = args.next() {
        match arg.split_once('=') {
            Some((name, value)) => options.insert(name.to_owned(), value.to_owned()),
            None => options.insert(arg, args.next().expect("a value after the option")),
        };
    }
    let option = |name: &str, default: &str| options.get(name).map_or(default, String::as_str).to_owned();
    let hz: f64 = option("--hz", "48000").parse().unwrap();
    let rate = option("--rate", "25");
    let rate = FrameRate::ALL.into_iter().find(|r| r.name() == rate).expect("23.976, 24, 25, 29.97, 29.97df or 30");
    let start = Timecode::parse(&option("--start", "01:00:00:00"), rate).unwrap();
    let frames: f64 = option("--frames", "100").parse().unwrap();
    let speed: f64 = option("--speed", "1").parse().unwrap();
    let level: f64 = option("--level", "-6").parse().unwrap();
    let user = u32::from_str_radix(&option("--user", "00000000"), 16).unwrap();

    let mut audio = vec![0f32; (frames * hz / rate.per_second() / speed.abs()).round() as usize];
    LtcEncoder::new(Hertz(hz), start)
        .with_level(Dbfs(level))
        .with_user_bits(user.to_be_bytes())
        .fill(&mut audio, speed);

    let bytes = 2 * audio.len() as u32;
    let mut wav = Vec::with_capacity(44 + bytes as usize);
    wav.extend(b"RIFF");
    wav.extend((36 + bytes).to_le_bytes());
    wav.extend(b"WAVEfmt \x10\0\0\0\x01\0\x01\0");
    wav.extend((hz as u32).to_le_bytes());
    wav.extend((2 * hz as u32).to_le_bytes());
    wav.extend(b"\x02\0\x10\0data");
    wav.extend(bytes.to_le_bytes());
    for v in audio {
        wav.extend(((v * 32_767.0).round() as i16).to_le_bytes());
    }
    std::fs::write(path, wav).unwrap();
}
