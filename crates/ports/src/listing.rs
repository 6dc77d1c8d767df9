//! What ports and devices there are.

use base::Hertz;
use cpal::traits::{DeviceTrait, HostTrait};
use midir::{MidiInput, MidiOutput};

use crate::audio;
use crate::error::PortError;
use crate::keeper::limited;

/// A listing, and what could not be listed.
#[derive(Clone, PartialEq, Debug)]
pub struct Listing<T> {
    /// What there is.
    pub found: Vec<T>,
    /// Hosts that could not be asked, and why, in words.
    pub notes: Vec<String>,
}

impl<T> Default for Listing<T> {
    fn default() -> Listing<T> {
        Listing { found: Vec::new(), notes: Vec::new() }
    }
}

/// Which way a MIDI port goes.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum PortDirection {
    /// We hear from it.
    In,
    /// We send to it.
    Out,
}

/// A MIDI port.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct MidiPort {
    /// The host it is on, as the configuration names it.
    pub host: String,
    /// Its name.
    pub name: String,
    /// Which way it goes.
    pub direction: PortDirection,
}

/// An audio device.
#[derive(Clone, PartialEq, Debug)]
pub struct AudioDevice {
    /// The host it is on, as the configuration names it.
    pub host: String,
    /// Its name.
    pub name: String,
    /// Input channels in its own format; 0: none.
    pub inputs: usize,
    /// Output channels in its own format; 0: none.
    pub outputs: usize,
    /// Its sample rate.
    pub sample_rate: Option<Hertz>,
    /// Whether it is the host's default input.
    pub is_default: bool,
}

/// Every MIDI port of every host.
pub fn list_midi() -> Listing<MidiPort> {
    let mut all = Listing::default();
    take(&mut all, limited("listing MIDI ports", system_ports));
    #[cfg(feature = "jack")]
    take(&mut all, limited("listing JACK MIDI ports", crate::jack::midi_ports));
    all
}

/// Every audio device of every host. On JACK each client with outputs counts as a device.
pub fn list_audio() -> Listing<AudioDevice> {
    let mut all = Listing::default();
    for id in cpal::available_hosts() {
        let host = id.name().to_lowercase();
        take(&mut all, limited(&format!("listing {host} devices"), move || devices(&host)));
    }
    #[cfg(feature = "jack")]
    take(&mut all, limited("listing JACK clients", crate::jack::audio_devices));
    all
}

/// What the system's own MIDI is called.
pub(crate) const fn system_midi() -> &'static str {
    if cfg!(target_os = "linux") {
        "alsa"
    } else if cfg!(target_os = "macos") {
        "coremidi"
    } else if cfg!(windows) {
        "winmm"
    } else {
        "system"
    }
}

pub(crate) fn midi_hosts() -> Vec<String> {
    let jack = cfg!(feature = "jack").then_some("jack");
    [Some(crate::DEFAULT), Some(system_midi()), jack].into_iter().flatten().map(String::from).collect()
}

pub(crate) fn audio_hosts() -> Vec<String> {
    let jack = cfg!(feature = "jack").then(|| "jack".to_owned());
    let known = cpal::available_hosts().into_iter().map(|id| id.name().to_lowercase());
    [crate::DEFAULT.to_owned()].into_iter().chain(known).chain(jack).collect()
}

fn take<T>(all: &mut Listing<T>, found: Result<Vec<T>, PortError>) {
    match found {
        Ok(found) => all.found.extend(found),
        Err(e) => all.notes.push(e.to_string()),
    }
}

fn system_ports() -> Result<Vec<MidiPort>, PortError> {
    let host = system_midi();
    let failed = |e: midir::InitError| PortError::host(host, e);
    let (input, output) =
        (MidiInput::new("twinkeel look").map_err(failed)?, MidiOutput::new("twinkeel look").map_err(failed)?);
    let ins = input.ports();
    let outs = output.ports();
    let ins = ins.iter().filter_map(|p| Some((input.port_name(p).ok()?, PortDirection::In)));
    let outs = outs.iter().filter_map(|p| Some((output.port_name(p).ok()?, PortDirection::Out)));
    // Our own look is a client too, and no port of anybody's.
    let named = ins.chain(outs).filter(|(name, _)| !name.starts_with("twinkeel look"));
    Ok(named.map(|(name, direction)| MidiPort { host: host.into(), name, direction }).collect())
}

fn devices(name: &str) -> Result<Vec<AudioDevice>, PortError> {
    let host = audio::host(name)?;
    let default = host.default_input_device().and_then(|d| d.id().ok());
    let devices = host.devices().map_err(|e| PortError::host(name, e))?;
    let described = devices.map(|d| {
        let (input, output) = (d.default_input_config().ok(), d.default_output_config().ok());
        let rate = input.as_ref().or(output.as_ref()).map(|c| Hertz(f64::from(c.sample_rate())));
        AudioDevice {
            host: name.into(),
            name: audio::name_of(&d),
            inputs: input.map_or(0, |c| usize::from(c.channels())),
            outputs: output.map_or(0, |c| usize::from(c.channels())),
            sample_rate: rate,
            is_default: default.is_some() && d.id().ok() == default,
        }
    });
    Ok(described.collect())
}
