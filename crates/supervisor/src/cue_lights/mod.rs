//! Cue lights: each is told whether it should be lit, at every change and again each second, so that a light which lost its power or a
//! message is right again by itself.
//!
//! A thread of its own looks at the newest snapshot. Where snapshots cease nothing is known, and every light is lit: somebody should look.

use std::net::UdpSocket;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use base::{MonoTime, Span};
use ports::midi::{MidiOut, MidiPortName};
use rosc::{OscMessage, OscPacket, OscType};
use settings::cue_lights::{CueLight, When};
use settings::outputs::hex_bytes;
use tokio::sync::watch;

use crate::snapshot::{AlarmState, CueLightView, Priority, Snapshot};

/// How often the snapshot is looked at.
const LOOK: Duration = Duration::from_millis(20);
/// A light is told again after this.
const AGAIN: Duration = Duration::from_secs(1);
/// A port that is gone is tried again after this.
const TRY: Duration = Duration::from_secs(2);
/// Without a snapshot for so long nothing is known.
const OLD: Span = Span::from_secs(2);

/// What the page shows of them.
#[derive(Clone, Default)]
pub struct CueLights(Arc<Mutex<Vec<CueLightView>>>);

impl CueLights {
    /// What the page shows.
    pub fn shown(&self) -> Vec<CueLightView> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// Begins to tell them.
    ///
    /// # Errors
    /// No thread could be started.
    pub fn start(&self, lights: &[CueLight], snapshots: watch::Receiver<Arc<Snapshot>>) -> std::io::Result<()> {
        if lights.is_empty() {
            return Ok(());
        }
        let mut all: Vec<Light> = lights.iter().map(Light::new).collect();
        let shown = self.clone();
        std::thread::Builder::new().name("cue lights".into()).spawn(move || {
            // Until the supervisor ends.
            while snapshots.has_changed().is_ok() {
                let snapshot = snapshots.borrow().clone();
                let oldest = ports::os::mono_now() - OLD;
                for light in &mut all {
                    light.look(is_lit(light.when, &snapshot, oldest), Instant::now());
                }
                *shown.0.lock().unwrap_or_else(PoisonError::into_inner) = all.iter().map(Light::view).collect();
                std::thread::sleep(LOOK);
            }
        })?;
        Ok(())
    }
}

/// Whether such a light is lit by this snapshot; by one from before `oldest` each is.
fn is_lit(when: When, s: &Snapshot, oldest: MonoTime) -> bool {
    let proposed = s.proposal.is_some();
    let unseen = |a: &crate::snapshot::AlarmView| a.state == AlarmState::Unacknowledged && a.priority == Priority::High;
    let says = match when {
        When::HandNeeded => proposed || s.alarms.iter().any(unseen),
        When::Proposal => proposed,
        When::Unprotected => s.latched.is_some() || !s.takeovers.iter().any(|t| t.possible),
    };
    says || s.now < oldest
}

/// One light, and how it was told last.
struct Light {
    name: String,
    when: When,
    way: Way,
    lit: bool,
    told: Option<Instant>,
    failed: Option<String>,
}

/// How its messages go.
enum Way {
    Osc { to: std::net::SocketAddr, address: String, socket: Option<UdpSocket> },
    Midi { port: MidiPortName, messages: [Vec<u8>; 2], out: Option<MidiOut> },
}

impl Light {
    fn new(light: &CueLight) -> Light {
        let way = match light {
            CueLight::Osc { to, address, .. } => Way::Osc { to: *to, address: address.clone(), socket: None },
            CueLight::Midi { port, host, lit, dark, .. } => Way::Midi {
                port: MidiPortName { host: host.clone(), port: port.clone() },
                messages: [dark, lit].map(|m| hex_bytes(m).unwrap_or_default()),
                out: None,
            },
        };
        Light { name: light.name().to_owned(), when: light.when(), way, lit: false, told: None, failed: None }
    }

    fn look(&mut self, lit: bool, now: Instant) {
        let again = if self.failed.is_some() { TRY } else { AGAIN };
        let due = self.told.is_none_or(|t| now.saturating_duration_since(t) >= again);
        if !due && (lit == self.lit || self.failed.is_some()) {
            self.lit = lit;
            return;
        }
        (self.lit, self.told) = (lit, Some(now));
        let failed = self.way.tell(lit).err();
        if failed != self.failed {
            match &failed {
                Some(why) => tracing::error!("cue light {}: {why}", self.name),
                None => tracing::info!("cue light {}: told again", self.name),
            }
        }
        self.failed = failed;
    }

    fn view(&self) -> CueLightView {
        let when = match self.when {
            When::HandNeeded => "lit while a proposal waits or nobody has seen a high alarm",
            When::Proposal => "lit while a proposal waits",
            When::Unprotected => "lit while no machine could take over, or the rig is latched",
        };
        let text = match &self.failed {
            Some(why) => format!("{when}; CANNOT BE TOLD: {why}"),
            None => when.to_owned(),
        };
        CueLightView {
            name: self.name.clone(),
            lit: self.lit,
            told: self.failed.is_none() && self.told.is_some(),
            text,
        }
    }
}

impl Way {
    fn tell(&mut self, lit: bool) -> Result<(), String> {
        match self {
            Way::Osc { to, address, socket } => {
                let mine = match socket {
                    Some(s) => s,
                    None => socket.insert(UdpSocket::bind(ports::os::any_address(*to)).map_err(|e| e.to_string())?),
                };
                let message = OscMessage { addr: address.clone(), args: vec![OscType::Int(i32::from(lit))] };
                let bytes = rosc::encoder::encode(&OscPacket::Message(message)).map_err(|e| format!("{e:?}"))?;
                mine.send_to(&bytes, *to).map(|_| ()).map_err(|e| e.to_string())
            }
            Way::Midi { port, messages, out } => {
                let open = match out {
                    Some(o) => o,
                    None => out.insert(MidiOut::open(port).map_err(|e| e.to_string())?),
                };
                let sent = open.send(&messages[usize::from(lit)]).map_err(|e| e.to_string());
                if sent.is_err() {
                    *out = None;
                }
                sent
            }
        }
    }
}

#[cfg(test)]
mod tests;
