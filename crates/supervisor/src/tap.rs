//! The tap: the switch's output as the supervisor hears it, over a local feed socket. It tells whether the stage has sound and,
//! where each machine has a pilot tone of its own, which machine the switch carries.

use std::io::Read;
use std::path::Path;

use base::{Dbfs, Hertz, Machine, MonoTime, Samples};
use measure::levels::{ChannelMeter, Pilot};
use ports::local::{Listener, Stream};
use ports::os::make_urgent;
use watch::TapReport;
use wire::feed::{FeedFrame, FeedReader};

use crate::house::{self, Frame};
use crate::scribe::{ScribeDesk, ToScribe};
use crate::tape::{Stretch, Tape, Wishes};
use crate::to_watch::{ToWatch, WatchDesk};

/// A pilot below this is not heard.
const PILOT_HEARD: Dbfs = Dbfs(-50.0);
/// The pilot heard must be this many times stronger than any other machine's.
const CLEARLY: f64 = 4.0;
/// Pilots are looked for in windows of this many samples (20 ms at 48 kHz).
const WINDOW: u64 = 960;

/// What a tap is for.
pub struct Wanted {
    /// Channels whose sound counts as programme; none: all but timecode and pilot.
    pub programme: Vec<String>,
    /// Each machine's pilot tone.
    pub pilots: Vec<Option<Hertz>>,
    /// The way to the watch.
    pub watch: WatchDesk,
    /// The way to the record.
    pub scribe: ScribeDesk,
    /// Changeovers to be measured.
    pub wishes: Wishes,
}

/// Starts listening.
///
/// # Errors
/// A socket that cannot be made.
pub fn start(socket: &Path, wanted: Wanted) -> std::io::Result<()> {
    let listener = Listener::bind(socket)?;
    std::thread::Builder::new().name("tap".into()).spawn(move || {
        make_urgent(35);
        loop {
            match listener.accept() {
                Ok(stream) => {
                    tracing::info!("the tap is connected");
                    let why = listen(stream, &wanted);
                    tracing::warn!("the tap: {why}");
                }
                Err(e) => {
                    tracing::warn!("the tap: {e}");
                    std::thread::sleep(std::time::Duration::from_millis(200));
                }
            }
        }
    })?;
    Ok(())
}

fn listen(mut stream: Stream, wanted: &Wanted) -> String {
    let mut reader = FeedReader::new();
    let mut buffer = vec![0u8; 64 * 1024];
    let mut ears: Option<TapEars> = None;
    loop {
        match stream.read(&mut buffer) {
            Ok(0) => return "its source is gone".into(),
            Ok(n) => reader.on_bytes(&buffer[..n]),
            Err(e) if e.kind() == std::io::ErrorKind::Interrupted => continue,
            Err(e) => return e.to_string(),
        }
        loop {
            match reader.next_frame() {
                Ok(Some(FeedFrame::Hello(h))) => {
                    ears = h.sample_rate.map(|rate| TapEars::new(rate, &h.channels, wanted));
                }
                Ok(Some(FeedFrame::Pcm { at, samples })) => {
                    if let Some(e) = &mut ears {
                        let (report, stretch) = e.on_block(at, samples.channels(), samples.interleaved());
                        wanted.watch.tell(ToWatch::Tap(report));
                        if let Some(s) = stretch {
                            measure(s, wanted.scribe.clone());
                        }
                    }
                }
                Ok(Some(FeedFrame::Midi { .. })) => {}
                Ok(None) => break,
                Err(e) if e.is_fatal() => return e.to_string(),
                Err(e) => tracing::warn!("the tap: {e}"),
            }
        }
    }
}

/// Measures a changeover on a thread of its own: the tap's own must not be late.
fn measure(s: Stretch, scribe: ScribeDesk) {
    let made = std::thread::Builder::new().name("house".into()).spawn(move || {
        let heard = house::measure(&s.frames, s.rate, s.around);
        scribe.tell(ToScribe::Heard { to: s.to, at: s.at, heard });
        scribe.tell(ToScribe::Sound(s.sound()));
    });
    if let Err(e) = made {
        tracing::error!("a changeover could not be measured: {e}");
    }
}

/// What the tap's sound tells.
struct TapEars {
    rate: Hertz,
    programme: Vec<bool>,
    code_channel: Option<usize>,
    pilot_channel: Option<usize>,
    tape: Tape,
    pilots: Vec<Option<Pilot>>,
    in_window: u64,
    carries: Option<Machine>,
    meter: ChannelMeter,
    level: Dbfs,
    last_sound: Option<MonoTime>,
}

impl TapEars {
    fn new(rate: Hertz, channels: &[String], wanted: &Wanted) -> TapEars {
        let programme = &wanted.programme;
        let is_programme = |name: &String| match programme.is_empty() {
            true => !matches!(name.as_str(), "" | "timecode" | "pilot"),
            false => programme.contains(name),
        };
        TapEars {
            rate,
            programme: channels.iter().map(is_programme).collect(),
            code_channel: channels.iter().position(|c| c == "timecode"),
            pilot_channel: channels.iter().position(|c| c == "pilot"),
            tape: Tape::new(rate, wanted.wishes.clone()),
            pilots: wanted.pilots.iter().map(|p| p.map(|tone| Pilot::new(tone, rate))).collect(),
            in_window: 0,
            carries: None,
            meter: ChannelMeter::new(),
            level: Dbfs::SILENCE,
            last_sound: None,
        }
    }

    fn on_block(
        &mut self,
        at: MonoTime,
        channels: usize,
        samples: impl Iterator<Item = f32>,
    ) -> (TapReport, Option<Stretch>) {
        let mut n = 0usize;
        let mut instant = Frame::default();
        self.tape.begin_block(at);
        for (i, s) in samples.enumerate() {
            let (frame, channel) = (i / channels, i % channels);
            n = frame + 1;
            if Some(channel) == self.code_channel {
                instant.code = s;
            }
            if self.programme.get(channel) == Some(&true) {
                instant.peak = instant.peak.max(s.abs());
                instant.power += s * s;
                instant.mix += s;
                self.meter.on_sample(s);
                if s != 0.0 && s.is_finite() {
                    self.last_sound = Some(at + Samples(frame as f64).at(self.rate));
                }
            }
            if Some(channel) == self.pilot_channel {
                self.pilots.iter_mut().flatten().for_each(|p| p.on_sample(s));
                self.in_window += 1;
                if self.in_window >= WINDOW {
                    self.in_window = 0;
                    self.carries = self.strongest();
                    self.level = self.meter.read().rms;
                }
            }
            if channel + 1 == channels {
                self.tape.push(core::mem::take(&mut instant));
            }
        }
        let end = at + Samples(n as f64).at(self.rate);
        let report = TapReport { at: end, last_sound: self.last_sound, carries: self.carries, level: self.level };
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
    #![allow(clippy::expect_used)]
    use super::*;

    fn block(ears: &mut TapEars, tone: f64, music: f32, n: usize, at: u64) -> TapReport {
        let samples = (0..n).flat_map(|i| {
            let p = (std::f64::consts::TAU * tone * i as f64 / 48_000.0).sin() as f32 * 0.1;
            [music * if i % 2 == 0 { 1.0 } else { -1.0 }, p]
        });
        ears.on_block(MonoTime::from_nanos(at), 2, samples).0
    }

    fn ears(pilots: &[Option<Hertz>]) -> TapEars {
        let names = ["tracks L".to_string(), "pilot".to_string()];
        let gate = ports::os::Gate::bind(&[]).expect("a gate without sockets");
        let wanted = Wanted {
            programme: Vec::new(),
            pilots: pilots.to_vec(),
            watch: WatchDesk::new(gate.waker()).0,
            scribe: ScribeDesk::new().0,
            wishes: Wishes::default(),
        };
        TapEars::new(Hertz(48_000.0), &names, &wanted)
    }

    #[test]
    fn the_pilot_tells_which_machine_is_carried() {
        let mut ears = ears(&[Some(Hertz(17_000.0)), Some(Hertz(18_000.0))]);
        assert_eq!(block(&mut ears, 17_000.0, 0.2, 1_920, 0).carries, Some(Machine::A));
        assert_eq!(block(&mut ears, 18_000.0, 0.2, 1_920, 0).carries, Some(Machine::B));
        assert_eq!(block(&mut ears, 9_000.0, 0.2, 1_920, 0).carries, None);
    }

    #[test]
    fn a_pilot_is_not_programme() {
        let mut ears = ears(&[Some(Hertz(17_000.0))]);
        assert_eq!(block(&mut ears, 17_000.0, 0.0, 480, 0).last_sound, None);
        let r = block(&mut ears, 17_000.0, 0.3, 48, 1_000_000_000);
        // The last of 48 samples at 48 kHz lies 47/48 of a millisecond after the first.
        assert_eq!(r.last_sound.map(MonoTime::nanos), Some(1_000_979_167));
    }
}
