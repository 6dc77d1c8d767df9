//! The scribe: makes words and pictures of what the watch thread tells, and writes them down. It may wait for the disk; the watch
//! thread never waits for it.

mod advice;
mod causes;
mod changeovers;
mod channels;
mod checks;
mod dropouts;
mod events;
mod history;
mod names;
mod particulars;
mod picture;
mod sounds;
mod switch;

use std::collections::VecDeque;
use std::path::PathBuf;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use base::{EventId, Machine, MonoTime, SwitchView, WallTime};
use ports::os::{mono_now, wall_now};
use showlog::{Event, RecordSender};
use tokio::sync::watch::Sender;
use watch::WatchView;
use wire::Up;

use self::dropouts::DropoutBook;
use crate::from_watch::FromWatch;
use crate::memory::Kept;
use crate::page::DeskAct;
use crate::patches::{PatchNews, Where};
use crate::snapshot::{EventView, Snapshot, Tone};

pub use history::HistoryBook;
pub use names::{Facts, RigNames};
pub use picture::alarm_of;

/// Newest events kept for the page.
const EVENTS: usize = 50;
/// Snapshots go out at least this often.
const SNAPSHOT_EVERY: base::Span = base::Span::from_millis(100);

/// What others tell the scribe.
pub enum ToScribe {
    /// A message from a machine's agent.
    Up(Machine, Up),
    /// Somebody could not prove to be a machine of this rig.
    Stranger {
        /// Where from.
        from: String,
        /// Why.
        why: String,
    },
    /// A person did something.
    Acted {
        /// Who.
        who: String,
        /// By what: the page, a button.
        through: &'static str,
        /// What.
        act: DeskAct,
        /// In words, with what came of it.
        text: String,
        /// It was done.
        done: bool,
    },
    /// A changeover was measured on the tap.
    Heard {
        /// Where it went.
        to: Machine,
        /// When the command had gone out.
        at: MonoTime,
        /// What was measured.
        heard: crate::house::Heard,
    },
    /// A stretch of sound, of which those round a changeover are kept.
    Sound(showlog::Sound),
    /// A check of the rig ended.
    Checked(Box<rig::check::Sheet>),
    /// Two machines' excerpts were compared.
    Compared(watch::likeness::Compared),
    /// How the session folders stand, and what lies in them.
    Parity(Vec<crate::parity::ParityLine>, Vec<rig::check::SessionIs>),
    /// Tonight's set was changed.
    SetChanged(Vec<crate::setlist::Entry>),
    /// Something about a device's patches.
    Patch(PatchSaid),
    /// Something the supervisor has to say of itself.
    Said {
        /// Its code.
        code: &'static str,
        /// In words.
        text: String,
    },
}

/// One thing about a device's patches.
pub struct PatchSaid {
    /// Its code.
    pub code: &'static str,
    /// About which machine.
    pub machine: Option<Machine>,
    /// Which device.
    pub device: String,
    /// Whether a patch was missed.
    pub missed: bool,
    /// In words.
    pub text: String,
    /// What was sent: when, the bytes, and why.
    pub lines: Vec<(MonoTime, Vec<u8>, &'static str)>,
}

/// The way to the scribe.
#[derive(Clone)]
pub struct ScribeDesk {
    to: std::sync::mpsc::Sender<ToScribe>,
    thread: Arc<Mutex<Option<std::thread::Thread>>>,
}

impl ScribeDesk {
    /// A desk and its other end.
    pub fn new() -> (ScribeDesk, std::sync::mpsc::Receiver<ToScribe>) {
        let (to, from) = std::sync::mpsc::channel();
        (ScribeDesk { to, thread: Arc::default() }, from)
    }
    /// Tells it.
    pub fn tell(&self, news: ToScribe) {
        let _ = self.to.send(news);
        if let Ok(t) = self.thread.lock()
            && let Some(t) = t.as_ref()
        {
            t.unpark();
        }
    }
    /// Whom to wake.
    pub fn serve(&self, thread: std::thread::Thread) {
        if let Ok(mut t) = self.thread.lock() {
            *t = Some(thread);
        }
    }
}

/// Answers to acts, by ticket.
pub type Answers = Arc<Mutex<std::collections::BTreeMap<u64, tokio::sync::oneshot::Sender<rig::ActAnswer>>>>;

/// All that the scribe owns.
pub struct Scribe {
    /// From the watch thread.
    pub from_watch: rtrb::Consumer<FromWatch>,
    /// From all others.
    pub from_others: std::sync::mpsc::Receiver<ToScribe>,
    /// The record, unless it could not be opened.
    pub record: Option<RecordSender>,
    /// The machine-readable event lines.
    pub lines: Option<std::fs::File>,
    /// What must survive.
    pub kept: Kept,
    /// Where it is kept.
    pub dir: PathBuf,
    /// Names and numbers of the rig.
    pub facts: Arc<Facts>,
    /// Snapshots go here.
    pub snapshots: Sender<Arc<Snapshot>>,
    /// Offsets go here.
    pub history: Arc<Mutex<HistoryBook>>,
    /// Waiting acts.
    pub answers: Answers,
    /// Changeovers that the tap shall measure.
    pub wishes: crate::tape::Wishes,
    /// What a check needs of all that comes.
    pub check: crate::check::CheckDesk,
    /// What the ears need of each view.
    pub lies: crate::ears::Lies,
    /// Where patches are followed.
    pub patches: crate::patches::PatchDesk,
    /// Footswitches and buttons.
    pub buttons: crate::buttons::Book,
    /// Cue lights.
    pub cue_lights: crate::cue_lights::CueLights,
    /// Where alarms sound.
    pub alarm_sound: crate::alarm_sound::AlarmDesk,
    /// Tonight's set.
    pub set: Arc<Mutex<crate::setlist::SetList>>,
    /// The rule table, told by the watch thread's judge with each view.
    pub state: State,
}

/// What the scribe remembers between two snapshots.
#[derive(Default)]
pub struct State {
    view: Option<WatchView>,
    sequence: u64,
    epoch: u32,
    last_snapshot: Option<MonoTime>,
    events: VecDeque<EventView>,
    event_number: u64,
    changeovers: u32,
    /// Each output's health.
    outputs: Vec<crate::outputs::Health>,
    outputs_failed: std::collections::BTreeMap<usize, bool>,
    last_confirmed: Option<MonoTime>,
    latched_at: Option<MonoTime>,
    latched_text: String,
    acknowledged: std::collections::BTreeMap<u64, String>,
    out_of_service: std::collections::BTreeMap<u8, String>,
    /// Health as each agent told it.
    health: std::collections::BTreeMap<u8, wire::Health>,
    channels: std::collections::BTreeMap<u8, Vec<String>>,
    song: Option<u16>,
    /// What stood behind an alarm when it was raised.
    particulars: std::collections::BTreeMap<u64, String>,
    /// What is so of a machine's channels against the reference machine's, as far as it has been found.
    likeness: std::collections::BTreeMap<(String, Machine), watch::likeness::Likeness>,
    /// What is known of the channels beyond their levels.
    heard: channels::Channels,
    parity: Vec<crate::parity::ParityLine>,
    code_cut: Option<crate::snapshot::CodeCutView>,
    proposal: Option<(u64, MonoTime)>,
    sounds: sounds::Sounds,
    steps_seen: [u16; base::ids::MAX_MACHINES],
    dropouts: [DropoutBook; base::ids::MAX_MACHINES],
    wake: bool,
}

impl State {
    /// Nothing happened yet; the outputs are these.
    pub fn of(outputs: Vec<crate::outputs::Health>) -> State {
        State { outputs, ..State::default() }
    }
}

impl Scribe {
    /// Writes until the watch thread is gone.
    pub fn run(mut self) {
        self.state.epoch = self.record.as_ref().map_or(1, |r| r.flush(Duration::from_millis(1)).map_or(1, |()| 1));
        loop {
            let mut busy = false;
            while let Ok(news) = self.from_watch.pop() {
                busy = true;
                self.on_watch(news);
            }
            while let Ok(news) = self.from_others.try_recv() {
                busy = true;
                self.on_other(news);
            }
            if self.from_watch.is_abandoned() {
                break;
            }
            self.publish(false);
            if !busy {
                std::thread::park_timeout(Duration::from_millis(20));
            }
        }
        self.publish(true);
    }

    fn on_watch(&mut self, news: FromWatch) {
        match news {
            FromWatch::View(view) => {
                self.sample(&view);
                if self.patches.serves() {
                    self.patches.tell(PatchNews::View(Box::new(Where::of(&view))));
                }
                self.look_for_song(&view);
                self.look_for_steps(&view);
                self.look_for_dropouts(&view);
                if let Ok(mut h) = self.history.lock() {
                    h.on_view(&view);
                }
                if let Ok(mut lies) = self.lies.lock() {
                    *lies = crate::ears::lies_of(&view);
                }
                if let Ok(mut n) = self.check.notebook.lock() {
                    n.on_view(&view);
                }
                self.state.view = Some(view);
            }
            FromWatch::Action(at, action) => {
                self.state.wake = true;
                self.on_action(at, action);
            }
            FromWatch::Commanded { to, verdict, sent, fault, output, went_out } => {
                if went_out {
                    self.patches.tell(PatchNews::Moved(to, sent, fault.is_some()));
                }
                self.on_commanded(to, verdict, sent, fault, output, went_out);
            }
            FromWatch::Answer(ticket, answer) => {
                if let Some(to) = self.answers.lock().ok().and_then(|mut a| a.remove(&ticket)) {
                    let _ = to.send(answer);
                }
                self.state.wake = true;
            }
            FromWatch::Switch(at, view) => {
                self.state.last_confirmed = Some(at);
                let text = match view {
                    SwitchView::On(m) => format!("The switch says that it carries {m}."),
                    SwitchView::Conflict => "The switch contradicts itself.".into(),
                    SwitchView::Unknown => "The switch does not say what it carries.".into(),
                };
                let machine = if let SwitchView::On(m) = view { Some(m) } else { None };
                self.write(
                    Event { machine, ..event(at, showlog::EventKind::Switch, "switch-says", text) },
                    Tone::Neutral,
                    None,
                );
            }
            FromWatch::Old(session) => drop(session),
        }
    }

    /// One event into the record, the event lines and the page.
    fn write(&mut self, event: Event, tone: Tone, by: Option<String>) -> Option<EventId> {
        self.state.event_number += 1;
        self.state.events.push_front(EventView {
            id: self.state.event_number,
            at: event.at,
            wall: event.wall,
            code: event.code.clone(),
            tone,
            text: event.text.clone(),
            by,
        });
        self.state.events.truncate(EVENTS);
        self.state.wake = true;
        if let Some(file) = &mut self.lines {
            events::write_line(file, &event);
        }
        self.record.as_ref().map(|r| r.event(event))
    }

    fn publish(&mut self, last: bool) {
        let now = mono_now();
        let due = self.state.last_snapshot.is_none_or(|t| now - t >= SNAPSHOT_EVERY);
        if !(due || self.state.wake || last) {
            return;
        }
        let Some(view) = &self.state.view else { return };
        self.state.wake = false;
        self.state.last_snapshot = Some(now);
        self.state.sequence += 1;
        let health = self.record.as_ref().map(RecordSender::health);
        let set = self.set.lock().map(|s| s.clone()).unwrap_or_default();
        let tonight = picture::Tonight { kept: &self.kept, set: &set };
        let mut snapshot = picture::snapshot(view, &self.state, &self.facts, &tonight, health, now, wall_now());
        snapshot.devices = self.patches.shown();
        picture::mark_devices(&mut snapshot.devices, &snapshot.alarms);
        snapshot.buttons = self.buttons.shown();
        snapshot.cue_lights = self.cue_lights.shown();
        snapshot.alarm_sound = self.alarm_sound.shown();
        let _ = self.snapshots.send(Arc::new(snapshot));
    }

    fn keep(&mut self, memory: rig::Memory) {
        self.kept.memory = memory;
        if let Err(e) = self.kept.save(&self.dir) {
            tracing::error!("{}: what must survive could not be written: {e}", self.dir.display());
        }
    }
}

fn event(at: MonoTime, kind: showlog::EventKind, code: &str, text: impl Into<String>) -> Event {
    Event::new(at, wall_at(at), kind, code, text)
}

/// The wall clock at an instant of ours, by what it shows now.
pub fn wall_at(at: MonoTime) -> WallTime {
    wall_now() - (mono_now() - at)
}
