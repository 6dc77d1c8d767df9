//! Unacknowledged alarms sound on the one output that `rig.toml` names, if it names one.
//!
//! A thread of its own looks at the newest snapshot and sets one atomic; the device's callback reads it and plays. Acknowledged, shelved and ended alarms
//! are silent, and so is the output when snapshots cease: a supervisor that says nothing new must not ring for ever.

use std::sync::atomic::{AtomicU32, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use base::{Dbfs, Hertz, Span};
use ports::audio_out::{self, AudioOutput, Voice};
use ports::{Arrival, SourceState};
use rig::alarm_codes::Priority;
use rig::alarm_tone::{Pattern, Ring, Ringing};
use settings::alarm_sound::AlarmSound;
use tokio::sync::watch;

use crate::scribe::{ScribeDesk, ToScribe};
use crate::snapshot::{self, AlarmSoundView, AlarmState, AlarmView, Snapshot};

/// How often the snapshot is looked at.
const LOOK: Duration = Duration::from_millis(20);
/// Without a snapshot for so long nothing is known of alarms.
const OLD: Span = Span::from_secs(2);
/// What the atomic says: nothing, or a priority from 1.
const SILENT: u32 = 0;
/// A tone that has to cease does so over this time: at once for an ear, and without a click.
const FADE_SECONDS: f64 = 0.005;

/// Shared by the page's acts, the scribe, the looking thread and the callback.
#[derive(Clone, Default)]
pub struct AlarmDesk {
    view: Arc<Mutex<Option<AlarmSoundView>>>,
    told: Arc<Told>,
}

/// What the callback is told.
#[derive(Default)]
struct Told {
    /// The priority that sounds, plus one.
    sounds: AtomicU32,
    /// Counts beginnings, so that a burst begins at its beginning.
    begun: AtomicU64,
    /// Counts tests.
    tests: AtomicU64,
}

impl AlarmDesk {
    /// Of this output, which is not open yet.
    pub fn new(sound: Option<&AlarmSound>) -> AlarmDesk {
        let opening = |s: &AlarmSound| AlarmSoundView { ready: false, text: format!("{} is being opened.", place(s)) };
        AlarmDesk { view: Arc::new(Mutex::new(sound.map(opening))), told: Arc::default() }
    }

    /// What the page shows.
    pub fn shown(&self) -> Option<AlarmSoundView> {
        self.view.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// Sounds once; where, or why not.
    ///
    /// # Errors
    /// Why nobody would hear it.
    pub fn test(&self) -> Result<String, String> {
        match self.shown() {
            None => Err("Alarms make no sound here: name an output under [alarm_sound] of rig.toml.".into()),
            Some(v) if !v.ready => Err(v.text),
            Some(v) => {
                self.told.tests.fetch_add(1, Ordering::Relaxed);
                Ok(format!("The tone sounds once. {}", v.text))
            }
        }
    }

    /// Opens the output, if there is one, and begins to look.
    ///
    /// # Errors
    /// No thread could be started.
    pub fn start(
        &self,
        sound: Option<&AlarmSound>,
        snapshots: watch::Receiver<Arc<Snapshot>>,
        scribe: ScribeDesk,
    ) -> std::io::Result<()> {
        let Some(sound) = sound.cloned() else { return Ok(()) };
        let output = AudioOutput {
            host: sound.host.clone(),
            device: sound.device.clone(),
            channels: sound.channels.clone(),
            written: "rig.toml: alarm_sound.channels".into(),
        };
        let (told, level) = (self.told.clone(), Dbfs(sound.level));
        let voices = move || Box::new(Player::new(told.clone(), level)) as Box<dyn Voice>;
        let mut states = audio_out::open_out(output, Arc::new(voices))?;
        let desk = self.clone();
        std::thread::Builder::new().name("alarm sound".into()).spawn(move || {
            let mut ringing = Ringing::default();
            // Until the supervisor ends.
            while snapshots.has_changed().is_ok() {
                while let Some(arrival) = states.pop() {
                    if let Arrival::State { state, .. } = arrival {
                        desk.note(&sound, state, &scribe);
                    }
                }
                let loudest = loudest(&snapshots.borrow(), ports::os::mono_now() - OLD);
                match ringing.look(loudest) {
                    Some(Ring::Begin(p)) => desk.told.begin(p),
                    Some(Ring::Cease) => desk.told.sounds.store(SILENT, Ordering::Release),
                    None => {}
                }
                std::thread::sleep(LOOK);
            }
        })?;
        Ok(())
    }

    fn note(&self, sound: &AlarmSound, state: SourceState, scribe: &ScribeDesk) {
        let place = place(sound);
        let (view, code) = match state {
            SourceState::Opening => return,
            SourceState::Open(f) => {
                let text = format!("Alarms sound on {} ({place}), and whoever wears it hears them.", f.name);
                (AlarmSoundView { ready: true, text }, "alarm-sound-here")
            }
            SourceState::Stalled => (gone(&place, "it takes no sound"), "alarm-sound-gone"),
            SourceState::Gone { why } => (gone(&place, &why), "alarm-sound-gone"),
        };
        if view.ready {
            tracing::info!("{}", view.text);
        } else {
            tracing::error!("{}", view.text);
        }
        scribe.tell(ToScribe::Said { code, text: view.text.clone() });
        *self.view.lock().unwrap_or_else(PoisonError::into_inner) = Some(view);
    }
}

fn gone(place: &str, why: &str) -> AlarmSoundView {
    let text = format!("Alarms make no sound: {place} cannot be used: {why}. It is tried on; watch the page.");
    AlarmSoundView { ready: false, text }
}

/// The output as the rig's file names it.
fn place(s: &AlarmSound) -> String {
    let places: Vec<String> = s.channels.iter().map(usize::to_string).collect();
    format!("{}, channel {}", s.device, places.join(" and "))
}

/// The highest priority that nobody has seen; nothing of a snapshot from before `oldest`.
fn loudest(s: &Snapshot, oldest: base::MonoTime) -> Option<Priority> {
    let unseen = |a: &&AlarmView| a.state == AlarmState::Unacknowledged;
    let highest = s.alarms.iter().filter(unseen).map(|a| a.priority).max()?;
    (s.now >= oldest).then_some(match highest {
        snapshot::Priority::Low => Priority::Low,
        snapshot::Priority::Medium => Priority::Medium,
        snapshot::Priority::High => Priority::High,
    })
}

impl Told {
    fn begin(&self, p: Priority) {
        self.sounds.store(p as u32 + 1, Ordering::Release);
        self.begun.fetch_add(1, Ordering::Release);
    }

    fn sounds(&self) -> Option<Pattern> {
        let p = match self.sounds.load(Ordering::Acquire) {
            n if n == Priority::Medium as u32 + 1 => Priority::Medium,
            n if n == Priority::High as u32 + 1 => Priority::High,
            _ => return None,
        };
        Pattern::of(p)
    }
}

/// The voice in the device's callback.
struct Player {
    told: Arc<Told>,
    peak: f32,
    /// What plays, and the number of its next sample.
    plays: Option<(Pattern, u64)>,
    /// What plays is a test: it ends by itself.
    test: bool,
    begun: u64,
    tests: u64,
    /// 1 while it may sound; falls to 0 when it has to cease.
    open: f64,
}

impl Player {
    /// A device that comes back in the midst of an alarm begins with it; old tests are not played.
    fn new(told: Arc<Told>, level: Dbfs) -> Player {
        let tests = told.tests.load(Ordering::Relaxed);
        let begun = told.begun.load(Ordering::Acquire);
        let plays = told.sounds().map(|p| (p, 0));
        let peak = 10f64.powf(level.0 / 20.0) as f32;
        Player { told, peak, plays, test: false, begun, tests, open: 1.0 }
    }
}

impl Voice for Player {
    fn next(&mut self, rate: Hertz) -> f32 {
        let wanted = self.told.sounds();
        let begun = self.told.begun.load(Ordering::Acquire);
        if begun != self.begun {
            (self.begun, self.test, self.open) = (begun, false, 1.0);
            self.plays = wanted.map(|p| (p, 0));
        }
        let tests = self.told.tests.load(Ordering::Relaxed);
        if tests != self.tests {
            self.tests = tests;
            if wanted.is_none() {
                (self.plays, self.test, self.open) = (Pattern::of(Priority::High).map(|p| (p, 0)), true, 1.0);
            }
        }
        let Some((pattern, number)) = self.plays else { return 0.0 };
        if wanted.is_none() && !self.test {
            self.open -= 1.0 / (FADE_SECONDS * rate.0);
            if self.open <= 0.0 {
                self.plays = None;
                return 0.0;
            }
        }
        let next = number + 1;
        let over = |seconds: f64| next as f64 >= seconds * rate.0;
        self.plays = match pattern.again {
            Some(after) if over(after) && !self.test => Some((pattern, 0)),
            _ if self.test && over(pattern.length()) => None,
            _ => Some((pattern, next)),
        };
        self.peak * self.open as f32 * pattern.sample(number, rate)
    }
}

#[cfg(test)]
#[path = "alarm_sound/tests.rs"]
mod tests;
