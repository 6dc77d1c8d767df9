//! One audio output, named by a person: a device and its channels, for a sound that only who wears that output may hear.
//!
//! Nothing here falls back to a default device, opens one exclusively or changes its format; channels that are not named are left silent (on JACK: not
//! touched). The source is asked for samples on the device's own thread.

use std::sync::Arc;

use base::{Hertz, Samples};
use cpal::traits::{DeviceTrait, HostTrait, StreamTrait};
use cpal::{FromSample, OutputCallbackInfo, Sample, SampleFormat, SizedSample, StreamConfig};

use crate::arrivals::{Arrivals, Format, Sink};
use crate::audio::{CpalGuard, Fault, PERIOD, host, name_of};
use crate::error::{PortError, find};
use crate::keeper::{OPENING, Open, Opened, keep};
use crate::os::mono_now;

const OUTPUT: &str = "audio output";

/// Which channels of which device.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct AudioOutput {
    /// `default`, or a host by name (`alsa`, `jack`, ...).
    pub host: String,
    /// The device's name, or a part of it that is unique. On JACK: the ports to play to (a part of their names), or [`crate::UNCONNECTED`].
    pub device: String,
    /// The channels by their places, from 1.
    pub channels: Vec<usize>,
    /// Where they are written, for what is said of them: file and key.
    pub written: String,
}

/// What is played. It is asked on the device's own thread: it allocates nothing and waits for nobody.
pub trait Voice: Send {
    /// The next sample, the same for all channels, at this rate.
    fn next(&mut self, rate: Hertz) -> f32;
}

/// Makes a voice for each opening of the device.
pub type Voices = Arc<dyn Fn() -> Box<dyn Voice> + Send + Sync>;

/// Opens an audio output and keeps it open for ever. What arrives are its states alone.
///
/// # Errors
/// No thread could be started. Everything else is told as a state.
pub fn open_out(output: AudioOutput, voices: Voices) -> std::io::Result<Arrivals> {
    let open: Open = Arc::new(move |sink| {
        #[cfg(feature = "jack")]
        if output.host == "jack" {
            return crate::jack::open_audio_out(&output, voices(), sink);
        }
        open_cpal(&output, voices(), sink)
    });
    keep("audio out", None, open)
}

fn open_cpal(output: &AudioOutput, voice: Box<dyn Voice>, sink: Sink) -> Result<Opened, PortError> {
    let host = host(&output.host)?;
    let devices: Vec<cpal::Device> = host.output_devices().map_err(|e| PortError::host(&output.host, e))?.collect();
    let names: Vec<String> = devices.iter().map(name_of).collect();
    let device = &devices[find(OUTPUT, &output.device, &names)?];
    let name = name_of(device);
    let failed = |e: cpal::Error| PortError::Host { host: name.clone(), why: e.to_string() };
    let config = device.default_output_config().map_err(failed)?;
    let (has, wanted) = (usize::from(config.channels()), output.channels.iter().copied().max().unwrap_or(0));
    if has < wanted {
        return Err(PortError::TooFewChannels { device: name, has, wanted, written: output.written.clone() });
    }
    let fault = Fault::default();
    let picks: Vec<bool> = (1..=has).map(|c| output.channels.contains(&c)).collect();
    let rate = Hertz(f64::from(config.sample_rate()));
    let made = Making { device, config: config.config(), picks, voice, sink, fault: fault.clone() };
    let stream = made.build(config.sample_format()).map_err(failed)?;
    stream.play().map_err(failed)?;
    let period = stream.buffer_size().map_or(PERIOD, |frames| Samples(f64::from(frames)).at(rate));
    let format = Format { name, sample_rate: Some(rate), channels: output.channels.len() };
    Ok(Opened { format, period: Some(period), guard: Box::new(CpalGuard { _stream: stream, fault }) })
}

struct Making<'a> {
    device: &'a cpal::Device,
    config: StreamConfig,
    picks: Vec<bool>,
    voice: Box<dyn Voice>,
    sink: Sink,
    fault: Fault,
}

impl Making<'_> {
    fn build(self, format: SampleFormat) -> Result<cpal::Stream, cpal::Error> {
        match format {
            SampleFormat::F32 => self.build_as::<f32>(),
            SampleFormat::F64 => self.build_as::<f64>(),
            SampleFormat::I16 => self.build_as::<i16>(),
            SampleFormat::I24 => self.build_as::<cpal::I24>(),
            SampleFormat::I32 => self.build_as::<i32>(),
            SampleFormat::U16 => self.build_as::<u16>(),
            other => {
                let why = format!("samples of the format {other} are not understood");
                Err(cpal::Error::with_message(cpal::ErrorKind::UnsupportedConfig, why))
            }
        }
    }

    fn build_as<T: SizedSample + FromSample<f32>>(self) -> Result<cpal::Stream, cpal::Error> {
        let Making { device, config, picks, mut voice, sink, fault } = self;
        let rate = Hertz(f64::from(config.sample_rate));
        let on_block = move |data: &mut [T], _: &OutputCallbackInfo| {
            sink.pulse(mono_now());
            fill(data, &picks, &mut *voice, rate);
        };
        let on_error = move |e: cpal::Error| match e.kind() {
            cpal::ErrorKind::Xrun | cpal::ErrorKind::RealtimeDenied => {}
            // Our channels may now be another device's: begin anew.
            _ => fault.set(e.to_string()),
        };
        device.build_output_stream::<T, _, _>(config, on_block, on_error, Some(OPENING))
    }
}

/// Fills an interleaved block: the voice on the channels that are picked, silence on all others.
fn fill<T: Sample + FromSample<f32>>(data: &mut [T], picks: &[bool], voice: &mut dyn Voice, rate: Hertz) {
    for frame in data.chunks_mut(picks.len().max(1)) {
        let sound = T::from_sample(voice.next(rate));
        for (out, picked) in frame.iter_mut().zip(picks) {
            *out = if *picked { sound } else { T::EQUILIBRIUM };
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    struct Count(u16);

    impl Voice for Count {
        fn next(&mut self, _: Hertz) -> f32 {
            self.0 += 1;
            f32::from(self.0) / 1024.0
        }
    }

    #[test]
    fn only_named_channels_sound_and_a_block_allocates_nothing() {
        let mut data = [7i16; 12];
        let mut voice = Count(0);
        assert_no_alloc::assert_no_alloc(|| fill(&mut data, &[false, true, false], &mut voice, Hertz(48_000.0)));
        assert_eq!(data, [0, 32, 0, 0, 64, 0, 0, 96, 0, 0, 128, 0]);
    }

    #[test]
    fn a_device_that_is_not_there_is_told_by_its_name_and_no_other_is_taken() {
        let output = AudioOutput {
            host: crate::DEFAULT.into(),
            device: "no such output".into(),
            channels: vec![1],
            written: String::new(),
        };
        let mut states = open_out(output, Arc::new(|| Box::new(Count(0)))).ok();
        let begun = std::time::Instant::now();
        let mut said = None;
        while said.is_none() && begun.elapsed() < std::time::Duration::from_secs(10) {
            std::thread::sleep(std::time::Duration::from_millis(10));
            while let Some(crate::Arrival::State { state, .. }) = states.as_mut().and_then(Arrivals::pop) {
                match state {
                    crate::SourceState::Gone { why } => said = Some(why),
                    state => assert!(!matches!(state, crate::SourceState::Open(_)), "another device was opened"),
                }
            }
        }
        assert!(said.is_some_and(|w| w.contains("no such output")));
    }
}
