//! `rig.toml`: the machines, the supervisor and the changeover outputs.

use std::net::SocketAddr;
use std::path::PathBuf;

use base::ids::MAX_MACHINES;
use base::{MachineId, RigId, SourceKind};
use serde::{Deserialize, Serialize};

use crate::agent::{Source, Trigger};
use crate::alarm_sound::AlarmSound;
use crate::buttons::Button;
use crate::cue_lights::CueLight;
use crate::duration::Duration;
use crate::error::{SettingsError, Wrong, parse};
pub use crate::outputs::Output;
use crate::tap::Tap;

/// The whole file.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RigFile {
    /// The rig's lasting name: 32 hexadecimal digits, made at set-up.
    #[serde(with = "id_text")]
    pub rig_id: RigId,
    /// What people call the rig.
    pub name: String,
    /// The file that holds the supervisor's secret key; nobody else may read it.
    pub secret_key: PathBuf,
    /// The directory that holds shows and what must survive a restart.
    pub shows: PathBuf,
    /// The show file of tonight; without one, the machines are compared with each other.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub show: Option<PathBuf>,
    /// The mode of a rig that has never been told another.
    #[serde(default)]
    pub mode: Mode,
    /// Who hears the machines.
    #[serde(default, skip_serializing_if = "HeardBy::is_default")]
    pub heard_by: HeardBy,
    /// Sockets.
    pub listen: Listen,
    /// The switch's output, fed back to the supervisor.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tap: Option<Tap>,
    /// The order in which a machine's position sources are believed; those not named follow in the usual order: LTC, MTC, OSC, MIDI clock.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub prefer: Vec<SourceKind>,
    /// Names of the channels that go to somebody's in-ear monitors.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub in_ears: Vec<String>,
    /// The machines in their order: the first is A.
    #[serde(rename = "machine")]
    pub machines: Vec<MachineEntry>,
    /// Changeover outputs, in order of preference.
    #[serde(default, rename = "output")]
    pub outputs: Vec<Output>,
    /// Footswitches and buttons.
    #[serde(default, rename = "button", skip_serializing_if = "Vec::is_empty")]
    pub buttons: Vec<Button>,
    /// Lights that call a person to the rig.
    #[serde(default, rename = "cue_light", skip_serializing_if = "Vec::is_empty")]
    pub cue_lights: Vec<CueLight>,
    /// Where unacknowledged alarms sound; none: nowhere.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub alarm_sound: Option<AlarmSound>,
    /// Limits of judgement.
    #[serde(default)]
    pub limits: Limits,
    /// What to do where no default can be right for everybody.
    #[serde(default)]
    pub policies: Policies,
}

/// What Twinkeel may do by itself.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Mode {
    /// Never acts; logs what it would have done.
    #[default]
    Observe,
    /// Proposes; a person confirms in one press.
    Propose,
    /// Acts by itself.
    Act,
}

/// Where the supervisor listens.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Listen {
    /// Beats, one address per network path (one or two).
    pub paths: Vec<SocketAddr>,
    /// The reliable lanes.
    pub lanes: SocketAddr,
    /// The page.
    pub page: SocketAddr,
    /// What is kept of the operator's passphrase (`twinkeel passphrase` makes it): an argon2 hash. A page that others can reach needs one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub operator: Option<String>,
    /// Host names by which browsers may call such a page, besides its addresses.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub names: Vec<String>,
    /// Whether the page is sealed on its way.
    #[serde(default, skip_serializing_if = "PageTls::is_default")]
    pub tls: PageTls,
    /// With a certificate of one's own: the file that holds it and those it rests on, in PEM, its own first.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub certificate: Option<PathBuf>,
    /// The file of its private key, in PEM; nobody else may read it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub certificate_key: Option<PathBuf>,
}

/// Whether the page is sealed on its way (TLS).
///
/// Plain by default: on loopback there is no network to listen on, and a certificate that a browser does not know makes each phone show a warning that
/// its owner learns to press away, which in the dark costs more than it gives on a show's own cable. Whoever opens the page to a network that strangers
/// can join should write `generated`.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum PageTls {
    /// Plain HTTP.
    #[default]
    Off,
    /// With a certificate that the supervisor makes once and keeps beside its key; people compare its fingerprint.
    Generated,
    /// With a certificate of one's own: `certificate` and `certificate_key`.
    Own,
}

impl PageTls {
    /// Whether it is what a file says that does not say.
    pub fn is_default(&self) -> bool {
        *self == PageTls::default()
    }
}

impl Listen {
    /// What is wrong with it together.
    fn check(&self) -> Option<Wrong> {
        let wrong = |key, what, mend| Some(Wrong { key, what, mend });
        match (self.tls, &self.certificate, &self.certificate_key) {
            (PageTls::Own, Some(_), Some(_)) | (PageTls::Off | PageTls::Generated, None, None) => None,
            (PageTls::Own, None, _) => wrong(
                "tls",
                "there is no certificate of your own",
                "write certificate = \"page.pem\", certificate_key = \"page.key\"",
            ),
            (PageTls::Own, Some(_), None) => {
                wrong("certificate", "its private key is not named", "write certificate_key = \"page.key\"")
            }
            (_, Some(_), _) => wrong(
                "certificate",
                "a certificate of your own is named, and `tls` does not ask for it",
                "write tls = \"own\"",
            ),
            (_, None, Some(_)) => wrong(
                "certificate_key",
                "a key is named, and `tls` does not ask for it",
                "write tls = \"own\" and name its certificate",
            ),
        }
    }
}

/// One machine of the list.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct MachineEntry {
    /// What people call it, beside its letter.
    pub name: String,
    /// Its lasting id, which is its agent's where it has one.
    #[serde(with = "id_text")]
    pub id: MachineId,
    /// Its agent's public key; none where the supervisor alone hears it.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub key: String,
    /// The frequency of its pilot tone in hertz, where each machine has one of its own: the tap then tells which it carries.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pilot: Option<f64>,
    /// Where the supervisor alone hears it: by which of the supervisor's own inputs.
    #[serde(default, rename = "source", skip_serializing_if = "Vec::is_empty")]
    pub sources: Vec<Source>,
    /// Where the supervisor alone hears it: MIDI messages at those inputs that start, stop or jump the players.
    #[serde(default, rename = "trigger", skip_serializing_if = "Vec::is_empty")]
    pub triggers: Vec<Trigger>,
}

/// Who hears the machines.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum HeardBy {
    /// An agent on each machine.
    #[default]
    Agents,
    /// The supervisor alone, by its own audio and MIDI inputs: nothing runs on the machines.
    Supervisor,
}

impl HeardBy {
    /// Whether it is what a file says that does not say.
    pub fn is_default(&self) -> bool {
        *self == HeardBy::default()
    }
}

/// Limits. Defaults that rest on no published source are common practice.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Limits {
    /// A degraded on-air machine is left only for a standby within this offset.
    pub near_offset: Duration,
    /// A dead on-air machine is left for a standby within this offset, in the same section.
    pub far_offset: Duration,
    /// A change of the offset from the baseline that is worth a warning (common practice, no source).
    pub warn_offset: Duration,
    /// Silence on air counts after this time.
    pub silence_confirmed: Duration,
    /// `act` takes effect when both machines have been fit for this long.
    pub fit_hold: Duration,
    /// A standby that is this many decibels louder is put on air by a person only (common practice, no source).
    pub louder_db: f64,
    /// The same for a channel that goes to in-ear monitors (common practice, no source).
    pub ears_louder_db: f64,
}

impl Default for Limits {
    fn default() -> Limits {
        Limits {
            near_offset: Duration::millis(20),
            far_offset: Duration::millis(250),
            warn_offset: Duration::millis(5),
            silence_confirmed: Duration::millis(60),
            fit_hold: Duration::secs(2),
            louder_db: 6.0,
            ears_louder_db: 3.0,
        }
    }
}

impl Limits {
    /// What is wrong with them together.
    pub(crate) fn check(&self) -> Option<Wrong> {
        if self.near_offset > self.far_offset {
            let what = "it must not be larger than far_offset";
            return Some(Wrong {
                key: "near_offset",
                what,
                mend: "write near_offset = \"20ms\", far_offset = \"250ms\"",
            });
        }
        let levels = [("louder_db", self.louder_db), ("ears_louder_db", self.ears_louder_db)];
        let (key, _) = levels.into_iter().find(|(_, db)| !(0.0..=24.0).contains(db))?;
        let mend = "write louder_db = 6.0, ears_louder_db = 3.0";
        Some(Wrong { key, what: "a level limit is 0 to 24 dB", mend })
    }
}

/// Choices that a person makes.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Policies {
    /// When the only link to the on-air machine is lost and nothing hears its sound: `hold` risks dead air if the machine
    /// died, `changeover` risks a needless jump if only a cable did. There is no default.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub on_link_loss: Option<OnLinkLoss>,
    /// When one machine stops, the other rolls on, and no cause was heard.
    pub lone_stop: LoneStop,
}

/// See [`Policies::on_link_loss`].
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum OnLinkLoss {
    /// Stay.
    Hold,
    /// Change over.
    Changeover,
}

/// See [`Policies::lone_stop`].
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum LoneStop {
    /// Ask a person.
    #[default]
    Propose,
    /// Change over.
    Changeover,
}

impl RigFile {
    /// Parses and checks the text of `rig.toml`.
    ///
    /// # Errors
    /// What is wrong, where, and the mend.
    pub fn parse(file: &str, text: &str) -> Result<RigFile, SettingsError> {
        let rig: RigFile = parse(file, text)?;
        let err = |key: &str, what: &str, mend: &str| Err(SettingsError::at_key(file, text, key, what, mend));
        let n = rig.machines.len();
        if n == 0 || n > MAX_MACHINES {
            return err("machine", "a rig has one to eight machines", "add a [[machine]] for each playback computer");
        }
        if !rig.listen.page.ip().is_loopback() && rig.listen.operator.is_none() {
            return err(
                "listen.page",
                "others can reach this address, and there is no operator's passphrase",
                "put the line that `twinkeel passphrase` prints under [listen], or bind the page to 127.0.0.1",
            );
        }
        if let Some(wrong) = rig.listen.check() {
            return Err(wrong.at(file, text, "listen"));
        }
        if let Some(wrong) = rig.alarm_sound.as_ref().and_then(AlarmSound::check) {
            return Err(wrong.at(file, text, "alarm_sound"));
        }
        if let Some(tap) = &rig.tap {
            tap.check().map_err(|wrong| wrong.at(file, text, "tap"))?;
        }
        crate::outside::check(&rig).map_err(|wrong| wrong.at(file, text, ""))?;
        for (i, m) in rig.machines.iter().enumerate() {
            if rig.machines.iter().take(i).any(|o| o.id == m.id) {
                return err(
                    &format!("machine[{i}].id"),
                    "another machine has the same id",
                    "copy each machine's own id from its agent.toml",
                );
            }
            if rig.heard_by == HeardBy::Agents && rig.machines.iter().take(i).any(|o| o.key == m.key) {
                return err(
                    &format!("machine[{i}].key"),
                    "another machine has the same key",
                    "each machine has a key of its own: run `twinkeel init` on it",
                );
            }
        }
        if rig.prefer.iter().enumerate().any(|(i, s)| rig.prefer[..i].contains(s)) {
            return err("prefer", "a source is named twice", "name each of ltc, mtc, osc and midi-clock once at most");
        }
        if rig.listen.paths.is_empty() || rig.listen.paths.len() > 2 {
            return err("listen.paths", "there must be one or two network paths", "write paths = [\"127.0.0.1:7740\"]");
        }
        for (i, o) in rig.outputs.iter().enumerate() {
            o.check(n).map_err(|wrong| wrong.at(file, text, &format!("output[{i}]")))?;
        }
        for (i, l) in rig.cue_lights.iter().enumerate() {
            l.check().map_err(|wrong| wrong.at(file, text, &format!("cue_light[{i}]")))?;
        }
        for (i, b) in rig.buttons.iter().enumerate() {
            b.check(n).map_err(|wrong| wrong.at(file, text, &format!("button[{i}]")))?;
            if rig.buttons[..i].iter().any(|o| o.name() == b.name()) {
                let mend = "give each button a name of its own: the record tells them by it";
                return err(&format!("button[{i}].name"), "another button has the same name", mend);
            }
        }
        match rig.limits.check() {
            Some(wrong) => Err(wrong.at(file, text, "limits")),
            None => Ok(rig),
        }
    }
}

/// Ids as text.
pub(crate) mod id_text {
    use serde::{Deserialize, Deserializer, Serializer};
    use std::fmt::Display;
    use std::str::FromStr;

    pub fn serialize<T: Display, S: Serializer>(id: &T, s: S) -> Result<S::Ok, S::Error> {
        s.collect_str(id)
    }
    pub fn deserialize<'de, T, D>(d: D) -> Result<T, D::Error>
    where
        T: FromStr,
        T::Err: Display,
        D: Deserializer<'de>,
    {
        String::deserialize(d)?.parse().map_err(serde::de::Error::custom)
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    const RIG: &str = r#"
rig_id = "00112233445566778899aabbccddeeff"
name = "twin rig"
secret_key = "supervisor.key"
shows = "shows"
[listen]
paths = ["127.0.0.1:7740"]
lanes = "127.0.0.1:7742"
page = "127.0.0.1:7777"
[[machine]]
name = "left"
id = "00112233445566778899aabbccddee01"
key = "k1"
[[machine]]
name = "right"
id = "00112233445566778899aabbccddee02"
key = "k2"
[[output]]
kind = "osc"
to = "127.0.0.1:9000"
select = "/changeover/select"
"#;

    #[test]
    fn a_plain_rig_reads_and_writes() {
        let rig = RigFile::parse("rig.toml", RIG).unwrap();
        assert_eq!(rig.machines.len(), 2);
        assert_eq!(rig.mode, Mode::Observe);
        assert_eq!(rig.limits, Limits::default());
        let text = toml::to_string(&rig).unwrap();
        assert_eq!(RigFile::parse("again", &text).unwrap(), rig);
    }

    /// Each wrong file, and the line and words its error must have.
    #[test]
    fn errors_name_place_and_mend() {
        let cases: [(&str, &str, &str, &str); 21] = [
            ("shows = \"shows\"", "shows = \"s\"\nprefer = [\"mtc\", \"ltc\", \"mtc\"]", "rig.toml:6:1", "named twice"),
            ("page = ", "pge = ", "rig.toml:9:1", "unknown field"),
            ("page = \"127.0.0.1:", "page = \"0.0.0.0:", "rig.toml:9:1", "no operator's passphrase"),
            ("id = \"00112233445566778899aabbccddee02\"", "id = \"12\"", "rig.toml:16:6", "32 hexadecimal digits"),
            ("key = \"k2\"", "key = \"k1\"", "rig.toml:17:1", "same key"),
            ("select = \"/changeover/select\"", "select = \"go\"", "rig.toml:21:1", "starts with a slash"),
            ("paths = [\"127.0.0.1:7740\"]", "paths = []", "rig.toml:7:1", "one or two network paths"),
            (
                "[[machine]]",
                "[[cue_light]]\nkind = \"osc\"\nname = \"l\"\nwhen = \"proposal\"\nto = \"127.0.0.1:9\"\naddress = \"x\"\n[[machine]]",
                "rig.toml:15:1",
                "starts with a slash",
            ),
            (
                "[[machine]]",
                "[[cue_light]]\nkind = \"midi\"\nname = \"l\"\nwhen = \"unprotected\"\nport = \"p\"\nlit = \"3c 7f\"\ndark = \"90 3c 00\"\n[[machine]]",
                "rig.toml:15:1",
                "no MIDI message",
            ),
            ("[[machine]]", "[tap]\n[[machine]]", "rig.toml:10:1", "heard by one input"),
            ("[[machine]]", "[tap]\nfeed = \"t\"\ndevice = \"d\"\n[[machine]]", "rig.toml:10:1", "heard by one input"),
            ("[[machine]]", "[tap]\ndevice = \"d\"\n[[machine]]", "rig.toml:10:1", "1 to 64 channels"),
            (
                "[[machine]]",
                "[tap]\ndevice = \"d\"\nchannels = [\"a\"]\nfloor = 3.0\n[[machine]]",
                "rig.toml:13:1",
                "noise floor",
            ),
            (
                "[[machine]]",
                "[alarm_sound]\ndevice = \"default\"\nchannels = [1]\n[[machine]]",
                "rig.toml:11:1",
                "output that is named",
            ),
            (
                "[[machine]]",
                "[alarm_sound]\ndevice = \"d\"\nchannels = [0]\n[[machine]]",
                "rig.toml:12:1",
                "from 1 to 64",
            ),
            (
                "[[machine]]",
                "[alarm_sound]\ndevice = \"d\"\nchannels = [1]\nlevel = -3.0\n[[machine]]",
                "rig.toml:13:1",
                "-60 to -12",
            ),
            ("page = ", "tls = \"own\"\npage = ", "rig.toml:9:1", "no certificate of your own"),
            ("page = ", "certificate = \"c.pem\"\npage = ", "rig.toml:9:1", "does not ask for it"),
            ("page = ", "tls = \"own\"\ncertificate = \"c.pem\"\npage = ", "rig.toml:10:1", "private key is not named"),
            ("name = \"twin rig\"", "name = 3", "rig.toml:3:8", "invalid type"),
            ("kind = \"osc\"", "kind = \"smoke\"", "rig.toml", "unknown variant"),
        ];
        for (from, to, place, words) in cases {
            let e = RigFile::parse("rig.toml", &RIG.replacen(from, to, 1)).unwrap_err().to_string();
            assert!(e.starts_with(place), "{to}: {e}");
            assert!(e.contains(words), "{to}: {e}");
            assert!(e.contains("mend: "), "{to}: {e}");
        }
    }
}
