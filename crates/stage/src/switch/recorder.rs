//! Writes what the house hears, on the switch's own even clock and a little late, so that whatever can still come in is in.

use std::fs::File;
use std::io::{self, BufWriter};
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::time::Duration;

use base::{Machine, MonoTime, Span};
use hound::{SampleFormat, WavSpec, WavWriter};
use serde::{Deserialize, Serialize};

use super::SwitchConfig;
use super::input::Analogue;
use crate::os;
use crate::show::{SAMPLE_RATE, SAMPLES_PER_SECOND, TIMECODE};
use crate::synth::Frame;

/// Channels of the recording that are programme: tracks left and right.
pub const PROGRAMME: [usize; 2] = [0, 1];
/// Channels of the recording, as channels of the feeds.
const RECORDED: [usize; 3] = [0, 1, TIMECODE];
/// How late it writes.
const DELAY: Span = Span::from_millis(60);

/// What the live thread tells the recorder.
pub(super) enum Entry {
    /// A block of an input.
    Block(usize, MonoTime, Vec<Frame>),
    /// From this instant on, this machine is on air, or nothing.
    OnAir(MonoTime, Option<Machine>),
}

/// Stands beside the recording as `*.json`: where its first sample lies on the monotonic clock. It says where to look; what was
/// heard is measured in the recording itself.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct HouseNote {
    /// The instant of sample 0, in nanoseconds of the monotonic clock.
    pub start_ns: u64,
    /// Samples a second.
    pub sample_rate: u32,
    /// What the channels are.
    pub channels: Vec<String>,
}

impl HouseNote {
    /// The note's place beside its recording.
    pub fn path(house: &Path) -> PathBuf {
        house.with_extension("json")
    }
    /// Reads the note of a recording.
    ///
    /// # Errors
    /// When it is missing or no such note.
    pub fn read(house: &Path) -> io::Result<HouseNote> {
        serde_json::from_slice(&std::fs::read(HouseNote::path(house))?).map_err(io::Error::from)
    }
}

/// What the state file says, if it says anything.
pub(super) fn remembered(state: &Path) -> Option<Machine> {
    std::fs::read_to_string(state).ok()?.trim().chars().next().and_then(Machine::from_letter)
}

pub(super) fn start(config: &SwitchConfig) -> io::Result<Sender<Entry>> {
    let start = os::now();
    let spec = WavSpec {
        channels: RECORDED.len() as u16,
        sample_rate: SAMPLES_PER_SECOND as u32,
        bits_per_sample: 16,
        sample_format: SampleFormat::Int,
    };
    let wav = WavWriter::create(&config.house, spec).map_err(io::Error::other)?;
    let note = HouseNote {
        start_ns: start.nanos(),
        sample_rate: spec.sample_rate,
        channels: RECORDED.iter().map(|c| crate::show::CHANNELS[*c].to_owned()).collect(),
    };
    std::fs::write(HouseNote::path(&config.house), serde_json::to_vec_pretty(&note)?)?;
    let (tell, entries) = channel();
    let recorder = Recorder {
        wav: Some(wav),
        start,
        next: 0,
        limit: base::Samples::of(config.house_limit.0, SAMPLE_RATE).0 as i64,
        inputs: config.inputs.iter().map(|_| Analogue::default()).collect(),
        on_air: Vec::new(),
        state: config.state.clone(),
    };
    std::thread::Builder::new().name("recorder".into()).spawn(move || recorder.run(&entries))?;
    Ok(tell)
}

struct Recorder {
    wav: Option<WavWriter<BufWriter<File>>>,
    start: MonoTime,
    next: i64,
    limit: i64,
    inputs: Vec<Analogue<{ crate::show::CHANNELS.len() }>>,
    /// What was on air from which instant on; the first is in force.
    on_air: Vec<(MonoTime, Option<Machine>)>,
    state: PathBuf,
}

impl Recorder {
    fn run(mut self, entries: &Receiver<Entry>) {
        loop {
            match entries.recv_timeout(Duration::from_millis(10)) {
                Ok(entry) => self.take(entry),
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => break,
            }
            while let Ok(entry) = entries.try_recv() {
                self.take(entry);
            }
            self.write_until(os::now() - DELAY);
        }
    }

    fn take(&mut self, entry: Entry) {
        match entry {
            Entry::Block(input, at, frames) => {
                if let Some(input) = self.inputs.get_mut(input) {
                    input.on_block(at, frames);
                }
            }
            Entry::OnAir(at, machine) => {
                if let Some(m) = machine {
                    // Written anew rather than in place: a kill in between must not leave half a state.
                    let fresh = self.state.with_extension("new");
                    if std::fs::write(&fresh, format!("{m}\n")).is_ok() {
                        let _ = std::fs::rename(&fresh, &self.state);
                    }
                }
                self.on_air.push((at, machine));
            }
        }
    }

    /// Writes in steps of 10 ms, each with a header that holds: a kill leaves a file that can be read.
    fn write_until(&mut self, until: MonoTime) {
        const STEP: i64 = SAMPLES_PER_SECOND / 100;
        while self.time_of(self.next + STEP) <= until {
            let Some(mut wav) = self.wav.take() else {
                return;
            };
            for _ in 0..STEP {
                let heard = self.heard(self.time_of(self.next));
                self.next += 1;
                for c in RECORDED {
                    // Not-a-number is no sound; beyond full scale lies nothing.
                    let s = if heard[c].is_nan() { 0.0 } else { heard[c].clamp(-1.0, 1.0) };
                    if let Err(e) = wav.write_sample((s * 32_767.0).round() as i16) {
                        eprintln!("the recording ends here: {e}");
                        return;
                    }
                }
            }
            let written = self.time_of(self.next);
            self.inputs.iter_mut().for_each(|i| i.forget(written));
            if let Err(e) = wav.flush() {
                eprintln!("the recording ends here: {e}");
                return;
            }
            if self.next >= self.limit {
                println!("the recording has reached its limit and ends; the switch works on");
                return;
            }
            self.wav = Some(wav);
        }
    }

    fn time_of(&self, n: i64) -> MonoTime {
        let (s, rest) = (n / SAMPLES_PER_SECOND, n % SAMPLES_PER_SECOND);
        self.start + Span::from_secs(s) + Span::from_nanos(rest * 1_000_000_000 / SAMPLES_PER_SECOND)
    }

    fn heard(&mut self, t: MonoTime) -> Frame {
        while self.on_air.get(1).is_some_and(|(from, _)| *from <= t) {
            self.on_air.remove(0);
        }
        let machine = self.on_air.first().and_then(|(_, m)| *m);
        match machine.and_then(|m| self.inputs.get(m.index())) {
            Some(input) => input.at(t),
            None => [0.0; crate::show::CHANNELS.len()],
        }
    }
}
