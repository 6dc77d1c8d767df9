//! One channel: its meters, its dropouts, its pilot, and since when it is silent.

use base::{Dbfs, Hertz, MonoTime, RemoteTime, Samples, Span};
use measure::TruePeak;
use measure::dropout::{Dropout, DropoutDetector};
use measure::levels::{ChannelMeter, ChannelReading};
use wire::{CentiDbfs, ChannelLevel, ChannelMeters, Pilot};

use super::SoundFormat;

/// The pilot's frequency where the settings say none.
const PILOT: Hertz = Hertz(1_000.0);
/// A channel is silent when it was below that for so long: a beat.
const SOUNDS: Span = Span::from_millis(5);
/// A full-scale noise has an RMS of -4.77 dBFS when its samples are evenly spread over the whole range (the mean square of an
/// even distribution over -1..1 is 1/3); mastered programme stays below this (common practice, no source).
const TOO_LOUD: Dbfs = Dbfs(-5.5);
/// A mean this far from zero is DC.
const DC: f64 = 0.3;

/// One channel of a machine.
pub(super) struct Channel {
    /// People hear it: neither code nor pilot.
    pub(super) programme: bool,
    pilot: Option<measure::levels::Pilot>,
    meter: ChannelMeter,
    /// None on a channel that is no programme: code and pilot have watchers of their own.
    dropouts: Option<DropoutDetector>,
    level: ChannelLevel,
    slow: SlowMeters,
    /// The newest sample that was not silent.
    pub(super) last_signal: Option<MonoTime>,
}

/// Below what a sample counts as silent, as magnitudes.
#[derive(Clone, Copy)]
pub(super) struct Floors {
    /// The input's own noise: up to it there is no sound at all.
    pub(super) noise: f32,
    /// Below it there is no signal.
    pub(super) signal: f32,
}

/// A dropout, and when it was told.
pub(super) struct Told {
    /// The sample whose coming told of it.
    pub(super) told: MonoTime,
    /// Where it began.
    pub(super) at: MonoTime,
    /// What it is.
    pub(super) what: Dropout,
}

impl Channel {
    /// A channel that has heard nothing.
    pub(super) fn new(format: &SoundFormat, c: usize) -> Channel {
        let programme = format.is_programme(c);
        let pilot = format.channels.get(c).is_some_and(|n| n == "pilot");
        Channel {
            programme,
            pilot: pilot.then(|| measure::levels::Pilot::new(format.pilot.unwrap_or(PILOT), format.rate)),
            meter: ChannelMeter::new(),
            dropouts: programme.then(|| DropoutDetector::new(format.rate)),
            level: ChannelLevel::default(),
            slow: SlowMeters::new(format.rate),
            last_signal: None,
        }
    }

    /// Its samples, the first heard at `first`. Gives when the newest that was above the noise was heard.
    pub(super) fn hear(
        &mut self,
        samples: &[f32],
        first: MonoTime,
        rate: Hertz,
        floors: Floors,
        tell: &mut dyn FnMut(Told),
    ) -> Option<MonoTime> {
        let at = |i: usize| first + Samples(i as f64).at(rate);
        self.meter.on_samples(samples);
        self.slow.true_peak.on_samples(samples);
        if let Some(p) = &mut self.pilot {
            samples.iter().for_each(|s| p.on_sample(*s));
        }
        if let Some(d) = &mut self.dropouts {
            for (i, s) in samples.iter().enumerate() {
                // The sample of that number was heard this long before the present one.
                let (told, number) = (at(i), d.heard());
                let before = |n: u64| Samples(number as f64 - n as f64).at(rate);
                d.on_sample(*s, &mut |what| tell(Told { told, at: told - before(what.from), what }));
            }
        }
        if let Some(i) = samples.iter().rposition(|s| s.abs() >= floors.signal) {
            self.last_signal = Some(at(i));
        }
        samples.iter().rposition(|s| s.abs() > floors.noise && s.is_finite()).map(at)
    }

    /// Samples are missing here.
    pub(super) fn on_gap(&mut self) {
        self.slow.true_peak.on_gap();
        if let Some(d) = &mut self.dropouts {
            d.on_gap();
        }
    }

    /// Reads its quick meters. Gives how many samples were clipped, and whether it is no music.
    pub(super) fn read(&mut self, now: MonoTime) -> (u64, bool) {
        let r = self.meter.read();
        self.level = ChannelLevel { peak: CentiDbfs::from(r.peak), rms: CentiDbfs::from(r.rms), ..self.level };
        self.slow.on_reading(&r, now);
        (r.clipped, self.programme && is_wrong(&r))
    }

    /// Reads its slow meters.
    pub(super) fn read_slowly(&mut self) -> ChannelMeters {
        self.slow.read()
    }

    /// Its level; `ceased`: none, since nothing comes.
    pub(super) fn level(&self, ceased: bool) -> ChannelLevel {
        let pilot = self.pilot();
        if ceased { ChannelLevel { pilot, ..ChannelLevel::default() } } else { ChannelLevel { pilot, ..self.level } }
    }

    /// Its pilot.
    pub(super) fn pilot(&self) -> Pilot {
        match &self.pilot {
            None => Pilot::NotExpected,
            Some(p) if p.is_present() => Pilot::Present,
            Some(_) => Pilot::Absent,
        }
    }

    /// Whether it was silent of late, when all up to `heard_to` was heard.
    pub(super) fn is_silent(&self, heard_to: Option<MonoTime>) -> bool {
        self.last_signal.is_none_or(|t| heard_to.is_none_or(|h| h - t >= SOUNDS))
    }
}

fn is_wrong(r: &ChannelReading) -> bool {
    r.not_numbers > 0 || r.dc.abs() > DC || r.rms.0 > TOO_LOUD.0
}

/// Meters that are read once a second, and what they have read since the ears were opened.
struct SlowMeters {
    true_peak: TruePeak,
    highest: CentiDbfs,
    clipped: u32,
    last_clip: Option<MonoTime>,
    /// Sum of samples, and how many.
    sum: f64,
    samples: u64,
}

impl SlowMeters {
    fn new(rate: Hertz) -> SlowMeters {
        SlowMeters {
            true_peak: TruePeak::new(rate),
            highest: CentiDbfs::SILENCE,
            clipped: 0,
            last_clip: None,
            sum: 0.0,
            samples: 0,
        }
    }

    fn on_reading(&mut self, r: &ChannelReading, now: MonoTime) {
        self.sum += r.dc * r.samples as f64;
        self.samples += r.samples;
        if r.clipped > 0 {
            self.clipped = self.clipped.saturating_add(u32::try_from(r.clipped).unwrap_or(u32::MAX));
            self.last_clip = Some(now);
        }
    }

    fn read(&mut self) -> ChannelMeters {
        let true_peak = CentiDbfs::from(self.true_peak.read());
        self.highest = self.highest.max(true_peak);
        let mean = core::mem::take(&mut self.sum) / core::mem::take(&mut self.samples).max(1) as f64;
        ChannelMeters {
            true_peak,
            highest: self.highest,
            clipped: self.clipped,
            last_clip: self.last_clip.map(RemoteTime::of_sender),
            dc: (mean * 1e6) as i32,
        }
    }
}
