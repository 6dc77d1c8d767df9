//! What the tap's sound tells: whether the stage has sound and how loud, whose pilot it carries, and where its timecode is.

use base::{Dbfs, Direction, Hertz, Machine, MonoTime, Samples, ShowPosition, Span};
use measure::levels::{ChannelMeter, Pilot};
use timecode::ltc::LtcEar;
use watch::TapReport;

use super::Wanted;
use crate::house::Frame;
use crate::tape::{HOLE, Stretch, Tape};

/// A pilot below this is not heard.
const PILOT_HEARD: Dbfs = Dbfs(-50.0);
/// The pilot heard must be this many times stronger than any other machine's.
const CLEARLY: f64 = 4.0;
/// Pilots are looked for and levels taken in windows of so many samples (20 ms at 48 kHz).
const WINDOW: usize = 960;

/// The tap's ears, from one opening to the next.
pub struct TapEars {
    rate: Hertz,
    opened: u32,
    /// When the next block is due.
    end: Option<MonoTime>,
    /// Samples up to this magnitude are silence.
    floor: f32,
    programme: Vec<bool>,
    pilot_channel: Option<usize>,
    code: Option<Code>,
    tape: Tape,
    pilots: Vec<Option<Pilot>>,
    in_window: usize,
    pilot: Option<Machine>,
    meter: ChannelMeter,
    level: Dbfs,
    last_sound: Option<MonoTime>,
}

/// The timecode on one of the tap's channels.
struct Code {
    channel: usize,
    ear: LtcEar,
    block: Vec<f32>,
}

impl Code {
    fn new(channel: usize, rate: Hertz) -> Code {
        Code { channel, ear: LtcEar::new(rate, None), block: Vec::new() }
    }

    /// The block is whole: where the newest frame of code ended.
    fn read(&mut self, at: MonoTime) -> Option<(MonoTime, ShowPosition)> {
        let mut newest = None;
        self.ear.on_block(at, &self.block, &mut |e| {
            if e.direction == Direction::Forward {
                newest = Some((e.at, ShowPosition::Timecode { rate: e.rate, at: e.place }));
            }
        });
        self.block.clear();
        newest
    }
}

impl TapEars {
    /// Ears for these channels. `opened`: how often the tap was opened so far.
    pub fn new(rate: Hertz, channels: &[String], opened: u32, wanted: &Wanted) -> TapEars {
        let programme = &wanted.programme;
        let is_programme = |name: &String| match programme.is_empty() {
            true => !matches!(name.as_str(), "" | "timecode" | "pilot"),
            false => programme.contains(name),
        };
        TapEars {
            rate,
            opened,
            end: None,
            floor: wanted.floor.map_or(0.0, |f| f.amplitude() as f32),
            programme: channels.iter().map(is_programme).collect(),
            code: channels.iter().position(|c| c == "timecode").map(|c| Code::new(c, rate)),
            pilot_channel: channels.iter().position(|c| c == "pilot"),
            tape: Tape::new(rate, wanted.wishes.clone()),
            pilots: wanted.pilots.iter().map(|p| p.map(|tone| Pilot::new(tone, rate))).collect(),
            in_window: 0,
            pilot: None,
            meter: ChannelMeter::new(),
            level: Dbfs::SILENCE,
            last_sound: None,
        }
    }

    /// A block of interleaved samples whose first was heard at `at`; what it tells, and a changeover that is heard to its end.
    pub fn on_block(
        &mut self,
        at: MonoTime,
        channels: usize,
        samples: impl Iterator<Item = f32>,
    ) -> (TapReport, Option<Stretch>) {
        let mut n = 0usize;
        let mut instant = Frame::default();
        self.tape.begin_block(at);
        let lost = self.end.map_or(Span::ZERO, |end| at - end);
        if let Some(code) = self.code.as_mut().filter(|_| lost > HOLE) {
            code.ear.on_gap(lost);
        }
        for (i, s) in samples.enumerate() {
            let (frame, channel) = (i / channels, i % channels);
            n = frame + 1;
            if let Some(code) = self.code.as_mut().filter(|c| c.channel == channel) {
                instant.code = s;
                code.block.push(s);
            }
            if self.programme.get(channel) == Some(&true) {
                instant.peak = instant.peak.max(s.abs());
                instant.power += s * s;
                instant.mix += s;
                self.meter.on_sample(s);
                if s.abs() > self.floor && s.is_finite() {
                    self.last_sound = Some(at + Samples(frame as f64).at(self.rate));
                }
            }
            if Some(channel) == self.pilot_channel {
                self.pilots.iter_mut().flatten().for_each(|p| p.on_sample(s));
            }
            if channel + 1 == channels {
                self.tape.push(core::mem::take(&mut instant));
                self.in_window += 1;
                if self.in_window >= WINDOW {
                    self.in_window = 0;
                    self.pilot = self.strongest();
                    self.level = self.meter.read().rms;
                }
            }
        }
        let end = at + Samples(n as f64).at(self.rate);
        self.end = Some(end);
        let report = TapReport {
            at: end,
            opened: self.opened,
            last_sound: self.last_sound,
            pilot: self.pilot,
            code: self.code.as_mut().and_then(|c| c.read(at)),
            level: self.level,
        };
        (report, self.tape.end_block(end))
    }

    /// The machine whose pilot is heard and clearly stronger than all others'.
    fn strongest(&self) -> Option<Machine> {
        let mut best = (0.0, None);
        let mut second = 0.0f64;
        for (i, p) in self.pilots.iter().enumerate() {
            let Some(p) = p else { continue };
            let a = p.level().amplitude();
            if a > best.0 {
                second = best.0;
                best = (a, Machine::new(i));
            } else {
                second = second.max(a);
            }
        }
        best.1.filter(|_| best.0 > PILOT_HEARD.amplitude() && best.0 > CLEARLY * second)
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::expect_used, clippy::panic)]
    use base::FrameRate;
    use timecode::Timecode;
    use timecode::ltc::LtcEncoder;

    use super::*;
    use crate::scribe::ScribeDesk;
    use crate::tape::Wishes;
    use crate::to_watch::WatchDesk;

    fn block(ears: &mut TapEars, tone: f64, music: f32, n: usize, at: u64) -> TapReport {
        let samples = (0..n).flat_map(|i| {
            let p = (std::f64::consts::TAU * tone * i as f64 / 48_000.0).sin() as f32 * 0.1;
            [music * if i % 2 == 0 { 1.0 } else { -1.0 }, p]
        });
        ears.on_block(MonoTime::from_nanos(at), 2, samples).0
    }

    fn ears(pilots: &[Option<Hertz>]) -> TapEars {
        ears_for(&["tracks L".to_string(), "pilot".to_string()], pilots)
    }

    fn ears_for(names: &[String], pilots: &[Option<Hertz>]) -> TapEars {
        let gate = ports::os::Gate::bind(&[]).expect("a gate without sockets");
        let wanted = Wanted {
            programme: Vec::new(),
            floor: None,
            pilots: pilots.to_vec(),
            watch: WatchDesk::new(gate.waker()).0,
            scribe: ScribeDesk::new().0,
            wishes: Wishes::default(),
        };
        TapEars::new(Hertz(48_000.0), names, 1, &wanted)
    }

    #[test]
    fn the_pilot_tells_which_machine_is_carried() {
        let mut ears = ears(&[Some(Hertz(17_000.0)), Some(Hertz(18_000.0))]);
        assert_eq!(block(&mut ears, 17_000.0, 0.2, 1_920, 0).pilot, Some(Machine::A));
        assert_eq!(block(&mut ears, 18_000.0, 0.2, 1_920, 0).pilot, Some(Machine::B));
        assert_eq!(block(&mut ears, 9_000.0, 0.2, 1_920, 0).pilot, None);
    }

    #[test]
    fn a_pilot_is_not_programme() {
        let mut ears = ears(&[Some(Hertz(17_000.0))]);
        assert_eq!(block(&mut ears, 17_000.0, 0.0, 480, 0).last_sound, None);
        let r = block(&mut ears, 17_000.0, 0.3, 48, 1_000_000_000);
        // The last of 48 samples at 48 kHz lies 47/48 of a millisecond after the first.
        assert_eq!(r.last_sound.map(MonoTime::nanos), Some(1_000_979_167));
    }

    /// Blocks of 64 frames, stamped as a device would: each frame of code ends when its label says, to a sample's fraction.
    #[test]
    fn timecode_on_the_tap_is_told_with_its_instant() {
        let rate = Hertz(48_000.0);
        let label = Timecode::parse("01:00:00:00", FrameRate::F25).expect("a label");
        let start = label.since_midnight();
        let mut encoder = LtcEncoder::new(rate, label);
        let mut ears = ears_for(&["tracks L".to_string(), "timecode".to_string()], &[None, None]);
        let mut told = Vec::new();
        for block in 0..750u64 {
            let mut code = [0f32; 64];
            encoder.fill(&mut code, 1.0);
            let at = MonoTime::from_nanos(1_000_000_000) + Samples((block * 64) as f64).at(rate);
            let (report, _) = ears.on_block(at, 2, code.iter().flat_map(|c| [0.0, *c]));
            assert!(report.level == Dbfs::SILENCE && report.last_sound.is_none(), "code is not programme");
            told.extend(report.code);
        }
        assert!(told.len() >= 22, "{}", told.len());
        for (at, place) in told {
            let ShowPosition::Timecode { rate: FrameRate::F25, at: place } = place else { panic!("{place:?}") };
            let since = at - MonoTime::from_nanos(1_000_000_000);
            assert!((place - start - since).abs() < Span::from_micros(30), "{place:?} {since:?}");
        }
    }

    #[test]
    fn what_an_analogue_line_hums_is_silence() {
        let mut ears = ears(&[None]);
        ears.floor = Dbfs(-60.0).amplitude() as f32;
        assert_eq!(block(&mut ears, 0.0, 0.0005, 480, 0).last_sound, None);
        assert!(block(&mut ears, 0.0, 0.01, 480, 10_000_000).last_sound.is_some());
    }
}
