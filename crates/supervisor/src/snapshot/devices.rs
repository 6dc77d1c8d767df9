//! Buttons and outboard devices.

use base::MonoTime;
use serde::{Deserialize, Serialize};

/// The output on which alarms sound.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct AlarmSoundView {
    /// Whether it is open, so that an alarm would be heard there.
    pub ready: bool,
    /// Where it is, or why it is not there, in words.
    pub text: String,
}

/// A cue light.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct CueLightView {
    /// What people call it.
    pub name: String,
    /// Whether it should be lit.
    pub lit: bool,
    /// Whether it was told so: what it does with that nobody knows.
    pub told: bool,
    /// When it is lit, and why it cannot be told, in words.
    pub text: String,
}

/// A footswitch or button.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct ButtonView {
    /// What the record calls it.
    pub name: String,
    /// What it does.
    pub does: settings::buttons::Does,
    /// Where it is heard: a MIDI port, an address.
    pub place: String,
    /// Whether it can be heard there.
    pub heard: bool,
    /// When it was pressed, let go or tapped last, whatever came of it.
    #[serde(rename = "pressed_ns")]
    pub pressed: Option<MonoTime>,
}

/// An outboard device: what it was sent last by whoever was on air, and by us.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct DeviceView {
    /// What people call it.
    pub name: String,
    /// Its channels.
    pub channels: Vec<ChannelView>,
    /// Which path decides whose MIDI reaches it.
    pub gate: settings::devices::Gate,
    /// What a missed patch on it means.
    pub importance: settings::devices::Importance,
    /// Whether it is sent what should be in force after a changeover.
    pub chase: bool,
    /// When that was done last.
    #[serde(rename = "chased_ns")]
    pub chased: Option<MonoTime>,
    /// What is wrong with it.
    pub alarms: Vec<DeviceAlarm>,
}

/// One MIDI channel of a device.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct ChannelView {
    /// 1 to 16.
    pub channel: u8,
    /// The bank in force, most significant part.
    pub bank_msb: Option<u8>,
    /// The bank in force, least significant part.
    pub bank_lsb: Option<u8>,
    /// The program in force, 0 to 127; `None`: none was sent yet.
    pub program: Option<u8>,
    /// What that is called.
    pub name: Option<String>,
    /// Since when.
    #[serde(rename = "since_ns")]
    pub since: Option<MonoTime>,
    /// What the show file says should be in force; `None`: it says nothing.
    pub expected: Option<u8>,
    /// Notes that are down.
    pub notes_held: u32,
    /// In words.
    pub text: String,
}

/// Something wrong with a device.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct DeviceAlarm {
    /// A stable code.
    pub code: String,
    /// In words.
    pub text: String,
    /// Since when.
    #[serde(rename = "since_ns")]
    pub since: MonoTime,
}
