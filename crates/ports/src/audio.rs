//! Audio inputs: `cpal` for the systems' own hosts, `jack` for JACK.
//!
//! A device is never opened exclusively and its format is never changed: the agent takes what the device has.

use std::sync::{Arc, Mutex};

use base::{Hertz, Samples, Span};
use cpal::traits::{DeviceTrait, HostTrait, StreamTrait};
use cpal::{FromSample, InputCallbackInfo, SampleFormat, SizedSample, StreamConfig, SupportedStreamConfig};

use crate::arrivals::{Arrivals, Format, MAX_CHANNELS, Sink, Wake};
use crate::error::{PortError, find};
use crate::keeper::{Guard, OPENING, Open, Opened, keep};
use crate::os::mono_now;
use crate::{DEFAULT, listing};

const INPUT: &str = "audio input";
/// A block cannot have been captured longer ago than this.
const OLDEST: Span = Span::from_secs(1);
/// The longest block that is expected where the host does not say.
pub(crate) const PERIOD: Span = Span::from_millis(100);

/// Which channels of which device.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct AudioInput {
    /// `default`, or a host by name (`alsa`, `jack`, ...).
    pub host: String,
    /// The device's name, or a part of it that is unique; `default`. On JACK: the client or ports to listen to (a part of
    /// their names), `default` for the sound card's inputs, or [`crate::UNCONNECTED`].
    pub device: String,
    /// The channels' names in the device's order; one with an empty name is left out.
    pub channels: Vec<String>,
    /// Where the channels are named, for an error about them: "agent.toml:28:1: source[1].channels"; may be empty.
    pub written: String,
}

impl AudioInput {
    /// The places of the channels that have names.
    pub(crate) fn picks(&self) -> Vec<usize> {
        (0..self.channels.len().min(MAX_CHANNELS)).filter(|i| !self.channels[*i].is_empty()).collect()
    }
}

/// Opens an audio input and keeps it open for ever; `wake` is called when something has come.
///
/// # Errors
/// No thread could be started. Everything else is told as the source's state.
pub fn open_in(input: AudioInput, wake: Option<Wake>) -> std::io::Result<Arrivals> {
    let open: Open = Arc::new(move |sink| {
        #[cfg(feature = "jack")]
        if input.host == "jack" {
            return crate::jack::open_audio_in(&input, sink);
        }
        open_cpal(&input, sink)
    });
    keep("audio", wake, open)
}

pub(crate) fn host(name: &str) -> Result<cpal::Host, PortError> {
    if name == DEFAULT {
        return Ok(cpal::default_host());
    }
    let id = cpal::available_hosts().into_iter().find(|id| id.name().eq_ignore_ascii_case(name));
    let id = id.ok_or_else(|| PortError::NoHost { wanted: name.into(), have: listing::audio_hosts() })?;
    cpal::host_from_id(id).map_err(|e| PortError::host(name, e))
}

pub(crate) fn name_of(device: &cpal::Device) -> String {
    device.description().map(|d| d.name().to_owned()).unwrap_or_else(|_| device.to_string())
}

fn open_cpal(input: &AudioInput, sink: Sink) -> Result<Opened, PortError> {
    let host = host(&input.host)?;
    let device = find_device(&host, input)?;
    let name = name_of(&device);
    let failed = |e: cpal::Error| PortError::Host { host: name.clone(), why: e.to_string() };
    let config = choose_format(&device, input.channels.len()).map_err(failed)?;
    let has = usize::from(config.channels());
    if has < input.channels.len() {
        let (wanted, written) = (input.channels.len(), input.written.clone());
        return Err(PortError::TooFewChannels { device: name, has, wanted, written });
    }
    let fault = Fault::default();
    let stream = build(&device, &config, input.picks(), sink, fault.clone()).map_err(failed)?;
    stream.play().map_err(failed)?;
    let rate = Hertz(f64::from(config.sample_rate()));
    let period = stream.buffer_size().map_or(PERIOD, |frames| Samples(f64::from(frames)).at(rate));
    let format = Format { name, sample_rate: Some(rate), channels: input.picks().len() };
    Ok(Opened { format, period: Some(period), guard: Box::new(CpalGuard { _stream: stream, fault }) })
}

pub(crate) struct CpalGuard {
    pub(crate) _stream: cpal::Stream,
    pub(crate) fault: Fault,
}

impl Guard for CpalGuard {
    fn gone(&mut self) -> Option<String> {
        self.fault.take()
    }
}

fn find_device(host: &cpal::Host, input: &AudioInput) -> Result<cpal::Device, PortError> {
    if input.device == DEFAULT {
        let none = || PortError::NotFound { what: INPUT, wanted: DEFAULT.into(), have: Vec::new() };
        return host.default_input_device().ok_or_else(none);
    }
    let mut devices: Vec<cpal::Device> = host.input_devices().map_err(|e| PortError::host(&input.host, e))?.collect();
    let ids: Vec<String> = devices.iter().map(|d| d.id().map(|id| id.to_string()).unwrap_or_default()).collect();
    if let Some(i) = ids.iter().position(|id| *id == input.device) {
        return Ok(devices.swap_remove(i));
    }
    let names: Vec<String> = devices.iter().map(name_of).collect();
    let i = find(INPUT, &input.device, &names)?;
    Ok(devices.swap_remove(i))
}

/// The device's own format; if that has too few channels, the least one at the same rate that has enough.
fn choose_format(device: &cpal::Device, channels: usize) -> Result<SupportedStreamConfig, cpal::Error> {
    let own = device.default_input_config()?;
    if usize::from(own.channels()) >= channels {
        return Ok(own);
    }
    let rate = own.sample_rate();
    let wider = device.supported_input_configs()?.filter(|c| usize::from(c.channels()) >= channels);
    let wider = wider.filter_map(|c| c.try_with_sample_rate(rate)).min_by_key(SupportedStreamConfig::channels);
    Ok(wider.unwrap_or(own))
}

fn build(
    device: &cpal::Device,
    config: &SupportedStreamConfig,
    picks: Vec<usize>,
    sink: Sink,
    fault: Fault,
) -> Result<cpal::Stream, cpal::Error> {
    let c = config.config();
    match config.sample_format() {
        SampleFormat::F32 => build_as::<f32>(device, c, picks, sink, fault),
        SampleFormat::F64 => build_as::<f64>(device, c, picks, sink, fault),
        SampleFormat::I8 => build_as::<i8>(device, c, picks, sink, fault),
        SampleFormat::I16 => build_as::<i16>(device, c, picks, sink, fault),
        SampleFormat::I24 => build_as::<cpal::I24>(device, c, picks, sink, fault),
        SampleFormat::I32 => build_as::<i32>(device, c, picks, sink, fault),
        SampleFormat::U8 => build_as::<u8>(device, c, picks, sink, fault),
        SampleFormat::U16 => build_as::<u16>(device, c, picks, sink, fault),
        SampleFormat::U24 => build_as::<cpal::U24>(device, c, picks, sink, fault),
        SampleFormat::U32 => build_as::<u32>(device, c, picks, sink, fault),
        other => {
            let why = format!("samples of the format {other} are not understood");
            Err(cpal::Error::with_message(cpal::ErrorKind::UnsupportedConfig, why))
        }
    }
}

fn build_as<T>(
    device: &cpal::Device,
    config: StreamConfig,
    picks: Vec<usize>,
    mut sink: Sink,
    fault: Fault,
) -> Result<cpal::Stream, cpal::Error>
where
    T: SizedSample,
    f32: FromSample<T>,
{
    let channels = usize::from(config.channels).max(1);
    let rate = Hertz(f64::from(config.sample_rate));
    let on_block = move |data: &[T], info: &InputCallbackInfo| {
        let now = mono_now();
        sink.pulse(now);
        let frames = data.len() / channels;
        // The host's own clock tells how long ago the first sample was captured; ours tells when that is.
        let stamp = info.timestamp();
        let age = stamp.callback.checked_duration_since(stamp.capture).unwrap_or_default();
        let age = Span::from_nanos(i64::try_from(age.as_nanos()).unwrap_or(i64::MAX));
        let age = age.max(Samples(frames as f64).at(rate)).min(OLDEST);
        sink.pcm(now - age, rate, picks.len(), frames, |f, c| data[f * channels + picks[c]].to_sample::<f32>());
        sink.done();
    };
    let on_error = move |e: cpal::Error| match e.kind() {
        // The stream lives on. What it lost shows in the samples.
        cpal::ErrorKind::Xrun | cpal::ErrorKind::RealtimeDenied => {}
        // Our channels may now be another device's: begin anew.
        _ => fault.set(e.to_string()),
    };
    device.build_input_stream::<T, _, _>(config, on_block, on_error, Some(OPENING))
}

/// A fault that a device library reports on a thread of its own.
#[derive(Clone, Default)]
pub(crate) struct Fault(Arc<Mutex<Option<String>>>);

impl Fault {
    pub(crate) fn set(&self, why: String) {
        *self.0.lock().unwrap_or_else(std::sync::PoisonError::into_inner) = Some(why);
    }
    fn take(&self) -> Option<String> {
        self.0.lock().unwrap_or_else(std::sync::PoisonError::into_inner).take()
    }
}
